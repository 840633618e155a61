"""What every check speaks: what it is given and what it returns."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from lamplighter.checkins import NodeArrays, NodeHistory, columns_of
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.record import Fetch, Record, between, blocks_of, joined, rhythm_of
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
    """A check: a module (or package) with these names."""

    NAME: str
    Summary: type
    """What is kept of a block."""

    @staticmethod
    def summarise(block: NodeHistory, settings: Settings) -> Any:
        """Condense the rows of one block: a dataclass of arrays of one dimension, see :mod:`lamplighter.record`.

        The block has rows of its own, after ``block.lead`` others. It knows neither work log nor the present.
        """

    @staticmethod
    def measure(summary: Any, record: Record, settings: Settings) -> Any:
        """Measure one node from the joined summaries of its blocks: numbers with intervals and p-values, no thresholds.

        Must pickle; runs in workers.
        """

    @staticmethod
    def judge(measures: Mapping[str, Any], context: Context) -> CheckResult:
        """Judge all nodes together: thresholds, false discovery control, findings."""


def summarise(checks: Sequence[Any], block: NodeHistory, settings: Settings) -> dict[str, Any]:
    """Return what the checks and the record keep of one block, by name."""
    alone = replace(block, worklog=())
    kept = {check.NAME: check.summarise(alone, settings) for check in checks}
    return kept | {"days": alone.own.daily, "rhythm": rhythm_of(alone)}


def together(parts: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Join the summaries of consecutive blocks, name by name; those of no block are empty."""
    some = [part for part in parts if part]
    return {name: joined([part[name] for part in some]) for name in some[0]} if some else {}


def measure(
    checks: Sequence[Any], summaries: Mapping[str, Any], history: NodeHistory, fetch: Fetch, settings: Settings
) -> tuple[Record, dict[str, Any]]:
    """Measure one node with some checks from the joined summaries of its blocks and the rows of its open block."""
    record = Record(
        node=history.node,
        entry=history.entry,
        worklog=history.worklog,
        traits=history.traits,
        start=history.start,
        as_of=history.as_of,
        open=history,
        daily=summaries["days"],
        rhythm=summaries["rhythm"],
        fetch=fetch,
    )
    return record, {check.NAME: check.measure(summaries[check.NAME], record, settings) for check in checks}


def measure_rows(checks: Sequence[Any], history: NodeHistory, settings: Settings) -> dict[str, Any]:
    """Measure one node with some checks from all of its rows."""
    blocks = [block for _, block in blocks_of(history)]
    parts = [summarise(checks, block, settings) for block in blocks if len(block) > block.lead]

    def fetch(since: float, until: float) -> NodeArrays:
        return NodeArrays(**columns_of(between(history, since, until)))

    return measure(checks, together(parts), blocks[-1], fetch, settings)[1]
