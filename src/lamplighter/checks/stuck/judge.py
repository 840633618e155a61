"""Judges which stands are stuck readings, pegged readings or frozen records, and which are the process at rest.

Facts a node: ``stuck_since`` [s since 1970-01-01 UTC], only while the reading stands still now;
``stuck_kind`` with it, one of stuck, pegged, record_frozen.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from lamplighter.checkins import COMPRESSED, DAY_S, FORWARD_FILLED
from lamplighter.checks.base import CheckResult, Context
from lamplighter.checks.stuck.measure import StuckMeasures, overlap
from lamplighter.checks.stuck.reference import EPISODE_GAP
from lamplighter.checks.stuck.say import Case, finding_of, gateway_finding, other_findings
from lamplighter.checks.stuck.stand import Stand, rests_there, saturates
from lamplighter.fleet import RegisterEntry
from lamplighter.results import Finding, Verdict
from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.discovery import benjamini_hochberg
from lamplighter.wording import number

NATURAL_LIMITS = (0.0, 100.0)
"""Readings that many quantities cannot pass: nothing, and all of it in per cent."""
SHOWN = 3
"""Most stands of one kind reported a node; the series holds all."""
SHARED_NODES, SHARED_SHARE = 3, 0.6
"""From so many nodes, and so large a share, of a gateway frozen together it is the gateway's path."""


def judge(measures: Mapping[str, StuckMeasures], context: Context) -> CheckResult:
    """Judge all nodes together."""
    s = context.settings.stuck
    cases = {node: cases_of(node, measures[node], context, s) for node in sorted(measures)}
    called = call(cases, context, s)
    shared = shared_freezes(called, context)
    result = CheckResult(fleet={"probability_limit": s.most_probability, "nodes_tested": len(cases)})
    for gateway, nodes in shared.items():
        result.findings.append(gateway_finding(gateway, [called[n] for n in nodes]))
    covered = {node for nodes in shared.values() for node in nodes}
    for node in sorted(measures):
        m, found = measures[node], called[node]
        said = [finding_of(c, m, context, s) for c in shown(found) if node not in covered or c.kind != "record_frozen"]
        said += other_findings(node, m, context, s)
        result.findings.extend(said)
        result.verdicts[node] = verdict(node, m, said, cases[node], context, s)
        result.facts[node] = facts(found)
        result.series[node] = {"runs": [drawn(c) for c in found]}
    return result


def cases_of(node: str, m: StuckMeasures, context: Context, s: StuckSettings) -> list[Case]:
    """Return the stands of a node that its process at rest does not explain, whatever their probability."""
    entry, traits = context.register[node], context.traits.get(node, frozenset())
    if traits & {COMPRESSED, FORWARD_FILLED}:
        return []
    coarse = not m.levels >= s.min_levels
    frozen = [Case(node, "record_frozen", f) for f in m.frozen if long_enough(f, s)]
    sure = [c.stand for c in frozen if c.stand.p <= s.most_probability]
    single = []
    for stand in () if coarse else m.stands:
        if stand.band and m.span_s - (context.as_of - stand.start) < s.band_least_days * DAY_S:
            continue
        if not long_enough(stand, s) or any(overlap(stand, f) > 0.8 * (stand.end - stand.start) for f in sure):
            continue
        if rests_there(stand, s) or (entry.rests_at_zero and at_zero(stand, entry, s)):
            single.append(Case(node, "long_rest", stand))
        elif not (saturates(stand, s) or drawn_to_limit(stand, entry, s)):
            single.append(Case(node, "pegged" if at_limit(stand, entry, s) else "stuck", stand))
    return frozen + single


def long_enough(stand: Stand, s: StuckSettings) -> bool:
    """Whether a stand is long in hours, in check-ins and against the longest ordinary one."""
    ratio = s.min_ratio if stand.open else s.gentle_ratio if gentle(stand, s) else s.over_ratio
    return (
        stand.watched_s >= max(s.min_hours * 3600, ratio * stand.longest_s)
        and stand.check_ins >= s.min_check_ins
        and stand.references >= s.min_reference_runs
    )


def gentle(stand: Stand, s: StuckSettings) -> bool:
    """Whether a run is over and was left by a step of ordinary size, as a rest of the process is."""
    return not stand.open and stand.leave_rare > s.gentle_share


def at_zero(stand: Stand, entry: RegisterEntry, s: StuckSettings) -> bool:
    """Whether a stand lies at zero, give or take a zero error, where the register says that the process rests."""
    return entry.span is not None and abs(stand.value) <= s.beyond_pct_span / 100 * entry.span


def at_limit(stand: Stand, entry: RegisterEntry, s: StuckSettings) -> bool:
    """Whether a stand lies at or beyond a range limit of the register."""
    if entry.span is None:
        return False
    slack = s.limit_pct_span / 100 * entry.span
    return stand.value >= entry.url - slack or stand.value <= entry.lrl + slack


def drawn_to_limit(stand: Stand, entry: RegisterEntry, s: StuckSettings) -> bool:
    """Whether the reading came to a natural limit in steps of its usual size, as humidity comes to 100 %."""
    natural = at_limit(stand, entry, s) or stand.value in NATURAL_LIMITS
    gradual = stand.entry_rare > 0.01 and stand.entry < 0.1
    return natural and stand.extreme and gradual and stand.watched_s <= s.saturation_days * DAY_S


def beyond(case: Case, entry: RegisterEntry, s: StuckSettings) -> bool:
    """Whether a stand lies outside the range, where no process in service belongs."""
    if case.kind != "pegged":
        return False
    slack = s.beyond_pct_span / 100 * entry.span
    return case.stand.value > entry.url + slack or case.stand.value < entry.lrl - slack


def call(cases: Mapping[str, list[Case]], context: Context, s: StuckSettings) -> dict[str, list[Case]]:
    """Keep the stands too improbable to be ordinary, with the false discovery rate held over the fleet's nodes."""
    limits = {lasting: _limit(cases, lasting, s) for lasting in (True, False)}

    def limit(case: Case) -> float:
        if beyond(case, context.register[case.node], s):
            return s.beyond_probability
        return s.most_probability if case.kind == "long_rest" else limits[case.stand.open]

    return {n: [c for c in found if c.stand.p <= limit(c)] for n, found in cases.items()}


def _limit(cases: Mapping[str, list[Case]], lasting: bool, s: StuckSettings) -> float:
    """Highest probability called, among the stands that last now or those that are over; each kind is its own family.

    It is the threshold of the discoveries and not the largest p among them: else a node's clearest stand would
    hide its others.
    """
    least = [
        min((c.stand.p for c in found if c.kind != "long_rest" and c.stand.open == lasting), default=1.0)
        for found in cases.values()
    ]
    called = int(benjamini_hochberg(np.array(least), s.false_rate).called.sum()) if least else 0
    return min(s.false_rate * called / max(len(least), 1), s.most_probability)


def shown(found: list[Case]) -> list[Case]:
    """Pick the stands worth a finding: those that last, then the longest of each kind; rests only while they last.

    A fault in pieces is told once.
    """
    kept = []
    for kind in ("record_frozen", "pegged", "stuck", "long_rest"):
        those = [c for c in found if c.kind == kind and (c.stand.open or kind != "long_rest")]
        told = [max(episode, key=lambda c: (c.stand.open, c.stand.watched_s)) for episode in episodes(those)]
        kept += sorted(told, key=lambda c: (not c.stand.open, -c.stand.watched_s))[:SHOWN]
    return sorted(kept, key=lambda c: c.stand.start)


def episodes(found: list[Case]) -> list[list[Case]]:
    """Group stands that follow each other at one level with hardly anything between."""
    groups: list[list[Case]] = []
    for case in sorted(found, key=lambda c: c.stand.start):
        group = next((g for g in groups if any(one_episode(case.stand, c.stand) for c in g)), None)
        if group is None:
            groups.append([case])
        else:
            group.append(case)
    return groups


def one_episode(a: Stand, b: Stand) -> bool:
    """Whether two stands at one level have hardly anything between them."""
    between = max(a.start, b.start) - min(a.end, b.end)
    same = abs(a.value - b.value) <= max(a.band, b.band)
    return same and 0 <= between < EPISODE_GAP * min(a.end - a.start, b.end - b.start)


def shared_freezes(called: Mapping[str, list[Case]], context: Context) -> dict[str, list[str]]:
    """Gateways of which most nodes have a frozen record at the same time, with these nodes."""
    by_gateway: dict[str, list[str]] = {}
    for node in called:
        if context.register[node].gateway:
            by_gateway.setdefault(context.register[node].gateway, []).append(node)
    shared = {}
    for gateway, nodes in sorted(by_gateway.items()):
        frozen = {n: c.stand for n in nodes for c in called[n] if c.kind == "record_frozen"}
        together = max(
            ([n for n, other in frozen.items() if overlap(stand, other) > 0] for stand in frozen.values()),
            key=len,
            default=[],
        )
        if len(together) >= max(SHARED_NODES, SHARED_SHARE * len(nodes)):
            shared[gateway] = together
    return shared


def facts(found: list[Case]) -> dict[str, Any]:
    """Since when the reading stands still now."""
    open_cases = [c for c in found if c.stand.open and c.kind != "long_rest"]
    if not open_cases:
        return {}
    case = min(open_cases, key=lambda c: c.stand.start)
    return {"stuck_since": case.stand.start, "stuck_kind": case.kind}


def drawn(case: Case) -> dict[str, Any]:
    """One stand as the report draws it."""
    stand = case.stand
    return {
        "start": int(stand.start),
        "end": int(stand.end),
        "value": float(f"{stand.value:.6g}"),
        "probability": float(f"{stand.p:.3g}"),
        "kind": case.kind,
    }


def verdict(
    node: str, m: StuckMeasures, said: list[Finding], cases: list[Case], context: Context, s: StuckSettings
) -> Verdict:
    """One node's verdict with its reason."""
    if any(f.severity != "info" for f in said):
        return Verdict(state="finding", reason=next(f.evidence for f in said if f.severity != "info"))
    traits = context.traits.get(node, frozenset())
    if traits & {COMPRESSED, FORWARD_FILLED}:
        return Verdict(
            state="not evaluated",
            reason="The stored data repeat or leave out values, so a reading at rest cannot be told from a stuck one. "
            "Export the raw values.",
        )
    if m.check_ins < 2 * s.min_check_ins:
        return Verdict(state="not evaluated", reason="Too few readings yet.")
    if m.runs < s.min_reference_runs:
        return Verdict(
            state="not evaluated",
            reason=f"The reading changed only {max(m.runs - 1, 0)} times, so its ordinary behaviour is not known. "
            "Compare it with a second instrument at the next visit.",
        )
    if not m.levels >= s.min_levels:
        return Verdict(
            state="not evaluated",
            reason=f"All its readings lie within {number(m.levels, 2)} steps of its resolution: too coarse to tell a "
            "reading at rest from a stuck one.",
        )
    if any(c.kind == "long_rest" for c in cases) and any(f.kind == "long_rest" for f in said):
        return Verdict(state="good", reason=next(f.evidence for f in said if f.kind == "long_rest"))
    return Verdict(state="good", reason="No reading stands still for longer than this node's ordinary rests.")
