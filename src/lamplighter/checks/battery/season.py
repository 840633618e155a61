"""The season of a node's temperature: what is expected of a day, how well, and which days are unlike their season."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.observe import Temperature, Track, filled, response
from lamplighter.settings.battery import BatterySettings

YEAR_D = 365.25
RECENT_D = 30.0
LEAST_SCATTER_C, ODD_DAY = 0.5, 2.5
"""Days scatter about their season at least so much [degC]; beyond so many times their usual scatter they are odd."""
LEAST_ORDINARY = 5
"""With so many bins of ordinary weather in the last month the others are left out."""
BEYOND_DOUBT, LEAST_BEYOND = 16.0, 3
"""How far a bin must lie below its usual level to be more than odd weather, against the doubt in its adjustment, and
how many such bins make a fall."""
FRONT_D = 1.25
"""Bins so near to an odd one hold part of the same front [days]."""


@dataclass(frozen=True, slots=True)
class Season:
    """Expected temperature of a day, how well it is known, and the scatter of days about it.

    beta : mean, cosine and sine of a yearly wave [degC]; cov : their covariance, shape (3, 3); sd : scatter of days
    about the wave [degC].
    """

    beta: np.ndarray
    cov: np.ndarray
    sd: float

    def at(self, time: np.ndarray) -> np.ndarray:
        """Return the expected temperature [degC] at instants [s]."""
        return yearly_wave(time) @ self.beta

    def error(self, time: np.ndarray) -> np.ndarray:
        """Return the standard error of the expected temperature [degC] at instants [s]."""
        basis = yearly_wave(time)
        return np.sqrt(np.einsum("ij,ij->i", basis @ self.cov, basis))

    def too_cold(self, time: np.ndarray, temperature: np.ndarray) -> np.ndarray:
        """Return whether temperatures lie unusually far below their season, shape (n,); an unknown one does not."""
        return temperature < self.at(time) - ODD_DAY * self.sd


def yearly_wave(time: np.ndarray) -> np.ndarray:
    """Return a constant, cosine and sine of the year at instants [s], shape (n, 3)."""
    phase = 2 * np.pi * (np.asarray(time) / DAY_S / YEAR_D)
    return np.stack([np.ones_like(phase), np.cos(phase), np.sin(phase)], axis=-1)


def fit_season(track: Track, settings: BatterySettings) -> Season | None:
    """Fit a yearly wave to the temperature of the bins; None without any.

    A short record cannot tell the wave from its mean: the wave is drawn toward none by its usual size, and what is not
    known of it stays in the covariance. Neighbouring days are alike and count for less.
    """
    return season_of(track.time, track.temperature, settings)


def season_of(time: np.ndarray, temperature: np.ndarray, settings: BatterySettings) -> Season | None:
    """Fit a yearly wave to temperatures, NaN where not known; see :func:`fit_season`."""
    good = np.isfinite(temperature)
    if good.sum() < 4:
        return None
    time, felt = time[good], temperature[good]
    basis = yearly_wave(time)
    spacing = max(float(np.median(np.diff(time))) / DAY_S, 1e-3)
    alike = min(spacing / settings.weather_days, 1.0)
    loose = np.diag([1e-6, 1.0, 1.0]) / settings.season_swing_c**2
    usual = np.ones(len(felt), bool)
    variance = max(float(np.var(felt)), LEAST_SCATTER_C**2)
    for _ in range(4):
        some = basis[usual]
        precision = some.T @ some * alike / variance + loose
        beta = np.linalg.solve(precision, some.T @ felt[usual] * alike / variance)
        miss = felt - basis @ beta
        scatter = max(1.4826 * float(np.median(np.abs(miss))), LEAST_SCATTER_C)
        usual = np.abs(miss) <= ODD_DAY * scatter  # one odd week is no season
        variance = scatter**2
    return Season(beta, np.linalg.inv(precision), float(np.sqrt(variance)))


def without_gaps(
    time: np.ndarray, felt: np.ndarray, cold: np.ndarray, settings: BatterySettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and coldest temperatures of bins without gaps; all NaN when none is known.

    Gaps are bridged, and the ends repeat the nearest. Where the thermometer is silent there for weeks, the season's
    temperature is taken: a winter's, held into the summer, would hide a fall of the voltage or feign one.
    """
    known = np.flatnonzero(np.isfinite(felt) & np.isfinite(cold))
    bridged, bridged_cold = filled(time, felt), filled(time, cold)
    if not len(known):
        return bridged, bridged_cold
    away = np.stack([time[known[0]] - time, time - time[known[-1]]])
    lost = ((away > 0) & (away.max(axis=1, keepdims=True) > settings.thermometer_lost_days * DAY_S)).any(axis=0)
    season = season_of(time, felt, settings) if lost.any() else None
    if season is None:
        return bridged, bridged_cold
    usual = season.at(time)
    # The weather of the last known day passes.
    near = usual + (bridged - usual) * np.exp(-np.maximum(away.max(axis=0), 0.0) / DAY_S / settings.weather_days)
    hours = float(np.median((felt - cold)[known]))
    return np.where(lost, near, bridged), np.where(lost, near - hours, bridged_cold)


def ordinary_bins(track: Track, fit: Temperature, season: Season | None, settings: BatterySettings) -> np.ndarray:
    """Return the bins to judge a battery by, shape (n,): those of ordinary weather, when a few of late are.

    What a voltage says in cold that its fit to temperature hardly knows is not read as discharge. Cold counts as
    unusual where it lies far below its season and the doubt in its adjustment exceeds the error of any curve.
    """
    every = np.ones(len(track), bool)
    if season is None:
        return every
    cold = season.too_cold(track.time, track.temperature)
    if not cold.any():
        return every
    usual = response(season.at(track.time[cold]), fit, settings.reference_c)
    doubt = settings.temperature_doubt * np.abs(response(track.temperature[cold], fit, settings.reference_c) - usual)
    odd = track.time[cold][doubt > settings.model_error_share * float(np.median(track.volts))]
    if not len(odd):
        return every
    beside = np.searchsorted(track.time, odd[:, None] + np.array([-FRONT_D, FRONT_D]) * DAY_S)
    edge = np.bincount(beside[:, 0], minlength=len(every) + 1) - np.bincount(beside[:, 1], minlength=len(every) + 1)
    keep = np.cumsum(edge)[:-1] == 0
    if (keep & recent_bins(track)).sum() < LEAST_ORDINARY:
        return every
    return keep | beyond_weather(track, keep, fit, season, settings)


def beyond_weather(
    track: Track, keep: np.ndarray, fit: Temperature, season: Season, settings: BatterySettings
) -> np.ndarray:
    """Return the bins of odd weather, shape (n,), that lie lower than weather can explain: the battery is falling.

    Each is held against the last ordinary bins before it; a few of them must agree.
    """
    out, kept = np.flatnonzero(~keep), np.flatnonzero(keep)
    place = np.searchsorted(kept, out)
    base = np.array([np.median(track.volts[kept[max(p - LEAST_ORDINARY, 0) : max(p, 1)]]) for p in place])
    shift = response(track.temperature, fit, settings.reference_c)
    shift = shift - response(season.at(track.time), fit, settings.reference_c)
    doubt = settings.temperature_doubt * np.abs(shift)
    near = np.array([doubt[max(i - 2, 0) : i + 3].max() for i in out])
    low = base - track.volts[out] > BEYOND_DOUBT * near + 2 * settings.model_error_share * base
    found = np.zeros(len(keep), bool)
    if low.sum() >= LEAST_BEYOND:
        found[out[low]] = True
    return found


def recent_bins(track: Track) -> np.ndarray:
    """Return whether bins are of the last month, shape (n,)."""
    return track.time >= track.time[-1] - RECENT_D * DAY_S
