"""Judges RSSI over the whole fleet.

Findings
--------
check ``radio``: ``rssi_trend``, ``rssi_step`` (a drop; a large rise is told as information), ``low_margin``,
``too_strong``, ``link_budget`` (stronger than free space allows), ``gateway_antenna`` (about a gateway).

Facts of a node
---------------
Columns: rssi_median_dbm, rssi_slope_db_per_year, rssi_slope_low, rssi_slope_high, fade_margin_db, margin_due.

Further: rssi_rows, rssi_recent_dbm, rssi_p10_dbm (last days), rssi_spread_db (median less 10th percentile within
days), rssi_slope_p, rssi_slope_real (bool), rssi_noise_db, rssi_memory_d, sensitivity_dbm, sensitivity_stated (bool),
margin_error_db, margin_p10_db, fading_outage (share lost under Rayleigh fading), margin_due_early, margin_due_late,
free_space_dbm and excess_loss_db (when the register tells enough), rssi_changes (list of kind, time, size),
gateway_antenna (bool: its gateway's drop explains its own).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.base import CheckResult, Context
from lamplighter.checks.radio import findings as said
from lamplighter.checks.radio.findings import Crossing, Decline, Margin
from lamplighter.checks.radio.gateway import CommonDrop, common_drops, shared_weather
from lamplighter.checks.radio.link import expected_rssi, outage_from_median
from lamplighter.checks.radio.measure import YEAR_D, RadioMeasure, explained
from lamplighter.fleet import RegisterEntry
from lamplighter.results import Finding, Verdict
from lamplighter.settings.radio import RadioSettings
from lamplighter.spool import Packed, Spool
from lamplighter.stats.changes import SCAN_POINTS, Change, Slope
from lamplighter.stats.discovery import benjamini_hochberg

YEAR_S = YEAR_D * DAY_S
STALE_D = 30.0
"""RSSI older than this is no word on the present."""
AROUND_D = 45.0
LEAST_AROUND = 4
"""Days whose levels are compared before a step and at the end, and the fewest that will do."""
LASTS = 0.5
"""A step lasts when at least this part of it is left at the end."""


@dataclass(frozen=True)
class _Node:
    name: str
    measure: RadioMeasure
    margin: Margin
    decline: Decline | None
    drop: Change | None
    rise: Change | None
    antenna: bool
    antenna_db: float


def judge(measures: Mapping[str, RadioMeasure], context: Context) -> CheckResult:
    """Judge radio: what a whole gateway shares first, then each node."""
    s = context.settings.radio
    gateways: dict[str, list[str]] = {}
    names = sorted(measures)
    for name in names:
        if context.register[name].gateway:
            gateways.setdefault(context.register[name].gateway, []).append(name)
    drops = common_drops(measures, gateways, s)
    weather = shared_weather(measures, s)
    load = partial(_told, measures, context.register, drops)
    considered = context.share(load, Packed(partial(_consider, weather, s)), names)
    nodes: Spool[_Node] = Spool.of_packed(zip(names, considered, strict=True))
    result = CheckResult(findings=[said.gateway_antenna(d) for d in drops])
    chances = {n: (v.decline.p if v.decline else 1.0, _chance(v.drop)) for n, v in nodes.items() if v.measure.found}
    declines = _called({n: p for n, (p, _) in chances.items()}, s)
    changed = _called({n: p for n, (_, p) in chances.items()}, s)
    for name, node in nodes.items():
        own = _own_findings(node, name in declines, name in changed, context)
        result.findings.extend(own)
        result.verdicts[name] = _verdict(node, own, s)
        result.facts[name] = _facts(node, name in declines, context)
        result.series[name] = _series(node, s)
    result.fleet.update(_fleet(nodes, drops))
    return result


_Told = tuple[str, RadioMeasure, RegisterEntry, list[CommonDrop]]
"""A node's name, measure and entry, and the drops of its gateway."""


def _told(
    measures: Mapping[str, RadioMeasure], register: Mapping[str, RegisterEntry], drops: list[CommonDrop], name: str
) -> _Told:
    """Return what a node is considered by."""
    entry = register[name]
    return name, measures[name], entry, [d for d in drops if d.gateway == entry.gateway]


def _consider(weather: tuple[np.ndarray, np.ndarray] | None, s: RadioSettings, told: _Told) -> _Node:
    """Take out what other nodes share, and look at what is left: a decline, a drop, a rise."""
    name, measure, entry, mine = told
    m = _again(measure, mine, weather, s)
    margin = margin_of(m, entry, s)
    since = max(m.resets, default=-math.inf)
    antenna = any(name in d.nodes for d in mine)
    lost = -sum(d.size for d in mine)
    if m.found is None:
        return _Node(name, m, margin, None, None, None, antenna, lost)
    own = [c for c in m.found.changes if c.time * YEAR_S > since]
    drop, rise = _steps(own, m, s)
    return _Node(name, m, margin, decline_of(own, m, since / YEAR_S, s), drop, rise, antenna, lost)


def _again(
    m: RadioMeasure, drops: list[CommonDrop], weather: tuple[np.ndarray, np.ndarray] | None, s: RadioSettings
) -> RadioMeasure:
    """Explain a doubtful node again with the weather that the fleet shares and its gateway's drops known."""
    if m.found is None or not (m.found.changes or m.found.slope.p < s.doubtful_p):
        return m
    if not drops and weather is None:
        return m
    common = None if weather is None else np.interp(m.day, *weather)
    resets = (*m.resets, *(d.time * YEAR_S for d in drops))
    found, seasonal, fitted = explained(m.day, m.level, m.temperature, resets, s, common)
    if found is not None and common is not None:
        found = replace(found, slope=_widened(found.slope, s.shared_error_db))
    return replace(m, found=found, seasonal=seasonal, fitted=fitted)


def _widened(slope: Slope, error: float) -> Slope:
    """Add to a slope's interval what is not known of the shared weather's own trend."""
    more = 1.96 * error
    low, high = math.hypot(slope.value - slope.low, more), math.hypot(slope.high - slope.value, more)
    return replace(slope, low=slope.value - low, high=slope.value + high)


def margin_of(m: RadioMeasure, entry: RegisterEntry, s: RadioSettings) -> Margin:
    """Return the fade margin of the last days."""
    stated = entry.sensitivity_dbm is not None
    limit = float(entry.sensitivity_dbm) if stated else s.sensitivity_dbm
    error = m.found.level_error if m.found is not None else m.spread_db
    return Margin(m.recent_median - limit, m.recent_low - limit, error, limit, stated)


def decline_of(own: list[Change], m: RadioMeasure, since: float, s: RadioSettings) -> Decline | None:
    """Return the decline at the end, if there is one fast enough and long enough to matter.

    Parameters
    ----------
    own : list of Change
        Changes since the last work that moved the level.
    since : float
        When that was [years since 1970-01-01]; minus infinity when there was none.
    """
    slope = m.found.slope if m.found else None
    if slope is None or not (slope.high < 0 and slope.value <= -s.least_slope_db):
        return None
    bends = [c for c in own if c.kind == "bend" and c.size < 0]
    first = max(float(m.day[0]) / YEAR_D, since)
    began = bends[-1].time if bends else first
    low, high = (bends[-1].time_low, bends[-1].time_high) if bends else (first, first)
    fall = -slope.value * (float(m.day[-1]) / YEAR_D - began)
    if fall < s.least_fall_db:
        return None
    # One-sided: only a decline is looked for.
    return Decline(began, low, high, slope.value, slope.low, slope.high, fall, slope.p / 2, 1 - slope.p / 2)


def _steps(own: list[Change], m: RadioMeasure, s: RadioSettings) -> tuple[Change | None, Change | None]:
    """Return the greatest drop that lasts, and the greatest rise that lasts."""
    lasting = [c for c in own if c.kind == "step" and _lasts(c, m)]
    drops = [c for c in lasting if c.size <= -s.least_step_db and c.high < 0]
    rises = [c for c in lasting if c.size >= s.rise_step_db and c.low > 0]
    return min(drops, key=lambda c: c.size, default=None), max(rises, key=lambda c: c.size, default=None)


def _lasts(c: Change, m: RadioMeasure) -> bool:
    """Whether most of a step is still there at the end, by the levels themselves.

    A spell of some days is a step down and one up again; what counts is the level before and the level now.
    """
    rest, at = m.level - m.seasonal, c.time * YEAR_D
    before = rest[(m.day < at) & (m.day >= at - AROUND_D)]
    after = rest[(m.day >= at) & (m.day > m.day[-1] - AROUND_D)]
    if len(before) < LEAST_AROUND or len(after) < LEAST_AROUND:
        return False
    moved = float(np.median(after) - np.median(before))
    return moved * np.sign(c.size) >= LASTS * abs(c.size)


def _chance(change: Change | None) -> float:
    """Return a cautious p-value of a change: by the evidence, or by its size, paid for at every place it might be."""
    return min(1.0, math.exp(-change.log_bayes), SCAN_POINTS * change.p) if change else 1.0


def _called(p: dict[str, float], s: RadioSettings) -> set[str]:
    """Return the nodes whose finding stands after false discovery control over all nodes."""
    called = benjamini_hochberg(np.array(list(p.values())), s.false_discovery_rate).called
    return {n for n, yes in zip(p, called, strict=True) if yes}


def crossing(m: RadioMeasure, margin: Margin, s: RadioSettings) -> Crossing:
    """Say when a decline takes the margin below what is wanted; the far end is open when the decline might be slow.

    Counted from the level with season and weather taken out: a bad month is not the trend.
    """
    if m.found is None:
        return Crossing(None, None, None)
    slope, now = m.found.slope, m.last
    spare = float(m.fitted[-1]) - margin.sensitivity_dbm - s.least_margin_db

    def reached(db: float, rate: float) -> float | None:
        if db <= 0:
            return now
        years = db / -rate if rate < 0 else math.inf
        return now + years * YEAR_S if years <= s.forecast_years else None

    return Crossing(
        reached(spare, slope.value),
        reached(spare - 1.28 * margin.error_db, slope.value + 0.65 * (slope.low - slope.value)),
        reached(spare + 1.28 * margin.error_db, slope.value + 0.65 * (slope.high - slope.value)),
    )


def _own_findings(node: _Node, declines: bool, changed: bool, context: Context) -> list[Finding]:
    s, entry, m = context.settings.radio, context.register[node.name], node.measure
    gateway, found = entry.gateway, []
    if declines and node.decline is not None:
        found.append(said.trend(node.name, gateway, node.decline, crossing(m, node.margin, s), node.margin))
    if changed and node.drop is not None:
        found.append(said.step(node.name, gateway, node.drop, node.margin))
    if node.rise is not None and node.rise.probability > 0.99:
        found.append(said.step(node.name, gateway, node.rise, node.margin))
    if m.rows and context.as_of - m.last <= STALE_D * DAY_S:
        found += _now(node, entry, context)
    return found


def _now(node: _Node, entry: RegisterEntry, context: Context) -> list[Finding]:
    """Return findings about the level of the last days."""
    s, m, margin = context.settings.radio, node.measure, node.margin
    found = []
    arrivals = context.earlier.get("arrivals")
    facts = arrivals.facts.get(node.name, {}) if arrivals else {}
    holds = (facts.get("recent_delivery") or 0.0) >= s.holds_delivery
    wanted = s.critical_margin_db if holds else s.least_margin_db
    # What the gateway's antenna lost is the gateway's to mend.
    if margin.median_db + node.antenna_db + 1.96 * margin.error_db < wanted:
        found.append(said.low_margin(node.name, entry.gateway, m, margin, s.least_margin_db))
    if m.recent_median > s.too_strong_dbm:
        found.append(said.too_strong(node.name, entry.gateway, m, s.too_strong_dbm))
    most = free_space(entry, s)
    if most is not None and m.recent_median - most > s.impossible_db:
        found.append(said.impossible(node.name, entry.gateway, m.recent_median - most, most))
    return found


def free_space(entry: RegisterEntry, s: RadioSettings) -> float | None:
    """Return the RSSI that free space would give [dBm], None when the register does not say enough."""
    if not entry.distance_m or entry.distance_m <= 0 or entry.tx_power_dbm is None:
        return None
    return expected_rssi(
        entry.tx_power_dbm, entry.antenna_gain_dbi or 0.0, s.gateway_gain_dbi, entry.distance_m, s.frequency_mhz
    )


def _verdict(node: _Node, found: list[Finding], s: RadioSettings) -> Verdict:
    if any(f.severity != "info" for f in found):
        return Verdict(state="finding", reason=next(f.evidence for f in found if f.severity != "info"))
    if not node.measure.rows:
        return Verdict(state="not evaluated", reason="the exports hold no RSSI for this node")
    if node.measure.found is None:
        return Verdict(state="not evaluated", reason=f"fewer than {s.least_days} days with RSSI")
    return Verdict(state="good")


def _facts(node: _Node, declines: bool, context: Context) -> dict[str, Any]:
    m, s = node.measure, context.settings.radio
    if not m.rows:
        return {"rssi_rows": 0}
    facts: dict[str, Any] = {
        "rssi_rows": m.rows,
        "rssi_median_dbm": round(m.recent_median, 2),
        "rssi_p10_dbm": round(m.recent_low, 2),
        "rssi_spread_db": round(m.spread_db, 2),
        "fade_margin_db": round(node.margin.median_db, 2),
        "margin_error_db": round(node.margin.error_db, 2),
        "margin_p10_db": round(node.margin.low_db, 2),
        "fading_outage": round(outage_from_median(node.margin.median_db), 5),
        "sensitivity_dbm": node.margin.sensitivity_dbm,
        "sensitivity_stated": node.margin.stated,
        "gateway_antenna": node.antenna,
        "rssi_slope_real": declines,
    }
    most = free_space(context.register[node.name], s)
    if most is not None:
        facts |= {"free_space_dbm": round(most, 2), "excess_loss_db": round(most - m.recent_median, 2)}
    if m.found is not None:
        slope = m.found.slope
        facts |= {
            "rssi_slope_db_per_year": round(slope.value, 3),
            "rssi_slope_low": round(slope.low, 3),
            "rssi_slope_high": round(slope.high, 3),
            "rssi_slope_p": slope.p,
            "rssi_noise_db": round(m.found.noise_sd, 3),
            "rssi_memory_d": round(m.found.memory * YEAR_D, 2),
            "rssi_changes": [[c.kind, round(c.time * YEAR_S), round(c.size, 2)] for c in m.found.changes],
        }
    if declines:
        due = crossing(m, node.margin, s)
        facts |= {"margin_due": due.likely, "margin_due_early": due.early, "margin_due_late": due.late}
    return facts


def _series(node: _Node, s: RadioSettings) -> dict[str, Any]:
    m = node.measure
    return {
        "day": (m.day * int(DAY_S)).tolist(),
        "level": _list(m.level - m.seasonal),
        "fit": _list(m.fitted),
        "p10": _list(m.low),
        "floor_dbm": node.margin.sensitivity_dbm,
        "min_margin_db": s.least_margin_db,
    }


def _list(values: np.ndarray) -> list[float | None]:
    return [v if v == v else None for v in np.round(values, 2).tolist()]


def _fleet(nodes: Mapping[str, _Node], drops: list[CommonDrop]) -> dict[str, Any]:
    margins = [n.margin for n in nodes.values() if n.measure.rows]
    return {
        "with_rssi": len(margins),
        "margin_median_db": round(float(np.median([m.median_db for m in margins])), 2) if margins else None,
        "sensitivity_assumed": sum(not m.stated for m in margins),
        "gateway_drops": [d.gateway for d in drops],
    }
