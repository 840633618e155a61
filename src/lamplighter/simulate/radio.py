"""The air: received level with weather, leaves and fading; attempts, bursts of loss, what is heard.

Sources of the shapes: free-space loss as in ITU-R P.525; Rician fading between a steady path and scatter; a burst
channel with a good and a bad state (Gilbert 1960, Elliott 1963); level falls as radios warm (reported for several
low-power radios, some 0.05 to 0.1 dB/degC); wet leaves cost a few dB. The sizes are this module's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.simulate.noise import correlated, inside, on_off, regimes
from lamplighter.simulate.options import DAY_S, HOUR_S, YEAR_S, Options, day_of_year, local_hour
from lamplighter.simulate.weather import Weather, leaves

FREQUENCY_MHZ = 915.0
ATTEMPTS = 3


@dataclass(frozen=True)
class Link:
    """One node's radio path as it truly is; levels in dB."""

    level_dbm: float
    sensitivity_dbm: float
    tx_power_dbm: float
    gain_dbi: float
    distance_m: float
    leaf_db: float
    rain_db: float
    per_c: float
    night_db: float
    fade_db: float
    fade_s: float
    rician_k: float
    step_db: float
    burst_gap_s: float
    burst_stay_s: float
    burst_loss: float
    stray_loss: float


def free_space_distance_m(loss_db: float) -> float:
    """Distance at which the free-space loss is so large (ITU-R P.525) [m]."""
    return float(1e3 * 10 ** ((loss_db - 32.45 - 20 * np.log10(FREQUENCY_MHZ)) / 20))


def draw_link(rng: np.random.Generator, margin_db: float, rough: bool) -> Link:
    """Draw a path whose median level lies so far above the receiver's sensitivity."""
    sensitivity, power, gain = float(rng.choice([-97.0, -100.0, -103.0])), float(rng.choice([10.0, 14.0])), 4.0
    level = sensitivity + margin_db
    extra = rng.uniform(4, 22)
    distance = np.clip(free_space_distance_m(power + gain - level - extra), 25, 9_000)
    return Link(
        level_dbm=level,
        sensitivity_dbm=sensitivity,
        tx_power_dbm=power,
        gain_dbi=gain,
        distance_m=float(distance),
        leaf_db=float(min(rng.exponential(1.5), 5.0)),
        rain_db=float(rng.uniform(0.2, 2.0)),
        per_c=float(rng.uniform(-0.09, -0.02)),
        night_db=float(rng.uniform(0.1, 1.0)),
        fade_db=float(rng.uniform(0.6, 1.6)) * (1.3 if rough else 1.0),
        fade_s=float(rng.uniform(4, 40)) * HOUR_S * (2.0 if rough else 1.0),
        rician_k=float(10 ** (rng.uniform(6, 14) / 10)),
        step_db=float(rng.choice([1.0, 1.0, 0.5])),
        burst_gap_s=float(rng.uniform(6, 40)) * DAY_S,
        burst_stay_s=float(rng.uniform(1, 8)) * HOUR_S,
        burst_loss=float(rng.uniform(0.3, 0.9)),
        stray_loss=float(10 ** rng.uniform(-3, -2)),
    )


def level_at(time: np.ndarray, link: Link, weather: Weather, options: Options, rng: np.random.Generator) -> np.ndarray:
    """Level without the fading that is new at every attempt [dBm], shape of ``time``."""
    grid = weather.time
    tail = 3.5 if options.rough else None
    slow = correlated(rng, grid, link.fade_s, link.fade_db, tail)
    slow = slow - link.leaf_db * leaves(grid) - link.rain_db * weather.wet * (0.5 + 0.5 * leaves(grid))
    slow = slow + link.per_c * (weather.air_c - 10)
    slow = slow + link.night_db * np.cos(2 * np.pi * (local_hour(grid) - rng.uniform(1, 5)) / 24)
    if options.rough:
        slow = slow + correlated(rng, grid, 18 * DAY_S, 1.3) + regimes(rng, grid, 45 * DAY_S, 6 * DAY_S, 2.5)
    else:
        slow = slow + correlated(rng, grid, 6 * DAY_S, 0.6)
    slow = slow - 0.5 * np.cos(2 * np.pi * (day_of_year(grid) - rng.uniform(0, 365)) / 365.25)
    return link.level_dbm + np.interp(time, grid, slow)


def attempt_levels(level: np.ndarray, link: Link, rng: np.random.Generator) -> np.ndarray:
    """Level of every attempt with its own Rician fade [dBm], shape (n, ATTEMPTS)."""
    k = link.rician_k
    shape = (len(level), ATTEMPTS)
    real = np.sqrt(k / (k + 1)) + rng.standard_normal(shape) * np.sqrt(0.5 / (k + 1))
    imaginary = rng.standard_normal(shape) * np.sqrt(0.5 / (k + 1))
    return level[:, None] + 10 * np.log10(real**2 + imaginary**2)


def heard(
    time: np.ndarray, levels: np.ndarray, link: Link, extra_loss: np.ndarray, options: Options, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Decide which attempt of each check-in is heard first.

    Returns
    -------
    which : ndarray of int, shape (n,)
        Index of the attempt heard, ATTEMPTS when none is.
    burst : ndarray of bool, shape (n,)
        Whether the channel was in its bad state.
    """
    begins, ends = on_off(
        rng, options.start, options.end, link.burst_gap_s, link.burst_stay_s, 1.6 if options.rough else None
    )
    ends = np.minimum(ends, begins + 5 * DAY_S)
    burst = inside(time, begins, ends)
    # A receiver passes from hopeless to sure within about 2 dB of its sensitivity.
    sure = 1 / (1 + np.exp(-(levels - link.sensitivity_dbm) / 0.6))
    ok = rng.random(levels.shape) < sure * 0.97
    lost = rng.random(len(time)) < np.where(burst, link.burst_loss, link.stray_loss)
    lost |= rng.random(len(time)) < extra_loss
    ok[lost] = False
    return np.where(ok.any(axis=1), ok.argmax(axis=1), ATTEMPTS), burst


def trend_db(time: np.ndarray, since: float, db_per_year: float) -> np.ndarray:
    """Return a decline that begins at an instant and goes on [dB]."""
    return -db_per_year * np.clip(time - since, 0, None) / YEAR_S
