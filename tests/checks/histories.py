"""Invented single-node histories and what a check needs to judge them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from types import ModuleType
from typing import Any

import numpy as np

from lamplighter.checkins import DAY_S, NodeHistory
from lamplighter.checks.base import CheckResult, Context, measure_rows
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.settings import Settings

START = 1_735_689_600.0
"""2025-01-01 00:00 UTC."""
HOUR = 3_600.0


def history(
    time: np.ndarray,
    reading: np.ndarray,
    *,
    node: str = "N1",
    entry: RegisterEntry | None = None,
    worklog: Iterable[WorkEntry] = (),
    traits: Iterable[str] = (),
    **columns: np.ndarray,
) -> NodeHistory:
    """Return one node's history; channels not given are missing."""
    nothing = np.full(len(time), np.nan)
    given = {name: columns.get(name, nothing) for name in ("battery_v", "rssi_dbm", "temperature_c", "sequence")}
    return NodeHistory(
        node=node,
        time=np.asarray(time, dtype=float),
        reading=np.asarray(reading, dtype=float),
        quality=columns.get("quality", np.zeros(len(time), dtype=np.int8)),
        entry=entry or RegisterEntry(node=node),
        worklog=tuple(worklog),
        traits=frozenset(traits),
        start=float(time[0]) if len(time) else START,
        as_of=float(time[-1]) if len(time) else START,
        **given,
    )


def without(h: NodeHistory, kept: np.ndarray) -> NodeHistory:
    """Return a history with only some of its check-ins."""
    names = ("time", "reading", "battery_v", "rssi_dbm", "temperature_c", "quality", "sequence")
    return replace(h, **{name: getattr(h, name)[kept] for name in names})


def context(histories: Iterable[NodeHistory], *, registered: Iterable[str] = (), **more: Any) -> Context:
    """Return the context of a fleet of histories."""
    nodes = {h.node: h for h in histories}
    register = {n: h.entry for n, h in nodes.items()} | {n: RegisterEntry(node=n) for n in registered if n not in nodes}
    return Context(
        settings=more.get("settings", Settings()),
        register=register,
        registered=frozenset(registered),
        worklog={n: h.worklog for n, h in nodes.items()},
        seen=tuple(sorted(nodes)),
        traits={n: h.traits for n, h in nodes.items()},
        start=min((h.start for h in nodes.values()), default=START),
        as_of=max((h.as_of for h in nodes.values()), default=START),
        earlier=more.get("earlier", {}),
    )


def run(check: ModuleType, *histories: NodeHistory, **more: Any) -> CheckResult:
    """Measure and judge a fleet of histories."""
    around = context(histories, **more)
    return check.judge({h.node: measure_rows([check], h, around.settings)[check.NAME] for h in histories}, around)


def kinds(result: CheckResult) -> list[str]:
    """Return the kinds of a result's findings, those of severity info left out."""
    return [f.kind for f in result.findings if f.severity != "info"]


def arrivals(facts: Mapping[str, Mapping[str, Any]]) -> dict[str, CheckResult]:
    """Return results of the arrivals check that hold some facts."""
    return {"arrivals": CheckResult(facts={n: dict(f) for n, f in facts.items()})}


def hours(days: float, step: float = 1.0) -> np.ndarray:
    """Return times every some hours over some days."""
    return START + np.arange(0, days * 24, step) * HOUR


def quantised(values: np.ndarray, step: float) -> np.ndarray:
    """Return values rounded to a resolution."""
    return np.round(values / step) * step


def live(time: np.ndarray, seed: int = 1, step: float = 0.01) -> np.ndarray:
    """Return a reading that always moves: a daily wave, slow weather, noise; about 0 to 10."""
    rng = np.random.default_rng(seed)
    slow = np.interp(time, time[::48], np.cumsum(rng.normal(0, 0.3, len(time[::48]))) * 0.5)
    wave = np.sin(2 * np.pi * time / DAY_S)
    return quantised(5 + wave + slow - slow.mean() + rng.normal(0, 0.1, len(time)), step)


def radio(time: np.ndarray, seed: int = 2, level: float = -70.0) -> np.ndarray:
    """Return RSSI in whole dB."""
    return np.round(level + np.random.default_rng(seed).normal(0, 2.5, len(time)))


def volts(time: np.ndarray, seed: int = 3, level: float = 3.6) -> np.ndarray:
    """Return battery voltage to 10 mV."""
    return np.round(level + np.random.default_rng(seed).normal(0, 0.015, len(time)), 2)
