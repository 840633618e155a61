"""What is seen of a battery: loaded voltage by day, taken to one temperature, free of noise and glitches.

The check-ins of one bin (a day, or a quarter of one for short records) give a winsorised mean, so that coarse
resolution is smoothed by noise rather than by steps. What a low percentile lies below that mean, beyond what white
noise explains, is the drop under pulses (or at the cold end of the day where no temperature is known).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.settings.battery import BatterySettings
from lamplighter.stats.order import quantile, stretches

NORMAL_P90 = 1.2815515594
HINGE_C = 0.0
"""Below freezing inner resistance grows faster; the fit may bend here."""
FROST_C = HINGE_C - 2.0
"""Check-ins colder than this tell how much it bends."""
QUARTER_DAY_S = DAY_S / 4
"""The response to temperature is fitted on means over so much: a day and its night, but no noise."""
FIT_LEAST_ROWS, FIT_LEAST_BINS = 40, 24
"""The fewest check-ins and quarter days from which it is told."""
FIT_WINDOW = 21
"""Quarter days of the moving mean that takes decline and season away: five days."""
LEAST_MOVE_C = np.array([0.3, 0.5])
"""Temperature, and its part below freezing, must move by more than this for their effect to be told."""


@dataclass(frozen=True, slots=True)
class Temperature:
    """Response of one node's voltage to temperature [V/degC], above freezing and the extra below it.

    ``error`` is the standard error of each; NaN where the data cannot tell.
    """

    slope: float = 0.0
    extra: float = 0.0
    error: float = float("nan")
    extra_error: float = float("nan")


@dataclass(frozen=True, slots=True)
class Track:
    """One node's battery by bin, arrays of shape (n_bins,), oldest first.

    time : mean instant of the bin's check-ins [s]; volts : level at the reference temperature [V];
    temperature, coldest : mean and 10th percentile [degC]; count : check-ins with a voltage;
    drop : low percentile below the level beyond noise [V]; swing : 10th to 90th percentile [V].
    """

    time: np.ndarray
    volts: np.ndarray
    temperature: np.ndarray
    coldest: np.ndarray
    count: np.ndarray
    drop: np.ndarray
    swing: np.ndarray

    def __len__(self) -> int:
        return len(self.time)

    def part(self, where: np.ndarray | slice) -> Track:
        """Return some of the bins."""
        return Track(*(getattr(self, name)[where] for name in self.__slots__))


def response(temperature: np.ndarray, fit: Temperature, reference: float) -> np.ndarray:
    """Return the voltage at a temperature less that at the reference [V]; 0 where no temperature is known."""
    volts = fit.slope * (temperature - reference)
    if fit.extra:
        volts = volts + fit.extra * (np.minimum(temperature, HINGE_C) - min(reference, HINGE_C))
    unknown = np.isnan(volts)
    return np.where(unknown, 0.0, volts) if unknown.any() else volts


def filled(time: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return values with gaps bridged in a straight line; the ends repeat the nearest."""
    good = np.isfinite(values)
    return values if good.all() or not good.any() else np.interp(time, time[good], values[good])


def bin_means(size: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return the mean of the values in consecutive bins of these sizes, none empty."""
    return np.add.reduceat(values, np.cumsum(size) - size) / size if len(size) else np.zeros(0)


def high_passed(values: np.ndarray, width: int) -> np.ndarray:
    """Return values less their centred moving mean over ``width`` bins, along the last axis."""
    n = values.shape[-1]
    if n <= width:
        return values - values.mean(axis=-1, keepdims=True)
    total = np.zeros((*values.shape[:-1], n + 1))
    np.cumsum(values, axis=-1, out=total[..., 1:])
    half = width // 2
    i = np.arange(n)
    low, high = np.maximum(i - half, 0), np.minimum(i + half + 1, n)
    return values - (total[..., high] - total[..., low]) / (high - low)


def usual_range(temperature: np.ndarray, reach: int = 10) -> np.ndarray:
    """Return whether bins, and those within ``reach`` of them, are no colder than the cold of the record doubled.

    A week at thirty below has another slope than all other days: it would bend the fit that they are judged by.
    """
    places = len(temperature) // 10, len(temperature) // 2
    cold, middle = np.partition(temperature, places)[list(places)]
    odd = temperature < 2.0 * cold - middle - 1.0
    if not odd.any():
        return np.ones(len(temperature), bool)
    total = np.concatenate([[0], np.cumsum(odd)])
    i = np.arange(len(odd))
    return total[np.minimum(i + reach + 1, len(odd))] == total[np.maximum(i - reach, 0)]


def fit_temperature(time: np.ndarray, volts: np.ndarray, temperature: np.ndarray) -> Temperature:
    """Fit the response of voltage to temperature in the usual range of a record from its rows; see :func:`fit_usual`.

    Nothing is told of fewer than :data:`FIT_LEAST_ROWS` rows, or where a temperature is missing.
    """
    if not np.isfinite(temperature).all() or len(time) < FIT_LEAST_ROWS:
        return Temperature()
    _, size = stretches(np.floor(time / QUARTER_DAY_S))
    frost = np.minimum(temperature, HINGE_C)
    means = bin_means(size, volts), bin_means(size, temperature), bin_means(size, frost)
    freezes = is_freezing(int((frost < FROST_C).sum()), len(frost))
    return fit_usual(*means, freezes, fit_means(*means, freezes))


def is_freezing(rows: int, of: int) -> bool:
    """Whether so many rows well below freezing, of so many, tell of a bend there."""
    return rows > 0.01 * of


def fit_means(volts: np.ndarray, temperature: np.ndarray, frost: np.ndarray, freezes: bool) -> Temperature:
    """Fit the response of voltage to temperature on quarter-day means, free of slow decline.

    Both are taken less their five-day moving mean, so that decline and season drop out. ``frost`` are the means of
    min(temperature, 0), ``freezes`` whether enough check-ins lie below freezing to tell a bend.
    """
    if len(volts) < FIT_LEAST_BINS or not np.isfinite(temperature).all():
        return Temperature()
    moves = high_passed(np.stack([temperature, frost, volts]), FIT_WINDOW)
    return bent_line(moves[:2], moves[2], freezes)


def fit_usual(
    volts: np.ndarray, temperature: np.ndarray, frost: np.ndarray, freezes: bool, every: Temperature
) -> Temperature:
    """Fit the response as :func:`fit_means`, in the usual range of the record; ``every`` is the fit to all of it.

    Discharge is told by this one. That of all weather has the record's odd cold in it, which it flattens best.
    """
    if not np.isfinite(every.error):
        return every
    plain = usual_range(temperature)
    if not FIT_LEAST_BINS <= plain.sum() < len(plain):
        return every
    moves = high_passed(np.stack([temperature, frost, volts]), FIT_WINDOW)[:, plain]
    return bent_line(moves[:2], moves[2], freezes)


def bent_line(x: np.ndarray, y: np.ndarray, freezes: bool) -> Temperature:
    """Fit y to the rows of x, temperature and its part below freezing; large residuals (swaps, glitches) are clipped.

    Errors allow for neighbours in time being alike.
    """
    gram = x @ x.T
    warm, frosty = np.diag(gram) / len(y) - (x.sum(axis=1) / len(y)) ** 2 > LEAST_MOVE_C**2
    if not warm:
        return Temperature()
    if not (frosty and freezes):
        x, gram = x[:1], gram[:1, :1]
    inverse = np.linalg.inv(gram + 1e-9 * np.eye(len(x)) * len(y))
    solve, target = inverse @ x, y
    for _ in range(4):
        beta = solve @ target
        line = beta @ x
        residual = y - line
        limit = 3.0 * 1.4826 * quantile(np.abs(residual), 0.5) + 1e-6
        rest = np.minimum(np.maximum(residual, -limit), limit)
        target = line + rest
    alike = 4.0
    errors = np.sqrt(np.diag(inverse) * alike) * rest.std()
    if len(x) == 2:
        return Temperature(float(beta[0]), float(beta[1]), float(errors[0]), float(errors[1]))
    return Temperature(float(beta[0]), 0.0, float(errors[0]))


def pulse_drop(track: Track, fit: Temperature, settings: BatterySettings) -> np.ndarray:
    """Return the drop under pulses [V], shape (n,): the low of a bin, less what its coldest hours may explain of it."""
    felt = response(track.temperature, fit, settings.reference_c)
    cold = felt - response(track.coldest, fit, settings.reference_c)
    return np.maximum(track.drop - settings.temperature_doubt * np.abs(cold), 0.0)


def readjusted(track: Track, before: Temperature, after: Temperature, settings: BatterySettings) -> Track:
    """Return the track adjusted with another response to temperature than before."""
    if before is after:
        return track
    felt = response(track.temperature, before, settings.reference_c)
    return replace(track, volts=track.volts + felt - response(track.temperature, after, settings.reference_c))
