"""What one node's check-ins say of arrivals: counts and gaps, no judgement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import COMPRESSED, DAY_S, NodeHistory, day_of
from lamplighter.checks.arrivals.counter import counted_steps, repeats
from lamplighter.checks.arrivals.intervals import Schedule, first_sendings, infer_schedule, interleaved_share
from lamplighter.checks.arrivals.loss import MOST_MISSED, LossPattern, loss_pattern
from lamplighter.settings import Settings
from lamplighter.settings.arrivals import ArrivalsSettings


@dataclass(frozen=True)
class Gaps:
    """Stretches with missed check-ins, in order of time; arrays of shape (g,).

    The last one is open when it reaches to the present.
    """

    start: np.ndarray
    end: np.ndarray
    missed: np.ndarray
    interval: np.ndarray
    open: bool

    def __len__(self) -> int:
        return len(self.start)

    def due(self, which: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return when the missed check-ins of some gaps were due, and each one's gap, shape (m,)."""
        missed = self.missed[which]
        owner = np.repeat(which, missed)
        first = np.repeat(np.cumsum(missed) - missed, missed)
        place = np.arange(len(owner)) - first + 1
        step = np.divide(self.end - self.start, self.missed + 1.0)
        if self.open and len(self.start):
            step[-1] = self.interval[-1]
        return self.start[owner] + place * step[owner], owner


@dataclass(frozen=True)
class ArrivalsMeasure:
    """Arrivals of one node.

    Attributes
    ----------
    schedule : Schedule or None
        Without the arrays; None when no interval could be told.
    judged : bool
        Whether missed check-ins can be counted at all.
    why_not : str
        Reason when they cannot.
    rows, repeated : int
        Check-ins, and rows that repeat the one before.
    day, received, missed : ndarray, shape (d,)
        By UTC day from the first check-in to the present.
    gaps : Gaps
    spacings : int
        Number of spacings between rows.
    counted : bool
        Whether the node's own counter was used.
    dropped : int
        Check-ins missed in short gaps that are not remembered singly.
    interleaved : float
        Share of the last days' rows that look like two nodes answering to one name.
    """

    first: float
    last: float
    as_of: float
    schedule: Schedule | None
    judged: bool
    why_not: str
    rows: int
    repeated: int
    day: np.ndarray
    received: np.ndarray
    missed: np.ndarray
    gaps: Gaps
    spacings: int
    counted: bool
    dropped: int
    interleaved: float
    pattern: LossPattern | None


def measure(history: NodeHistory, settings: Settings) -> ArrivalsMeasure:
    """Count one node's check-ins, expected, received and missed, and find its gaps.

    Parameters
    ----------
    history : NodeHistory
    settings : Settings

    Returns
    -------
    ArrivalsMeasure
    """
    s = settings.arrivals
    stated = history.entry.interval_s
    typical = stated if stated else history.typical_interval_s
    fresh = first_sendings(history.time, typical) & ~repeats(history.sequence)
    time = history.time[fresh]
    why_not = _why_not(history, time)
    schedule = None if why_not else infer_schedule(time, stated, s.short_spell_h * 3600)
    if schedule is None:
        return _bare(history, time, why_not or "too few check-ins to tell the interval")
    counted = counted_steps(history.sequence[fresh], schedule.steps)
    steps = schedule.steps if counted is None else counted
    gaps = find_gaps(time, steps, schedule, history.as_of, s)
    due, owner = gaps.due(np.arange(len(gaps)))
    short = gaps.missed[owner] <= MOST_MISSED
    day, received, missed = by_day(time, due, history.as_of)
    pattern = loss_pattern(
        time, steps, history.rssi_dbm[fresh], history.battery_v[fresh], history.temperature_c[fresh],
        due[short], settings.timezone,
    )  # fmt: skip
    kept, dropped = longest(gaps, s.most_gaps)
    late = time[time >= time[-1] - s.recent_days * DAY_S]
    doubled = max(interleaved_share(late, stated or 0.0), interleaved_share(late, schedule.pieces[0][1]))
    return ArrivalsMeasure(
        first=float(time[0]), last=float(time[-1]), as_of=history.as_of, schedule=_light(schedule), judged=True,
        why_not="", rows=len(time), repeated=int(len(fresh) - fresh.sum()), day=day, received=received, missed=missed,
        gaps=kept, spacings=len(steps), counted=counted is not None, dropped=dropped, interleaved=doubled,
        pattern=pattern,
    )  # fmt: skip


def _why_not(history: NodeHistory, time: np.ndarray) -> str:
    if COMPRESSED in history.traits:
        return "the historian stores this node by exception, so a row that is absent is not a check-in that was missed"
    return "" if len(time) else "no check-in"


def _bare(history: NodeHistory, time: np.ndarray, why_not: str) -> ArrivalsMeasure:
    day, received, missed = by_day(time, np.zeros(0), float(time[-1]))
    nothing = Gaps(*(np.zeros(0) for _ in range(2)), np.zeros(0, np.int64), np.zeros(0), False)
    return ArrivalsMeasure(
        first=float(time[0]), last=float(time[-1]), as_of=history.as_of, schedule=None, judged=False, why_not=why_not,
        rows=len(time), repeated=len(history) - len(time), day=day, received=received, missed=missed, gaps=nothing,
        spacings=max(len(time) - 1, 0), counted=False, dropped=0, interleaved=0.0, pattern=None,
    )  # fmt: skip


def _light(schedule: Schedule) -> Schedule:
    """Return a schedule without its arrays, fit to travel between processes."""
    nothing = np.zeros(0)
    return Schedule(
        nothing, nothing.astype(np.int64), schedule.current_s, schedule.pieces, schedule.fast_share, schedule.jitter
    )


def find_gaps(time: np.ndarray, steps: np.ndarray, schedule: Schedule, as_of: float, s: ArrivalsSettings) -> Gaps:
    """Find all stretches with a missed check-in, the one up to the present included."""
    at = np.flatnonzero(steps >= 2)
    start, end, missed, interval = time[at], time[at + 1], steps[at] - 1, schedule.interval[at]
    late = math.floor((as_of - time[-1]) / schedule.current_s - s.due_tolerance)
    if late < 1:
        return Gaps(start, end, missed, interval, False)
    return Gaps(
        np.append(start, time[-1]), np.append(end, as_of), np.append(missed, late).astype(np.int64),
        np.append(interval, schedule.current_s), True,
    )  # fmt: skip


def longest(gaps: Gaps, most: int) -> tuple[Gaps, int]:
    """Keep the longest gaps, and say how many check-ins were missed in the others."""
    if len(gaps) <= most:
        return gaps, 0
    keep = np.sort(np.argsort(-(gaps.end - gaps.start), kind="stable")[:most])
    if gaps.open and keep[-1] != len(gaps) - 1:
        keep[-1] = len(gaps) - 1
    rest = int(gaps.missed.sum() - gaps.missed[keep].sum())
    return Gaps(gaps.start[keep], gaps.end[keep], gaps.missed[keep], gaps.interval[keep], gaps.open), rest


def by_day(time: np.ndarray, due: np.ndarray, until: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Count received and missed check-ins by UTC day, from the first check-in to the present."""
    days = day_of(time)
    first = int(days[0])
    day = np.arange(first, max(int(until // DAY_S), int(days[-1])) + 1)
    received = np.bincount(days - first, minlength=len(day))
    missed = np.bincount(np.clip(day_of(due) - first, 0, len(day) - 1), minlength=len(day))
    return day, received.astype(np.int32), missed.astype(np.int32)
