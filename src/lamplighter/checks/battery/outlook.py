"""The stage of a forecast: one battery's life so far, the days ahead, and the voltage it must hold on them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import ndtr

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.observe import HINGE_C, Temperature, Track, high_passed, response
from lamplighter.settings.battery import BatterySettings

YEAR_D = 365.25
FIRST_STEP_D = 0.125
STEP_GROWTH = 0.03
RECENT_D = 30.0
LEAST_SCATTER_C, ODD_DAY = 0.5, 2.5
"""Days scatter about their season at least so much [degC]; beyond so many times their usual scatter they are odd."""
SILENT_BINS, STEP_BINS, LEAST_STEP_BINS, STEP_SIGMA = 1.8, 12, 2, 4.0
"""A silence of so many usual spacings; bins compared on either side of it, at most and at least; and how far a step
must stand out of the scatter of the bins."""
LEAST_ORDINARY = 5
"""With so many bins of ordinary weather in the last month the others are left out."""
FRONT_D = 1.25
"""Bins so near to an odd one hold part of the same front [days]."""
ALIKE = 2.0
"""Daily residuals of the voltage hold half as much evidence as independent ones."""


@cache
def days_ahead(longest: float) -> np.ndarray:
    """Return the instants of a forecast [days from now], fine at first and then in steps of 3 %."""
    days = [FIRST_STEP_D]
    while days[-1] < longest:
        days.append(days[-1] + max(FIRST_STEP_D, STEP_GROWTH * days[-1]))
    return np.array(days)


@dataclass(frozen=True, slots=True)
class Outlook:
    """One battery's life up to now, thinned for fitting.

    x : use so far at each bin [days at the present drain since the life began or the record starts], shape (n,);
    volts : level under load at the reference temperature [V]; weight : days of evidence in the bin, the old
    discounted; noise : scatter of the daily level [V]; x_now : use up to now; start_known : whether x counts from a
    fresh battery; ahead : days from now, shape (m,); floor : voltage at the reference temperature that must be held
    on the coldest expected day [V], shape (m,); level, level_error : the present level [V].
    """

    x: np.ndarray
    volts: np.ndarray
    weight: np.ndarray
    noise: float
    x_now: float
    start_known: bool
    ahead: np.ndarray
    floor: np.ndarray
    level: float
    level_error: float
    cutoff_v: float
    cold_sd: np.ndarray


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


    def ordinary(self, time: np.ndarray, temperature: np.ndarray) -> np.ndarray:
        """Return whether temperatures are not unusually cold for their season, shape (n,); an unknown one is not."""
        return ~(temperature < self.at(time) - ODD_DAY * self.sd)


def yearly_wave(time: np.ndarray) -> np.ndarray:
    """Return a constant, cosine and sine of the year at instants [s], shape (n, 3)."""
    phase = 2 * np.pi * (np.asarray(time) / DAY_S / YEAR_D)
    return np.stack([np.ones_like(phase), np.cos(phase), np.sin(phase)], axis=-1)


def fit_season(track: Track, settings: BatterySettings) -> Season | None:
    """Fit a yearly wave to the temperature of the bins; None without any.

    A short record cannot tell the wave from its mean: the wave is drawn toward none by its usual size, and what is not
    known of it stays in the covariance. Neighbouring days are alike and count for less.
    """
    good = np.isfinite(track.temperature)
    if good.sum() < 4:
        return None
    time, felt = track.time[good], track.temperature[good]
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


def drain_use(track: Track, rate: np.ndarray, check_in_share: float) -> np.ndarray:
    """Return cumulated use at each bin [days at the present drain], counted from the first bin.

    A day at another check-in interval drains in proportion for the share of the consumption that check-ins cause;
    ``rate`` is check-ins sent a day by bin. Check-ins that were lost were sent all the same.
    """
    if not len(track):
        return np.zeros(0)
    now = np.median(rate[track.time >= track.time[-1] - RECENT_D * DAY_S])
    relative = 1.0 - check_in_share + check_in_share * rate / now if now > 0 else np.ones(len(rate))
    days = np.diff(track.time) / DAY_S
    return np.concatenate([[0.0], np.cumsum(0.5 * (relative[1:] + relative[:-1]) * days)])


def thin(x: np.ndarray, most: int = 70) -> np.ndarray:
    """Return groups that keep the newest bins single and pool the old in growing steps, shape (n,)."""
    n = len(x)
    if n <= most:
        return np.arange(n)
    back = np.arange(n)[::-1]
    grown = np.where(back < most // 3, back, most // 3 + np.log(np.maximum(back / (most // 3), 1.0)) * most / 3)
    width = (grown.max() + 1) / most if grown.max() >= most else 1.0
    group = np.floor(grown / width).astype(int)
    return group.max() - group


def nightly(track: Track) -> np.ndarray:
    """Return the positions of the lowest well-filled bin of each 24 hours counted back from the last one, in order.

    Without a temperature the daily swing cannot be taken out; the cold end of each day is then the level that counts.
    """
    back = np.floor((track.time[-1] - track.time + 60.0) / DAY_S).astype(int)
    full = track.count >= 0.25 * np.median(track.count)
    volts = np.where(full, track.volts - track.drop, np.inf)
    order = np.lexsort((volts, -back))
    first = np.concatenate([[True], np.diff(back[order]) != 0])
    keep = order[first]
    return keep[np.isfinite(volts[keep])]


@dataclass(frozen=True, slots=True)
class Present:
    """How the response of the present weeks differs from the node's own over its whole record.

    slope, error : the difference and its standard error [V/degC]; middle, low, high : usual temperature of these weeks
    and the range in which the difference was seen [degC].
    """

    slope: float
    error: float
    middle: float
    low: float
    high: float

    def shift(self, temperature: np.ndarray) -> np.ndarray:
        """Return the voltage at temperatures beyond the fitted response [V]; it is not carried on beyond its range."""
        return self.slope * (np.clip(temperature, self.low, self.high) - self.middle)

    def doubt(self, temperature: np.ndarray) -> np.ndarray:
        """Return the standard error of the response at temperatures, against that at the usual one [V]."""
        return self.error * np.abs(temperature - self.middle)


def present_response(track: Track, fit: Temperature, settings: BatterySettings) -> Present | None:
    """Fit what the whole record's response to temperature leaves in the last weeks; None where too little is known.

    Inner resistance grows toward the end of a battery and in the cold, so that its last weeks answer to temperature
    otherwise than its whole life. Decline is taken out by a moving mean; an odd week is clipped, since it would carry
    the slope of another range; a prior as wide as the response itself holds what the weeks cannot tell.
    """
    recent = track.time >= track.time[-1] - settings.response_days * DAY_S
    felt, volts = track.temperature[recent], track.volts[recent]
    if len(felt) < 10 or not np.isfinite(felt).all():
        return None
    middle = float(np.median(felt))
    usual = max(1.4826 * float(np.median(np.abs(felt - middle))), LEAST_SCATTER_C)
    low, high = middle - ODD_DAY * usual, middle + ODD_DAY * usual
    width = max(round(9.0 * DAY_S / float(np.median(np.diff(track.time[recent])))), 5) | 1
    plain = ((felt >= low) & (felt <= high)).astype(float)
    x, y = high_passed(np.clip(felt, low, high), width) * plain, high_passed(volts, width) * plain
    limit = 3.0 * 1.4826 * float(np.median(np.abs(y))) + 1e-6
    y = np.clip(y, -limit, limit)
    prior = 1.0 / (settings.response_growth * (abs(fit.slope) + abs(fit.extra)) + 1e-6) ** 2
    variance = float(np.mean(y**2)) + 1e-12
    for _ in range(2):
        information = float(x @ x) / (ALIKE * variance)
        slope = float(x @ y) / (ALIKE * variance) / (information + prior)
        variance = float(np.mean((y - slope * x) ** 2)) + 1e-12
    return Present(slope, float(1.0 / np.sqrt(information + prior)), middle, low, high)


def look_ahead(
    track: Track,
    x: np.ndarray,
    before: float,
    start_known: bool,
    cutoff_v: float,
    fit: Temperature,
    season: Season | None,
    settings: BatterySettings,
) -> Outlook:
    """Set the stage for one life.

    Parameters
    ----------
    track : Track
        The bins of this life, at least three.
    x : array, shape (n,)
        Use at the bins [days at the present drain] since the first of them.
    before : float
        Use between the battery's start and the first bin [days]; 0 when the start is not known.
    start_known : bool
    cutoff_v : float
        Voltage under which the node fails [V].
    fit : Temperature
    season : Season or None
    """
    drop, now, x_now = recent_drop(track), track.time[-1], before + float(x[-1])
    keep = ordinary_bins(track, season)
    if not keep.all():
        track, x = track.part(keep), x[keep]
    if not np.isfinite(track.temperature).any() and np.median(np.diff(track.time)) < 0.6 * DAY_S:
        keep = nightly(track)
        if len(keep) >= 3:
            track, x = track.part(keep), x[keep]
    volts = track.volts - drop
    present = present_response(track, fit, settings)
    if present is not None:
        fade = np.exp(-(((track.time[-1] - track.time) / DAY_S / settings.response_days) ** 2))
        volts = volts - present.shift(track.temperature) * fade
    steps = np.diff(volts)
    noise = float(1.4826 * np.median(np.abs(steps - np.median(steps))) / np.sqrt(2)) if len(steps) else 0.0
    volts = aligned(track.time, volts, noise)
    group = thin(x)
    n = group.max() + 1
    size = np.bincount(group, minlength=n)
    mean = lambda values: np.bincount(group, weights=values, minlength=n) / size  # noqa: E731
    xs, vs = before + mean(x), mean(volts)
    age = xs[-1] - xs
    memory = max(0.5 * (xs[-1] - xs[0]), 1e-6)
    span = np.median(np.diff(track.time)) / DAY_S if len(track) > 1 else 1.0
    trust = plain_days(track, fit, max(noise, settings.model_error_share * float(np.median(volts))), settings)
    weight = np.sqrt(size * max(span, 1e-6)) * np.exp(-age / memory) * mean(trust)
    level, pieces = present_level(track.time, volts, trust)
    ahead = days_ahead(settings.longest_days)
    floor = np.full(len(ahead), cutoff_v)
    cold_sd = np.zeros(len(ahead))
    if season is not None and (fit.slope or fit.extra):
        then = now + ahead * DAY_S
        cold = season.at(then) - settings.cold_margin_sd * season.sd
        floor = cutoff_v - response(cold, fit, settings.reference_c)
        freezing = ndtr((HINGE_C - cold) / max(season.sd, LEAST_SCATTER_C))
        slope = np.abs(fit.slope + freezing * fit.extra)
        cold_sd = slope * np.hypot(settings.weather_share * season.sd, season.error(then))
        if present is not None:
            floor = floor - present.shift(cold)
            cold_sd = np.hypot(cold_sd, present.doubt(cold))
    return Outlook(
        x=xs, volts=vs, weight=weight, noise=noise, x_now=x_now,
        start_known=start_known, ahead=ahead, floor=floor, level=level,
        level_error=float(noise / np.sqrt(pieces)), cutoff_v=cutoff_v, cold_sd=cold_sd,
    )  # fmt: skip


def aligned(time: np.ndarray, volts: np.ndarray, noise: float) -> np.ndarray:
    """Return voltages whose past is moved to the level after each sudden step down across a silence, shape (n,).

    Charge leaves a battery steadily. A fall between two check-ins with silence between them that neither side's slope
    explains is another load or another reading of the same battery: its level counts, its fall is no decline.
    """
    spacing = np.diff(time)
    usual = float(np.median(spacing)) if len(spacing) else np.inf
    out = volts
    for i in np.flatnonzero(spacing > SILENT_BINS * usual) + 1:
        before, after = slice(max(i - STEP_BINS, 0), i), slice(i, min(i + STEP_BINS, len(time)))
        if i < STEP_BINS // 2 or len(time) - i < LEAST_STEP_BINS:
            continue
        fall = -side_slope(time[before], out[before])
        if len(time) - i >= STEP_BINS // 2:
            fall = max(fall, -side_slope(time[after], out[after]))
        gap = float(np.mean(time[after]) - np.mean(time[before])) / DAY_S
        step = float(np.mean(out[before]) - np.mean(out[after])) - max(fall, 0.0) * gap
        if step > STEP_SIGMA * max(noise, 1e-4):
            out = np.where(np.arange(len(out)) < i, out - step, out)
    return out


def side_slope(time: np.ndarray, volts: np.ndarray) -> float:
    """Return the least-squares slope of some bins [V/day]."""
    day = (time - time.mean()) / DAY_S
    return float(day @ volts / max(float(day @ day), 1e-9))


def ordinary_bins(track: Track, season: Season | None) -> np.ndarray:
    """Return the bins to judge a battery by, shape (n,): those of ordinary weather, when a few of late are.

    What a voltage says in weather that its fit to temperature hardly knows is not read as discharge.
    """
    if season is None:
        return np.ones(len(track), bool)
    odd = ~season.ordinary(track.time, track.temperature)
    if not odd.any():
        return ~odd
    beside = np.searchsorted(track.time, track.time[odd][:, None] + np.array([-FRONT_D, FRONT_D]) * DAY_S)
    edge = np.bincount(beside[:, 0], minlength=len(odd) + 1) - np.bincount(beside[:, 1], minlength=len(odd) + 1)
    keep = np.cumsum(edge)[:-1] == 0
    enough = (keep & (track.time >= track.time[-1] - RECENT_D * DAY_S)).sum() >= LEAST_ORDINARY
    return keep if enough else np.ones(len(track), bool)


def plain_days(track: Track, fit: Temperature, sigma: float, settings: BatterySettings) -> np.ndarray:
    """Return the trust in each bin [0..1], shape (n,): far from the usual temperature the adjustment is in doubt."""
    if not np.isfinite(track.temperature).any():
        return np.ones(len(track))
    felt = response(track.temperature, fit, settings.reference_c)
    recent = track.time >= track.time[-1] - 2 * RECENT_D * DAY_S
    doubt = settings.temperature_doubt * (felt - np.median(felt[recent]))
    return 1.0 / (1.0 + (doubt / sigma) ** 2)


def present_level(time: np.ndarray, volts: np.ndarray, trust: np.ndarray) -> tuple[float, float]:
    """Return the level of the last days [V] and how many bins it rests on: three days, or more when in doubt."""
    for days in (3.0, 6.0, 12.0):
        recent = time >= time[-1] - days * DAY_S
        recent[-3:] = True
        if trust[recent].sum() >= 0.5 * min(recent.sum(), 3 * (time >= time[-1] - DAY_S).sum()):
            break
    v, w = volts[recent], trust[recent]
    order = np.argsort(v)
    total = np.cumsum(w[order])
    return float(v[order][np.searchsorted(total, 0.5 * total[-1])]), float(max(w.sum(), 1.0))


def recent_drop(track: Track) -> float:
    """Return the usual drop under pulses in the last month [V]."""
    recent = track.time >= track.time[-1] - RECENT_D * DAY_S
    return float(np.median(track.drop[recent]))
