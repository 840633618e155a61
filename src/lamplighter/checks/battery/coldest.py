"""The coldest days ahead: what temperature to expect of them, and the voltage that must be held on them.

Days scatter about their season. Days of one front are alike, so that a time of many days holds fewer independent ones,
and its coldest lies below the season by the expected extreme of so many normal values. The first shortfall comes on
the first day cold enough for the level that is left. A battery that falls slowly waits long for that day and meets a
colder one; one that falls fast is caught by an ordinary one.

Cold acts twice: the voltage is lower by the response seen over the record, and some of the capacity is out of reach,
so that the battery stands farther along its discharge curve than its use says. The second matters where the curve is
steep: near the end a degree moves the voltage by several times what it did before.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import log_ndtr, ndtri

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.cells import CHEMISTRIES, UNKNOWN, Cell
from lamplighter.checks.battery.observe import HINGE_C, Temperature, Track, response
from lamplighter.checks.battery.present import Present
from lamplighter.checks.battery.season import RECENT_D, Season
from lamplighter.checks.battery.whatif import LITHIUM_COLD
from lamplighter.settings.battery import BatterySettings

Z90 = 1.2815515655446004
"""Standard normal quantile of 0.9."""
REACH_C = 10.0
"""Below it capacity gets out of reach [degC]; as in :mod:`~lamplighter.checks.battery.whatif`."""
STEEPER = 2.0
"""A battery falls about so many times faster when it meets its cut-off than in the months before; calibrated on
completed lives of simulated fleets."""
TIPPING_MOST_D = 15.0
"""A battery that hardly falls may be tipped in any week; its range is wide as it is [days]."""
GRID = np.linspace(-6.0, 6.0, 601)
"""Normal deviates on which the passage is tabulated [sd]; no day lies farther out."""


@dataclass(frozen=True, slots=True)
class Coldest:
    """The floor on the coldest expected days.

    volts : voltage at the reference temperature that must be held, shape (m,) [V]; sd : its standard deviation [V];
    lost : share of the capacity that is out of reach then and is not now, shape (m,); tipping : scatter of the day on
    which weather brings the first shortfall, shape (m,) [days].
    """

    volts: np.ndarray
    sd: np.ndarray
    lost: np.ndarray
    tipping: np.ndarray


@dataclass(frozen=True, slots=True)
class Cold:
    """What cold is expected of the days ahead, and how it acts on a battery.

    season : expected temperature and scatter of days; hours : how much colder the coldest hours of a day are than its
    mean [degC]; loss_per_c : share of the capacity that each degree under 10 degC takes out of reach.
    """

    season: Season
    hours: float
    loss_per_c: float


def colder_hours(track: Track, settings: BatterySettings) -> float:
    """Return how much colder the coldest hours of a bin of the last month are than its mean, by median [degC]."""
    recent = track.time >= track.time[-1] - RECENT_D * DAY_S
    below = (track.temperature - track.coldest)[recent]
    below = below[np.isfinite(below)]
    return settings.cold_hours_share * max(float(np.median(below)), 0.0) if len(below) else 0.0


@cache
def passage_table() -> tuple[np.ndarray, np.ndarray]:
    """Return the summed hazard of falling short up to a deviate, and the deviates of :data:`GRID` [sd].

    With the level so many sd above the mean floor, a day falls short with probability Phi of the negative of it; while
    the floor gains on the level, the hazards -log(1 - Phi(u)) of the days add up to an integral over u.
    """
    hazard = -log_ndtr(-GRID)
    steps = 0.5 * (hazard[1:] + hazard[:-1]) * np.diff(GRID)
    return np.concatenate([[hazard[0]], hazard[0] + np.cumsum(steps)]), GRID


def passage(gain: np.ndarray, most_days: float, settings: BatterySettings) -> tuple[np.ndarray, np.ndarray]:
    """Return how far below the season the day of the first shortfall lies, by median, and its spread [sd].

    Parameters
    ----------
    gain : array, shape (m,)
        What the floor gains on the level from one independent day to the next [sd of the floor].
    most_days : float
        The coldest of no more days than this is expected [days].
    settings : BatterySettings

    Returns
    -------
    deviate, spread : array, shape (m,)
        The deviate lies between 0, the season itself, and the median of the extreme of the independent days in
        ``most_days``.
    """
    total, at = passage_table()
    farthest = ndtri(0.5 ** (settings.weather_days / max(most_days, settings.weather_days)))
    gain = np.maximum(gain, np.interp(-farthest, at, total) / np.log(2.0))
    early, middle, late = (np.interp(-gain * np.log1p(-share), total, at) for share in (0.1, 0.5, 0.9))
    return np.maximum(-middle, 0.0), (late - early) / (2.0 * Z90)


def coldest_floor(
    then: np.ndarray,
    cutoff_v: float,
    fit: Temperature,
    present: Present | None,
    fall: float,
    use: np.ndarray,
    cold: Cold,
    settings: BatterySettings,
) -> Coldest:
    """Return the voltage at the reference temperature that holds the cut-off on the coldest expected days.

    Parameters
    ----------
    then : array, shape (m,)
        Instants ahead [s].
    cutoff_v : float
    fit : Temperature
    present : Present or None
    fall : float
        Present fall of the level [V/day].
    use : array, shape (m,)
        Use of the battery by then [days at the present drain].
    cold : Cold
        What is expected of the days ahead, and how cold acts.
    settings : BatterySettings
    """
    season, hours = cold.season, cold.hours
    usual = season.at(then)
    mean = needed(usual - hours, cutoff_v, fit, present, settings)
    slope = np.abs(fit.slope + (usual - hours < HINGE_C) * fit.extra + (present.slope if present else 0.0))
    slope = slope + fall * use * cold.loss_per_c * (usual - hours < REACH_C)
    swing = np.maximum(slope * season.sd, 1e-9)
    days = then / DAY_S
    rise = np.gradient(mean, days) + fall * (1.0 + np.gradient(use * out_of_reach(usual - hours, cold), days))
    gain = rise * settings.weather_days / swing
    deviate, spread = passage(gain, settings.coldest_of_days, settings)
    tipping = spread * np.minimum(settings.weather_days / np.maximum(STEEPER * gain, 1e-9), TIPPING_MOST_D)
    felt = usual - deviate * season.sd - hours
    volts = needed(felt, cutoff_v, fit, present, settings)
    weather = slope * np.hypot(season.error(then), spread * season.sd)
    beyond = settings.temperature_doubt * np.abs(volts - needed(season.at(then[:1]), cutoff_v, fit, present, settings))
    doubt = np.hypot(weather, beyond)
    lost = np.maximum(out_of_reach(felt, cold) - out_of_reach(season.at(then[:1]), cold), 0.0)
    return Coldest(volts, np.hypot(doubt, present.doubt(felt)) if present else doubt, lost, tipping)


def out_of_reach(felt: np.ndarray, cold: Cold) -> np.ndarray:
    """Return the share of the capacity that is out of reach at temperatures, shape (m,)."""
    return cold.loss_per_c * np.maximum(REACH_C - felt, 0.0)


def loss_per_c(cell: Cell, settings: BatterySettings) -> float:
    """Return the share of a battery's capacity that each degree of cold takes out of reach; lithium cells lose less."""
    lithium = cell.chemistry != UNKNOWN and CHEMISTRIES[cell.chemistry].lithium
    return settings.cold_loss_per_c * (LITHIUM_COLD if lithium else 1.0)


def needed(
    felt: np.ndarray, cutoff_v: float, fit: Temperature, present: Present | None, settings: BatterySettings
) -> np.ndarray:
    """Return the voltage at the reference temperature that meets the cut-off at temperatures [V], shape (m,)."""
    volts = cutoff_v - response(felt, fit, settings.reference_c)
    return volts if present is None else volts - present.shift(felt)
