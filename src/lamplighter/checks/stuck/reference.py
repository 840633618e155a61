"""Runs in which a reading stands still, each judged against the node's other runs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.runs import Runs, encode_runs, run_durations, tail_probability

CANDIDATES = 24
"""Longest runs looked at one by one."""
PASSES = 3
"""Rounds in which odd runs are taken out of the reference for each other."""
SUSPECT_P = 0.05
"""Runs less probable than this do not count as ordinary when another run is judged."""
LEVEL_RUNS = 80
"""Longest runs from which the levels are learnt at which the process rests."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """One run in which the reading stands still.

    Attributes
    ----------
    first, last : int
        Its first and last check-in among those with a usable reading.
    start, end : float
        Times of these [s since 1970-01-01 UTC].
    watched_s : float
        Time covered, gaps counted only in part [s].
    value, low, high : float
        Middle, lowest and highest reading.
    p : float
        Probability that the node's ordinary runs bring forth one this long in the whole record.
    longest_s : float
        Longest run of the reference [s].
    references : int
        Runs in the reference.
    rests, rest_s : int, float
        Rests at the same level at other times, and their duration together [s].
    other_s : float
        Time watched outside the run and its neighbourhood [s].
    extreme : bool
        Whether no reading lies beyond it on one side.
    entry, leave : float
        Step into and out of the run as a share of the usual range; NaN at the ends of the record.
    entry_rare : float
        Share of the node's steps that are at least as large as the entry.
    open : bool
        Whether it lasts until the last check-in.
    band : float
        Width within which the reading counted as still; 0 for exactly equal readings.
    moved : dict
        Share of check-ins in the run at which each other channel changed.
    battery_v : float
        Battery voltage as it began [V].
    channels : tuple of str
        For a frozen record: the channels that repeat.
    """

    first: int
    last: int
    start: float
    end: float
    watched_s: float
    value: float
    low: float
    high: float
    p: float
    longest_s: float
    references: int
    rests: int
    rest_s: float
    other_s: float
    extreme: bool
    entry: float
    leave: float
    entry_rare: float
    open: bool
    band: float = 0.0
    moved: dict[str, float] = field(default_factory=dict)
    battery_v: float = math.nan
    channels: tuple[str, ...] = ()

    @property
    def check_ins(self) -> int:
        """Number of check-ins in the run."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class Course:
    """A node's readings as runs of equal values."""

    time: np.ndarray
    value: np.ndarray
    runs: Runs
    interval: float
    step: float
    """Resolution of the reading."""
    wide: bool
    """Whether the reading has a range at all."""


def course_of(
    time: np.ndarray, value: np.ndarray, interval: float, s: StuckSettings, runs: Runs | None = None
) -> Course:
    """Describe readings as runs."""
    runs = encode_runs(value) if runs is None else runs
    interval = interval if math.isfinite(interval) and interval > 0 else 1.0
    spread = float(np.ptp(np.quantile(value, (0.05, 0.95)))) if len(value) >= s.min_check_ins else 0.0
    return Course(time, value, runs, interval, resolution(value), spread > 0)


def resolution(value: np.ndarray) -> float:
    """Smallest usual step of a reading: the 2 % quantile of its steps that are not zero; 0 when it never moves."""
    steps = np.abs(np.diff(value))
    steps = steps[steps > 0]
    return float(np.quantile(steps, 0.02)) if len(steps) else 0.0


def find_stands(course: Course, s: StuckSettings, band: float = 0.0) -> tuple[Stand, ...]:
    """Return the longest runs with their probabilities, longest first; within a band when one is given."""
    if band > 0:
        shifted = [_banded(course, band, shift) for shift in (0.0, 0.5)]
        found = [stand for part in shifted for stand in _stands(part, s, band)]
        return _longest_of_overlapping(found)
    return _stands(course, s, 0.0)


def _banded(course: Course, band: float, shift: float) -> Course:
    """Split into runs of readings that stay within one class of a coarse grid."""
    classes = np.floor(course.value / band + shift)
    return Course(course.time, course.value, encode_runs(classes), course.interval, band, course.wide)


def _longest_of_overlapping(found: list[Stand]) -> tuple[Stand, ...]:
    kept: list[Stand] = []
    for stand in sorted(found, key=lambda x: (-x.watched_s, x.start)):
        if all(stand.last < k.first or stand.first > k.last for k in kept):
            kept.append(stand)
    return tuple(kept)


def _stands(course: Course, s: StuckSettings, band: float) -> tuple[Stand, ...]:
    runs, time = course.runs, course.time
    if len(runs.start) < 2:
        return ()
    watched = run_durations(runs, time, s.gap_intervals * course.interval, course.interval)
    order = np.argsort(-watched, kind="stable")
    chosen = [i for i in order[:CANDIDATES] if runs.length[i] >= s.min_check_ins and watched[i] >= s.min_hours * 3600]
    if not chosen:
        return ()
    field = _field_of(course, watched, order, s, band)
    suspect: set[int] = set()
    for _ in range(PASSES):
        found = {i: _stand(field, i, s, suspect) for i in chosen}
        before, suspect = suspect, {i for i, stand in found.items() if _suspect(stand, s)}
        if suspect <= before:
            break
    return tuple(found[i] for i in chosen)


def _suspect(stand: Stand, s: StuckSettings) -> bool:
    """Whether a run is odd enough to be kept out of what counts as ordinary when the others are judged."""
    odd = stand.p < SUSPECT_P and stand.watched_s >= s.min_ratio * stand.longest_s
    return odd and not rests_there(stand, s) and not saturates(stand, s)


def rests_there(stand: Stand, s: StuckSettings) -> bool:
    """Whether the process is known to rest at this level: it stood there again and again at other times."""
    return stand.rests >= s.rest_recurrences and stand.rest_s >= s.rest_share * stand.other_s


def saturates(stand: Stand, s: StuckSettings) -> bool:
    """Whether the reading stands at the end of its range as a clipped process does: it was held there before."""
    short = stand.watched_s <= s.saturation_days * 86_400
    return stand.extreme and short and stand.rests >= 1


@dataclass(frozen=True, slots=True)
class _Field:
    """All runs of a course with what is needed to judge one among them."""

    course: Course
    band: float
    watched: np.ndarray
    level: np.ndarray
    near: float
    """Readings this close are the same level."""
    at_rest: np.ndarray
    steps: np.ndarray
    usual: float
    limits: tuple[float, float]


def _field_of(course: Course, watched: np.ndarray, order: np.ndarray, s: StuckSettings, band: float) -> _Field:
    level = course.value[(course.runs.start + course.runs.last) // 2]
    near = 2 * max(course.step, band)
    low, high = float(course.value.min()), float(course.value.max())
    steps = np.abs(np.diff(course.value))
    return _Field(
        course=course,
        band=band,
        watched=watched,
        level=level,
        near=near,
        at_rest=_near(level, _rest_levels(order, watched, level, near, s), near),
        steps=np.sort(steps[steps > 0]),
        usual=float(np.ptp(np.quantile(course.value, (0.01, 0.99)))) or (high - low) or 1.0,
        limits=(low, high),
    )


def _rest_levels(
    order: np.ndarray, watched: np.ndarray, level: np.ndarray, near: float, s: StuckSettings
) -> np.ndarray:
    """Levels at which several of the longest runs lie, shape (n,): where the process rests."""
    top = order[:LEVEL_RUNS]
    top = top[watched[top] >= s.rest_hours * 3600]
    if len(top) == 0:
        return np.zeros(0)
    values = np.sort(level[top])
    counts = np.searchsorted(values, values + near, "right") - np.searchsorted(values, values - near, "left")
    return np.unique(values[counts >= s.rest_recurrences + 1])


def _near(values: np.ndarray, level: float | np.ndarray, tolerance: float) -> np.ndarray:
    """Whether each value lies within a tolerance of one of some sorted levels."""
    levels = np.atleast_1d(level)
    if len(levels) == 0:
        return np.zeros(np.shape(values), dtype=bool)
    place = np.clip(np.searchsorted(levels, values), 1, len(levels)) - 1
    other = np.minimum(place + 1, len(levels) - 1)
    return np.minimum(np.abs(values - levels[place]), np.abs(values - levels[other])) <= tolerance


def _stand(field: _Field, i: int, s: StuckSettings, suspect: set[int]) -> Stand:
    runs, time, value = field.course.runs, field.course.time, field.course.value
    watched, level = field.watched, field.level
    first, last = int(runs.start[i]), int(runs.last[i])
    apart = _apart(runs, time, first, last)
    apart[i] = False
    ordinary = watched < watched[i]
    ordinary[[j for j in suspect if j != i]] = False
    reference = apart & ordinary & (~field.at_rest | field.at_rest[i])
    if reference.sum() < s.min_reference_runs:
        reference = ordinary
    same = apart & (np.abs(level - level[i]) <= field.near) & (watched >= s.rest_hours * 3600)
    lengths = watched[reference]
    part = value[first : last + 1]
    entry = abs(value[first - 1] - part[0]) if first > 0 else math.nan
    leave = abs(value[last + 1] - part[-1]) if last + 1 < len(value) else math.nan
    smaller = np.searchsorted(field.steps, entry) / len(field.steps) if len(field.steps) else math.nan
    return Stand(
        first=first,
        last=last,
        start=float(time[first]),
        end=float(time[last]),
        watched_s=float(watched[i]),
        value=float(np.median(part)),
        low=float(part.min()),
        high=float(part.max()),
        p=tail_probability(lengths, float(watched[i]), most=s.tail_runs, shape_prior=s.tail_prior),
        longest_s=float(lengths.max()) if len(lengths) else 0.0,
        references=len(lengths),
        rests=int(same.sum()),
        rest_s=float(watched[same].sum()),
        other_s=float(watched[apart].sum()),
        extreme=bool(part.max() >= field.limits[1] or part.min() <= field.limits[0]),
        entry=entry / field.usual,
        leave=leave / field.usual,
        entry_rare=1 - float(smaller) if entry == entry else math.nan,
        open=last == len(value) - 1,
        band=field.band,
    )


def _apart(runs: Runs, time: np.ndarray, first: int, last: int) -> np.ndarray:
    """Which runs lie clear of a run by its own duration, so that one episode of a fault does not excuse itself.

    When that leaves less than a third of the record, only what comes before it counts; when that is less
    than a tenth, all other runs do.
    """
    start, end = time[first], time[last]
    length = end - start
    begins, ends = time[runs.start], time[runs.last]
    clear = (ends < start - length) | (begins > end + length)
    covered = float((ends - begins)[clear].sum()) if clear.any() else 0.0
    total = time[-1] - time[0] - length
    if clear.sum() and (covered > 0 or length < total / 3) and (ends[clear].max() - begins[clear].min()) >= total / 3:
        return clear
    before = ends < start
    if start - time[0] >= total / 10:
        return before
    return np.ones(len(begins), dtype=bool)
