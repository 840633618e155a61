"""The stage of a forecast: one battery's life so far, the days ahead, and the voltage it must hold on them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import ndtr

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.coldest import Cold, Coldest, coldest_floor, needed
from lamplighter.checks.battery.observe import HINGE_C, Temperature, Track, pulse_drop, response
from lamplighter.checks.battery.present import Present, aligned, present_response, side_slope
from lamplighter.checks.battery.season import LEAST_SCATTER_C, RECENT_D, Season, ordinary_bins
from lamplighter.settings.battery import BatterySettings

FIRST_STEP_D = 0.125
STEP_GROWTH = 0.03


RECENT_BINS = 30
"""Bins over which the present fall is taken."""


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
    at the season's temperature [V], shape (m,); level, level_error : the present level [V]; coldest : the floor of the
    coldest expected days, None where it is not known.
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
    coldest: Coldest | None = None


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


def look_ahead(
    track: Track,
    x: np.ndarray,
    before: float,
    start_known: bool,
    cutoff_v: float,
    fit: Temperature,
    season: Season | None,
    settings: BatterySettings,
    cold: Cold | None = None,
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
    settings : BatterySettings
    cold : Cold or None
        What cold is expected of the days ahead; None where nothing is to be said of them.
    """
    drop, now, x_now = recent_drop(track, fit, settings), track.time[-1], before + float(x[-1])
    keep = ordinary_bins(track, fit, season, settings)
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
    floor, cold_sd, coldest = np.full(len(ahead), cutoff_v), np.zeros(len(ahead)), None
    if season is not None and (fit.slope or fit.extra):
        fall = max(-side_slope(track.time[-RECENT_BINS:], volts[-RECENT_BINS:]), 0.0)
        then = now + ahead * DAY_S
        floor, cold_sd = lasting_floor(then, cutoff_v, fit, season, present, fall, settings)
        if cold is not None:
            coldest = coldest_floor(then, cutoff_v, fit, present, fall, x_now + ahead, cold, settings)
    return Outlook(
        x=xs, volts=vs, weight=weight, noise=noise, x_now=x_now,
        start_known=start_known, ahead=ahead, floor=floor, level=level,
        level_error=float(noise / np.sqrt(pieces)), cutoff_v=cutoff_v, cold_sd=cold_sd,
        coldest=coldest,
    )  # fmt: skip


def lasting_floor(
    then: np.ndarray,
    cutoff_v: float,
    fit: Temperature,
    season: Season,
    present: Present | None,
    fall: float,
    settings: BatterySettings,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the voltage at the reference temperature under which an end lasts, and its standard deviation [V].

    An end is the first of days that all lie below the cut-off: at the temperature of their season, and the warmest of
    them too. A battery that falls fast is through in those days; one that falls by less than weather moves it lasts
    until even a warm day no longer lifts it.

    Parameters
    ----------
    then : array, shape (m,)
        Instants ahead [s].
    cutoff_v : float
    fit : Temperature
    season : Season
    present : Present or None
    fall : float
        Present fall of the level [V/day].
    settings : BatterySettings
    """
    felt = season.at(then) - settings.cold_margin_sd * season.sd
    floor = needed(felt, cutoff_v, fit, present, settings)
    freezing = ndtr((HINGE_C - felt) / max(season.sd, LEAST_SCATTER_C))
    slope = np.abs(fit.slope + freezing * fit.extra)
    doubt = slope * np.hypot(season.sd, season.error(then))
    if present is not None:
        slope = np.abs(slope + present.slope)
        doubt = np.hypot(doubt, present.doubt(felt))
    half = 0.5 * settings.below_lasting_days
    warm = np.interp(then + half * DAY_S, then, floor - settings.warm_margin_sd * slope * season.sd) + fall * half
    return np.minimum(floor, warm), doubt


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


def recent_drop(track: Track, fit: Temperature, settings: BatterySettings) -> float:
    """Return the usual drop under pulses in the last month [V]."""
    recent = slice(int(np.searchsorted(track.time, track.time[-1] - RECENT_D * DAY_S)), None)
    return float(np.median(pulse_drop(track.part(recent), fit, settings)))
