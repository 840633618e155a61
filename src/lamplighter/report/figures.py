"""What the browser needs to draw one node's charts: compact numbers, no colours, no layout."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from lamplighter.report.codec import days, deltas
from lamplighter.report.thin import stride, thinned
from lamplighter.results import Assessment, Finding, Gap
from lamplighter.wording import known

MOST_GAPS = 400


def node_data(
    series: Mapping[str, Any],
    findings: Sequence[Finding],
    gaps: Sequence[Gap],
    work: Sequence[Mapping[str, Any]],
    assessment: Assessment,
    points: int,
) -> dict[str, Any]:
    """Return the numbers of a node's charts.

    Parameters
    ----------
    series : mapping of check to lists
    findings, gaps, work : sequences
        What is marked on the charts.
    assessment : Assessment
        Gives the time axis.
    points : int
        Most points of a line.

    Returns
    -------
    dict
        ``span`` [s], ``reading``, ``radio``, ``battery``, ``arrivals``, ``zero`` (each None when there is nothing to
        draw), ``gaps``, ``marks``, ``work``, ``stuck``.
    """
    daily, step = series.get("daily") or {}, 1
    longest = max(
        (len((series.get(k) or {}).get("day") or ()) for k in ("daily", "arrivals", "radio", "battery")), default=0
    )
    step = stride(longest, points)
    return {
        "span": [_second(assessment.start), _second(assessment.as_of)],
        "step": step,
        "reading": _reading(daily, step),
        "radio": _radio(series.get("radio") or {}, daily, step),
        "battery": _battery(series.get("battery") or {}, daily, step),
        "arrivals": _arrivals(series.get("arrivals") or {}, step),
        "zero": _zero(series.get("zero") or {}),
        "stuck": [
            [_second(r["start"]), _second(r["end"]), r.get("kind", "")]
            for r in (series.get("stuck") or {}).get("runs", ())
        ],
        "gaps": [[_second(g.start), _second(g.end), g.cause, g.missed] for g in _largest(gaps)],
        "marks": [
            [_second(f.since), _second(f.until), f.check, f.severity, f.evidence] for f in findings if known(f.since)
        ],
        "work": [[_second(w["time"]), " ".join(filter(None, (w["action"], w.get("note", ""))))] for w in work],
    }


def _second(value: float | None) -> int | None:
    return round(value) if known(value) else None  # type: ignore[arg-type]


def _largest(gaps: Sequence[Gap]) -> list[Gap]:
    """Return the gaps in order of time, only the largest when there are too many to see apart."""
    most = sorted(gaps, key=lambda g: (-g.missed, g.start))[:MOST_GAPS]
    return sorted(most, key=lambda g: g.start)


def _places(values: Sequence[float | None]) -> int:
    """Return the decimals that keep four significant digits of the largest value."""
    size = max((abs(v) for v in values if v is not None), default=0.0)
    return 3 if size == 0 else min(max(3 - math.floor(math.log10(size)), 0), 9)


def _some(values: Sequence[Any] | None) -> bool:
    return bool(values) and any(v is not None for v in values)  # type: ignore[union-attr]


def _reading(daily: Mapping[str, Any], step: int) -> dict[str, Any] | None:
    if not _some(daily.get("reading_median")):
        return None
    places = _places([*daily["reading_low"], *daily["reading_high"]])
    return {
        "x": days(thinned(daily["day"], step)),
        "mid": deltas(thinned(daily["reading_median"], step), places),
        "low": deltas(thinned(daily["reading_low"], step, "low"), places),
        "high": deltas(thinned(daily["reading_high"], step, "high"), places),
    }


def _radio(radio: Mapping[str, Any], daily: Mapping[str, Any], step: int) -> dict[str, Any] | None:
    source: dict[str, Any] = {"day": radio.get("day"), "level": radio.get("level")}
    adjusted = _some(source["level"])
    if not adjusted:
        source = {"day": daily.get("day"), "level": daily.get("rssi_median")}
    if not _some(source["level"]):
        return None
    data = {
        "x": days(thinned(source["day"], step)),
        "level": deltas(thinned(source["level"], step), 1),
        "adjusted": adjusted,
        "floor": radio.get("floor_dbm"),
        "least": radio.get("min_margin_db"),
    }
    for name, values in (("fit", radio.get("fit")), ("p10", radio.get("p10") if adjusted else daily.get("rssi_p10"))):
        if values is not None and _some(values) and len(values) == len(source["day"]):
            data[name] = deltas(thinned(values, step), 1)
    return data


def _battery(battery: Mapping[str, Any], daily: Mapping[str, Any], step: int) -> dict[str, Any] | None:
    source: dict[str, Any] = {"day": battery.get("day"), "volts": battery.get("volts")}
    adjusted = _some(source["volts"])
    if not adjusted:
        source = {"day": daily.get("day"), "volts": daily.get("battery_v")}
    if not _some(source["volts"]):
        return None
    data: dict[str, Any] = {
        "x": days(thinned(source["day"], step)),
        "volts": deltas(thinned(source["volts"], step), 3),
        "adjusted": adjusted,
        "cutoff": battery.get("cutoff_v"),
        "lives": [_second(s) for s in battery.get("lives") or ()],
        "eol": [_second(e) for e in battery.get("eol") or ()],
    }
    fan = battery.get("fan") or {}
    if fan.get("day"):
        thin = stride(len(fan["day"]), 120)
        data["fan"] = {"x": days(thinned(fan["day"], thin))} | {
            p: deltas(thinned(fan[p], thin), 3) for p in ("p10", "p50", "p90")
        }
    return data


def _arrivals(arrivals: Mapping[str, Any], step: int) -> dict[str, Any] | None:
    if not arrivals.get("day"):
        return None
    return {"x": days(thinned(arrivals["day"], step))} | {
        key: deltas(thinned(arrivals.get(key) or [0] * len(arrivals["day"]), step, "sum"), 0)
        for key in ("expected", "received", "outage")
    }


def _zero(zero: Mapping[str, Any]) -> dict[str, Any] | None:
    if not _some(zero.get("error_pct")):
        return None
    step = stride(len(zero["time"]), 400)
    data = {
        "t": deltas(thinned(zero["time"], step), 0),
        "error": deltas(thinned(zero["error_pct"], step), 3),
        "tolerance": zero.get("tolerance_pct"),
    }
    if _some(zero.get("fit")) and len(zero["fit"]) == len(zero["time"]):
        data["fit"] = deltas(thinned(zero["fit"], step), 3)
    return data
