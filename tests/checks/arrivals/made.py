"""Check-ins made to order, with the truth known."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.checks import arrivals
from lamplighter.checks.base import CheckResult, Context, measure_rows
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.record import Record, block_at, block_start, rhythm_of
from lamplighter.settings import Settings

START = 1_760_000_400.0
HOUR = 3_600.0
DAY = 24 * HOUR


def due_times(days: float, interval: float, phase: float = 0.3, drift: float = 0.0) -> np.ndarray:
    """Times at which a node is due; ``drift`` is how slow its clock runs, as a share."""
    return START + phase * interval + np.arange(int(days * DAY / interval)) * interval * (1 + drift)


def history(
    time: np.ndarray,
    *,
    node: str = "N-1",
    as_of: float | None = None,
    entry: RegisterEntry | None = None,
    worklog: tuple[WorkEntry, ...] = (),
    traits: frozenset[str] = frozenset(),
    sequence: np.ndarray | None = None,
    rssi: np.ndarray | None = None,
    battery: np.ndarray | None = None,
    temperature: np.ndarray | None = None,
) -> NodeHistory:
    """A node's history from its check-in times; what is not given is missing."""
    unknown = np.full(len(time), np.nan)
    return NodeHistory(
        node=node,
        time=time,
        reading=unknown,
        battery_v=unknown if battery is None else battery,
        rssi_dbm=unknown if rssi is None else rssi,
        temperature_c=unknown if temperature is None else temperature,
        quality=np.zeros(len(time), np.int8),
        sequence=unknown if sequence is None else sequence,
        entry=entry or RegisterEntry(node=node),
        worklog=worklog,
        traits=traits,
        start=START,
        as_of=float(time[-1]) if as_of is None else as_of,
    )


def judged(
    histories: Mapping[str, NodeHistory], settings: Settings | None = None, never: tuple[str, ...] = ()
) -> CheckResult:
    """Measure and judge a fleet."""
    settings = settings or Settings()
    measures = {n: measured(h, settings) for n, h in histories.items()}
    register = {n: h.entry for n, h in histories.items()} | {n: RegisterEntry(node=n) for n in never}
    context = Context(
        settings=settings,
        register=register,
        registered=frozenset(register),
        worklog={n: h.worklog for n, h in histories.items()},
        seen=tuple(sorted(histories)),
        traits={n: h.traits for n, h in histories.items()},
        start=START,
        as_of=max(h.as_of for h in histories.values()),
    )
    return arrivals.judge(measures, context)


def fleet(
    count: int,
    days: float,
    interval: float = HOUR,
    loss: float = 0.01,
    gateways: tuple[str, ...] = (),
    seed: int = 1,
    downs: tuple[tuple[float, float, str], ...] = (),
) -> dict[str, NodeHistory]:
    """Nodes with independent losses and outages given as (start day, hours, gateway or empty for all)."""
    rng = np.random.default_rng(seed)
    as_of = START + days * DAY
    made = {}
    for k in range(count):
        gateway = gateways[k % len(gateways)] if gateways else ""
        time = due_times(days, interval, rng.random(), rng.normal(0, 2e-5)) + rng.normal(
            0, 2, int(days * DAY / interval)
        )
        keep = rng.random(len(time)) >= loss
        for day, hours, who in downs:
            begin = START + day * DAY
            if who in ("", gateway):
                keep &= (time < begin) | (time >= begin + hours * HOUR)
        name = f"N-{k:03d}"
        time = np.sort(time[keep & (time <= as_of)])
        made[name] = history(time, node=name, as_of=as_of, entry=RegisterEntry(node=name, gateway=gateway))
    return made


def uncut(h: NodeHistory, settings: Settings) -> arrivals.ArrivalsMeasure:
    """Measure the arrivals of one history as a single block, however long it is."""
    record = Record(
        node=h.node, entry=h.entry, worklog=h.worklog, traits=h.traits, start=h.start, as_of=h.as_of,
        open=h, daily=h.daily, rhythm=rhythm_of(h), fetch=lambda _since, _until: h,
    )  # fmt: skip
    return arrivals.measure(arrivals.summarise(h, settings), record, settings)


def edge(number: int) -> float:
    """Return the start of a half-year, the first after :data:`START` being number 0 [s]."""
    return block_start(block_at(START) + 1 + number)


def measured(h: NodeHistory, settings: Settings) -> arrivals.ArrivalsMeasure:
    """Measure the arrivals of one history."""
    return measure_rows([arrivals], h, settings)["arrivals"]
