"""Judged cases put into rows and items: status, reason, action, due date, part, cautions."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import timedelta
from typing import cast
from zoneinfo import ZoneInfo

from lamplighter import wording
from lamplighter.checkins import DAY_S
from lamplighter.checks.base import Context
from lamplighter.results import SEVERITIES, Cause, Finding, Item, NodeRow, Status
from lamplighter.triage import risk
from lamplighter.triage.cases import NOT_EVALUATED, NodeCase, gone, severity_order, states_of
from lamplighter.triage.cautions import cautions_for
from lamplighter.triage.crews import days_off, first_working_day, parse_crews
from lamplighter.triage.diagnosis import diagnose
from lamplighter.triage.planned import opens, to_meet
from lamplighter.triage.rules import CauseRule, Rules
from lamplighter.triage.shared import SharedFault

COLUMNS = frozenset(f.name for f in fields(NodeRow)) - {"rank", "node", "name", "site", "gateway", "risk_parts"}
CANNOT = "Cannot be judged: "
GONE = f"{CANNOT}taken out, says the work log."


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One node's case with what the triage makes of it."""

    case: NodeCase
    own: tuple[Finding, ...]
    shared: SharedFault | None
    causes: tuple[Cause, ...]
    jobs: tuple[CauseRule, ...]
    parts: dict[str, float]
    shared_part: float


def make_row(judged: Judged, context: Context) -> NodeRow:
    """Return a node's row, not yet ranked."""
    case, entry = judged.case, judged.case.entry
    row = NodeRow(node=case.node, name=entry.name or case.node, site=entry.site, gateway=entry.gateway)
    for name, value in case.facts.items():
        if name in COLUMNS:
            setattr(row, name, value)
    row.interval_s = row.interval_s if row.interval_s is not None else entry.interval_s
    row.criticality = (
        entry.criticality if entry.criticality is not None else context.settings.triage.default_criticality
    )
    row.status, row.reason = status_and_reason(judged)
    horizon = context.as_of + context.settings.triage.horizon_days * DAY_S
    told = any(f.check == "battery" for f in judged.own)
    end = to_meet(row.eol_p10, row.eol_cold_p50)
    if row.status != "" and not told and end is not None and end <= horizon:
        row.reason += f" Battery {battery_ends(row, context.as_of)}"
    if row.status != "":
        row.risk_parts, row.risk = judged.parts, risk.total_risk(judged.parts)
    if judged.causes:
        row.cause, row.cause_probability = judged.causes[0].cause, round(judged.causes[0].probability, 3)
        row.action, row.due = action_of(judged.jobs), due_of(judged.jobs, judged.own, case, context)
    return row


def status_and_reason(judged: Judged) -> tuple[Status, str]:
    """Return the NE 107 signal and the reason in plain words."""
    if judged.own:
        return signal_of(judged.own), reason_of(judged.own)
    if gone(judged.case):
        return "", GONE
    if judged.shared is not None and judged.shared.dark:
        whom = "the host" if judged.shared.subject_kind == "host" else f"its gateway {judged.shared.subject}"
        since = "" if judged.shared.since is None else f" since {wording.date(judged.shared.since)}"
        return "", f"{CANNOT}silent together with {whom}{since}."
    return quiet_status(judged.case)


def signal_of(findings: tuple[Finding, ...]) -> Status:
    """Return the worst NE 107 signal among findings."""
    return cast(Status, min((f.severity for f in findings), key=SEVERITIES.index))


def quiet_status(case: NodeCase) -> tuple[Status, str]:
    """Return signal and reason of a node on which nothing was found."""
    missing = {name: v.reason for name, v in case.verdicts.items() if v.state == NOT_EVALUATED}
    if len(missing) == len(case.verdicts):
        why = next((r for r in missing.values() if r), "no check could look at it")
        return "", f"{CANNOT}{why[:1].lower()}{why[1:].rstrip('.')}."
    looked = f" Not evaluated: {wording.joined(list(missing))}." if missing else ""
    return "good", f"Nothing found.{looked}"


def reason_of(findings: tuple[Finding, ...], most: int = 2) -> str:
    """Return the evidence of the worst findings as one or two sentences."""
    said = list(dict.fromkeys(f.evidence.rstrip(". ") for f in findings if f.evidence))
    rest = len(said) - most
    more = f" And {wording.count(rest, 'further finding')}." if rest > 0 else ""
    return " ".join(f"{text}." for text in said[:most]) + more or "See its findings."


def battery_ends(row: NodeRow, now: float) -> str:
    """Say when a node's battery ends, and when it falls short in the cold before that."""
    ends = wording.battery_ends(row.eol_p10, row.eol_p50, row.eol_p90, now)
    return f"{ends}. {wording.falls_short_in_the_cold(row.eol_cold_p50, now)}".rstrip()


def action_of(jobs: tuple[CauseRule, ...]) -> str:
    """Return the actions of a job as one sentence."""
    return "; also: ".join(dict.fromkeys(job.action for job in jobs))


def due_of(jobs: tuple[CauseRule, ...], findings: tuple[Finding, ...], case: NodeCase, context: Context) -> float:
    """Return when the work is due [s since 1970-01-01 UTC].

    A forecast says when (a battery: its early date, or its first shortfall in the cold), but no sooner than a node that
    is lost already would be visited, and that on a day on which somebody works; without a forecast the signal and the
    criticality say it.
    """
    s, now = context.settings.triage, context.as_of
    level = level_of(case.entry.criticality or s.default_criticality)
    soonest = working_moment(now, s.failure_due_days[level], context)
    by_signal = soonest if findings[0].severity == "F" else now + s.attention_due_days[level] * DAY_S
    dated = [v for v in forecasts(jobs, case, now) if v is not None]
    if findings[0].severity == "F" or len(jobs) > len(dated):
        dated.append(by_signal)
    return max(soonest, min(dated))


def working_moment(now: float, days: float, context: Context) -> float:
    """Return the moment so many days from now, moved on to the first day on which some crew works."""
    s, zone = context.settings.triage, ZoneInfo(context.settings.timezone)
    today = wording.instant(now).astimezone(zone).date()
    wanted = wording.instant(now + days * DAY_S).astimezone(zone).date()
    first = first_working_day(max(wanted, today + timedelta(days=1)), parse_crews(None, s.crews), days_off(s))
    return now + days * DAY_S + (first - wanted).days * DAY_S


def level_of(criticality: float) -> int:
    """Return the place of a criticality in a setting that has five numbers."""
    return round(min(max(criticality, 1), 5)) - 1


def forecasts(jobs: tuple[CauseRule, ...], case: NodeCase, now: float) -> list[float | None]:
    """Return the dates by which the checks foresee trouble; a limit passed already is no forecast any more."""
    cold = case.fact("eol_cold_p50")
    if cold is not None:  # a middle date knows no hour: the day that it falls on will do
        cold = now + math.ceil((cold - now) / DAY_S) * DAY_S
    battery = [to_meet(case.fact("eol_p10"), cold)] if any(j.part == "battery" for j in jobs) else []
    margin = [case.fact("margin_due")] if any(j.cause.startswith("link") for j in jobs) else []
    zero = [case.fact("zero_due")] if any(j.cause.startswith("zero") for j in jobs) else []
    return battery + [v if v is not None and v > now else None for v in (*margin, *zero)]


def earliest_of(jobs: tuple[CauseRule, ...], case: NodeCase, due: float, context: Context) -> float:
    """Return when the work is worth doing at the earliest: a battery keeps while much of its life is likely left."""
    p50, since = case.fact("eol_p50"), case.fact("battery_since") or case.entry.battery_installed
    if p50 is None or not jobs or any(j.part != "battery" for j in jobs):
        return context.as_of
    s = context.settings.triage
    life = s.typical_life_days * DAY_S if since is None or since >= p50 else p50 - since
    return min(due, max(context.as_of, opens(p50 / DAY_S, life / DAY_S, s) * DAY_S))


def part_of(jobs: tuple[CauseRule, ...], case: NodeCase) -> str:
    """Return what to bring, by part number where the register has it."""
    battery = case.entry.battery_part or "battery pack, part number not in the register"
    names = {
        "battery": battery,
        "antenna": "spare antenna",
        "node": "spare transmitter",
        "gateway": "spare gateway power supply",
    }
    return "; ".join(dict.fromkeys(names.get(j.part, j.part) for j in jobs if j.part))


def caution_keys(jobs: tuple[CauseRule, ...], case: NodeCase) -> set[str]:
    """Return the cautions of a job, those about the battery by its chemistry where that is known."""
    keys = {key for j in jobs for key in j.cautions}
    chemistry = case.facts.get("battery_cautions")
    if "lithium" in keys and chemistry is not None:
        keys = keys - {"lithium", "transport"} | set(chemistry)
        keys |= {"transport"} if "lithium" in keys else set()
    return keys


def node_item(judged: Judged, context: Context) -> Item:
    """Return what a person should do about one node."""
    case, entry = judged.case, judged.case.entry
    due = due_of(judged.jobs, judged.own, case, context)
    return Item(
        id=f"node:{case.node}",
        subject_kind="node",
        subject=case.node,
        name=entry.name or case.node,
        site=entry.site,
        gateway=entry.gateway,
        status=signal_of(judged.own),
        cause=judged.causes[0].cause,
        cause_probability=round(judged.causes[0].probability, 3),
        causes=judged.causes,
        jobs=tuple(j.cause for j in judged.jobs),
        action=action_of(judged.jobs),
        reason=reason_of(judged.own),
        not_before=earliest_of(judged.jobs, case, due, context),
        due=due,
        part=part_of(judged.jobs, case),
        minutes=sum(j.minutes for j in judged.jobs if j.on_site),
        criticality=entry.criticality if entry.criticality is not None else context.settings.triage.default_criticality,
        risk=risk.total_risk(judged.parts),
        risk_parts=judged.parts,
        cautions=tuple(cautions_for(caution_keys(judged.jobs, case))),
        findings=tuple(f.id for f in judged.own),
    )


def shared_item(
    fault: SharedFault, cases: Mapping[str, NodeCase], judged: list[Judged], rules: Rules, context: Context
) -> Item:
    """Return what a person should do about a gateway or the host; it carries the cost of all its nodes."""
    s = context.settings.triage
    causes, jobs = diagnose(shared_states(fault, cases, rules, context), rules, s, fault.subject_kind)
    found = tuple(sorted((*fault.own, *fault.explained), key=severity_order))
    carried = round(sum(j.shared_part for j in judged if j.shared is fault), 2)
    levels = [cases[n].entry.criticality or s.default_criticality for n in fault.nodes if n in cases]
    sites = Counter(cases[n].entry.site for n in fault.nodes if n in cases and cases[n].entry.site)
    group = fault.subject.startswith("group of ")
    criticality = max(levels, default=s.default_criticality)
    level = level_of(criticality)
    return Item(
        id=f"{fault.subject_kind}:{fault.subject}",
        subject_kind="host" if fault.subject_kind == "host" else "gateway",
        subject=fault.subject,
        name=shared_name(fault),
        site=min(sites, key=lambda name: (-sites[name], name)) if len(sites) == 1 or (sites and group) else "",
        gateway=fault.subject if fault.subject_kind == "gateway" and not group else "",
        status=signal_of(found),
        cause=causes[0].cause,
        cause_probability=round(causes[0].probability, 3),
        causes=causes,
        jobs=tuple(j.cause for j in jobs),
        action=action_of(jobs),
        reason=shared_reason(fault, rules),
        not_before=context.as_of,
        due=working_moment(context.as_of, s.shared_due_days, context)
        if signal_of(found) == "F"
        else context.as_of + DAY_S * s.attention_due_days[level],
        part=part_of(jobs, NodeCase(node="", entry=next(iter(cases.values())).entry)),
        minutes=sum(j.minutes for j in jobs if j.on_site),
        criticality=criticality,
        risk=carried,
        risk_parts={fault.subject_kind: carried} if carried else {},
        cautions=tuple(cautions_for(key for j in jobs for key in j.cautions)),
        findings=tuple(f.id for f in found),
    )


def shared_states(
    fault: SharedFault, cases: Mapping[str, NodeCase], rules: Rules, context: Context
) -> dict[str, bool | None]:
    """Return the evidence on a gateway or the host: what half or more of its nodes show."""
    votes: dict[str, list[bool]] = defaultdict(list)
    around = frozenset(f.kind for f in fault.own)
    for node in fault.nodes:
        if node in cases:
            for name, state in states_of(cases[node], rules, context, around, True).items():
                if state is not None:
                    votes[name].append(state)
    return {e.evidence: 2 * sum(v) >= len(v) if (v := votes[e.evidence]) else None for e in rules.evidence}


def shared_reason(fault: SharedFault, rules: Rules) -> str:
    """Return the reason of a gateway or host item in plain words."""
    if fault.own:
        return reason_of(fault.own)
    shown = [e.present for e in rules.evidence if e.kinds & fault.kinds]
    since = "" if fault.since is None else f" since {wording.date(fault.since)}"
    return f"{wording.count(len(fault.nodes), 'node')} show the same{since}: {wording.joined(shown)}."


def shared_name(fault: SharedFault) -> str:
    """Return what a gateway or host item is called."""
    if fault.subject_kind == "gateway":
        return fault.subject if fault.subject.startswith("group of ") else f"Gateway {fault.subject}"
    return "Register" if fault.kinds == {"not_registered"} else "Host and export"
