"""Run the checks over simulated fleets in memory and keep what they said beside the truth.

A score module has one function, ``score(cases) -> list[ScoreRow]``, over any number of cases. While a check is being
made, run it alone::

    from lamplighter.simulate import simulate
    from tests.accuracy.harness import run_check
    case = run_check(simulate(100, 425, seed=7, faults=("rssi_trend",), fault_share=0.5), "radio")
    case.found("radio")            # node -> findings
    case.faults("rssi_trend")      # rows of the truth
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace
from importlib import import_module
from typing import Any

import pandas as pd

from lamplighter.checks.base import CheckResult, measure_rows
from lamplighter.engines import Engine
from lamplighter.measuring import CHECKS, history_of
from lamplighter.pipeline import assess_fleet, make_context
from lamplighter.results import Finding, Gap, Outage, Verdict
from lamplighter.settings import Settings
from lamplighter.simulate import SimulatedFleet, simulate


@dataclass(frozen=True)
class ScoreRow:
    """One line of the table of scores.

    ``ok`` is None where no target was set and the figure is for information.
    """

    area: str
    what: str
    target: str
    measured: str
    n: int
    ok: bool | None = None


@dataclass(frozen=True)
class Case:
    """One simulated fleet and what was said of it."""

    label: str
    fleet: SimulatedFleet
    findings: list[Finding]
    facts: dict[str, dict[str, Any]]
    verdicts: dict[str, dict[str, Verdict]]
    gaps: list[Gap] = field(default_factory=list)
    outages: list[Outage] = field(default_factory=list)
    items: list[Any] = field(default_factory=list)
    results: dict[str, CheckResult] = field(default_factory=dict)
    as_of: float = 0.0
    seconds: float = 0.0

    def faults(self, *kinds: str, role: str = "fault") -> pd.DataFrame:
        """Rows of the truth of these kinds; all of the role when none is named."""
        truth = self.fleet.truth
        rows = truth[truth["role"] == role]
        return rows[rows["fault"].isin(kinds)] if kinds else rows

    @property
    def seen(self) -> set[str]:
        """Nodes with at least one check-in."""
        return set(self.fleet.counts["node"])

    @property
    def antenna_nodes(self) -> set[str]:
        """Nodes behind a gateway whose antenna failed."""
        gateways = set(self.faults("gateway_antenna")["gateway"])
        return set(self.fleet.counts.loc[self.fleet.counts["gateway"].isin(gateways), "node"])

    @property
    def healthy(self) -> set[str]:
        """Nodes seen, without any fault of their own."""
        return self.seen - set(self.faults()["node"])

    def found(self, check: str = "", kinds: Iterable[str] = (), *, info: bool = True) -> dict[str, list[Finding]]:
        """Findings about nodes by node, of a check, of some kinds, with or without those of severity info."""
        kinds, out = set(kinds), {}
        for f in self.findings:
            if f.node and check in ("", f.check) and (not kinds or f.kind in kinds) and (info or f.severity != "info"):
                out.setdefault(f.node, []).append(f)
        return out


def run_check(
    fleet: SimulatedFleet,
    name: str,
    *,
    earlier: Sequence[str] | None = None,
    settings: Settings | None = None,
    as_of: float | None = None,
    nodes: Sequence[str] | None = None,
) -> Case:
    """Run one check, and those before it that it may lean on, without the triage.

    ``earlier`` defaults to every check before it that exists; ``nodes`` limits the run to some nodes.
    """
    before = CHECKS[: CHECKS.index(name)] if earlier is None else tuple(earlier)
    return run_checks(fleet, (*before, name), settings=settings, as_of=as_of, nodes=nodes, needed=(name,))


def run_checks(
    fleet: SimulatedFleet,
    names: Sequence[str] = CHECKS,
    *,
    settings: Settings | None = None,
    as_of: float | None = None,
    nodes: Sequence[str] | None = None,
    needed: Sequence[str] | None = None,
    label: str = "",
) -> Case:
    """Measure and judge with some checks in their order; skip those not ``needed`` that do not exist yet."""
    begun = time.perf_counter()
    checks = [c for c in (_load(n, needed is None or n in needed) for n in names) if c is not None]
    settings, known = settings or Settings(), fleet.fleet()
    start, _ = fleet.checkins.span()
    present = fleet.as_of if as_of is None else as_of
    measures: dict[str, dict[str, Any]] = {c.NAME: {} for c in checks}
    for node in fleet.checkins.nodes() if nodes is None else sorted(nodes):
        history, _ = history_of(fleet.checkins, node, known, start, present)
        if len(history):
            for check, measure in measure_rows(checks, history, settings).items():
                measures[check][node] = measure
    seen = tuple(sorted(next(iter(measures.values()), {})))
    if nodes is not None:
        known = replace(known, register={n: e for n, e in known.register.items() if n in seen})
    context = make_context(known, settings, seen, fleet.checkins.traits, start, present)
    results: dict[str, CheckResult] = {}
    for check in checks:
        results[check.NAME] = check.judge(measures[check.NAME], replace(context, earlier=dict(results)))
    return _case(label, fleet, results, present, time.perf_counter() - begun)


def _load(name: str, needed: bool) -> Any:
    try:
        module = import_module(f"lamplighter.checks.{name}")
        if hasattr(module, "measure") and hasattr(module, "judge"):
            return module
    except ModuleNotFoundError:
        if needed:
            raise
    if needed:
        raise ModuleNotFoundError(f"the check {name} has no measure or no judge yet")
    return None


def _case(label: str, fleet: SimulatedFleet, results: dict[str, CheckResult], as_of: float, seconds: float) -> Case:
    facts: dict[str, dict[str, Any]] = {}
    verdicts: dict[str, dict[str, Verdict]] = {}
    for name, result in results.items():
        for node, values in result.facts.items():
            facts.setdefault(node, {}).update(values)
        for node, verdict in result.verdicts.items():
            verdicts.setdefault(node, {})[name] = verdict
    arrivals = results.get("arrivals", CheckResult())
    return Case(
        label=label,
        fleet=fleet,
        findings=[f for r in results.values() for f in r.findings],
        facts=facts,
        verdicts=verdicts,
        gaps=arrivals.gaps,
        outages=arrivals.outages,
        results=results,
        as_of=as_of,
        seconds=seconds,
    )


def run_all(fleet: SimulatedFleet, label: str = "", settings: Settings | None = None) -> Case:
    """Run the whole assessment, triage included, as the command does."""
    begun = time.perf_counter()
    two = Engine("processes", 2)
    done = assess_fleet(fleet.checkins, fleet.fleet(), settings or Settings(), as_of=fleet.as_of, engine=two)
    return Case(
        label=label,
        fleet=fleet,
        findings=done.findings,
        facts={row.node: asdict(row) for row in done.nodes},
        verdicts=done.verdicts,
        gaps=done.gaps,
        outages=done.outages,
        items=done.items,
        as_of=done.as_of,
        seconds=time.perf_counter() - begun,
    )


@dataclass(frozen=True)
class Study:
    """A fleet of the suite by its label."""

    label: str
    nodes: int
    seed: int
    noise: str
    healthy: bool = False
    faults: tuple[str, ...] | None = None
    fault_share: float = 0.25

    def fleet(self) -> SimulatedFleet:
        """Simulate it: fourteen months."""
        return simulate(
            self.nodes,
            425,
            self.seed,
            noise=self.noise,
            healthy=self.healthy,
            faults=self.faults,
            fault_share=self.fault_share,
        )


NOISES = ("smooth", "rough")
TARGETED = ("rssi_trend", "rssi_step", "zero_drift", "stuck", "shared_identity", "scale_step", "silent")
"""Faults that have a target; some fleets have more of them, so that a share can be told from a target."""

# Seeds that were not used while the checks were tuned.
FULL = (
    Study("faults, smooth", 400, 9_101, "smooth"),
    Study("faults, rough", 400, 9_102, "rough"),
    Study("many faults with a target, smooth", 300, 9_105, "smooth", faults=TARGETED, fault_share=0.6),
    Study("many faults with a target, rough", 300, 9_106, "rough", faults=TARGETED, fault_share=0.6),
    Study("healthy, smooth", 500, 9_103, "smooth", healthy=True),
    Study("healthy, rough", 500, 9_104, "rough", healthy=True),
)
QUICK = (
    Study("faults, smooth", 100, 9_201, "smooth"),
    Study("healthy, rough", 60, 9_202, "rough", healthy=True),
)


def share(part: int, whole: int) -> str:
    """A share as per cent with its counts."""
    return f"{100 * part / whole:.1f} % ({part}/{whole})" if whole else "no cases"


def recall_row(area: str, what: str, hits: int, n: int, target: float | None) -> ScoreRow:
    """One line about a share that should be reached."""
    wanted = f"at least {100 * target:g} %" if target is not None else "-"
    ok = None if target is None or n == 0 else hits >= target * n
    return ScoreRow(area, what, wanted, share(hits, n), n, ok)


def false_row(area: str, what: str, hits: int, n: int, target: float | None) -> ScoreRow:
    """One line about a share that should not be passed."""
    wanted = f"at most {100 * target:g} %" if target is not None else "-"
    ok = None if target is None or n == 0 else hits <= target * n
    return ScoreRow(area, what, wanted, share(hits, n), n, ok)


def recall(cases: Sequence[Case], rows_of: Any, hit: Any) -> tuple[int, int]:
    """Count the rows of the truth that ``rows_of(case)`` names and those for which ``hit(case, row)`` holds."""
    hits = n = 0
    for case in cases:
        for row in rows_of(case).to_dict("records"):
            n += 1
            hits += bool(hit(case, row))
    return hits, n


def false_alarms(
    cases: Sequence[Case], check: str = "", kinds: Iterable[str] = (), *, info: bool = False
) -> tuple[int, int]:
    """Count healthy nodes with a finding, and healthy nodes; those behind a failed gateway antenna are left out."""
    kinds, hits, n = tuple(kinds), 0, 0
    for case in cases:
        nodes = case.healthy - case.antenna_nodes
        hits += len(nodes & set(case.found(check, kinds, info=info)))
        n += len(nodes)
    return hits, n
