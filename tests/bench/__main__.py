"""Build fleets, measure lamplighter beside its floor and beside a conventional script, write reports/performance.md.

python -m tests.bench [--full] [--only PART] [--out FILE]

Every figure comes from one run on one machine; the ratios are what counts.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path

from tests.bench.timed import Timed, python

STEPS = ("-m", "tests.bench.steps")
"""Everything large is done in processes of their own: a child's peak memory counts from its parent's on."""
LAYOUTS = ("plain", "tags", "wide")
SMALL = {
    "main": (60, 12),
    "reading": (60, 3),
    "nodes": (12, 48, 192),
    "node_months": 3,
    "months": (3, 6, 12),
    "month_nodes": 12,
    "history": (100, 400),
}
FULL = {
    "main": (240, 12),
    "reading": (240, 3),
    "nodes": (60, 240, 960),
    "node_months": 3,
    "months": (3, 12, 60),
    "month_nodes": 60,
    "history": (1000, 4000),
}
PARTS = ("main", "startup", "reading", "scaling", "history", "plan")
PLAN_NODES, PLAN_YEARS, PLAN_HOURS = 100_000, 5, 8
SAMPLE_NODES = 8


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
        floor = python(*STEPS, "floor", *exports)
        script = python("-m", "tests.bench.conventional", self.folder / "answers.csv", *exports)
        ours = self.assess(exports, register)
        rows = floor.data["rows"]
        self.say(f"## {nodes} nodes, {months} months: {rows:,} check-ins, {size / 1e6:,.0f} MB of CSV", "")
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
        s = python(*STEPS, "whole", register, *exports).data
        self.table("step, inside one process | wall, s", (f"{name} | {s[name]:.2f}" for name in s if name != "peak"))
        share = s["report and tables"] / (s["read"] + s["assess"] + s["report and tables"])
        self.say(
            f"The report and tables are {100 * share:.0f} % of reading, assessing and writing. "
            f"On {os.cpu_count()} cores two workers measure nodes {s['measure'] / s['measure, two workers']:.2f} times "
            f"as fast as one; the whole of assess becomes {s['assess'] / s['assess, two workers']:.2f} times as fast.",
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
            min((python(*STEPS, step, *exports).data for _ in range(3)), key=lambda d: d["read"])
            for step in ("floor", "read")
        )
        times = ours["read"] / floor["read"]
        return row(layout, mb(size), ours["rows"], floor["read"], ours["read"], f"{times:.1f}", mb(ours["peak"]))

    def scaling(self) -> None:
        """Time for more nodes and for more months."""
        self.say("## Scaling", "")
        more_nodes = [(n, self.size["node_months"]) for n in self.size["nodes"]]
        more_months = [(self.size["month_nodes"], m) for m in self.size["months"]]
        self.cost: dict[tuple[int, int], float] = {}
        self.table(
            "nodes | months | check-ins | wall, s | processor, s | processor, µs a check-in | peak memory",
            (self.scaling_row(*f) for f in more_nodes + more_months),
        )
        few, many = more_nodes[0], more_nodes[-1]
        change = f"{100 * (self.cost[many] / self.cost[few] - 1):+.0f} %"
        self.say(f"A check-in of {many[0]} nodes costs {change} processor time against one of {few[0]} nodes.", "")

    def scaling_row(self, nodes: int, months: int) -> str:
        exports, register = self.fleet(nodes, months)
        rows = python(*STEPS, "floor", *exports).data["rows"]
        ours = self.assess(exports, register)
        self.cost[nodes, months] = 1e6 * ours.cpu / rows
        cost = self.cost[nodes, months]
        return row(nodes, months, rows, ours.seconds, ours.cpu, cost, mb(ours.peak))

    def history(self) -> None:
        """Memory and time of an assessment over a history, for more nodes, and the cost of a far larger fleet."""
        self.say("## Over a history: three months of 15-minute check-ins", "")
        self.runs: list[tuple[int, dict]] = []
        self.table(
            "nodes | check-ins | on disk | collect a month, s | assess, s | peak memory",
            map(self.history_row, self.size["history"]),
        )
        (few, small), (many, large) = self.runs[0], self.runs[-1]
        more = (large["peak"] - small["peak"]) / (many - few)
        self.say(f"Each further node costs {more / 1e3:.0f} kB: its measures, and its daily series for the report.", "")

    def history_row(self, nodes: int) -> str:
        folder = self.folder / f"history-{nodes}"
        register = self.folder / f"register-{nodes}.txt"
        python(*STEPS, "register", register, str(nodes))
        made = python(*STEPS, "build_history", folder, str(nodes), "3").data
        last = [v for k, v in made.items() if k.startswith("collect")][-1]
        ours = python(*STEPS, "history", register, folder).data
        self.runs.append((nodes, ours))
        return (
            f"{nodes} | {ours['rows']:,} | {mb(ours['disk'])} | {last:.2f} | {ours['assess']:.2f} | {mb(ours['peak'])}"
        )

    def plan(self) -> None:
        """What a far larger fleet would need, from the cost of a few of its nodes measured here."""
        folder, register = self.folder / "history-plan", self.folder / "register-plan.txt"
        python(*STEPS, "register", register, str(SAMPLE_NODES))
        made = python(*STEPS, "build_history", folder, str(SAMPLE_NODES), str(12 * PLAN_YEARS)).data
        ours = python(*STEPS, "history", register, folder).data
        rows = ours["rows"] / SAMPLE_NODES
        week = sum(v for k, v in made.items() if k.startswith("collect")) / ours["rows"] * rows / (52 * PLAN_YEARS)
        node, per_node = ours["processor"] / SAMPLE_NODES, ours["kept"] / SAMPLE_NODES
        cores = node * PLAN_NODES / 3600 / PLAN_HOURS
        self.say(
            f"## On paper: {PLAN_NODES:,} nodes, {PLAN_YEARS} years, 15 minutes, from {SAMPLE_NODES} such nodes", ""
        )
        self.table(
            f"what | a node | {PLAN_NODES:,} nodes",
            (
                row("check-ins", f"{rows:,.0f}", f"{rows * PLAN_NODES / 1e9:.1f} thousand million"),
                row(
                    "history on disk",
                    mb(ours["disk"] / SAMPLE_NODES),
                    f"{ours['disk'] / SAMPLE_NODES * PLAN_NODES / 1e9:,.0f} GB",
                ),
                row(
                    "assess, processor",
                    f"{node:.2f} s",
                    f"{node * PLAN_NODES / 3600:,.0f} core hours: {cores:.0f} cores for {PLAN_HOURS} hours",
                ),
                row(
                    "collect, a week's share",
                    f"{1e3 * week:.1f} ms",
                    f"{week * PLAN_NODES / 60:.0f} minutes on one core",
                ),
                row("memory of a worker", "", mb(ours["peak"])),
                row(
                    "memory of the leading process",
                    f"{per_node / 1e3:,.0f} kB",
                    f"{per_node * PLAN_NODES / 1e9:.0f} GB",
                ),
            ),
        )
        self.say(
            "The leading process holds every node's measures and daily series at once, since the checks judge the "
            "fleet together; at this size make one assessment a district and share the workers.",
            "",
        )


def row(*cells: object) -> str:
    """Return cells of a table: whole numbers with marks at the thousands, others to two places."""
    return " | ".join(f"{c:,}" if isinstance(c, int) else f"{c:.2f}" if isinstance(c, float) else str(c) for c in cells)


def mb(size: float) -> str:
    """Return bytes as megabytes in words."""
    return f"{size / 1e6:,.0f} MB"


def main(arguments: list[str]) -> None:
    """Run the benchmark and write its report."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--full", action="store_true", help="the sizes of the targets: an hour and 10 GB of disk")
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
