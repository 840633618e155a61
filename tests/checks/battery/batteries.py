"""Batteries of the tests' own physics: they know nothing of the curves that the check stores."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.checks import battery
from lamplighter.checks.base import CheckResult, Context, measure_rows
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.settings import Settings

DAY = 86_400.0
START = 1_700_006_400.0  # 2023-11-15 00:00 UTC


@dataclass
class Node:
    """A node's voltage and temperature by check-in; parts of it are changed by the tests."""

    name: str
    time: np.ndarray
    volts: np.ndarray
    temperature: np.ndarray
    entry: RegisterEntry
    worklog: tuple[WorkEntry, ...] = ()
    extra: dict[str, np.ndarray] = field(default_factory=dict)

    def history(self, as_of: float | None = None) -> NodeHistory:
        """Return the history up to an instant."""
        present = self.time[-1] if as_of is None else as_of
        keep = self.time <= present
        nothing = np.full(int(keep.sum()), np.nan)
        return NodeHistory(
            node=self.name, time=self.time[keep], reading=self.extra.get("reading", np.ones(len(self.time)))[keep],
            battery_v=self.volts[keep], rssi_dbm=nothing, temperature_c=self.temperature[keep],
            quality=np.zeros(int(keep.sum()), np.int8), sequence=nothing, entry=self.entry,
            worklog=tuple(w for w in self.worklog if w.time <= present), start=START, as_of=present,
        )  # fmt: skip


def weather(time: np.ndarray, seed: int = 0, mean: float = 12.0, season: float = 0.0, swing: float = 5.0) -> np.ndarray:
    """Temperature [degC]: a yearly and a daily wave, and weather of a few days' memory."""
    rng = np.random.default_rng(seed)
    days = int((time[-1] - time[0]) / DAY) + 3
    walk = np.zeros(days)
    for i in range(1, days):
        walk[i] = 0.75 * walk[i - 1] + rng.normal(0, 2.0)
    phase = 2 * np.pi * time / DAY
    year = season * np.cos(phase / 365.25 - 3.4)
    return mean + year + swing * np.cos(phase - 3.8) + np.interp(time, time[0] + np.arange(days) * DAY, walk)


def knee(x: np.ndarray, fresh: float, slope: float, drop: float, width: float) -> np.ndarray:
    """Voltage at a depth of discharge: a leaning plateau and an exponential end."""
    return fresh - slope * x - drop * np.exp((np.minimum(x, 1.1) - 1.0) / width)


def thionyl(x: np.ndarray) -> np.ndarray:
    """A lithium thionyl chloride cell."""
    return knee(x, 3.63, 0.05, 1.5, 0.03)


def alkaline_pair(x: np.ndarray) -> np.ndarray:
    """Two alkaline cells."""
    return 2 * (knee(x, 1.45, 0.30, 0.35, 0.08) + 0.1 * np.exp(-x / 0.05))


def make_node(
    curve=thionyl, *, name="n1", days=300.0, life=400.0, begin=0.2, interval=3_600.0, coefficient=0.002, seed=0,
    noise=0.004, resolution=0.01, thermometer=True, season=0.0, swap_at: float | None = None, **entry,
) -> Node:  # fmt: skip
    """Return a node that discharges along a curve; ``swap_at`` [days] puts in a fresh battery."""
    rng = np.random.default_rng(seed)
    time = START + np.arange(0.0, days * DAY, interval) + 7.0
    temperature = weather(time, seed, season=season)
    depth = begin + (time - START) / DAY / life
    if swap_at is not None:
        depth = np.where(time >= START + swap_at * DAY, (time - START - swap_at * DAY) / DAY / life, depth)
    volts = curve(depth) + coefficient * (temperature - 20.0)
    volts = np.round((volts + rng.normal(0, noise, len(time))) / resolution) * resolution
    shown = np.round(temperature, 1) if thermometer else np.full(len(time), np.nan)
    return Node(name, time, volts, shown, RegisterEntry(node=name, **entry))


def end_day(
    curve, cutoff: float, life: float, begin: float, temperature: float = 12.0, coefficient: float = 0.002
) -> float:
    """Return the day on which a node's voltage meets its cut-off at a mean temperature."""
    x = np.linspace(begin, 1.1, 20_001)
    below = curve(x) + coefficient * (temperature - 20.0) < cutoff
    return float((x[np.argmax(below)] - begin) * life)


def measured(node: Node, as_of: float | None = None, settings: Settings | None = None) -> battery.BatteryMeasures:
    """Measure one node."""
    return measure_rows([battery], node.history(as_of), settings or Settings())["battery"]


def judged(nodes: Node | list[Node], as_of: float | None = None, settings: Settings | None = None) -> CheckResult:
    """Measure and judge some nodes at an instant."""
    nodes = [nodes] if isinstance(nodes, Node) else nodes
    chosen = settings or Settings()
    present = max(n.time[-1] for n in nodes) if as_of is None else as_of
    measures = {n.name: measured(n, present, chosen) for n in nodes}
    return battery.judge(measures, context({n.name: n.entry for n in nodes}, present, chosen))


def context(register: Mapping[str, RegisterEntry], as_of: float, settings: Settings) -> Context:
    """Return a context with a register."""
    return Context(
        settings=settings, register=register, registered=frozenset(register), worklog={}, seen=tuple(sorted(register)),
        traits={}, start=START, as_of=as_of,
    )  # fmt: skip


def moved(node: Node, seconds: float) -> Node:
    """Return the node with all its times moved."""
    log = tuple(replace(w, time=w.time + seconds) for w in node.worklog)
    return replace(node, time=node.time + seconds, worklog=log)
