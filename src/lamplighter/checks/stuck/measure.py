"""Measures the runs in which a node's reading stands still, against the node's own ordinary runs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.checks.stuck.course import Course, course_of, usual_range
from lamplighter.checks.stuck.reference import find_stands
from lamplighter.checks.stuck.spikes import Spikes, measure_spikes
from lamplighter.checks.stuck.stand import SUSPECT_P, Stand
from lamplighter.settings import Settings
from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.order import quantile
from lamplighter.stats.runs import encode_runs

CHANNELS = ("battery_v", "rssi_dbm", "temperature_c")
"""Channels that show whether the record as a whole is alive."""
LITTLE = 0.005
"""A run of less than this share of the readings does not move the twentieths that bound their usual range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StuckMeasures:
    """What was measured about one node's standing still.

    Attributes
    ----------
    check_ins : int
        Check-ins with a usable reading.
    span_s : float
        From the first to the last of them [s].
    runs : int
        Runs of equal readings among them.
    levels : float
        Usual range outside the longest run, in steps of the resolution.
    stands : tuple of Stand
        The longest runs, each with its probability, longest first.
    frozen : tuple of Stand
        The same for runs in which the whole record repeats.
    usual_v : float
        Usual battery voltage [V].
    failure_ma : tuple of (start, end, value)
        Periods in which a current output signalled failure.
    spikes : Spikes
    """

    check_ins: int
    span_s: float
    runs: int
    levels: float
    stands: tuple[Stand, ...]
    frozen: tuple[Stand, ...]
    usual_v: float
    failure_ma: tuple[tuple[float, float, float], ...]
    spikes: Spikes


def measure(history: NodeHistory, settings: Settings) -> StuckMeasures:
    """Measure one node's runs of equal readings and how probable they are under its own repeats."""
    s = settings.stuck
    reading = history.good_reading
    usable = np.isfinite(reading)
    time, value = history.time[usable], reading[usable]
    course = course_of(time, value, history.typical_interval_s, s)
    stands = find_stands(course, s)
    band = band_width(course, s) if course.wide else math.inf
    if course.whole.usual >= s.min_levels * band:
        stands += find_stands(course, s, band)
    beside = {name: getattr(history, name)[usable] for name in CHANNELS}
    volts = history.battery_v[np.isfinite(history.battery_v)]
    usual_v = quantile(volts, 0.9) if len(volts) else math.nan
    return StuckMeasures(
        check_ins=len(time),
        span_s=float(time[-1] - time[0]) if len(time) else 0.0,
        runs=len(course.runs.start),
        levels=usual_levels(course),
        stands=tuple(_beside(x, beside) if x.p <= SUSPECT_P else x for x in without_doubles(stands)),
        frozen=frozen_records(history, s),
        usual_v=usual_v,
        failure_ma=failure_currents(time, value, s) if history.entry.unit.strip().lower() == "ma" else (),
        spikes=measure_spikes(
            time, value, history.battery_v[usable], history.entry.cutoff_v, usual_v, course.whole.usual, s
        ),
    )


def usual_levels(course: Course) -> float:
    """Usual range of the readings outside the longest run, in steps of the resolution; NaN when it never moves."""
    if course.step == 0:
        return math.nan
    longest = int(np.argmax(course.runs.length))
    if course.runs.length[longest] < LITTLE * len(course.value):
        return course.whole.usual / course.step
    outside = np.delete(course.value, np.s_[course.runs.start[longest] : course.runs.last[longest] + 1])
    return usual_range(outside) / course.step if len(outside) else math.nan


def band_width(course: Course, s: StuckSettings) -> float:
    """Width of the classes within which a reading counts as still: a share of its usual range, or six resolutions."""
    return max(6 * course.step, s.band_pct_range / 100 * course.whole.usual)


def without_doubles(stands: tuple[Stand, ...]) -> tuple[Stand, ...]:
    """Leave out a stand within a band where an exact one covers nearly all of it; longest first."""
    exact = [stand for stand in stands if not stand.band]
    kept = exact + [
        b for b in stands if b.band and sum(overlap(b, e) for e in exact) < 0.9 * (b.end - b.start)
    ]  # fmt: skip
    return tuple(sorted(kept, key=lambda stand: (-stand.watched_s, stand.start)))


def overlap(a: Stand, b: Stand) -> float:
    """Seconds that two stands share."""
    return max(0.0, min(a.end, b.end) - max(a.start, b.start))


def _beside(stand: Stand, channels: dict[str, np.ndarray]) -> Stand:
    """Add what the other channels did during a stand: share of check-ins at which each changed, and the voltage."""
    part = slice(stand.first, stand.last + 1)
    moved = {name: changes(column[part]) for name, column in channels.items()}
    volts = channels["battery_v"][part]
    volts = volts[np.isfinite(volts)][:50]
    return replace(stand, moved=moved, battery_v=float(np.median(volts)) if len(volts) else math.nan)


def changes(column: np.ndarray) -> float:
    """Share of neighbouring known values that differ; NaN when there are too few."""
    known = column[np.isfinite(column)]
    return float((np.diff(known) != 0).mean()) if len(known) > 1 else math.nan


def frozen_records(history: NodeHistory, s: StuckSettings) -> tuple[Stand, ...]:
    """Stands of the whole record: reading and every other channel that is usually alive repeat together."""
    columns = {"reading": history.reading} | {name: getattr(history, name) for name in CHANNELS}
    alive = {n: c for n, c in columns.items() if n != "reading" and changes(c) >= s.alive_change_share}
    if "rssi_dbm" not in alive and "battery_v" not in alive:
        return ()
    names = [n for n, c in columns.items() if np.isfinite(c).mean() > 0.5]
    known = np.isfinite(np.stack([columns[n] for n in names])).all(0)
    if known.sum() < s.min_check_ins:
        return ()
    parts = [columns[n][known] for n in names]
    runs = encode_runs(*parts)
    if runs.length.max() < s.min_check_ins:
        return ()
    course = course_of(history.time[known], parts[0], history.typical_interval_s, s, runs)
    found = find_stands(course, s, creeps=False)
    return tuple(replace(stand, channels=tuple(names)) for stand in found)


def failure_currents(time: np.ndarray, value: np.ndarray, s: StuckSettings) -> tuple[tuple[float, float, float], ...]:
    """Periods of two check-ins or more in which a current output lay in a failure range, oldest first."""
    failed = (value <= s.failure_low_ma) | (value >= s.failure_high_ma)
    runs = encode_runs(failed)
    chosen = failed[runs.start] & (runs.length >= 2)
    return tuple(
        (float(time[a]), float(time[b]), float(np.median(value[a : b + 1])))
        for a, b in zip(runs.start[chosen], runs.last[chosen], strict=True)
    )
