"""Plain drawings in SVG: the site from its positions, and small lines of evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lamplighter.report.model import Dot, Signal, Sketch, Spark
from lamplighter.report.thin import stride, thinned
from lamplighter.wording import count, joined, number, quantity

KM_PER_DEGREE = 111.32
"""Length of one degree of latitude [km], mean sphere of 6,371 km (general reference)."""
MAP_WIDTH, MAP_LEAST, MAP_MOST, MARGIN = 760.0, 220.0, 520.0, 40.0
LETTER = 6.6
"""Width of a letter of a label on the sketch [SVG units]."""
LEAST_TO_CLIP, BULK, FAR, EDGE = 8, 0.9, 3.0, 26.0
"""A position is far off when, of so many nodes or more, it lies three times as far from the middle as nine tenths of
them (a choice of drawing); it is shown so far inside the edge [SVG units]."""
SPARK_WIDTH, SPARK_HEIGHT, SPARK_POINTS = 148, 34, 74
RECENT_DAYS = 70
"""Days drawn small where the trouble is an event, not a slow change."""


def site_sketch(places: Sequence[tuple[str, float, float, Signal, str, str]], missing: int) -> Sketch | None:
    """Plot positions, north up, equal scale both ways.

    Parameters
    ----------
    places : sequence of (node, latitude, longitude, signal, href, site)
        Positions in degrees.
    missing : int
        Nodes without a position, for the note.

    Returns
    -------
    Sketch or None
        None when fewer than two nodes have a position.
    """
    if len(places) < 2:
        return None
    lat, lon = np.array([p[1] for p in places]), np.array([p[2] for p in places])
    middle = float(np.median(lat))
    east = (lon - np.median(lon)) * KM_PER_DEGREE * math.cos(math.radians(middle))
    north = (lat - middle) * KM_PER_DEGREE
    far = far_off(east, north)
    near_east, near_north = east[~far], north[~far]
    wide, tall = max(float(np.ptp(near_east)), 1e-3), max(float(np.ptp(near_north)), 1e-3)
    scale = min((MAP_WIDTH - 2 * MARGIN) / wide, (MAP_MOST - 2 * MARGIN) / tall)
    height = round(max(MAP_LEAST, tall * scale + 2 * MARGIN), 1)
    x = MAP_WIDTH / 2 + (east - (near_east.max() + near_east.min()) / 2) * scale
    y = height / 2 - (north - (near_north.max() + near_north.min()) / 2) * scale
    far &= (np.abs(x - MAP_WIDTH / 2) > MAP_WIDTH / 2 - EDGE) | (np.abs(y - height / 2) > height / 2 - EDGE)
    x, y, arrows = _at_the_edge(x, y, far, height)
    dots = [
        Dot(x=round(float(a), 1), y=round(float(b), 1), signal=p[3], label=p[0], href=p[4])
        for a, b, p in zip(x, y, places, strict=True)
    ]
    bar_km = _round_length(150 / scale)
    return Sketch(
        width=MAP_WIDTH,
        height=height,
        dots=tuple(sorted(dots, key=lambda d: _PAINT.index(d.signal.key))),
        labels=_site_labels([p[5] for p in places], x, y, ~far),
        scale=round(bar_km * scale, 1),
        scale_label=f"{number(bar_km * 1000)} m" if bar_km < 1 else f"{number(bar_km)} km",
        note=" ".join(filter(None, (_far_note(places, np.hypot(east, north), far), _missing_note(missing)))),
        arrows=arrows,
    )


def far_off(east: np.ndarray, north: np.ndarray) -> np.ndarray:
    """Return which positions lie so far off the others that to show them would leave the sketch empty.

    Parameters
    ----------
    east, north : ndarray, shape (n,)
        Distance from the middle one [km].

    Returns
    -------
    ndarray of bool, shape (n,)
        At most a tenth of the nodes.
    """
    distance = np.hypot(east, north)
    if len(distance) < LEAST_TO_CLIP:
        return np.zeros(len(distance), dtype=bool)
    return distance > FAR * max(float(np.quantile(distance, BULK)), 1e-3)


def _at_the_edge(x: np.ndarray, y: np.ndarray, far: np.ndarray, height: float) -> tuple:
    """Return places with those far off moved to the edge, in their direction, and an arrow for each."""
    if not far.any():
        return x, y, ()
    x, y = x.copy(), y.copy()
    dx, dy = x[far] - MAP_WIDTH / 2, y[far] - height / 2
    away = np.hypot(dx, dy)
    inside = np.minimum(
        (MAP_WIDTH / 2 - EDGE) / np.maximum(np.abs(dx), 1e-9), (height / 2 - EDGE) / np.maximum(np.abs(dy), 1e-9)
    )
    x[far], y[far] = MAP_WIDTH / 2 + dx * inside, height / 2 + dy * inside
    return x, y, tuple(_arrow(*v) for v in zip(x[far], y[far], dx / away, dy / away, strict=True))


def _arrow(x: float, y: float, right: float, down: float) -> str:
    """Return the path of an arrow head beside a dot, pointing away from the middle."""
    tip, foot, half = 20.0, 13.0, 5.0
    ends = (
        (x + foot * right - half * down, y + foot * down + half * right),
        (x + tip * right, y + tip * down),
        (x + foot * right + half * down, y + foot * down - half * right),
    )
    return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in ends)


def _far_note(places: Sequence[tuple], distance: np.ndarray, far: np.ndarray) -> str:
    """Say which nodes stand at the edge, the farthest first."""
    order = [int(i) for i in np.argsort(-distance, kind="stable") if far[i]]
    if not order:
        return ""
    names = joined([f"{places[i][0]} ({quantity(float(distance[i]), 'km', 2)} from the middle)" for i in order])
    one = len(order) == 1
    lies, arrow, whose = ("lies", "arrow points", "its position") if one else ("lie", "arrows point", "their positions")
    return f"{names} {lies} off the sketch, where the {arrow}; check {whose} in the register."


def _missing_note(missing: int) -> str:
    return (
        f"{count(missing, 'node')} {'has' if missing == 1 else 'have'} no position in the register." if missing else ""
    )


_PAINT = ("none", "good", "M", "S", "C", "F")
"""Order of painting: the worst on top."""


def _site_labels(
    sites: Sequence[str], x: np.ndarray, y: np.ndarray, near: np.ndarray
) -> tuple[tuple[float, float, str], ...]:
    """Return a label above each site whose nodes lie close together and apart from others, left out where it covers."""
    own: dict[str, list[int]] = {}
    for i in np.flatnonzero(near).tolist():
        if sites[i]:
            own.setdefault(sites[i], []).append(i)
    taken: list[tuple[float, float, float]] = []
    labels = []
    for site, at in sorted(own.items(), key=lambda s: (-len(s[1]), s[0])):
        half = min(len(site), 24) * LETTER / 2
        middle = float(np.clip(np.median(x[at]), half + 4, MAP_WIDTH - half - 4))
        top = float(y[at].min()) - 16
        if np.ptp(x[at]) > MAP_WIDTH / 4 or np.ptp(y[at]) > MAP_WIDTH / 4 or top < 12:
            continue
        between = (x >= x[at].min()) & (x <= x[at].max()) & (y >= y[at].min()) & (y <= y[at].max())
        if between.sum() - len(at) > len(at) / 2:
            continue
        covered = (np.abs(x - middle) < half + 6) & (y > top - 19) & (y < top + 9)
        if not covered.any() and all(abs(middle - m) > half + h or abs(top - t) > 17 for m, t, h in taken):
            taken.append((middle, top, half))
            labels.append((round(middle, 1), round(top, 1), site if len(site) <= 24 else f"{site[:23]}…"))
    return tuple(labels)


def _round_length(km: float) -> float:
    """Return 1, 2 or 5 times a power of ten, not longer than a length."""
    power = 10 ** math.floor(math.log10(km))
    return next(f * power for f in (5, 2, 1) if f * power <= km * (1 + 1e-9))


def evidence_spark(check: str, series: Mapping[str, Any], as_of: float, since: float | None) -> Spark | None:
    """Draw the measure behind a finding, small: its line, its limit, its forecast, and where the trouble began."""
    drawn = _spark_lines(check, series)
    if drawn is None:
        return None
    lines, label = drawn
    finite = [v[np.isfinite(v)] for _, _, v in lines]
    if not any(len(v) > 1 for v in finite):
        return None
    low, high = (f(np.concatenate(finite)) for f in (np.min, np.max))
    left, right = min(float(t[0]) for _, t, _ in lines), max(max(float(t[-1]) for _, t, _ in lines), as_of)
    if right <= left:
        return None
    pad, span = 3.0, (high - low) or 1.0

    def place(t: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return (
            pad + (t - left) / (right - left) * (SPARK_WIDTH - 2 * pad),
            pad + (high - v) / span * (SPARK_HEIGHT - 2 * pad),
        )

    paths = [(kind, _path(*place(t, v))) for kind, t, v in lines]
    if since is not None and left < since < right:
        at = f"{float(place(np.array([since]), np.array([0.0]))[0][0]):.0f}"
        paths.insert(0, ("since", f"M{at} 0V{SPARK_HEIGHT}"))
    return Spark(width=SPARK_WIDTH, height=SPARK_HEIGHT, paths=tuple(p for p in paths if p[1]), label=label)


def _spark_lines(check: str, series: Mapping[str, Any]) -> tuple[list, str] | None:
    part, daily = series.get(check) or {}, series.get("daily") or {}
    if check == "battery" and part.get("volts"):
        x, lines = _line(part["day"], part["volts"]), []
        fan = part.get("fan") or {}
        if fan.get("day"):
            lines += [("fan", *_line(fan["day"], fan[p])) for p in ("p10", "p90")]
            lines.append(("fit", *_line(fan["day"], fan["p50"])))
        return [("line", *x), *lines, *_limit(x, lines, part.get("cutoff_v"))], "Voltage"
    if check == "radio" and part.get("level"):
        x = _line(part["day"], part["level"])
        fit = [("fit", *_line(part["day"], part["fit"]))] if part.get("fit") else []
        return [("line", *x), *fit], "RSSI"
    if check in ("arrivals", "outage") and (series.get("arrivals") or {}).get("day"):
        part = series["arrivals"]
        x = _line(part["day"][-RECENT_DAYS:], part["received"][-RECENT_DAYS:])
        return [("line", *x)], "Check-ins a day"
    if check == "zero" and part.get("error_pct"):
        x = _line(part["time"], part["error_pct"])
        fit = [("fit", *_line(part["time"], part["fit"]))] if part.get("fit") else []
        return [("line", *x), *fit, *_limit(x, fit, part.get("tolerance_pct"))], "Zero error"
    if check in ("stuck", "data") and daily.get("reading_median"):
        x = _line(daily["day"][-RECENT_DAYS:], daily["reading_median"][-RECENT_DAYS:])
        return [("line", *x)], "Reading"
    return None


def _line(times: Sequence[float], values: Sequence[float | None]) -> tuple[np.ndarray, np.ndarray]:
    step = stride(len(times), SPARK_POINTS)
    return thinned(times, step), thinned(values, step)


def _limit(x: tuple[np.ndarray, np.ndarray], lines: list, value: float | None) -> list:
    if value is None:
        return []
    ends = [x[0][0], max([x[0][-1], *(t[-1] for _, t, _ in lines)])]
    return [("limit", np.array(ends, dtype=float), np.array([value, value], dtype=float))]


def _path(x: np.ndarray, y: np.ndarray) -> str:
    """Return SVG path data, the pen lifted where there is no value."""
    parts, down = [], False
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if b != b:
            down = False
            continue
        parts.append(f"{'L' if down else 'M'}{a:.1f} {b:.1f}")
        down = True
    return "".join(parts)
