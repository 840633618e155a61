"""The whole suite: fleets, the assessment of each, all scores, and the report they are written to."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from importlib import import_module
from pathlib import Path
from types import ModuleType

from lamplighter.checkins import CheckIns
from lamplighter.simulate import SimulatedFleet
from tests.accuracy.harness import FULL, NOISES, QUICK, Case, ScoreRow, Study, run_all, run_checks

REPORT = Path(__file__).parents[2] / "reports" / "accuracy.md"
VERDICT = {True: "met", False: "MISSED", None: "-"}


def score_modules() -> list[ModuleType]:
    """Every ``score_*.py`` beside this file, in order of name."""
    names = sorted(p.stem for p in Path(__file__).parent.glob("score_*.py"))
    return [import_module(f"tests.accuracy.{name}") for name in names]


@cache
def case_of(study: Study) -> Case:
    """Simulate and assess one fleet; kept for the whole session."""
    say(f"{study.label}: {study.nodes} nodes")
    fleet = study.fleet()
    try:
        case = run_all(fleet, study.label)
    except ModuleNotFoundError as missing:
        say(f"not all is there yet ({missing}); running what is")
        case = run_checks(fleet, needed=(), label=study.label)
    say(f"{study.label}: {case.seconds:.0f} s")
    # Scores of healthy fleets never look at single check-ins; half the memory goes with them.
    return replace(case, fleet=replace(fleet, checkins=without_rows(fleet))) if study.healthy else case


def without_rows(fleet: SimulatedFleet) -> CheckIns:
    """Return the check-ins of a fleet with the table emptied."""
    return replace(fleet.checkins, table=fleet.checkins.table.iloc[:0])


def say(text: str) -> None:
    """Tell how far the work has come, on the terminal only."""
    if sys.stderr.isatty():
        print(text, file=sys.stderr)


def studies(quick: bool = False) -> Sequence[Study]:
    """The fleets of the suite."""
    return QUICK if quick else FULL


def scores(quick: bool = False) -> list[ScoreRow]:
    """Run the suite and return all its lines, judged over both noise models together."""
    cases = [case_of(study) for study in studies(quick)]
    return [row for module in score_modules() for row in module.score(cases)]


def by_noise(quick: bool = False) -> dict[tuple[str, str], list[str]]:
    """Return what was measured under each noise model alone, by area and line."""
    out: dict[tuple[str, str], list[str]] = {}
    for place, noise in enumerate(NOISES):
        cases = [case_of(study) for study in studies(quick) if study.noise == noise]
        for module in score_modules():
            for row in () if getattr(module, "OWN_FLEETS", False) else module.score(cases):
                out.setdefault((row.area, row.what), ["", ""])[place] = row.measured
    return out


def report(rows: Sequence[ScoreRow], quick: bool = False) -> str:
    """Return the scores as Markdown."""
    return "\n".join(_report_lines(rows, by_noise(quick), quick)) + "\n"


def _report_lines(rows: Sequence[ScoreRow], apart: dict[tuple[str, str], list[str]], quick: bool) -> Iterator[str]:
    yield "# How right the checks are on simulated fleets"
    yield ""
    yield "Written by `python -m tests.accuracy`; do not edit. Fleets of fourteen months, hourly and half-hourly, with"
    yield "every nuisance in every node:"
    yield ""
    for s in studies(quick):
        share = "no faults" if s.healthy else f"faults in {100 * s.fault_share:g} % of them"
        yield f"- {s.label}: {s.nodes} nodes, {share}, seed {s.seed}"
    yield ""
    yield "The simulator knows nothing of the checks. `rough` noise has heavy tails, random walks that return and"
    yield "passing regimes. A line without a target is for information."
    for area in dict.fromkeys(row.area for row in rows):
        yield ""
        yield f"## {area.capitalize()}"
        yield ""
        yield "| what | target | measured | | smooth | rough |"
        yield "|---|---|---|---|---|---|"
        for r in rows:
            if r.area == area:
                smooth, rough = apart.get((area, r.what), ["", ""])
                yield f"| {r.what} | {r.target} | {r.measured} | {VERDICT[r.ok]} | {smooth} | {rough} |"


def plain_table(rows: Sequence[ScoreRow]) -> str:
    """Return the scores for a terminal."""
    wide = max((len(r.what) for r in rows), default=10)
    lines = [f"{r.area:9} {r.what:{wide}}  {r.target:22} {r.measured:22} {VERDICT[r.ok]}" for r in rows]
    return "\n".join(lines)
