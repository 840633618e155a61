"""A node's readings as runs of equal values, and its longest runs with all that is needed to judge one among them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.order import largest, quantile, quantiles
from lamplighter.stats.runs import Runs, encode_runs, run_durations, watched_until

LONG_RUNS = 600
"""Longest runs kept to compare one with."""
ZERO_SHARE = 0.02
"""Share of the largest reading that counts as zero: zero errors and temperature move a zero a little."""
LEVEL_RUNS = 80
"""Longest runs from which the levels are learnt at which the process rests."""


@dataclass(frozen=True)
class Range:
    """What is known of all of a node's readings together, found once when first asked for."""

    value: np.ndarray

    @cached_property
    def limits(self) -> tuple[float, float]:
        """Lowest and highest reading."""
        return float(self.value.min()), float(self.value.max())

    @cached_property
    def usual(self) -> float:
        """Range without the lowest and the highest twentieth, which may be wild; 0 without readings."""
        return usual_range(self.value)

    @cached_property
    def nearly_all(self) -> float:
        """Range without the lowest and the highest hundredth; never 0."""
        lowest, highest = self.limits
        low, high = quantiles(self.value, 0.01, 0.99)
        return high - low or (highest - lowest) or 1.0

    @cached_property
    def steps(self) -> np.ndarray:
        """Sizes of the steps that are not zero."""
        steps = np.abs(np.diff(self.value))
        return steps[steps > 0]

    @cached_property
    def sorted_steps(self) -> np.ndarray:
        """The same, smallest first."""
        return np.sort(self.steps)

    @cached_property
    def sums(self) -> tuple[float, np.ndarray, np.ndarray]:
        """Mean, and running sums of the readings less it and of their squares, from nothing on, shape (n + 1,)."""
        middle = float(self.value.mean())
        centred = self.value - middle
        return middle, running_sum(centred), running_sum(centred**2)

    @cached_property
    def resolution(self) -> float:
        """Smallest usual step: the 2 % quantile of the steps; 0 when it never moves."""
        return quantile(self.steps, 0.02) if len(self.steps) else 0.0


def usual_range(value: np.ndarray) -> float:
    """Range of some readings without the lowest and the highest twentieth, which may be wild."""
    if not len(value):
        return 0.0
    low, high = quantiles(value, 0.05, 0.95)
    return high - low


@dataclass(frozen=True, slots=True)
class Course:
    """A node's readings as runs of equal values."""

    time: np.ndarray
    value: np.ndarray
    whole: Range
    runs: Runs
    interval: float
    step: float
    """Resolution of the reading."""
    wide: bool
    """Whether the reading has a range at all."""
    clock: np.ndarray
    """Time watched until each reading, gaps counted only in part [s]."""

    def watched(self, runs: Runs) -> np.ndarray:
        """Return how long each of some runs was watched [s]."""
        return run_durations(runs, self.clock, self.interval)


def course_of(
    time: np.ndarray, value: np.ndarray, interval: float, s: StuckSettings, runs: Runs | None = None
) -> Course:
    """Describe readings as runs."""
    runs = encode_runs(value) if runs is None else runs
    interval = interval if math.isfinite(interval) and interval > 0 else 1.0
    whole = Range(value)
    wide = len(value) >= s.min_check_ins and whole.usual > 0
    clock = watched_until(time, s.gap_intervals * interval)
    return Course(time, value, whole, runs, interval, whole.resolution, wide, clock)


def banded(course: Course, band: float, shift: float) -> Course:
    """Split into runs of readings that stay within one class of a coarse grid."""
    return replace(course, runs=encode_runs(np.floor(course.value / band + shift)), step=band)


@dataclass(frozen=True, slots=True)
class Creep:
    """The longest runs within two resolution steps, flicker between them included, shape (n_long,)."""

    watched: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    level: np.ndarray


def creeping(course: Course, s: StuckSettings) -> Creep:
    """Gather the longest runs within classes of two steps, from the grid that holds the longer ones."""
    best = None
    for shift in (0.0, 0.5):
        runs = encode_runs(np.floor(course.value / (2 * course.step) + shift + 0.25))
        watched = course.watched(runs)
        order = largest(watched, LONG_RUNS)
        first, last = runs.start[order], runs.last[order]
        creep = Creep(watched[order], course.time[first], course.time[last], course.value[(first + last) // 2])
        usual = float(creep.watched[1 : 1 + max(s.tail_runs)].sum())
        best = (usual, creep) if best is None or usual > best[0] else best
    return best[1]


@dataclass(frozen=True, slots=True)
class Field:
    """The longest runs of a course with what is needed to judge one among them, longest first, shape (n_long,)."""

    course: Course
    band: float
    order: np.ndarray
    """Their places among all runs."""
    watched: np.ndarray
    level: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    near: float
    """Readings this close are the same level."""
    at_rest: np.ndarray
    rests: np.ndarray
    jumped: np.ndarray
    mean: np.ndarray
    liveliness: np.ndarray
    steps: np.ndarray
    usual: float
    limits: tuple[float, float]
    slack: float
    all_watched: np.ndarray
    watched_in_all: float
    creep: Creep | None


def field_of(course: Course, watched: np.ndarray, s: StuckSettings, band: float, creep: Creep | None) -> Field:
    """Pick the longest runs of a course and measure what is needed to judge one among them."""
    value, runs = course.value, course.runs
    order = largest(watched, LONG_RUNS)
    first, last = runs.start[order], runs.last[order]
    level = value[(first + last) // 2]
    near = 2 * max(course.step, band)
    low, high = course.whole.limits
    mean, spread = _moments(course.whole, first, last) if band > 0 else (level, np.zeros(len(order)))
    after = value[np.minimum(last + 1, len(value) - 1)]
    return Field(
        course=course,
        band=band,
        order=order,
        watched=watched[order],
        level=level,
        begin=course.time[first],
        end=course.time[last],
        near=near,
        at_rest=near_any(level, _rest_levels(watched[order], level, near, s), near),
        rests=(watched[order] >= s.rest_hours * 3600) & (runs.length[order] >= s.rest_check_ins),
        jumped=np.abs(after - value[last]) > max(near / 2, course.step),
        mean=mean,
        liveliness=spread,
        steps=course.whole.sorted_steps,
        usual=course.whole.nearly_all,
        limits=(low, high),
        slack=near + ZERO_SHARE * max(abs(high), abs(low)),
        all_watched=watched,
        watched_in_all=float(watched.sum()),
        creep=creep,
    )


def _moments(whole: Range, first: np.ndarray, last: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and standard deviation of the readings within each run, shape (n_runs,)."""
    middle, sums, squares = whole.sums
    n = last - first + 1
    mean = (sums[last + 1] - sums[first]) / n
    return mean + middle, np.sqrt(np.maximum((squares[last + 1] - squares[first]) / n - mean**2, 0.0))


def running_sum(values: np.ndarray) -> np.ndarray:
    """Return the sum of the first k values for k from 0 on, shape (n + 1,)."""
    total = np.zeros(len(values) + 1)
    np.cumsum(values, out=total[1:])
    return total


def _rest_levels(watched: np.ndarray, level: np.ndarray, near: float, s: StuckSettings) -> np.ndarray:
    """Levels at which the longest runs crowd, shape (n,): where a process rests that rests nowhere else."""
    top = np.arange(min(LEVEL_RUNS, len(watched)))
    top = top[watched[top] >= s.rest_hours * 3600]
    if len(top) == 0:
        return np.zeros(0)
    values = np.sort(level[top])
    counts = np.searchsorted(values, values + near, "right") - np.searchsorted(values, values - near, "left")
    return np.unique(values[counts > max(s.rest_recurrences, s.rest_crowd * len(values))])


def near_any(values: np.ndarray, level: float | np.ndarray, tolerance: float) -> np.ndarray:
    """Whether each value lies within a tolerance of one of some sorted levels."""
    levels = np.atleast_1d(level)
    if len(levels) == 0:
        return np.zeros(np.shape(values), dtype=bool)
    place = np.clip(np.searchsorted(levels, values), 1, len(levels)) - 1
    other = np.minimum(place + 1, len(levels) - 1)
    return np.minimum(np.abs(values - levels[place]), np.abs(values - levels[other])) <= tolerance
