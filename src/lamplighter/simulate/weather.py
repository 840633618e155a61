"""Weather of the invented valley: air temperature, fronts, rain, the growing season, one cold week."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.simulate.noise import correlated, hourly, inside, on_off
from lamplighter.simulate.options import DAY_S, HOUR_S, Options, day_of_year, local_hour

# A dry continental valley in the northern middle latitudes; round figures, common practice, no source.
YEAR_MEAN_C, YEAR_SWING_C, DAY_SWING_C, COLDEST_DAY = 9.0, 13.0, 6.0, 20.0
SNAP_C, SNAP_DAYS = -30.0, 7.0


@dataclass(frozen=True)
class Weather:
    """Hourly weather, shape (n_hours,) each.

    Attributes
    ----------
    time : ndarray
        [s since 1970-01-01 UTC]
    air_c : ndarray
        Air temperature [degC].
    wet : ndarray
        Wetness of ground and leaves [0..1].
    snap : tuple of float, optional
        Begin and end of the cold week [s].
    """

    time: np.ndarray
    air_c: np.ndarray
    wet: np.ndarray
    snap: tuple[float, float] | None

    def air_at(self, time: np.ndarray) -> np.ndarray:
        """Air temperature at some times [degC]."""
        return np.interp(time, self.time, self.air_c)

    def wet_at(self, time: np.ndarray) -> np.ndarray:
        """Wetness at some times [0..1]."""
        return np.interp(time, self.time, self.wet)


def climate_c(time: np.ndarray) -> np.ndarray:
    """Mean air temperature of the season [degC]."""
    return YEAR_MEAN_C - YEAR_SWING_C * np.cos(2 * np.pi * (day_of_year(time) - COLDEST_DAY) / 365.25)


def leaves(time: np.ndarray) -> np.ndarray:
    """Leaf cover of broad-leaved growth through the year [0..1]: out in May, fallen by November."""
    day = day_of_year(time)
    return 1 / (1 + np.exp(-(day - 125) / 8)) - 1 / (1 + np.exp(-(day - 295) / 9))


def season(time: np.ndarray) -> np.ndarray:
    """Whether it is irrigation season: mid April to mid October."""
    day = day_of_year(time)
    return (day > 102) & (day < 288)


def make_weather(options: Options) -> Weather:
    """Draw the weather of a fleet's whole record."""
    rng = options.rng("weather")
    grid = hourly(options.start - DAY_S, options.end)
    begins, ends = on_off(rng, grid[0], grid[-1], 5 * DAY_S, 14 * HOUR_S)
    raining = inside(grid, begins, ends)
    wet = _drying(raining)
    fronts = correlated(rng, grid, 60 * HOUR_S, 4.0, 4.0 if options.rough else None)
    diurnal = -np.cos(2 * np.pi * (local_hour(grid) - 3.0) / 24)
    air = climate_c(grid) + fronts + DAY_SWING_C * (1 - 0.5 * wet) * diurnal - 2.0 * raining
    snap = _snap(options, rng)
    if snap is not None:
        ramp = np.clip(np.minimum(grid - snap[0], snap[1] - grid) / (18 * HOUR_S), 0, 1)
        air = (1 - ramp) * air + ramp * (SNAP_C + 2.0 * diurnal)
    return Weather(grid, np.maximum(air, -38.0), wet, snap)


def _drying(raining: np.ndarray) -> np.ndarray:
    """Wetness that jumps with rain and dries over half a day."""
    wet = np.where(raining, 1.0, 0.0)
    for k in range(1, 24):
        shifted = np.concatenate([np.zeros(k), raining[:-k].astype(float)]) if k < len(raining) else np.zeros(len(wet))
        wet = np.maximum(wet, shifted * np.exp(-k / 8))
    return wet


def _snap(options: Options, rng: np.random.Generator) -> tuple[float, float] | None:
    """Begin and end of the cold week, in the second half of December to February, when the record has one."""
    when = options.start + rng.permutation(max(1, int(options.days - SNAP_DAYS))) * DAY_S
    day = day_of_year(when)
    winter = when[(day > 350) | (day < 50)]
    if not options.cold_snap or options.days < 30 or len(winter) == 0:
        return None
    return float(winter[0]), float(winter[0] + SNAP_DAYS * DAY_S)
