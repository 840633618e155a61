"""A block's usable readings, and the longest of the runs in which they stand still."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.order import largest, quantile
from lamplighter.stats.runs import Runs, encode_runs, run_durations, watched_until

CHANNELS = ("reading", "battery_v", "rssi_dbm", "temperature_c")
"""Channels that repeat together when the whole record is frozen; all but the reading show whether it is alive."""
BATTERY, RSSI = CHANNELS.index("battery_v"), CHANNELS.index("rssi_dbm")
EXACT, CREEP, FROZEN = 0, (1, 2), 16
"""Kinds of runs: equal readings; readings within two steps, on either of two grids; whole records (plus the set of
channels, a bit each)."""
CREEP_SHIFTS = (0.25, 0.75)
"""Where the classes of two steps lie, so that a flicker between two neighbouring steps falls into one of them."""
LONGEST = {EXACT: 100, CREEP[0]: 50, CREEP[1]: 50, FROZEN: 40}
"""Longest runs kept of a block. The tail of ordinary ones is told from thirty; rests at a level are counted."""
ELSEWHERE = 40
"""Longest runs kept away from the level at which many of the longest lie: a process at rest would leave no others."""
CROWDED = 0.5
"""Share of the longest runs at one level from which those elsewhere are kept besides."""
SOME_MORE = 3
"""Times as many runs as are kept are compared in time; the others have fewer readings."""


@dataclass(frozen=True, slots=True)
class Course:
    """A block's usable readings; ``before`` are the last of its lead-in."""

    time: np.ndarray
    value: np.ndarray
    before: np.ndarray
    before_time: np.ndarray
    interval: float
    longest_step: float
    """A silence counts no longer than this [s]."""
    clock: np.ndarray
    """Time watched until each reading [s]."""


def course_of(block: NodeHistory, s: StuckSettings) -> Course:
    """Return a block's usable readings, and those of its lead-in."""
    reading = block.good_reading
    usable = np.isfinite(reading)
    own = usable.copy()
    own[: block.lead] = False
    lead = np.flatnonzero(usable[: block.lead])
    interval = interval_of(block)
    longest_step = s.gap_intervals * interval
    time, clock = block.time[own], watched_until(block.time[own], longest_step)
    return Course(time, reading[own], reading[lead], block.time[lead], interval, longest_step, clock)


def interval_of(block: NodeHistory) -> float:
    """Return a block's most common spacing [s]; 1 where it cannot be told."""
    interval = block.own.typical_interval_s
    if not math.isfinite(interval):
        interval = block.typical_interval_s
    return interval if math.isfinite(interval) and interval > 0 else 1.0


def longest_runs(course: Course, runs: Runs, kind: int, goes_on: np.ndarray, near: float) -> dict[str, np.ndarray]:
    """Keep the longest runs of one kind in order of time, the first and the last always.

    Readings as close as ``near`` are the same level.
    """
    time, value = course.time, course.value
    kept = some_longest(course, runs, LONGEST[min(kind, FROZEN)], near)
    part = Runs(runs.start[kept], runs.length[kept])
    first, last = part.start, part.last
    entry = np.abs(value[first] - value[np.maximum(first - 1, 0)])
    leave = np.abs(value[np.minimum(last + 1, len(value) - 1)] - value[last])
    entry[:1], leave[-1:] = np.nan, np.nan
    on = np.zeros(len(kept), dtype=np.int8)
    on[:1] = goes_on.any()
    return {
        "run_kind": np.full(len(kept), kind, dtype=np.int8),
        "run_begin": time[first],
        "run_end": time[last],
        "run_watched": run_durations(part, course.clock, course.interval),
        "run_count": part.length.astype(np.int32),
        "run_level": value[(first + last) // 2],
        "run_entry": entry,
        "run_leave": leave,
        "run_goes_on": on,
    }


def some_longest(course: Course, runs: Runs, count: int, near: float) -> np.ndarray:
    """Return the places of the longest runs, of the longest elsewhere, and of the first and the last, in order."""
    if len(runs.start) <= count + ELSEWHERE:
        return np.arange(len(runs.start))
    kept = longest_of(course, runs, count)
    level = levels(course, runs, kept)
    middle = quantile(level, 0.5)
    if (np.abs(level - middle) <= near).mean() > CROWDED:
        elsewhere = np.flatnonzero(np.abs(levels(course, runs, np.s_[:]) - middle) > near)
        kept = np.concatenate([kept, longest_of(course, runs, ELSEWHERE, elsewhere)])
    return np.unique(np.concatenate([kept, [0, len(runs.start) - 1]]))


def longest_of(course: Course, runs: Runs, count: int, among: np.ndarray | None = None) -> np.ndarray:
    """Return the places of the longest runs, of all or among some.

    Only those of the most readings are compared in time: missed check-ins change little about their order.
    """
    length = runs.length if among is None else runs.length[among]
    at_least = np.cumsum(np.bincount(length)[::-1])
    place = int(np.searchsorted(at_least, SOME_MORE * count))
    least = max(len(at_least) - 1 - place, 1)
    some = np.flatnonzero(length == least)[: SOME_MORE * count]
    part = np.concatenate([np.flatnonzero(length > least), some])
    part = part if among is None else among[part]
    watched = run_durations(Runs(runs.start[part], runs.length[part]), course.clock, course.interval)
    return part[largest(watched, count)]


def levels(course: Course, runs: Runs, places: np.ndarray | slice) -> np.ndarray:
    """Return the middle readings of some runs."""
    return course.value[runs.start[places] + (runs.length[places] - 1) // 2]


def creeping(course: Course, step: float, kind: int) -> dict[str, np.ndarray]:
    """Keep the longest runs within classes of two steps."""
    shift = CREEP_SHIFTS[CREEP.index(kind)]
    classes = np.floor(course.value / (2 * step) + shift)
    before = np.floor(course.before[-1:] / (2 * step) + shift)
    return longest_runs(course, encode_runs(classes), kind, before == classes[:1], 2 * step)


def frozen_runs(block: NodeHistory, course: Course, near: float) -> dict[str, np.ndarray]:
    """Keep the longest runs in which all channels repeat that most check-ins have."""
    columns = [getattr(block, name) for name in CHANNELS]
    known = [np.isfinite(c) for c in columns]
    rows = len(block) - block.lead
    names = np.array([n for n, k in enumerate(known) if 2 * np.count_nonzero(k[block.lead :]) > rows], dtype=np.int64)
    time, parts, lead = block.time, [columns[n] for n in names], block.lead
    shows_life = BATTERY in names or RSSI in names
    together = np.logical_and.reduce([known[n] for n in names]) if shows_life else np.zeros(len(block), dtype=bool)
    if not together.all():
        places = np.flatnonzero(together)
        time, parts, lead = time[places], [p[places] for p in parts], int(np.searchsorted(places, block.lead))
    goes_on = np.array([0 < lead < len(time) and all(p[lead - 1] == p[lead] for p in parts)])
    own, time, none = [p[lead:] for p in parts] or [np.zeros(0)], time[lead:], np.zeros(0)
    clock = course.clock if np.array_equal(time, course.time) else watched_until(time, course.longest_step)
    whole = Course(time, own[0], none, none, course.interval, course.longest_step, clock)
    return longest_runs(whole, encode_runs(*own), FROZEN + int((1 << names).sum()), goes_on, near)
