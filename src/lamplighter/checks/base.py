"""What every check speaks: what it is given and what it returns."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from lamplighter.checkins import NodeHistory
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.results import Finding, Gap, Outage, Verdict
from lamplighter.settings import Settings
from lamplighter.spool import Spool, SpooledList

Share = Callable[[Callable[[str], Any], Callable[[Any], Any], Sequence[str]], Iterator[Any]]
"""Does work on nodes, perhaps in several processes: from how a node's part is loaded, what is done with it (both must
pickle), and the nodes, to the results in their order."""


def one_by_one(load: Callable[[str], Any], work: Callable[[Any], Any], nodes: Sequence[str]) -> Iterator[Any]:
    """Do the work here, node after node."""
    return (work(load(node)) for node in nodes)


@dataclass(frozen=True)
class CheckResult:
    """What one check says about the whole fleet; what grows with the record lies in temporary files.

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
    facts: MutableMapping[str, dict[str, Any]] = field(default_factory=Spool)
    series: MutableMapping[str, dict[str, Any]] = field(default_factory=Spool)
    fleet: dict[str, Any] = field(default_factory=dict)
    gaps: SpooledList[Gap] = field(default_factory=SpooledList)
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
    share : callable
        Does the same work on many nodes, in several processes where the engine has them; see :data:`Share`.
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
    share: Share = one_by_one


class Check(Protocol):
    """A check: a module (or package) with these three names."""

    NAME: str

    @staticmethod
    def measure(history: NodeHistory, settings: Settings) -> Any:
        """Measure one node: numbers with intervals and p-values, no thresholds; must pickle; runs in workers."""

    @staticmethod
    def judge(measures: Mapping[str, Any], context: Context) -> CheckResult:
        """Judge all nodes together: thresholds, false discovery control, findings."""
