"""What one node's check-ins say of arrivals: counts and gaps, no judgement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import COMPRESSED, DAY_S, day_of
from lamplighter.checks.arrivals.counter import numbers_rows
from lamplighter.checks.arrivals.course import Course, course_of, recount
from lamplighter.checks.arrivals.edges import seen_later, settled, told_at
from lamplighter.checks.arrivals.gaps import Gaps, longest
from lamplighter.checks.arrivals.loss import LossPattern, loss_pattern
from lamplighter.checks.arrivals.sendings import LEAST_PAIRS, first_sendings, interleaved_share
from lamplighter.checks.arrivals.summary import NO_COUNT, Summary
from lamplighter.record import Record
from lamplighter.settings import Settings
from lamplighter.settings.arrivals import ArrivalsSettings


@dataclass(frozen=True)
class Schedule:
    """When a node was due.

    Attributes
    ----------
    current_s : float
        Regular interval at the end [s].
    pieces : tuple of (start, interval)
        Regular intervals over time; short spells of fast sampling do not count.
    fast_share : float
        Share of the time spent sampling faster than the regular interval.
    jitter : float
        Typical deviation of a spacing from the interval, as a share of it.
    """

    current_s: float
    pieces: tuple[tuple[float, float], ...]
    fast_share: float
    jitter: float


@dataclass(frozen=True)
class ArrivalsMeasure:
    """Arrivals of one node.

    Attributes
    ----------
    schedule : Schedule or None
        None when no interval could be told.
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


def measure(summary: Summary, record: Record, settings: Settings) -> ArrivalsMeasure:
    """Count one node's check-ins, expected, received and missed, and find its gaps.

    Parameters
    ----------
    summary : Summary
        Of all blocks, joined.
    record : Record
    settings : Settings

    Returns
    -------
    ArrivalsMeasure
    """
    s, stated = settings.arrivals, record.entry.interval_s
    if COMPRESSED in record.traits:
        return _bare(
            summary, record,
            "the historian stores this node by exception, so a row that is absent is not a check-in that was missed",
        )  # fmt: skip
    summary, left = settled(summary, stated, settings)
    summary = seen_later(summary)
    if not summary.condensed.any():
        return _bare(summary, record, "too few check-ins to tell the interval")
    last = float(np.nanmax(summary.last))
    course: Course | None = None
    if len(summary.stretch_start):
        course = course_of(summary.stretch_start, summary.stretch_interval, last, s.short_spell_h * 3600)
    current_s = float(course.base[-1]) if course else float(stated or math.nan)
    believed = not numbers_rows(int(summary.counter_lost.sum()), int(summary.counter_by_one.sum()))
    gaps = find_gaps(summary, left, course, current_s, believed, last, record.as_of, s)
    day, received = received_by_day(summary, record, max(record.as_of, last))
    unlisted = np.bincount(summary.unlisted_day - day[0], weights=summary.unlisted, minlength=len(day))
    due, _ = gaps.due(np.arange(len(gaps)))
    missed = np.bincount(np.clip(day_of(due) - day[0], 0, len(day) - 1), minlength=len(day)) + unlisted.astype(np.int64)
    kept = longest(gaps, s.most_gaps)
    pieces = course.pieces if course else ()
    jitter = summary.jitter[summary.condensed]
    spacings = summary.spacings[summary.condensed]
    return ArrivalsMeasure(
        first=float(np.nanmin(summary.first)), last=last, as_of=record.as_of,
        schedule=Schedule(
            current_s, pieces, course.fast_share if course else 0.0,
            float(np.average(jitter, weights=np.maximum(spacings, 1))),
        ),
        judged=True, why_not="", rows=int(summary.rows.sum()), repeated=int(summary.repeated.sum()),
        day=day, received=received, missed=missed.astype(np.int32),
        gaps=gaps.part(np.flatnonzero(kept)), spacings=int(summary.spacings.sum()) + len(left[0]),
        counted=believed and bool(summary.counted.any()),
        dropped=int(gaps.missed[~kept].sum()) + int(summary.unlisted.sum()),
        interleaved=interleaved(record, last, stated, pieces, s),
        pattern=loss_pattern(
            (summary.class_of, summary.class_at, summary.class_rows, summary.class_lost),
            summary.hour_received.reshape(-1, 24).sum(0), summary.hour_missed.reshape(-1, 24).sum(0),
        ),
    )  # fmt: skip


def find_gaps(
    summary: Summary,
    left: tuple[np.ndarray, np.ndarray],
    course: Course | None,
    current_s: float,
    believed: bool,
    last: float,
    as_of: float,
    s: ArrivalsSettings,
) -> Gaps:
    """Find all stretches with a missed check-in, the one up to the present included.

    Parameters
    ----------
    summary : Summary
        Of all blocks.
    left : tuple of ndarray
        Spacings of which nothing is told yet; they go by the interval in force when they begin.
    course : Course or None
    current_s : float
        Regular interval at the end [s].
    believed : bool
        Whether the node's own counter counts where it can.
    last, as_of : float
        Last check-in, and the present [s].
    s : ArrivalsSettings
    """
    usual = course.regular_at(left[0]) if course else np.full(len(left[0]), current_s)
    passed = np.maximum(np.rint((left[1] - left[0]) / usual), 1).astype(np.int64)
    start = np.concatenate([summary.gap_start, left[0]])
    end = np.concatenate([summary.gap_end, left[1]])
    interval = np.concatenate([told_at(summary, summary.gap_start), usual])
    steps = np.concatenate([summary.gap_clock + 1, passed])
    counter = np.concatenate([summary.gap_counter, np.full(len(passed), NO_COUNT)])
    if course:
        steps, interval = recount(course, start, end, steps, interval)
    if believed:
        steps = np.where(counter == NO_COUNT, steps, counter + 1)
    real = np.flatnonzero(steps >= 2)
    real = real[np.argsort(start[real], kind="stable")]
    start, end, missed, interval = start[real], end[real], steps[real] - 1, interval[real]
    late = math.floor((as_of - last) / current_s - s.due_tolerance)
    if late < 1:
        return Gaps(start, end, missed, interval, False)
    return Gaps(
        np.append(start, last), np.append(end, as_of), np.append(missed, late), np.append(interval, current_s), True
    )


def received_by_day(summary: Summary, record: Record, until: float) -> tuple[np.ndarray, np.ndarray]:
    """Count received check-ins by UTC day, from the first one to an instant."""
    days = record.daily
    day = np.arange(int(days.day[0]), max(int(until // DAY_S), int(days.day[-1])) + 1)
    received = np.zeros(len(day), np.int32)
    received[days.day - day[0]] = days.count
    received[summary.repeat_day - day[0]] -= summary.repeats
    return day, received


def interleaved(
    record: Record, last: float, stated: float | None, pieces: tuple[tuple[float, float], ...], s: ArrivalsSettings
) -> float:
    """Share of the last days' rows that look like two nodes answering to one name."""
    since = max(last - s.recent_days * DAY_S, record.first)
    if record.daily.count[record.daily.day >= since // DAY_S].sum() < LEAST_PAIRS:
        return 0.0
    rows = record.rows(since, last)
    late = rows.time[first_sendings(rows)]
    return max((interleaved_share(late, x) for x in (stated or 0.0, *(piece[1] for piece in pieces[:1]))), default=0.0)


def _bare(summary: Summary, record: Record, why_not: str) -> ArrivalsMeasure:
    last = float(np.nanmax(summary.last))
    day, received = received_by_day(summary, record, last)
    nothing = Gaps(*(np.zeros(0) for _ in range(2)), np.zeros(0, np.int64), np.zeros(0), False)
    rows = int(summary.rows.sum())
    return ArrivalsMeasure(
        first=float(np.nanmin(summary.first)), last=last, as_of=record.as_of, schedule=None, judged=False,
        why_not=why_not, rows=rows, repeated=int(summary.repeated.sum()), day=day, received=received,
        missed=np.zeros_like(received), gaps=nothing, spacings=max(rows - 1, 0), counted=False, dropped=0,
        interleaved=0.0, pattern=None,
    )  # fmt: skip
