"""What every check speaks: what it is given and what it returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from lamplighter.checkins import NodeHistory
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.results import Finding, Gap, Outage, Verdict
from lamplighter.settings import Settings


@dataclass(frozen=True)
class CheckResult:
    """What one check says about the whole fleet.

    Attributes
    ----------
    findings : list of Finding
    verdicts : dict of node to Verdict
        One for every node, "not evaluated" included.
    facts : dict of node to dict
        Values for columns of nodes.csv by name, and other numbers under other names for later checks and triage.
    series : dict of node to dict
        What the report needs to draw the check's evidence, as plain lists.
    fleet : dict
        Fleet-level numbers for the report.
    gaps, outages : list
        Filled by the arrivals check alone.
    """

    findings: list[Finding] = field(default_factory=list)
    verdicts: dict[str, Verdict] = field(default_factory=dict)
    facts: dict[str, dict[str, Any]] = field(default_factory=dict)
    series: dict[str, dict[str, Any]] = field(default_factory=dict)
    fleet: dict[str, Any] = field(default_factory=dict)
    gaps: list[Gap] = field(default_factory=list)
    outages: list[Outage] = field(default_factory=list)


@dataclass(frozen=True)
class Context:
    """What a check may know besides its own measures.

    Attributes
    ----------
    settings : Settings
    register : dict of node to RegisterEntry
        Every node seen has an entry (empty when not registered); registered nodes never seen have one too.
    registered : frozenset of str
        Nodes that stand in the register file; empty when no register was given.
    worklog : dict of node to tuple of WorkEntry
    seen : tuple of str
        Nodes with at least one check-in, sorted.
    traits : dict of node to frozenset of str
    start, as_of : float
        First check-in of the data set, and the present [s since 1970-01-01 UTC].
    earlier : dict of check to CheckResult
        Results of the checks that ran before this one.
    """

    settings: Settings
    register: Mapping[str, RegisterEntry]
    registered: frozenset[str]
    worklog: Mapping[str, tuple[WorkEntry, ...]]
    seen: tuple[str, ...]
    traits: Mapping[str, frozenset[str]]
    start: float
    as_of: float
    earlier: Mapping[str, CheckResult] = field(default_factory=dict)


class Check(Protocol):
    """A check: a module (or package) with these three names."""

    NAME: str

    @staticmethod
    def measure(history: NodeHistory, settings: Settings) -> Any:
        """Measure one node: numbers with intervals and p-values, no thresholds; must pickle; runs in workers."""

    @staticmethod
    def judge(measures: Mapping[str, Any], context: Context) -> CheckResult:
        """Judge all nodes together: thresholds, false discovery control, findings."""
