"""What is seen of a battery: loaded voltage by day, taken to one temperature, free of noise and glitches.

The check-ins of one bin (a day, or a quarter of one for short records) give a winsorised mean, so that coarse
resolution is smoothed by noise rather than by steps. What a low percentile lies below that mean, beyond what white
noise explains, is the drop under pulses (or at the cold end of the day where no temperature is known).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import DAY_S, NodeHistory, known_quantiles
from lamplighter.settings.battery import BatterySettings
from lamplighter.stats.order import quantile, stretches

NORMAL_P90 = 1.2815515594
HINGE_C = 0.0
"""Below freezing inner resistance grows faster; the fit may bend here."""


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


@dataclass(frozen=True, slots=True)
class Raw:
    """Valid voltages of one node and their temperatures, with the bin of each."""

    time: np.ndarray
    volts: np.ndarray
    temperature: np.ndarray
    adjusted: np.ndarray
    noise: float


def response(temperature: np.ndarray, fit: Temperature, reference: float) -> np.ndarray:
    """Return the voltage at a temperature less that at the reference [V]; 0 where no temperature is known."""
    linear = fit.slope * (temperature - reference)
    bend = fit.extra * (np.minimum(temperature, HINGE_C) - min(reference, HINGE_C))
    return np.nan_to_num(linear + bend)


def clean(history: NodeHistory, settings: BatterySettings) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times, voltages and temperatures of the check-ins that carry a credible voltage."""
    volts = history.battery_v
    known = np.isfinite(volts)
    level = quantile(volts[known], 0.5) if known.any() else np.nan
    keep = known & (volts > 0.1 * level) & (volts < 3.0 * level)
    temperature = history.temperature_c[keep]
    credible = (temperature >= settings.temperature_low_c) & (temperature <= settings.temperature_high_c)
    temperature = np.where(credible, temperature, np.nan)
    time, volts = history.time[keep], volts[keep]
    if credible.sum() < 0.5 * len(temperature):
        return time, volts, lent_temperature(time, volts, history.good_reading[keep], settings)
    return time, volts, filled(time, temperature)


def lent_temperature(time: np.ndarray, volts: np.ndarray, reading: np.ndarray, settings: BatterySettings) -> np.ndarray:
    """Return the readings as temperatures when they plainly are: within range, and the voltage moves with them.

    A thermometer sends what the battery feels as its reading; NaN for any other node, shape (n,).
    """
    nothing = np.full(len(time), np.nan)
    credible = (reading >= settings.temperature_low_c) & (reading <= settings.temperature_high_c)
    if credible.sum() < max(0.5 * len(reading), 40):
        return nothing
    celsius = filled(time, np.where(credible, reading, np.nan))
    _, size = stretches(np.floor(time / (DAY_S / 4)))
    if len(size) < 24:
        return nothing
    x, y = (high_passed(bin_means(size, v), 21) for v in (celsius, volts))
    if x.std() < 0.3 or y.std() <= 0 or (x @ y) <= 0:
        return nothing
    return celsius if (x @ y) ** 2 / ((x @ x) * (y @ y)) >= settings.reading_explains else nothing


def filled(time: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return values with gaps bridged in a straight line; the ends repeat the nearest."""
    good = np.isfinite(values)
    return values if good.all() or not good.any() else np.interp(time, time[good], values[good])


def quick_noise(volts: np.ndarray) -> float:
    """Return the noise of single voltages [V] from successive differences, robust to pulses and swings.

    At a coarse resolution most differences are zero; the noise is then that of the rounding.
    """
    steps = np.abs(np.diff(volts))
    moved = steps[steps > 1e-9]
    if not len(moved):
        return 0.0
    rounding = quantile(moved, 0.02) / np.sqrt(12.0)
    return max(float(1.4826 * quantile(steps, 0.5) / np.sqrt(2)), min(rounding, float(np.std(volts))))


def bin_means(size: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return the mean of the values in consecutive bins of these sizes, none empty."""
    return np.add.reduceat(values, np.cumsum(size) - size) / size


def high_passed(values: np.ndarray, width: int) -> np.ndarray:
    """Return values less their centred moving mean over ``width`` bins."""
    if len(values) <= width:
        return values - values.mean()
    total = np.cumsum(np.concatenate([[0.0], values]))
    half = width // 2
    i = np.arange(len(values))
    low, high = np.maximum(i - half, 0), np.minimum(i + half + 1, len(values))
    return values - (total[high] - total[low]) / (high - low)


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
    """Fit the response of voltage to temperature in the usual range of the record; see :func:`fit_temperatures`."""
    return fit_temperatures(time, volts, temperature)[0]


def fit_temperatures(time: np.ndarray, volts: np.ndarray, temperature: np.ndarray) -> tuple[Temperature, Temperature]:
    """Fit the response of voltage to temperature on quarter-day means, free of slow decline.

    Both are taken less their five-day moving mean, so that decline and season drop out. The first fit is that of the
    usual range, by which discharge is told; the second has the record's odd cold in it, which it flattens best.
    """
    if not np.isfinite(temperature).all() or len(time) < 40:
        return Temperature(), Temperature()
    _, size = stretches(np.floor(time / (DAY_S / 4)))
    if len(size) < 24:
        return Temperature(), Temperature()
    features = np.stack([temperature, np.minimum(temperature, HINGE_C)])
    means = [bin_means(size, f) for f in features]
    x = np.stack([high_passed(f, 21) for f in means])
    y = high_passed(bin_means(size, volts), 21)
    freezes = bool((features[1] < HINGE_C - 2).mean() > 0.01)
    every = bent_line(x, y, freezes)
    plain = usual_range(means[0])
    return (bent_line(x[:, plain], y[plain], freezes) if 24 <= plain.sum() < len(plain) else every), every


def bent_line(x: np.ndarray, y: np.ndarray, freezes: bool) -> Temperature:
    """Fit y to the rows of x, temperature and its part below freezing; large residuals (swaps, glitches) are clipped.

    Errors allow for neighbours in time being alike.
    """
    use = np.array([x[0].std() > 0.3, x[1].std() > 0.5 and freezes])
    if not use[0]:
        return Temperature()
    x = x[use]
    beta = np.zeros(len(x))
    target = y
    for _ in range(4):
        gram = x @ x.T
        beta = np.linalg.solve(gram + 1e-9 * np.eye(len(x)) * len(y), x @ target)
        residual = y - beta @ x
        limit = 3.0 * 1.4826 * np.median(np.abs(residual)) + 1e-6
        target = beta @ x + np.clip(residual, -limit, limit)
    alike = 4.0
    errors = np.sqrt(np.diag(np.linalg.inv(gram)) * alike) * np.std(target - beta @ x)
    if use[1]:
        return Temperature(float(beta[0]), float(beta[1]), float(errors[0]), float(errors[1]))
    return Temperature(float(beta[0]), 0.0, float(errors[0]))


def make_track(raw: Raw, width: float) -> Track:
    """Summarise a node's voltages by bins of ``width`` seconds."""
    _, size = stretches(np.floor(raw.time / width))
    low, high = known_quantiles(raw.adjusted, size, (0.1, 0.9))
    level = bin_means(size, np.clip(raw.adjusted, np.repeat(low, size), np.repeat(high, size)))
    seen = np.isfinite(raw.temperature)
    cold = np.full(len(size), np.nan)
    mean_t = np.full(len(size), np.nan)
    if seen.any():
        cold = known_quantiles(raw.temperature, size, (0.1,))[0]
        mean_t = bin_means(size, np.nan_to_num(raw.temperature))
    return Track(
        time=bin_means(size, raw.time - raw.time[0]) + raw.time[0],
        volts=level,
        temperature=mean_t,
        coldest=cold,
        count=size,
        drop=np.maximum(level - low - NORMAL_P90 * raw.noise, 0.0),
        swing=high - low,
    )


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


@dataclass(frozen=True, slots=True)
class Seen:
    """Clean voltages of one node and its track by bins, both adjusted with ``every``, its response in all weather.

    ``usual`` is its response in the usual range of the record, by which discharge is told.
    """

    raw: Raw
    track: Track
    every: Temperature
    usual: Temperature


def observe(history: NodeHistory, settings: BatterySettings) -> Seen | None:
    """Return what is seen of a node's battery; None without voltages."""
    time, volts, temperature = clean(history, settings)
    if not len(time):
        return None
    usual, every = fit_temperatures(time, volts, temperature)
    adjusted = volts - response(temperature, every, settings.reference_c)
    raw = Raw(time, volts, temperature, adjusted, quick_noise(adjusted))
    short = time[-1] - time[0] < settings.fine_below_days * DAY_S
    return Seen(raw, make_track(raw, DAY_S / 4 if short else DAY_S), every, usual)
