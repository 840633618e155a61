"""The fleet as a whole: its weeks, its gateways, and the batteries that fall due in each month."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
from scipy.special import ndtr

from lamplighter.results import Gap, NodeRow
from lamplighter.wording import DAY_S, instant, known

WEEK_S = 7 * DAY_S
MONDAY_S = 4 * DAY_S  # 1970-01-05 was a Monday
SHARES = (10.0, 50.0, 90.0)
SOON_MONTHS, RECENT_WEEKS = 3, 4
Z90 = 1.2815515655446004
"""Standard normal quantile of 0.9 (general reference: any table of the normal distribution)."""


def overview(
    rows: Sequence[NodeRow],
    series: Mapping[str, Mapping[str, Any]],
    gaps: Sequence[Gap],
    as_of: float,
    months: int = 24,
) -> dict[str, Any]:
    """Return the fleet-level numbers that the report draws, as plain data.

    Parameters
    ----------
    rows : sequence of NodeRow
    series : mapping of node to mapping of check to lists
    gaps : sequence of Gap
    as_of : float
        The present [s since 1970-01-01 UTC].
    months : int
        How many months ahead batteries are counted.

    Returns
    -------
    dict
        ``weeks``, ``gateways`` and ``batteries``.
    """
    return {
        "weeks": fleet_weeks(series, as_of),
        "gateways": gateway_losses(rows, gaps),
        "batteries": batteries_by_month(rows, as_of, months),
    }


def fleet_weeks(series: Mapping[str, Mapping[str, Any]], as_of: float) -> dict[str, Any]:
    """Return delivery, fade margin and voltage above cut-off of the fleet by week (weeks begin on Monday, UTC).

    Returns
    -------
    dict
        ``start`` [s], ``expected``, ``received``, ``outage`` (check-ins), and for delivery [-], margin [dB] and
        headroom [V] the 10th, 50th and 90th percentile over nodes of each node's weekly value.
        ``share``: delivered of all check-ins. ``recent``: medians of the last four whole weeks and of the four before,
        of that share and of the low ends of margin and headroom.
    """
    tables = {name: _Weeks(len(series)) for name in ("expected", "received", "outage", "margin", "headroom")}
    for row, node in enumerate(sorted(series)):
        part = series[node]
        for name, found in {
            **_weekly_sums(part.get("arrivals") or {}),
            "margin": _weekly_mean(part.get("radio") or {}, "level", "floor_dbm"),
            "headroom": _weekly_mean(part.get("battery") or {}, "volts", "cutoff_v"),
        }.items():
            tables[name].put(row, *found)
    weeks = sorted({w for table in tables.values() for w in table.weeks})
    expected, received, outage = (tables[name].sums(weeks) for name in ("expected", "received", "outage"))
    start = [int(w * WEEK_S + MONDAY_S) for w in weeks]
    whole = np.divide(received, expected, out=np.full(len(weeks), np.nan), where=expected > 0)
    bands = {
        "margin": _percentiles(map(tables["margin"].week, weeks), 2),
        "headroom": _percentiles(map(tables["headroom"].week, weeks), 4),
    }
    shares = (_shares(tables["received"].week(w), tables["expected"].week(w)) for w in weeks)
    drawn = {"share": np.round(whole, 5), **{k: np.array(b["p10"], dtype=float) for k, b in bands.items()}}
    return {
        "start": start,
        "share": [v if v == v else None for v in drawn["share"].tolist()],
        "recent": {k: recent_and_before(v, np.array(start, dtype=float), as_of) for k, v in drawn.items()},
        "expected": expected.tolist(),
        "received": received.tolist(),
        "outage": outage.tolist(),
        "delivery": _percentiles(shares, 4),
        **bands,
    }


def recent_and_before(values: np.ndarray, start: np.ndarray, as_of: float) -> list[float | None]:
    """Return the medians of a weekly series over the last four whole weeks and over the four before.

    Parameters
    ----------
    values, start : array, shape (n_weeks,)
        Values, NaN where there is none, and first instants of the weeks [s].
    as_of : float
        The present [s since 1970-01-01 UTC].
    """
    whole = values[start + WEEK_S <= as_of]
    parts = (whole[-RECENT_WEEKS:], whole[-2 * RECENT_WEEKS : -RECENT_WEEKS])
    return [float(np.nanmedian(p)) if np.isfinite(p).any() else None for p in parts]


def _week_of(days: Any) -> np.ndarray:
    return np.floor((np.asarray(days, dtype=float) - MONDAY_S) / WEEK_S).astype(np.int64)


class _Weeks:
    """Values of nodes by week: one row of numbers for every week that any node has, NaN for nodes that have none."""

    def __init__(self, nodes: int) -> None:
        self.nodes = nodes
        self.weeks: dict[int, np.ndarray] = {}

    def put(self, node: int, weeks: np.ndarray, values: np.ndarray) -> None:
        """Set a node's values."""
        for week, value in zip(weeks.tolist(), values.tolist(), strict=True):
            if week not in self.weeks:
                self.weeks[week] = np.full(self.nodes, np.nan)
            self.weeks[week][node] = value

    def week(self, week: int) -> np.ndarray:
        """Return the nodes' values in a week, shape (nodes,)."""
        return self.weeks.get(week, np.full(self.nodes, np.nan))

    def sums(self, weeks: Sequence[int]) -> np.ndarray:
        """Return the sum over nodes for each week."""
        return np.array([np.nansum(self.week(w)) for w in weeks])


def _shares(received: np.ndarray, expected: np.ndarray) -> np.ndarray:
    """Return the share of check-ins that were delivered, at most one, NaN where none was expected."""
    whole = np.divide(received, expected, out=np.full(len(expected), np.nan), where=expected > 0)
    return np.minimum(whole, 1.0)


_NOTHING = (np.zeros(0, dtype=np.int64), np.zeros(0))


def _weekly_sums(arrivals: Mapping[str, Any]) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Return expected, received and lost-in-outages check-ins by week: weeks and sums."""
    week = _week_of(arrivals.get("day", []))
    if not len(week):
        return {}
    names, place = np.unique(week, return_inverse=True)
    return {
        key: (
            names,
            np.bincount(
                place, weights=np.nan_to_num(np.asarray(arrivals.get(key) or np.zeros(len(week)), dtype=float))
            ),
        )
        for key in ("expected", "received", "outage")
    }


def _weekly_mean(part: Mapping[str, Any], key: str, base: str) -> tuple[np.ndarray, np.ndarray]:
    """Return weeks and means of a daily series above a base value; nothing when either is missing."""
    values, floor = part.get(key), part.get(base)
    if not values or floor is None or len(part.get("day", [])) != len(values):
        return _NOTHING
    above = np.asarray(values, dtype=float) - float(floor)
    keep = np.isfinite(above)
    names, place = np.unique(_week_of(part["day"])[keep], return_inverse=True)
    return names, np.bincount(place, weights=above[keep]) / np.bincount(place)


def _percentiles(weeks: Iterable[np.ndarray], places: int) -> dict[str, list[float | None]]:
    """Return percentiles over nodes for each week, None for weeks without any."""
    rows = [np.percentile(v, SHARES) if len(v) else np.full(len(SHARES), np.nan) for v in map(_known, weeks)]
    out = np.round(np.array(rows).reshape(-1, len(SHARES)).T, places).tolist()
    return {f"p{share:.0f}": [v if v == v else None for v in row] for share, row in zip(SHARES, out, strict=True)}


def _known(values: np.ndarray) -> np.ndarray:
    return values[np.isfinite(values)]


def gateway_losses(rows: Sequence[NodeRow], gaps: Sequence[Gap]) -> list[dict[str, Any]]:
    """Return for each gateway what its nodes were to deliver, what came, and whose loss the rest was.

    Returns
    -------
    list of dict
        Most lost check-ins first: ``gateway``, ``nodes``, ``expected``, ``received``, ``outage`` (missed while the
        gateway, the host or the export failed), ``deliveries`` (each node's own delivery rate with its name).
    """
    shared = dict.fromkeys((r.node for r in rows), 0)
    for gap in gaps:
        if gap.cause != "node" and gap.node in shared:
            shared[gap.node] += gap.missed
    found: dict[str, dict[str, Any]] = {}
    for row in rows:
        if row.expected is None or row.received is None:
            continue
        entry = found.setdefault(
            row.gateway,
            {"gateway": row.gateway, "nodes": 0, "expected": 0, "received": 0, "outage": 0, "deliveries": []},
        )
        entry["nodes"] += 1
        entry["expected"] += row.expected
        entry["received"] += row.received
        entry["outage"] += shared[row.node]
        if known(row.delivery):
            entry["deliveries"].append([row.node, round(float(row.delivery or 0.0), 5)])
    for entry in found.values():
        entry["deliveries"].sort(key=lambda d: (d[1], d[0]))
    return sorted(found.values(), key=lambda e: (e["received"] - e["expected"], e["gateway"]))


def batteries_by_month(rows: Sequence[NodeRow], as_of: float, months: int) -> dict[str, Any]:
    """Return how many batteries are expected to reach their cut-off in each month, with P10 and P90 of the count.

    Each forecast is taken as a normal law of time on either side of its P50, so that P10, P50 and P90 are met exactly;
    the number in a month is then a sum of independent yes-or-no events (Poisson-binomial law), computed exactly.

    Returns
    -------
    dict
        ``month`` (first instants [s]), ``expected``, ``p10``, ``p90`` (counts), ``soon`` (months, expected number,
        P10, P90 of the next quarter), ``forecast`` (nodes with a date),
        ``not_before`` (nodes with no date but a "no earlier than"), ``unknown``, ``past`` (expected number before the
        present month).
    """
    dated = [r for r in rows if known(r.eol_p10) and known(r.eol_p50) and known(r.eol_p90)]
    edges = month_edges(as_of, months) if known(as_of) else np.zeros(1)
    cdf = np.array([_share_before(r, edges) for r in dated]).reshape(len(dated), len(edges))
    within = np.diff(cdf, axis=1)
    counts = [_count_law(within[:, m]) for m in range(within.shape[1])]
    with_date = {id(r) for r in dated}
    waiting = sum(1 for r in rows if id(r) not in with_date and known(r.eol_not_before))
    soon = min(SOON_MONTHS, within.shape[1])
    return {
        "month": edges[:-1].astype(np.int64).tolist(),
        "expected": np.round(within.sum(axis=0), 3).tolist(),
        "p10": [c[0] for c in counts],
        "p90": [c[1] for c in counts],
        "soon": [soon, round(float(within[:, :soon].sum()), 3), *_count_law(within[:, :soon].sum(axis=1))],
        "forecast": len(dated),
        "past": round(float(cdf[:, 0].sum()), 3) if dated else 0.0,
        "not_before": waiting,
        "unknown": len(rows) - len(dated) - waiting,
    }


def month_edges(as_of: float, months: int) -> np.ndarray:
    """Return the first instants of the present month and the following ones, shape (months + 1,)."""
    now = instant(as_of)
    numbers = [now.year * 12 + now.month - 1 + m for m in range(months + 1)]
    return np.array([datetime(n // 12, n % 12 + 1, 1, tzinfo=UTC).timestamp() for n in numbers])


def _share_before(row: NodeRow, edges: np.ndarray) -> np.ndarray:
    """Return the probability that a battery reaches its cut-off before each instant."""
    p10, p50, p90 = float(row.eol_p10 or 0), float(row.eol_p50 or 0), float(row.eol_p90 or 0)
    left, right = max(p50 - p10, DAY_S) / Z90, max(p90 - p50, DAY_S) / Z90
    return ndtr((edges - p50) / np.where(edges < p50, left, right))


def _count_law(chance: np.ndarray) -> tuple[int, int]:
    """Return P10 and P90 of the number of events among independent ones, by convolution of the two-point laws."""
    law = np.ones(1)
    for p in chance[chance > 1e-6]:
        law = np.convolve(law, [1.0 - p, p])
    total = np.cumsum(law)
    return int(np.searchsorted(total, 0.1 - 1e-12)), int(np.searchsorted(total, 0.9 - 1e-12))
