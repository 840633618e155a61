"""What is kept of one block of a node's record: voltages and temperatures by day, not check-in by check-in.

How the voltage answers to temperature is fitted anew over the whole record, from quarter-day means. Within a day the
block's own response is taken off the check-ins, so that a day's low is no cold night; what it does to the day's level
is put back, and the level kept is the voltage as it was, at the day's mean temperature.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import BAD, DAY_S, NodeHistory
from lamplighter.checks.battery.credible import NOTHING, READING, Credible, Felt, credible_in, is_temperature, within
from lamplighter.checks.battery.lives import CONTRAST, contrasts
from lamplighter.checks.battery.observe import (
    FIT_LEAST_ROWS,
    FROST_C,
    HINGE_C,
    QUARTER_DAY_S,
    Temperature,
    bin_means,
    fit_means,
    is_freezing,
    response,
)
from lamplighter.settings import Settings
from lamplighter.settings.battery import BatterySettings
from lamplighter.stats.order import quantiles_within, ranked_within, stretches

ONE_LEVEL = 0.9
"""A block of which less than this share is of its usual level has two: the unit changed, or the converter died."""
LEVELS = 33
"""Quantiles kept of a block's steps: odd, so that the median is one of them."""
SHARES = np.linspace(0.0, 1.0, LEVELS)


@dataclass(frozen=True, slots=True)
class Summary:
    """What is kept of a block; the summaries of consecutive blocks are joined along every array.

    By bin (a day with a credible voltage), shape (n_bins,):
    time : mean instant [s]; volts : level at the bin's mean temperature [V]; temperature, coldest : mean and 10th
    percentile [degC], NaN where none is known; count : credible voltages; fall, swing : from the level down to the
    10th percentile and from it up to the 90th, the block's own response to temperature taken off [V].

    By quarter day, shape (n_quarters,):
    quarter : quarter days since 1970-01-01; quarter_volts, quarter_temperature, quarter_frost : means of the voltage
    [V], of the temperature, and of min(temperature, 0) [degC].

    By day with a check-in, as :attr:`lamplighter.record.Record.daily`:
    spacing : median time since the check-in before [s], NaN where that is not known; bad : check-ins without a usable
    reading.

    By block, one entry each:
    bins, quarters : how many bins and quarter days there are; first, last : the first and the last credible voltage
    [s], NaN without any; source : of the temperatures, one of NOTHING, THERMOMETER and READING;
    thermometer, readings : credible temperatures of either; freezing : check-ins well below freezing; slope, extra :
    the block's own response to temperature [V/degC], NaN when it could not be told; rounding : smallest steps [V], NaN
    without any; mean, scatter : of the voltages, the response taken off [V].

    By block, :data:`LEVELS` entries each: step, change : evenly spaced quantiles of the steps from one voltage to the
    next, and of the changes over some of them, without their signs, the response taken off [V].
    """

    time: np.ndarray
    volts: np.ndarray
    temperature: np.ndarray
    coldest: np.ndarray
    count: np.ndarray
    fall: np.ndarray
    swing: np.ndarray
    quarter: np.ndarray
    quarter_volts: np.ndarray
    quarter_temperature: np.ndarray
    quarter_frost: np.ndarray
    spacing: np.ndarray
    bad: np.ndarray
    bins: np.ndarray
    quarters: np.ndarray
    first: np.ndarray
    last: np.ndarray
    source: np.ndarray
    thermometer: np.ndarray
    readings: np.ndarray
    freezing: np.ndarray
    slope: np.ndarray
    extra: np.ndarray
    rounding: np.ndarray
    mean: np.ndarray
    scatter: np.ndarray
    step: np.ndarray
    change: np.ndarray


def summarise(block: NodeHistory, settings: Settings) -> Summary:
    """Condense the rows of one block; see :class:`Summary`."""
    first, size = stretches(block.own.day)
    own = block.own
    bad = (own.quality == BAD) | ~np.isfinite(own.reading)
    return Summary(
        spacing=spacings(block, size),
        bad=np.add.reduceat(bad, first, dtype=np.int32),
        **condensed(own, DAY_S, settings.battery),
    )


def spacings(block: NodeHistory, size: np.ndarray) -> np.ndarray:
    """Return the median spacing before the check-ins of each of the block's own days, NaN where none is known [s].

    That of the first day begins with the last check-in of the lead-in.
    """
    if block.lead:
        steps, some = np.diff(block.time[block.lead - 1 :]), np.ones(len(size), bool)
    else:
        size = np.concatenate([[size[0] - 1], size[1:]])
        steps, some = np.diff(block.time), size > 0
    out = np.full(len(size), np.nan)
    if some.any():
        out[some] = ranked_within(steps, size[some], size[some] // 2)
    return out


def adjusted_bins(
    c: Credible, fit: Temperature, width: float, settings: BatterySettings
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return voltages adjusted with a response to temperature, and their summary in bins of ``width`` seconds."""
    bins, usual = bin_sizes(c.quarter, c.size, width), within(c.volts, c.level)
    moved, answers = response(c.felt.celsius, fit, settings.reference_c), np.ones(len(bins), bool)
    if not usual.all():
        # The response is that of the usual level: in another unit it would be a thousand times too large or too small.
        answers = bin_means(bins, usual) > 0
        moved = np.where(np.repeat(answers, bins), moved, 0.0)
    adjusted = c.volts - moved
    return adjusted if usual.all() else adjusted[usual], binned(c.time, adjusted, c.felt, fit, bins, answers, settings)


def condensed(history: NodeHistory, width: float, settings: BatterySettings) -> dict[str, np.ndarray]:
    """Return what is kept of some check-ins' voltages, those of one block, in bins of ``width`` seconds."""
    c = credible_in(history, settings)
    time, felt, size = c.time, c.felt, c.size
    frost = np.minimum(felt.celsius, HINGE_C)
    freezing = np.count_nonzero(frost[felt.a : felt.b] < FROST_C)
    means = [bin_means(size, x) for x in (c.volts, felt.celsius, frost)]
    fit = block_fit(means, within(means[0], c.level), felt, is_freezing(freezing, len(time)), settings)
    adjusted, bins = adjusted_bins(c, fit, width, settings)
    told = np.isfinite(fit.error)
    return {
        **bins,
        "quarter": c.quarter,
        "quarter_volts": means[0],
        "quarter_temperature": known_bins(means[1], size, felt),
        "quarter_frost": means[2],
        **restlessness(adjusted),
        "bins": np.array([len(bins["time"])]),
        "quarters": np.array([len(size)]),
        "first": np.array([time[0] if len(time) else np.nan]),
        "last": np.array([time[-1] if len(time) else np.nan]),
        "source": np.array([felt.source]),
        "thermometer": np.array([felt.thermometer]),
        "readings": np.array([felt.readings]),
        "freezing": np.array([freezing]),
        "slope": np.array([fit.slope if told else np.nan]),
        "extra": np.array([fit.extra if told else np.nan]),
    }


def bin_sizes(quarter: np.ndarray, size: np.ndarray, width: float) -> np.ndarray:
    """Return the sizes of bins of ``width`` seconds, of whole quarter days, from those of the quarter days."""
    of_bin = quarter // round(width / QUARTER_DAY_S)
    first = np.flatnonzero(of_bin[1:] != of_bin[:-1]) + 1
    return np.add.reduceat(size, np.concatenate([[0], first])) if len(size) else size


def block_fit(
    means: list[np.ndarray], usual: np.ndarray, felt: Felt, freezes: bool, settings: BatterySettings
) -> Temperature:
    """Fit a block's own response to temperature on those of its quarter-day means that are of its usual level.

    Nothing is told by a block of two levels: it is for the record to say which of them counts.
    """
    if felt.source == NOTHING or len(felt.celsius) < FIT_LEAST_ROWS or usual.sum() < ONE_LEVEL * len(usual):
        return Temperature()
    volts, celsius, frost = means if usual.all() else [m[usual] for m in means]
    if felt.source == READING and not is_temperature(volts, celsius, felt.readings, settings):
        return Temperature()
    return fit_means(volts, celsius, frost, freezes)


def known_bins(values: np.ndarray, size: np.ndarray, felt: Felt) -> np.ndarray:
    """Return the temperatures of bins, NaN where a bin lies before the first known one or after the last."""
    if felt.a == 0 and felt.b == len(felt.celsius):
        return values
    end = np.cumsum(size)
    return np.where((end <= felt.a) | (end - size >= felt.b), np.nan, values)


def binned(
    time: np.ndarray,
    adjusted: np.ndarray,
    felt: Felt,
    fit: Temperature,
    size: np.ndarray,
    answers: np.ndarray,
    settings: BatterySettings,
) -> dict[str, np.ndarray]:
    """Summarise adjusted voltages by consecutive bins of these sizes; ``answers``: which bins were adjusted."""
    n = len(size)
    if felt.source == NOTHING:
        low, high = quantiles_within(adjusted, size, (0.1, 0.9))
        mean = cold = np.full(n, np.nan)
    else:
        # One sorting for both.
        both = quantiles_within(np.concatenate([adjusted, felt.celsius]), np.concatenate([size, size]), (0.1, 0.9))
        (low, high), cold = both[:, :n], known_bins(both[0, n:], size, felt)
        mean = bin_means(size, felt.celsius)
    level = bin_means(size, np.minimum(np.maximum(adjusted, np.repeat(low, size)), np.repeat(high, size)))
    start = time[0] if len(time) else 0.0
    return {
        "time": bin_means(size, time - start) + start,
        "volts": level + np.where(answers, response(mean, fit, settings.reference_c), 0.0),
        "temperature": known_bins(mean, size, felt),
        "coldest": cold,
        "count": size.astype(np.int32),
        "fall": level - low,
        "swing": high - low,
    }


TINY = 1e-9
"""Steps below this are none [V]."""


def restlessness(adjusted: np.ndarray) -> dict[str, np.ndarray]:
    """Return what single voltages do from one to the next, and their mean and scatter."""
    steps = np.sort(np.abs(adjusted[1:] - adjusted[:-1]))
    moved = steps[np.searchsorted(steps, TINY, side="right") :]
    mean = adjusted.mean() if len(adjusted) else np.nan
    apart = adjusted - mean
    # Not as a product of vectors: for so many values that starts threads, which then wait beside the workers.
    return {
        "rounding": ordered_quantiles(moved, np.array([0.02])),
        "mean": np.array([mean]),
        "scatter": np.array([np.sqrt(np.mean(apart**2)) if len(apart) else np.nan]),
        "step": ordered_quantiles(steps, SHARES),
        "change": ordered_quantiles(np.sort(np.abs(contrasts(adjusted, CONTRAST))), SHARES),
    }


def ordered_quantiles(ordered: np.ndarray, shares: np.ndarray) -> np.ndarray:
    """Return quantiles of ordered values, linear between them; NaN without any."""
    if not len(ordered):
        return np.full(len(shares), np.nan)
    place = shares * (len(ordered) - 1)
    low = place.astype(np.int64)
    below, above = ordered[low], ordered[np.minimum(low + 1, len(ordered) - 1)]
    return below + (above - below) * (place - low)
