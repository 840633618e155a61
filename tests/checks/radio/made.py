"""RSSI made to order, with the truth known."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.checks import radio
from lamplighter.checks.base import CheckResult, Context, measure_rows
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.settings import Settings

START = 1_760_054_400.0
HOUR = 3_600.0
DAY = 24 * HOUR
YEAR = 365.25 * DAY


def times(days: float, interval: float = HOUR) -> np.ndarray:
    """Regular check-in times."""
    return START + 300.0 + np.arange(int(days * DAY / interval)) * interval


def signal(time: np.ndarray, seed: int, level: float = -78.0, season: float = 2.0, wander: float = 1.0) -> np.ndarray:
    """RSSI with a season, a daily pattern, weather with a memory of two days, and fading, to whole dB."""
    rng = np.random.default_rng(seed)
    days = (time - START) / DAY
    grid = np.arange(int(days[-1]) + 2)
    kicks = rng.standard_normal(len(grid)) * np.sqrt(1 - np.exp(-1.0))
    weather = np.zeros(len(grid))
    for k in range(1, len(grid)):
        weather[k] = np.exp(-0.5) * weather[k - 1] + kicks[k]
    slow = season * np.cos(2 * np.pi * (days / 365.25 - rng.random())) + wander * np.interp(days, grid, weather)
    return np.round(level + slow + 0.5 * np.cos(2 * np.pi * days) + rng.normal(0, 1.5, len(time)))


def history(
    time: np.ndarray,
    rssi: np.ndarray,
    node: str = "N-1",
    entry: RegisterEntry | None = None,
    worklog: tuple[WorkEntry, ...] = (),
) -> NodeHistory:
    """A node's history from its RSSI."""
    unknown = np.full(len(time), np.nan)
    return NodeHistory(
        node=node, time=time, reading=unknown, battery_v=unknown, rssi_dbm=np.asarray(rssi, float),
        temperature_c=unknown, quality=np.zeros(len(time), np.int8), sequence=unknown,
        entry=entry or RegisterEntry(node=node), worklog=worklog, start=START, as_of=float(time[-1]),
    )  # fmt: skip


def judged(
    histories: Mapping[str, NodeHistory],
    settings: Settings | None = None,
    deliveries: Mapping[str, float] | None = None,
) -> CheckResult:
    """Measure and judge a fleet; ``deliveries`` is what the arrivals check said of the last days."""
    settings = settings or Settings()
    facts = {n: {"recent_delivery": d} for n, d in (deliveries or {}).items()}
    context = Context(
        settings=settings,
        register={n: h.entry for n, h in histories.items()},
        registered=frozenset(),
        worklog={n: h.worklog for n, h in histories.items()},
        seen=tuple(sorted(histories)),
        traits={},
        start=START,
        as_of=max(h.as_of for h in histories.values()),
        earlier={"arrivals": CheckResult(facts=facts)},
    )
    return radio.judge({n: measured(h, settings) for n, h in histories.items()}, context)


def measured(h: NodeHistory, settings: Settings | None = None) -> radio.RadioMeasure:
    """Measure the radio of one history."""
    return measure_rows([radio], h, settings or Settings())["radio"]
