"""One node's case: everything the checks said of it, gathered."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from lamplighter.checkins import DAY_S
from lamplighter.checks.base import CheckResult, Context
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.results import SEVERITIES, Finding, Verdict
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.rules import EvidenceRule, Rules
from lamplighter.wording import known

NOT_EVALUATED = "not evaluated"


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeCase:
    """What is known of one node.

    Attributes
    ----------
    findings : tuple of Finding
        Those that put a status on the node, worst first.
    facts : dict
        The facts of all checks together.
    verdicts : dict of check to Verdict
    """

    node: str
    entry: RegisterEntry
    findings: tuple[Finding, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    verdicts: Mapping[str, Verdict] = field(default_factory=dict)
    worklog: tuple[WorkEntry, ...] = ()

    def fact(self, name: str) -> float | None:
        """Return a fact, None when it is missing or not a number."""
        value = self.facts.get(name)
        return float(value) if isinstance(value, (int, float)) and known(value) else None

    def kinds(self) -> frozenset[str]:
        """Return the kinds of its findings."""
        return frozenset(f.kind for f in self.findings)

    def judged(self, checks: tuple[str, ...]) -> bool:
        """Whether any of these checks could judge the node; true when none is named."""
        states = [self.verdicts[c].state for c in checks if c in self.verdicts]
        return not checks or any(state != NOT_EVALUATED for state in states)


def severity_order(finding: Finding) -> tuple[int, str, str]:
    """Sort key: worst severity first, then by check and kind."""
    return SEVERITIES.index(finding.severity), finding.check, finding.id


class _Told:
    """The facts of all checks together, made for one node at a time: those of the node asked for last are kept."""

    def __init__(self, results: Mapping[str, CheckResult]) -> None:
        self._parts = [result.facts for result in results.values()]
        self._last: tuple[str, dict[str, Any]] = ("", {})

    def of(self, node: str) -> dict[str, Any]:
        """Return a node's facts."""
        if self._last[0] != node:
            facts: dict[str, Any] = {}
            for part in self._parts:
                facts.update(part.get(node, {}))
            self._last = (node, facts)
        return self._last[1]


@dataclass(frozen=True, slots=True)
class Facts(Mapping[str, Any]):
    """One node's facts, read when they are asked for: those of a whole fleet would fill the memory."""

    told: _Told
    node: str

    def __getitem__(self, name: str) -> Any:
        return self.told.of(self.node)[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.told.of(self.node))

    def __len__(self) -> int:
        return len(self.told.of(self.node))


def gather_cases(results: Mapping[str, CheckResult], context: Context) -> dict[str, NodeCase]:
    """Gather each node's findings, facts and verdicts from all checks, nodes sorted."""
    findings: dict[str, list[Finding]] = defaultdict(list)
    verdicts: dict[str, dict[str, Verdict]] = defaultdict(dict)
    told = _Told(results)
    for name, result in results.items():
        for f in result.findings:
            if f.node and f.severity != "info":
                findings[f.node].append(f)
        for node, verdict in result.verdicts.items():
            verdicts[node][name] = verdict
    return {
        node: NodeCase(
            node=node,
            entry=context.register.get(node) or RegisterEntry(node=node),
            findings=tuple(sorted(findings.get(node, ()), key=severity_order)),
            facts=Facts(told, node),
            verdicts=verdicts.get(node, {}),
            worklog=tuple(context.worklog.get(node, ())),
        )
        for node in sorted({*context.seen, *context.register, *verdicts})
    }


def states_of(
    case: NodeCase, rules: Rules, context: Context, around: frozenset[str] = frozenset(), losing: bool | None = None
) -> dict[str, bool | None]:
    """Return which evidence is present, absent, or could not be looked for.

    Parameters
    ----------
    around : frozenset of str
        Kinds of the findings that last on the node's gateway and host.
    losing : bool, optional
        Whether the other nodes of its gateway lose check-ins too.
    """
    shown = {*case.kinds(), *around}
    derived = {**derive(case, context), "fact:peers_losing": losing}
    return {rule.evidence: _state(rule, case, shown, derived) for rule in rules.evidence}


FORECASTS = frozenset({"battery_end"})
"""Finding kinds that foretell: how probable they are is part of the evidence."""


def surety_of(findings: tuple[Finding, ...], rules: Rules) -> dict[str, float]:
    """Return how sure evidence is that rests on forecasts alone; evidence that is sure is left out."""
    sure: dict[str, float] = {}
    for rule in rules.evidence:
        shown = [f for f in findings if f.kind in rule.kinds]
        if shown and all(f.kind in FORECASTS and f.probability is not None for f in shown):
            sure[rule.evidence] = max(f.probability or 0.0 for f in shown)
    return sure


def _state(rule: EvidenceRule, case: NodeCase, shown: set[str], derived: Mapping[str, bool | None]) -> bool | None:
    facts = [derived.get(kind) for kind in rule.kinds if kind.startswith("fact:")]
    if rule.kinds & shown or True in facts:
        return True
    if facts and all(fact is None for fact in facts):
        return None
    return False if case.judged(rule.checks) else None


def derive(case: NodeCase, context: Context) -> dict[str, bool | None]:
    """Return evidence that stands in the facts rather than in a finding."""
    s = context.settings.triage
    p50 = case.fact("eol_p50")
    error, tolerance = case.fact("zero_error_pct_span"), zero_tolerance(case)
    return {
        "fact:battery_due": p50 is not None and p50 <= context.as_of + s.planning_interval_days * DAY_S,
        "fact:zero_off": None if error is None or tolerance is None else abs(error) > tolerance,
        "fact:has_twin": False if case.entry.same_process_as else None,
        "fact:logged_removed": gone(case),
        "fact:stuck_within_band": case.facts.get("stuck_within_band"),
        "fact:follows_temperature": case.facts.get("follows_temperature"),
        **{f"fact:{name}": pattern(case, *columns, s) for name, columns in PATTERNS.items()},
    }


PATTERNS = {
    "lost_when_weak": ("loss_weak_signal", "loss_strong_signal", "loss_signal_p"),
    "lost_when_cold": ("loss_cold", "loss_warm", "loss_temperature_p"),
    "lost_when_low": ("loss_low_battery", "loss_high_battery", "loss_battery_p"),
    "lost_at_hours": ("loss_peak_ratio", "", "loss_peak_p"),
}
"""Patterns of loss: the share lost on either side (or their ratio), and the p-value."""


def pattern(case: NodeCase, one: str, other: str, p_value: str, s: TriageSettings) -> bool | None:
    """Whether check-ins are lost by a pattern, both surely and strongly; None when too few are lost to tell."""
    p, here, there = case.fact(p_value), case.fact(one), case.fact(other) if other else 1.0
    if p is None or here is None or there is None:
        return None
    return p <= s.pattern_p and here >= s.pattern_ratio * there and (not other or here - there >= s.pattern_share)


def gone(case: NodeCase) -> bool:
    """Whether the work log says that the node was taken out and it has not been heard since."""
    removed = [w.time for w in case.worklog if w.action == "removed"]
    return bool(removed) and not (case.fact("last_seen") or 0.0) > removed[-1] + DAY_S


def zero_tolerance(case: NodeCase) -> float | None:
    """Return the zero tolerance that was judged by [% of span]."""
    judged = case.fact("zero_tolerance_pct_span")
    return case.entry.zero_tolerance_pct_span if judged is None else judged


def min_margin_db(context: Context) -> float:
    """Return the fade margin that a link should keep [dB]."""
    return context.settings.radio.least_margin_db
