"""Which voltages of a node are credible, and what temperatures they were felt at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import NodeHistory, known_quantiles
from lamplighter.checks.battery.observe import (
    FIT_LEAST_BINS,
    FIT_LEAST_ROWS,
    FIT_WINDOW,
    QUARTER_DAY_S,
    filled,
    high_passed,
)
from lamplighter.settings.battery import BatterySettings
from lamplighter.stats.order import quantile, stretches

NOTHING, THERMOMETER, READING = np.int8(0), np.int8(1), np.int8(2)
"""Where a block's temperatures come from: nowhere, the thermometer, or a reading that may be one."""
MOSTLY = 0.5
"""A source must give this share of the temperatures."""
SELDOM = 0.25
"""A block whose thermometer gives less than this share of its temperatures keeps its readings in place of them: of the
two, only one can be kept."""


@dataclass(frozen=True, slots=True)
class Felt:
    """Temperatures at a block's credible voltages [degC], NaN without any; those from ``a`` up to ``b`` are known.

    Gaps are bridged, the ends repeat the nearest. thermometer, readings : how many are credible of either source.
    """

    celsius: np.ndarray
    source: np.int8
    thermometer: int = 0
    readings: int = 0
    a: int = 0
    b: int = 0


@dataclass(frozen=True, slots=True)
class Credible:
    """The credible voltages of some check-ins, with their temperatures and their quarter days.

    quarter, size : number and check-ins of each quarter day that has any; level : the usual voltage.
    """

    time: np.ndarray
    volts: np.ndarray
    felt: Felt
    quarter: np.ndarray
    size: np.ndarray
    level: float


def credible_in(history: NodeHistory, settings: BatterySettings) -> Credible:
    """Return the credible voltages of some check-ins."""
    keep = credible(history)
    time, volts, celsius, reading = (
        x[keep] for x in (history.time, history.battery_v, history.temperature_c, history.good_reading)
    )
    quarter = np.floor(time / QUARTER_DAY_S).astype(np.int32)
    at, size = stretches(quarter)
    level = quantile(volts, 0.5) if len(time) else np.nan
    return Credible(time, volts, felt_at(time, celsius, reading, settings), quarter[at], size, level)


def within(volts: np.ndarray, level: float | np.ndarray) -> np.ndarray:
    """Return which voltages a battery of this level may have: no glitch, no dead converter, no other unit."""
    return (volts > 0.1 * level) & (volts < 3.0 * level)


def credible(history: NodeHistory) -> np.ndarray:
    """Return which check-ins carry a credible voltage, shape (n,).

    A day none of whose voltages is near the block's level is judged by its own: which of two units, or of a live and a
    dead converter, is the usual one, only the whole record can tell.
    """
    volts = history.battery_v
    known = np.isfinite(volts)
    if not known.any():
        return known
    inside = within(volts, quantile(volts[known], 0.5))
    if inside.sum() == known.sum():
        return inside
    first, size = stretches(history.day)
    other = np.repeat(np.add.reduceat(inside, first, dtype=np.int64) == 0, size)
    if not other.any():
        return inside
    of_day = np.repeat(known_quantiles(volts, size, (0.5,))[0], size)
    return inside | (other & within(volts, of_day))


def felt_at(time: np.ndarray, temperature: np.ndarray, reading: np.ndarray, settings: BatterySettings) -> Felt:
    """Return the temperatures at the check-ins with a credible voltage.

    A block without a thermometer keeps its readings if they may be temperatures: whether they are is told by the whole
    record, see :func:`is_temperature`.
    """
    seen, source = in_range(temperature, settings), THERMOMETER
    thermometer, readings = int(seen.sum()), 0
    if thermometer < MOSTLY * len(time):
        lent = in_range(reading, settings)
        readings = int(lent.sum())
        if thermometer < SELDOM * len(time) and readings >= MOSTLY * len(time):
            temperature, seen, source = reading, lent, READING
    places = np.flatnonzero(seen)
    if not len(places):
        return Felt(np.full(len(time), np.nan), NOTHING)
    celsius = temperature if len(places) == len(time) else filled(time, np.where(seen, temperature, np.nan))
    return Felt(celsius, source, thermometer, readings, int(places[0]), int(places[-1]) + 1)


def in_range(celsius: np.ndarray, settings: BatterySettings) -> np.ndarray:
    """Return which values may be temperatures."""
    return (celsius >= settings.temperature_low_c) & (celsius <= settings.temperature_high_c)


def is_temperature(volts: np.ndarray, celsius: np.ndarray, rows: int, settings: BatterySettings) -> bool:
    """Whether readings plainly are temperatures, told by quarter-day means: the voltage moves with them.

    A thermometer sends what the battery feels as its reading.
    """
    if rows < FIT_LEAST_ROWS or len(volts) < FIT_LEAST_BINS:
        return False
    x, y = high_passed(celsius, FIT_WINDOW), high_passed(volts, FIT_WINDOW)
    if x.std() < 0.3 or y.std() <= 0 or (x @ y) <= 0:
        return False
    return bool((x @ y) ** 2 / ((x @ x) * (y @ y)) >= settings.reading_explains)
