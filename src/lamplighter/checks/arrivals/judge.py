"""Judges arrivals over the whole fleet.

Findings
--------
check ``arrivals``: ``silent``, ``low_delivery``, ``delivery_falling``.
check ``outage``: ``gateway_outage``, ``host_outage``, ``group_outage`` (one each, keyed by date once over),
``gateway_outages``, ``host_outages``, ``group_outages`` (many short ones told together), ``gateway_delivery``
(most nodes of a gateway lose more than before).

Facts of a node
---------------
Columns: interval_s, first_seen, last_seen, expected, received, missed, delivery, delivery_low, delivery_high.
``expected`` and ``missed`` leave out what was lost in outages; that is ``missed_outage``.

Further: interval_pieces (list of [start, seconds]), fast_share, interval_jitter, repeated (rows sent again),
counted (the node's own counter was used),
gateway_inferred (the gateway whose outages a node shares that the register puts on none), interleaved_share (of the
last days' rows: two nodes seem to answer to one name), silent_limit_s, silent (bool), in_outage (bool: its gateway
or the host is silent now), loss_rate, loss_burst (mean missed in a row), recent_delivery, recent_delivery_low,
recent_delivery_high, loss_weak_signal and loss_strong_signal (share lost in the weakest and strongest quarter of
RSSI), loss_signal_p, loss_cold, loss_warm, loss_temperature_p, loss_low_battery, loss_high_battery, loss_battery_p,
loss_peak_hour (local, first of three), loss_peak_ratio, loss_peak_p, loss_by_hour (24 shares).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.arrivals import findings as said
from lamplighter.checks.arrivals.common import Shared, removed_since, share_out
from lamplighter.checks.arrivals.delivery import Fall, clinging, delivery, fall
from lamplighter.checks.arrivals.loss import Contrast, LossPattern
from lamplighter.checks.arrivals.measure import ArrivalsMeasure
from lamplighter.checks.arrivals.outages import SHORT, loss_process
from lamplighter.checks.arrivals.sendings import DOUBLED
from lamplighter.checks.arrivals.silence import past_silences, silence_limit
from lamplighter.checks.base import CheckResult, Context
from lamplighter.results import Finding, Gap, Verdict
from lamplighter.settings.arrivals import ArrivalsSettings
from lamplighter.spool import Packed, Spool, pack
from lamplighter.stats.discovery import benjamini_hochberg
from lamplighter.stats.proportions import Interval
from lamplighter.wording import duration

SAME_TIME_D = 21.0
"""Falls of delivery within this many days of each other may have one cause."""
SAME_SHARE = 0.5
"""... when they are on at least this share of a gateway's nodes."""
SAME_NODES = 4


@dataclass(frozen=True)
class _Node:
    """One node after outages were taken out."""

    name: str
    measure: ArrivalsMeasure
    own: np.ndarray
    outage: np.ndarray
    whole: Interval
    recent: Interval
    limit_s: float
    silent: bool
    removed: bool
    in_outage: bool
    fall: Fall | None


def judge(measures: Mapping[str, ArrivalsMeasure], context: Context) -> CheckResult:
    """Judge arrivals: outages first, then what is left to each node."""
    s = context.settings.arrivals
    shared = share_out(measures, context)
    levels = [w.level for w in shared.windows]
    considered = context.share(
        partial(_told, measures, shared, context), Packed(partial(_answer, s, levels)), shared.nodes
    )
    nodes: Spool[_Answer] = Spool.of_packed(zip(shared.nodes, considered, strict=True))
    result = CheckResult(outages=said.outage_rows(shared), findings=said.outage_findings(shared, context))
    falls = _real_falls(nodes, s)
    falls, common = _apart(falls, context)
    result.findings.extend(common)
    totals = _Totals()
    for name in sorted(measures):
        if name not in nodes:
            m = measures[name]
            result.verdicts[name] = Verdict(state="not evaluated", reason=m.why_not)
            result.facts[name] = _bare_facts(m)
            result.series[name] = _series(m, np.zeros_like(m.missed))
            continue
        answer = nodes[name]
        node = answer.node
        totals.add(node)
        own = _own_findings(node, falls.get(name), context.register[name].gateway, s)
        result.findings.extend(own)
        result.verdicts[name] = _verdict(node, own, s)
        result.facts.put(name, answer.facts)
        result.series.put(name, answer.series)
        result.gaps.extend(answer.gaps)
    for name in sorted(context.registered - set(measures)):
        result.verdicts[name] = Verdict(state="not evaluated", reason="in the register, but absent from the exports")
    result.fleet.update(_fleet(totals, shared))
    return result


@dataclass(frozen=True)
class _Told:
    """What a node is considered by: its measure, what outages took from it by gap and by day, its inferred gateway."""

    name: str
    measure: ArrivalsMeasure
    lost: np.ndarray
    cause: np.ndarray
    outage: np.ndarray
    removed: bool
    inferred: str


@dataclass(frozen=True)
class _Answer:
    """One node considered, with what is said of it whatever the others show; facts and series packed."""

    node: _Node
    facts: bytes
    series: bytes
    gaps: list[Gap]


def _told(measures: Mapping[str, ArrivalsMeasure], shared: Shared, context: Context, name: str) -> _Told:
    m = measures[name]
    removed = removed_since(name, m.last, context)
    return _Told(
        name, m, shared.lost[name], shared.cause[name], shared.by_day[name], removed, shared.inferred.get(name, "")
    )


def _answer(s: ArrivalsSettings, levels: list[str], told: _Told) -> _Answer:
    """Consider one node; ``levels`` are those of the outages."""
    node = _consider(told, s)
    facts = _facts(node) | {"gateway_inferred": told.inferred}
    return _Answer(node, pack(facts), pack(_series(node.measure, node.outage)), _listed(told, levels, s))


def _consider(told: _Told, s: ArrivalsSettings) -> _Node:
    m, outage, lost, removed = told.measure, told.outage, told.lost, told.removed
    own = m.missed - outage
    if removed and m.gaps.open:  # nothing is due from a node that was taken away
        due, _ = m.gaps.due(np.array([len(m.gaps) - 1]))
        own = own - np.bincount((due // DAY_S).astype(np.int64) - m.day[0], minlength=len(m.day))[: len(m.day)]
        own = np.maximum(own, 0)
    expected = m.received + own
    recent = m.day > m.day[-1] - s.recent_days
    limit = silence_limit(m, lost, s)
    open_now = m.gaps.open and not removed
    usual = _usual_clinging(m, expected, own, lost, s)
    excused = bool(open_now and lost[-1] >= s.outage_covers * m.gaps.missed[-1])
    return _Node(
        told.name, m, own, outage, delivery(expected, own, s.confidence),
        delivery(expected[recent], own[recent], s.confidence, usual), limit,
        bool(open_now and not excused and m.as_of - m.last > limit), removed, excused,
        None if removed else _fall(m, expected, own, s),
    )  # fmt: skip


def _usual_clinging(
    m: ArrivalsMeasure, expected: np.ndarray, own: np.ndarray, lost: np.ndarray, s: ArrivalsSettings
) -> float:
    """How losses cling over all days but those of past breakdowns, which say nothing of the node's link."""
    past = past_silences(m, lost, s)
    live = np.ones(len(m.day), bool)
    for start, end in zip(m.gaps.start[past], m.gaps.end[past], strict=True):
        live &= (m.day < start // DAY_S) | (m.day > end // DAY_S)
    return clinging(expected * live, own * live)


def _fall(m: ArrivalsMeasure, expected: np.ndarray, own: np.ndarray, s: ArrivalsSettings) -> Fall | None:
    """Look for a fall of delivery up to the last check-in: a silence is told apart as such."""
    alive = m.day < m.last // DAY_S
    return fall(m.day[alive], expected[alive], own[alive], s)


def _real_falls(nodes: Mapping[str, _Answer], s: ArrivalsSettings) -> dict[str, Fall]:
    """Return falls that stand after false discovery control and are large enough to matter."""
    falls = {name: (a.node.fall, a.node.measure.interleaved < DOUBLED) for name, a in nodes.items()}
    p = np.array([f.p if f and single else 1.0 for f, single in falls.values()])
    called = benjamini_hochberg(p, s.false_discovery_rate).called
    return {
        name: f
        for (name, (f, _)), c in zip(falls.items(), called, strict=True)
        if c and f is not None and f.now - f.before >= s.falling_loss
    }


def _apart(falls: dict[str, Fall], context: Context) -> tuple[dict[str, Fall], list[Finding]]:
    """Take out falls that most nodes of a gateway share; they are the gateway's."""
    common: list[Finding] = []
    left = dict(falls)
    by_gateway: dict[str, list[str]] = {}
    for name in context.seen:
        if context.register[name].gateway:
            by_gateway.setdefault(context.register[name].gateway, []).append(name)
    for gateway, names in sorted(by_gateway.items()):
        mine = [n for n in names if n in falls]
        if not mine:
            continue
        middle = float(np.median([falls[n].since for n in mine]))
        near = [n for n in mine if abs(falls[n].since - middle) <= SAME_TIME_D]
        if len(near) >= max(SAME_NODES, SAME_SHARE * len(names)):
            common.append(said.gateway_falling(gateway, near, len(names), middle * DAY_S))
            for n in near:
                del left[n]
    return left, common


def _own_findings(node: _Node, fallen: Fall | None, gateway: str, s: ArrivalsSettings) -> list[Finding]:
    found = []
    if node.silent:
        found.append(said.silent(node.name, node.measure, gateway, node.limit_s, s.silent_quantile))
    if node.measure.interleaved >= DOUBLED:
        return found  # two nodes under one name: what is missing from which cannot be said
    if fallen is not None:
        found.append(said.falling(node.name, gateway, fallen))
    enough = (node.measure.received + node.own)[node.measure.day > node.measure.day[-1] - s.recent_days].sum()
    if not node.silent and enough >= s.least_expected and node.recent.high < s.low_delivery:
        found.append(said.low_delivery(node.name, gateway, node.recent, s.recent_days, s.low_delivery))
    return found


def _verdict(node: _Node, found: list[Finding], s: ArrivalsSettings) -> Verdict:
    if found:
        return Verdict(state="finding", reason=found[0].evidence)
    if node.removed:
        return Verdict(state="not evaluated", reason="removed, says the work log")
    if node.measure.interleaved >= DOUBLED:
        return Verdict(
            state="not evaluated", reason="two nodes seem to answer to this name; missed check-ins cannot be told"
        )
    if node.in_outage:
        return Verdict(state="not evaluated", reason="its gateway or the host is silent now")
    if (node.measure.received + node.own).sum() < s.least_expected:
        return Verdict(state="not evaluated", reason="too few check-ins were due so far")
    return Verdict(state="good")


def _facts(node: _Node) -> dict[str, Any]:
    m = node.measure
    received, missed = int(m.received.sum()), int(node.own.sum())
    closed = m.gaps.missed[: len(m.gaps) - int(m.gaps.open)]
    loss, _ = loss_process(closed, received)
    short = closed[closed <= SHORT]
    facts = _bare_facts(m) | {
        "interval_s": round(m.schedule.current_s, 1) if m.schedule else None,
        "expected": received + missed,
        "received": received,
        "missed": missed,
        "missed_outage": int(node.outage.sum()),
        "delivery": _known(node.whole.value),
        "delivery_low": _known(node.whole.low),
        "delivery_high": _known(node.whole.high),
        "recent_delivery": _known(node.recent.value),
        "recent_delivery_low": _known(node.recent.low),
        "recent_delivery_high": _known(node.recent.high),
        "counted": m.counted,
        "interleaved_share": round(m.interleaved, 4),
        "silent": node.silent,
        "silent_limit_s": round(node.limit_s),
        "in_outage": node.in_outage,
        "loss_rate": round(loss, 5),
        "loss_burst": round(float(short.mean()), 3) if len(short) else None,
    }
    if m.schedule is not None:
        facts["interval_pieces"] = [[round(a), round(b, 1)] for a, b in m.schedule.pieces]
        facts["fast_share"] = round(m.schedule.fast_share, 5)
        facts["interval_jitter"] = round(m.schedule.jitter, 4)
    return facts | (_pattern_facts(m.pattern) if m.pattern else {})


def _bare_facts(m: ArrivalsMeasure) -> dict[str, Any]:
    return {"first_seen": m.first, "last_seen": m.last, "received": m.rows, "repeated": m.repeated}


def _pattern_facts(p: LossPattern) -> dict[str, Any]:
    def pair(c: Contrast, low: str, high: str, name: str) -> dict[str, Any]:
        return {f"loss_{low}": _known(c.low), f"loss_{high}": _known(c.high), f"loss_{name}_p": _known(c.p, 8)}

    return (
        pair(p.rssi, "weak_signal", "strong_signal", "signal")
        | pair(p.temperature, "cold", "warm", "temperature")
        | pair(p.battery, "low_battery", "high_battery", "battery")
        | {
            "loss_peak_hour": p.peak_hour if p.peak_hour >= 0 else None,
            "loss_peak_ratio": _known(p.peak_ratio, 2),
            "loss_peak_p": _known(p.peak_p, 8),
            "loss_by_hour": [_known(v, 4) for v in p.hours.tolist()],
        }
    )


def _known(value: float, places: int = 6) -> float | None:
    return round(value, places) if math.isfinite(value) else None


def _series(m: ArrivalsMeasure, outage: np.ndarray) -> dict[str, Any]:
    return {
        "day": (m.day * int(DAY_S)).tolist(),
        "expected": (m.received + m.missed).tolist(),
        "received": m.received.tolist(),
        "outage": outage.tolist(),
    }


def _listed(told: _Told, levels: list[str], s: ArrivalsSettings) -> list[Gap]:
    """Return the node's gaps worth a row, each with its cause and kind."""
    gaps, cause, lost = told.measure.gaps, told.cause, told.lost
    rows = []
    worth = np.flatnonzero((gaps.missed >= s.listed_missed) | (lost > 0))
    worth = np.sort(worth[np.argsort(-gaps.missed[worth], kind="stable")[: s.most_listed]])
    for k in worth.tolist():
        now_open = gaps.open and k == len(gaps) - 1
        if now_open and told.removed:
            continue
        ours = lost[k] < 0.5 * gaps.missed[k]
        level = "node" if ours else levels[cause[k]]
        rows.append(
            Gap(
                node=told.name, start=float(gaps.start[k]), end=float(gaps.end[k]), missed=int(gaps.missed[k]),
                cause="gateway" if level == "group" else level, kind=_kind(gaps, k, ours, s), open=now_open,
            )
        )  # fmt: skip
    return rows


def _kind(gaps: Any, k: int, ours: bool, s: ArrivalsSettings) -> str:
    if not ours:
        return "outage"
    if gaps.end[k] - gaps.start[k] >= s.silence_days * DAY_S:
        return "silence"
    return "burst" if gaps.missed[k] >= s.burst_missed else "isolated"


@dataclass
class _Totals:
    """Check-ins of all nodes together, and who is silent."""

    received: int = 0
    missed: int = 0
    outage: int = 0
    silent: list[str] = field(default_factory=list)

    def add(self, node: _Node) -> None:
        """Count a node in."""
        self.received += int(node.measure.received.sum())
        self.missed += int(node.own.sum())
        self.outage += int(node.outage.sum())
        self.silent += [node.name] if node.silent else []


def _fleet(totals: _Totals, shared: Shared) -> dict[str, Any]:
    levels = [w.level for w in shared.windows]
    longest = max((w.ended - w.began for w in shared.windows), default=0.0)
    due = totals.received + totals.missed
    return {
        "expected": due,
        "received": totals.received,
        "missed": totals.missed,
        "missed_outage": totals.outage,
        "delivery": round(totals.received / due, 6) if due else None,
        "silent": sorted(totals.silent),
        "outages": {level: levels.count(level) for level in ("host", "gateway", "group")},
        "longest_outage": duration(longest) if levels else None,
    }
