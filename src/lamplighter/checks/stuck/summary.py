"""What is kept of one block's readings: its longest runs, its range by hours, and distributions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.checks.stuck.longest import (
    CHANNELS,
    CREEP,
    EXACT,
    Course,
    course_of,
    creeping,
    frozen_runs,
    longest_runs,
)
from lamplighter.checks.stuck.sketch import sketch
from lamplighter.checks.stuck.spikes import far, standing_out, usual_step
from lamplighter.settings import Settings
from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.order import quantile, quantiles, stretches
from lamplighter.stats.runs import Runs, encode_runs

SLOT_S = 6 * 3600.0
"""Time over which the lowest and highest reading are kept [s]: a stand within a band is one of many hours."""
LITTLE = 0.005
"""A run of less than this share of the readings does not move the twentieths that bound their usual range."""
RESOLUTION_SHARE = 0.02
"""The smallest usual step is this quantile of the steps."""

NOTHING = Course(*(np.zeros(0) for _ in range(4)), 1.0, 1.0, np.zeros(0))
"""No readings at all."""


WORTH_KEEPING = 0.25
"""Share of the distance from which a reading is wild in its block from which on it is kept: that of the record may be
as much smaller."""


@dataclass(frozen=True, slots=True)
class Summary:
    """What is kept of one block.

    Attributes
    ----------
    readings, runs, kept : shape (1,)
        Usable readings, runs of equal ones, and runs kept of all kinds.
    resolution : shape (1,)
        Smallest usual step; 0 when the reading never moves.
    peak_value, peak_length, peak_begin : shape (1,)
        The longest run when it holds more than :data:`LITTLE` of the readings, else of length 0.
    reading_sketch, step_sketch, volt_sketch : shape (n_shares,)
        Quantiles of the readings outside that run, of the steps that are not zero, and of the battery voltage.
    steps, volts : shape (1,)
        How many steps and voltages these are.
    known, pairs, changed : shape (n_channels,)
        Known values of each channel, neighbours among them, and neighbours that differ.
    rows : shape (1,)
        Check-ins.
    run_* : shape (kept,)
        The longest runs of each kind in order of time, always with the first and the last: kind, times [s], watched
        time [s], readings, middle reading, step into it and out of it (NaN at the edge of the block), and whether it
        goes on from the block before.
    slot, slot_* : shape (n_slots,)
        Slots of :data:`SLOT_S` with readings, counted from 1970: lowest and highest reading, largest step, watched
        time [s], readings.
    usual_step : shape (1,)
        Robust standard deviation of the steps of the readings.
    spike_time, spike_v, spike_size : shape (n_spikes,)
        Single readings that stand out, the battery voltage with them, and how far they stand out.
    failed_* : shape (n_failures,)
        Periods in which a current output signalled failure: times, check-ins, middle value, and whether it goes on
        from the block before.
    """

    readings: np.ndarray
    runs: np.ndarray
    kept: np.ndarray
    resolution: np.ndarray
    peak_value: np.ndarray
    peak_length: np.ndarray
    peak_begin: np.ndarray
    reading_sketch: np.ndarray
    steps: np.ndarray
    step_sketch: np.ndarray
    volts: np.ndarray
    volt_sketch: np.ndarray
    rows: np.ndarray
    known: np.ndarray
    pairs: np.ndarray
    changed: np.ndarray
    run_kind: np.ndarray
    run_begin: np.ndarray
    run_end: np.ndarray
    run_watched: np.ndarray
    run_count: np.ndarray
    run_level: np.ndarray
    run_entry: np.ndarray
    run_leave: np.ndarray
    run_goes_on: np.ndarray
    slot: np.ndarray
    slot_low: np.ndarray
    slot_high: np.ndarray
    slot_step: np.ndarray
    slot_watched: np.ndarray
    slot_count: np.ndarray
    usual_step: np.ndarray
    spike_time: np.ndarray
    spike_v: np.ndarray
    spike_size: np.ndarray
    failed_begin: np.ndarray
    failed_end: np.ndarray
    failed_count: np.ndarray
    failed_value: np.ndarray
    failed_goes_on: np.ndarray


def summarise(block: NodeHistory, settings: Settings) -> Summary:
    """Keep of one block what is needed to judge the runs of the whole record."""
    s = settings.stuck
    course = course_of(block, s)
    runs = encode_runs(course.value)
    steps = np.abs(np.diff(course.value, prepend=course.before[-1:]))
    moves = steps[steps > 0]
    resolution = quantile(moves, RESOLUTION_SHARE) if len(moves) else 0.0
    tables = [longest_runs(course, runs, EXACT, course.before[-1:] == course.value[:1], 2 * resolution)]
    if resolution > 0:
        tables += [creeping(course, resolution, kind) for kind in CREEP]
    own, volts = block.own, block.own.battery_v[np.isfinite(block.own.battery_v)]
    tables.append(frozen_runs(block, course, 2 * resolution))
    table = {name: np.concatenate([t[name] for t in tables]) for name in tables[0]}
    return Summary(
        readings=np.array([len(course.value)]),
        runs=np.array([len(runs.start)]),
        kept=np.array([len(table["run_kind"])]),
        resolution=np.array([resolution]),
        **readings_outside_peak(course, runs),
        steps=np.array([len(moves)]),
        step_sketch=sketch(moves),
        volts=np.array([len(volts)]),
        volt_sketch=sketch(volts),
        rows=np.array([len(own)]),
        **liveliness_of(own),
        **table,
        **slots_of(course, steps),
        **spikes_of(block, course, s),
        **failures_of(course if block.entry.unit.strip().lower() == "ma" else NOTHING, s),
    )


def readings_outside_peak(course: Course, runs: Runs) -> dict[str, np.ndarray]:
    """Return the quantiles of the readings outside the longest run, and that run where it is long."""
    longest = int(np.argmax(runs.length)) if len(runs.start) else 0
    long = len(runs.start) > 0 and runs.length[longest] >= LITTLE * len(course.value)
    first, last = (int(runs.start[longest]), int(runs.last[longest])) if long else (0, -1)
    return {
        "peak_value": course.value[first : first + 1] if long else np.array([np.nan]),
        "peak_begin": course.time[first : first + 1] if long else np.array([np.nan]),
        "peak_length": np.array([last - first + 1]),
        "reading_sketch": sketch(np.delete(course.value, np.s_[first : last + 1]) if long else course.value),
    }


def liveliness_of(own: NodeHistory) -> dict[str, np.ndarray]:
    """Count the known values of each channel, and how many of their neighbours differ."""
    columns = [getattr(own, name) for name in CHANNELS]
    known = [c[np.isfinite(c)] for c in columns]
    sizes = np.array([len(c) for c in known])
    changed = np.array([np.count_nonzero(c[1:] != c[:-1]) for c in known])
    return {"known": sizes, "pairs": np.maximum(sizes - 1, 0), "changed": changed}


def slots_of(course: Course, steps: np.ndarray) -> dict[str, np.ndarray]:
    """Condense readings to slots of some hours."""
    slot = np.floor(course.time / SLOT_S).astype(np.int32)
    first, size = stretches(slot)
    steps = steps if len(steps) == len(slot) else np.concatenate([[0.0], steps])
    before = course.before_time[-1:] if len(course.before_time) else course.time[:1] - course.interval
    watched = np.minimum(np.diff(course.time, prepend=before), course.longest_step)
    empty = not len(slot)

    def within(reduce: np.ufunc, values: np.ndarray) -> np.ndarray:
        return np.zeros(0) if empty else reduce.reduceat(values, first)

    return {
        "slot": slot[first],
        "slot_low": within(np.minimum, course.value),
        "slot_high": within(np.maximum, course.value),
        "slot_step": within(np.maximum, steps),
        "slot_watched": np.round(within(np.add, watched)).astype(np.int32),
        "slot_count": size.astype(np.int32),
    }


def spikes_of(block: NodeHistory, course: Course, s: StuckSettings) -> dict[str, np.ndarray]:
    """Find single readings that stand out; the last two are judged with the block after, which knows what follows.

    Which of them are wild is told by the steps of the whole record.
    """
    lead = min(4, len(course.before))
    value = np.concatenate([course.before[len(course.before) - lead :], course.value])
    time = np.concatenate([course.before_time[len(course.before) - lead :], course.time])
    low, high = quantiles(course.value, 0.05, 0.95) if len(course.value) else (0.0, 0.0)
    step, size = usual_step(value), standing_out(value)
    at = np.flatnonzero(size > WORTH_KEEPING * far(step, high - low, s))
    rows = np.searchsorted(block.time, time[at])
    return {
        "spike_time": time[at],
        "spike_v": block.battery_v[rows],
        "spike_size": size[at],
        "usual_step": np.array([step]),
    }


def failures_of(course: Course, s: StuckSettings) -> dict[str, np.ndarray]:
    """Find periods of two check-ins or more in which a current output lay in a failure range.

    Single check-ins at an edge of the block are kept too: the period may go on there.
    """
    failed = (course.value <= s.failure_low_ma) | (course.value >= s.failure_high_ma)
    runs = encode_runs(failed)
    edge = (runs.start == 0) | (runs.last == len(failed) - 1)
    chosen = np.flatnonzero(failed[runs.start] & ((runs.length >= 2) | edge))
    first, last = runs.start[chosen], runs.last[chosen]
    before = course.before[-1:]
    on = bool(((before <= s.failure_low_ma) | (before >= s.failure_high_ma)).any())
    return {
        "failed_begin": course.time[first],
        "failed_end": course.time[last],
        "failed_count": runs.length[chosen].astype(np.int32),
        "failed_value": np.array([float(np.median(course.value[a : b + 1])) for a, b in zip(first, last, strict=True)]),
        "failed_goes_on": ((first == 0) & on).astype(np.int8),
    }
