"""Build fleets, measure lamplighter beside its floor and beside a conventional script, write reports/performance.md.

python -m tests.bench [--full] [--only PART] [--out FILE]

Every figure comes from one run on one machine; the ratios are what counts, beside their targets.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import shutil
import sys
import tempfile
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path

from tests.bench.timed import EVERY_S, Timed, python

STEPS = ("-m", "tests.bench.steps")
"""Everything large is done in processes of their own."""
LAYOUTS = ("plain", "tags", "wide")
SMALL = {
    "main": (60, 12),
    "reading": (60, 3),
    "fleets": ((12, 3), (48, 3), (192, 3), (12, 12), (48, 12)),
    "history": (100, 400),
    "week": (8, 24),
    "sample": (4, 8),
}
FULL = {
    "main": (240, 12),
    "reading": (240, 3),
    "fleets": ((60, 3), (240, 3), (960, 3), (60, 12), (240, 12), (960, 12), (60, 60)),
    "history": (1000, 4000),
    "week": (60, 60),
    "sample": (8, 24),
}
LEFT_OUT = "Left out: 240 and 960 nodes over 60 months, which would take longer than all the rest."
PARTS = ("main", "startup", "reading", "scaling", "history", "week", "plan")
PLAN_NODES, PLAN_YEARS, PLAN_HOURS = 100_000, 5, 8
TIMES = 2
TWO_WORKERS, REPORT_SHARE, DEARER, GROWTH = 1.7, 0.15, 0.15, 0.10
"""Targets: times that two workers are as fast as one; most of the time that report and tables take; how much more a
check-in of the largest fleet may cost than one of the smallest; how much memory may grow with four times the nodes."""


class Bench:
    """One run: where its fleets are, what was found out, line by line."""

    def __init__(self, folder: Path, size: dict) -> None:
        self.folder, self.size = folder, size
        self.lines: list[str] = []

    def say(self, *lines: str) -> None:
        self.lines += lines
        print("\n".join(lines), flush=True)

    def fleet(self, nodes: int, months: int, layout: str = "plain") -> tuple[list[str], str]:
        """Return exports and register of a fleet, made when missing."""
        folder = self.folder / f"{layout}-{nodes}-{months}"
        if not folder.exists():
            python(*STEPS, "fleet", layout, folder, str(nodes), str(months))
        return sorted(map(str, folder.glob("*.csv"))), str(folder / "register.txt")

    def assess(self, exports: list[str], register: str) -> Timed:
        """Run assess as a user does, the report included."""
        with tempfile.TemporaryDirectory(dir=self.folder) as out:
            return python("-m", "lamplighter.cli", "assess", *exports, "--register", register, "--out", out)

    def table(self, head: str, rows: Iterable[str]) -> None:
        """Say a table; every column but the first is of numbers."""
        columns = head.count("|") + 1
        self.say(f"| {head} |", "|---|" + "---:|" * (columns - 1))
        for row in rows:
            self.say(f"| {row} |")
        self.say("")

    def main(self) -> None:
        """The command as a user runs it, its floor, the conventional script, and where its time goes."""
        nodes, months = self.size["main"]
        exports, register = self.fleet(nodes, months)
        size = sum(os.path.getsize(e) for e in exports)
        # In turn, so that a busy machine is busy for all of them.
        floor, script, ours = (
            min(runs, key=lambda r: r.seconds)
            for runs in zip(
                *(
                    (
                        python(*STEPS, "floor", *exports),
                        python("-m", "tests.bench.conventional", self.folder / "answers.csv", *exports),
                        self.assess(exports, register),
                    )
                    for _ in range(TIMES)
                ),
                strict=True,
            )
        )
        rows = floor.data["rows"]
        self.say(
            f"## {nodes} nodes, {months} months: {rows:,} check-ins, {size / 1e6:,.0f} MB of CSV; best of {TIMES}", ""
        )
        runs = {
            "pyarrow.csv alone (the floor)": floor,
            "conventional script": script,
            "lamplighter assess, with report": ours,
        }
        self.table(
            "what | wall, s | processor, s | times the floor | check-ins a second | peak memory",
            (
                row(name, r.seconds, r.cpu, f"{r.seconds / floor.seconds:.1f}", f"{rows / r.seconds:,.0f}", mb(r.peak))
                for name, r in runs.items()
            ),
        )
        self.say(
            f"lamplighter takes {ours.seconds / script.seconds:.2f} times the wall time of the conventional script "
            f"and {ours.cpu / script.cpu:.2f} times its processor time.",
            "",
        )
        self.steps(register, exports)

    def steps(self, register: str, exports: list[str]) -> None:
        """Where the time of assess goes, and what a second worker brings."""
        runs = [python(*STEPS, "whole", register, *exports).data for _ in range(TIMES)]
        s = min(runs, key=lambda r: r["assess"] + r["assess, two workers"])
        one, two = s.pop("parts, one worker"), s.pop("parts, two workers")
        self.table("step, inside one process | wall, s", (f"{name} | {took:.2f}" for name, took in s.items()))
        self.table(
            "of assess, in the leading process | one worker, s | two workers, s",
            (row(name, one[name], two[name]) for name in one),
        )
        share = s["report and tables"] / (s["read"] + s["assess"] + s["report and tables"])
        more = s["assess"] / s["assess, two workers"]
        self.say(
            f"On {os.cpu_count()} cores the whole of assess, reading apart, is {more:.2f} times as fast with two "
            f"workers as with one; {target(more >= TWO_WORKERS, f'at least {TWO_WORKERS}')}. The report and tables are "
            f"{100 * share:.0f} % of reading, assessing and writing; "
            f"{target(share < REPORT_SHARE, f'under {100 * REPORT_SHARE:.0f} %')}.",
            "",
        )

    def startup(self) -> None:
        """How long a user waits for the first line."""
        runs = [python("-m", "lamplighter.cli", "--help") for _ in range(5)]
        best = min(runs, key=lambda r: r.seconds)
        self.say(
            "## Start-up",
            "",
            f"`lamplighter --help`: {best.seconds:.2f} s, {best.cpu:.2f} s of processor; best of 5.",
            "",
        )

    def reading(self) -> None:
        """Reading in the three layouts beside pyarrow.csv on the same bytes."""
        self.say("## Reading alone, beside pyarrow.csv on the same bytes; best of 3", "")
        self.table(
            "layout | CSV | check-ins | pyarrow.csv, s | read_exports, s | times | peak memory",
            map(self.reading_row, LAYOUTS),
        )

    def reading_row(self, layout: str) -> str:
        exports, _ = self.fleet(*self.size["reading"], layout)
        size = sum(os.path.getsize(e) for e in exports)
        floor, ours = (
            min((python(*STEPS, step, *exports) for _ in range(3)), key=lambda r: r.data["read"])
            for step in ("floor", "read")
        )
        took, least = ours.data["read"], floor.data["read"]
        return row(layout, mb(size), ours.data["rows"], least, took, f"{took / least:.1f}", mb(ours.peak))

    def scaling(self) -> None:
        """Time for more nodes and for more months."""
        self.say("## Scaling", "")
        self.cost: dict[tuple[int, int], float] = {}
        self.table(
            "nodes | months | check-ins | wall, s | processor, s | processor, µs a check-in | peak memory",
            (self.scaling_row(*f) for f in sorted(self.size["fleets"], key=lambda f: (f[1], f[0]))),
        )
        for months in sorted({m for _, m in self.cost}):
            self.linear(months)

    def linear(self, months: int) -> None:
        """Say what a check-in of the largest fleet costs against one of the smallest."""
        fleets = sorted(n for n, m in self.cost if m == months)
        if len(fleets) < 2:
            return
        few, many = fleets[0], fleets[-1]
        change = self.cost[many, months] / self.cost[few, months] - 1
        self.say(
            f"Over {months} months a check-in of {many} nodes costs {100 * change:+.0f} % processor time against one "
            f"of {few} nodes; {target(change <= DEARER, f'linear time, within {100 * DEARER:.0f} %')}.",
            "",
        )

    def scaling_row(self, nodes: int, months: int) -> str:
        exports, register = self.fleet(nodes, months)
        rows = python(*STEPS, "floor", *exports).data["rows"]
        ours = self.assess(exports, register)
        self.cost[nodes, months] = 1e6 * ours.cpu / rows
        cost = self.cost[nodes, months]
        return row(nodes, months, rows, ours.seconds, ours.cpu, cost, mb(ours.peak))

    def history(self) -> None:
        """Memory and time of an assessment over a history, for more nodes."""
        self.say("## Over a history: three months of 15-minute check-ins, report and tables included", "")
        self.peaks: list[tuple[int, float]] = []
        self.table(
            "nodes | check-ins | on disk | collect a month, s | assess, s | report and tables, s | peak memory",
            map(self.history_row, self.size["history"]),
        )
        (few, small), (many, large) = self.peaks[0], self.peaks[-1]
        growth = large / small - 1
        self.say(
            f"From {few:,} to {many:,} nodes the peak memory, workers included, grows by {100 * growth:+.1f} %, "
            f"{(large - small) / (many - few) / 1e3:.1f} kB a node; "
            f"{target(growth < GROWTH, f'under {100 * GROWTH:.0f} %')}.",
            "",
        )

    def history_row(self, nodes: int) -> str:
        folder, register, made = self.made_history(f"{nodes}", nodes, 3)
        run = python(*STEPS, "history", register, folder)
        ours = run.data
        self.peaks.append((nodes, run.peak))
        return (
            f"{nodes} | {ours['rows']:,} | {mb(ours['disk'])} | {made[-1]:.2f} | {ours['assess']:.2f} | "
            f"{ours['report and tables']:.2f} | {mb(run.peak)}"
        )

    def made_history(self, name: str, nodes: int, months: int) -> tuple[Path, Path, list[float]]:
        """Return a history, made when missing, its register, and how long each month took to collect [s]."""
        folder, register = self.folder / f"history-{name}", self.folder / f"register-{name}.txt"
        times = self.folder / f"history-{name}.json"
        if not times.exists():
            python(*STEPS, "register", register, str(nodes))
            made = python(*STEPS, "build_history", folder, str(nodes), str(months)).data
            times.write_text(json.dumps([v for k, v in made.items() if k.startswith("collect")]))
        return folder, register, json.loads(times.read_text())

    def week(self) -> None:
        """What a week costs that is added to years, beside the week alone and beside reading everything."""
        nodes, months = self.size["week"]
        folder, register, _ = self.made_history(f"week-{nodes}-{months}", nodes, months)
        found = python(*STEPS, "week", register, folder, str(nodes), str(months)).data
        same, kept = found.pop("same"), found.pop("kept")
        alone, more, every = found.values()
        self.say(f"## A week added to {months} months: {nodes} nodes, collect, assess and report in one process", "")
        self.table(
            "what | wall, s | processor, s | processor ms a node",
            (row(name, wall, cpu, 1e3 * cpu / nodes) for name, (wall, cpu) in found.items()),
        )
        self.say(
            f"With what the history keeps of closed half-years ({kept / nodes / 1e3:,.0f} kB a node) a week more takes "
            f"{every[1] / more[1]:.1f} times less processor time than reading everything, and {more[1] / alone[1]:.1f} "
            f"times that of the week alone; both results are {'the same, byte for byte' if same else 'DIFFERENT'}.",
            "",
        )

    def plan(self) -> None:
        """What a far larger fleet would need, from the cost of a few of its nodes measured here."""
        few, many = self.size["sample"]
        runs = {}
        for nodes in (few, many):
            folder, register, made = self.made_history(f"plan-{nodes}", nodes, 12 * PLAN_YEARS)
            held = python(*STEPS, "kept", register, folder).data
            more = python(*STEPS, "history", register, folder, "serial")
            shutil.rmtree(folder / "summaries", ignore_errors=True)
            runs[nodes] = python(*STEPS, "history", register, folder, "serial"), more, held
        (small, small_more, less), (large, large_more, more) = runs[few], runs[many]
        spooled, held = more["spooled"] / many, (more["kept"] - less["kept"]) / (many - few)
        # What the start costs does not grow with the fleet.
        node, weekly = (large.cpu - small.cpu) / (many - few), (large_more.cpu - small_more.cpu) / (many - few)
        rows, disk = large.data["rows"] / many, large.data["disk"] / many
        week = sum(made) / many / (52 * PLAN_YEARS)
        self.say(
            f"## On paper: {PLAN_NODES:,} nodes, {PLAN_YEARS} years, 15 minutes, from {few} and {many} such nodes", ""
        )
        self.table(
            f"what | a node | {PLAN_NODES:,} nodes",
            (
                row("check-ins", f"{rows:,.0f}", f"{rows * PLAN_NODES / 1e9:.1f} thousand million"),
                row("history on disk, summaries included", mb(disk), f"{disk * PLAN_NODES / 1e9:,.0f} GB"),
                row("temporary files", mb(spooled), f"{spooled * PLAN_NODES / 1e9:,.0f} GB"),
                row("assess with report, the first time", f"{node:.2f} s", core_hours(node)),
                row("assess with report, every week", f"{weekly:.2f} s", core_hours(weekly)),
                row("collect, a week's share", f"{1e3 * week:.1f} ms", f"{week * PLAN_NODES / 60:.0f} min on one core"),
                row("memory of a worker", "", mb(large.peak)),
                row(
                    "kept in memory by the leading process", f"{held / 1e3:.1f} kB", mb(large.peak + held * PLAN_NODES)
                ),
            ),
        )


def core_hours(node: float) -> str:
    """Return what the large fleet takes when a node takes so much processor time [s]."""
    hours = node * PLAN_NODES / 3600
    cores = math.ceil(hours / PLAN_HOURS)
    return f"{hours:,.1f} core hours: {cores} core{'s' * (cores > 1)} for {min(hours / cores, PLAN_HOURS):.1f} hours"


def target(met: bool, what: str) -> str:
    """Return a target and whether it is met."""
    return f"target: {what}: {'met' if met else 'MISSED'}"


def row(*cells: object) -> str:
    """Return cells of a table: whole numbers with marks at the thousands, others to two places."""
    return " | ".join(f"{c:,}" if isinstance(c, int) else f"{c:.2f}" if isinstance(c, float) else str(c) for c in cells)


def mb(size: float) -> str:
    """Return bytes as megabytes in words."""
    return f"{size / 1e6:,.0f} MB"


def main(arguments: list[str]) -> None:
    """Run the benchmark and write its report."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--full", action="store_true", help="the sizes of the targets: 25 minutes and 10 GB of disk")
    parser.add_argument("--only", choices=PARTS, action="append", help="run this part alone; may be repeated")
    parser.add_argument("--out", type=Path, default=Path("reports/performance.md"))
    parser.add_argument("--work", type=Path, help="keep the fleets here and use the ones already there")
    chosen = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as made:
        bench = Bench(chosen.work or Path(made), FULL if chosen.full else SMALL)
        bench.folder.mkdir(parents=True, exist_ok=True)
        bench.say(
            "# Performance",
            "",
            f"Made by `python -m tests.bench{' --full' if chosen.full else ''}` on {machine()}.",
            "Peak memory is that of a command with all its worker processes: the sum of their proportional set sizes, "
            f"sampled every {EVERY_S:g} s, or the leading process's own peak where that is more.",
            *([LEFT_OUT] if chosen.full else []),
            "",
        )
        for part in chosen.only or PARTS:
            getattr(bench, part)()
    chosen.out.parent.mkdir(parents=True, exist_ok=True)
    chosen.out.write_text("\n".join(bench.lines).rstrip() + "\n", encoding="utf-8")


def machine() -> str:
    """Say what this ran on."""
    versions = ", ".join(f"{name} {version(name)}" for name in ("numpy", "pandas", "pyarrow"))
    where = f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}"
    return f"{where}, Python {platform.python_version()}, {versions}"


if __name__ == "__main__":
    main(sys.argv[1:])
