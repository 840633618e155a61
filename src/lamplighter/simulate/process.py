"""Operating processes of an irrigation and drainage district: what an ideal sensor would see.

Every function returns the process value as a share of the sensor's range, shape of ``time``,
for sorted times [s]. The shapes are common practice of water works, no source; all sizes are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lamplighter.simulate.noise import correlated, hourly, inside, on_off, regimes
from lamplighter.simulate.options import DAY_S, HOUR_S, LOCAL_OFFSET_H, day_of_year, local_hour
from lamplighter.simulate.weather import Weather, season


@dataclass(frozen=True)
class Scene:
    """What a process is played in: the whole record, the weather, a random stream, the noise model."""

    start: float
    end: float
    weather: Weather
    rng: np.random.Generator
    rough: bool

    def slow(self, time: np.ndarray, tau_s: float, sigma: float) -> np.ndarray:
        """Correlated noise at some times."""
        grid = hourly(self.start, self.end)
        return np.interp(time, grid, correlated(self.rng, grid, tau_s, sigma, 3.5 if self.rough else None))

    def grain(self, time: np.ndarray, sigma: float) -> np.ndarray:
        """Noise that is new at every check-in."""
        if self.rough:
            return self.rng.standard_t(3.0, len(time)) * sigma * 0.6
        return self.rng.normal(0.0, sigma, len(time))

    def passing(self, time: np.ndarray, size: float) -> np.ndarray:
        """Levels of operation that come for a week or two and go again; none in the smooth noise model."""
        if not self.rough:
            return np.zeros(len(time))
        grid = hourly(self.start, self.end)
        return np.interp(time, grid, regimes(self.rng, grid, 40 * DAY_S, 10 * DAY_S, size))

    def left_closed(self, time: np.ndarray) -> np.ndarray:
        """Pressure left in a line at rest when its drain stays closed for some days; none in the smooth noise model."""
        if not self.rough or self.rng.random() > 0.3:
            return np.zeros(len(time))
        begins, ends = on_off(self.rng, self.start, self.end, 80 * DAY_S, 6 * DAY_S)
        return np.where(inside(time, begins, ends), self.rng.uniform(0.03, 0.12), 0.0)


Process = Callable[[np.ndarray, Scene], np.ndarray]


def _working(time: np.ndarray, scene: Scene, off_s: float, on_s: float, winter_share: float) -> np.ndarray:
    """On-off operation, much rarer outside the season."""
    begins, ends = on_off(scene.rng, scene.start - 2 * DAY_S, scene.end, off_s, on_s)
    used = season(begins) | (scene.rng.random(len(begins)) < winter_share)
    return inside(time, begins[used], ends[used])


def pump_line(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Discharge pressure of a pump that cycles all year on a standing head."""
    rng = scene.rng
    head, run = rng.uniform(0.15, 0.3), rng.uniform(0.45, 0.75)
    on = _working(time, scene, rng.uniform(2, 7) * HOUR_S, rng.uniform(1, 5) * HOUR_S, 0.6)
    level = np.where(on, run + scene.slow(time, 20 * HOUR_S, 0.02), head + scene.slow(time, 40 * HOUR_S, 0.006))
    return level + scene.passing(time, 0.03) + scene.grain(time, 0.006) * np.where(on, 1.0, 0.3)


def drained_line(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Discharge pressure of a line that drains to atmosphere whenever the pump stops."""
    rng = scene.rng
    run = rng.uniform(0.35, 0.7)
    on = _working(time, scene, rng.uniform(5, 16) * HOUR_S, rng.uniform(2, 7) * HOUR_S, 0.25)
    rest = scene.left_closed(time)
    return np.where(on, run + scene.slow(time, 20 * HOUR_S, 0.02) + scene.grain(time, 0.006), rest)


def lateral(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Pressure at a field lateral: set on most days of the season, vented between."""
    rng = scene.rng
    local_day = np.floor(time / DAY_S + LOCAL_OFFSET_H / 24)
    first = int(np.floor(scene.start / DAY_S)) - 2
    days = np.arange(first, int(scene.end / DAY_S) + 3)
    used = rng.random(len(days)) < np.where(season(days * DAY_S), rng.uniform(0.5, 0.85), 0.08)
    opens, lasts = rng.uniform(3, 14, len(days)), rng.uniform(3, 10, len(days))
    place = np.clip((local_day - first).astype(int), 0, len(days) - 1)
    hour = local_hour(time)
    on = used[place] & (hour >= opens[place]) & (hour < opens[place] + lasts[place])
    level = rng.uniform(0.3, 0.65) + rng.normal(0, 0.03, len(days))[place]
    rest = scene.left_closed(time)
    return np.where(on, level + scene.slow(time, 10 * HOUR_S, 0.015) + scene.grain(time, 0.005), rest)


def flow(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Flow through a turnout: deliveries of hours to days in season, none between."""
    rng = scene.rng
    begins, ends = on_off(
        rng, scene.start - 5 * DAY_S, scene.end, rng.uniform(1, 3) * DAY_S, rng.uniform(0.5, 2.5) * DAY_S
    )
    used = season(begins) | (rng.random(len(begins)) < 0.1)
    level = rng.uniform(0.25, 0.8, max(len(begins), 1))
    place = np.clip(np.searchsorted(begins, time, side="right") - 1, 0, None)
    running = inside(time, begins[used], ends[used])
    value = level[place] + scene.slow(time, 8 * HOUR_S, 0.02) + scene.grain(time, 0.01)
    return np.where(running, np.maximum(value, 0.02), 0.0)


def _sawtooth(
    time: np.ndarray, scene: Scene, rise_s: float, fall_s: float, rest_s: float, rest_share: float
) -> np.ndarray:
    """Piecewise linear filling and emptying between two limits, with rests at either."""
    rng = scene.rng
    low, high = rng.uniform(0.15, 0.35), rng.uniform(0.65, 0.9)
    cycles = int((scene.end - scene.start) / (rise_s + fall_s)) * 2 + 20
    legs = np.stack(
        [
            rise_s * rng.uniform(0.6, 1.5, cycles),
            rest_s * rng.exponential(1.0, cycles) * (rng.random(cycles) < rest_share) + 60,
            fall_s * rng.uniform(0.6, 1.5, cycles),
            rest_s * rng.exponential(1.0, cycles) * (rng.random(cycles) < rest_share) + 60,
        ],
        axis=1,
    ).ravel()
    tops, floors = high + rng.normal(0, 0.02, cycles), low + rng.normal(0, 0.02, cycles)
    levels = np.stack([tops, tops, floors, floors], axis=1).ravel()
    return np.interp(time, scene.start - DAY_S + np.cumsum(legs), levels)


def tank(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Level of a storage tank: fills over hours, is drawn down over a day, rests for days now and then."""
    rng = scene.rng
    level = _sawtooth(time, scene, rng.uniform(3, 9) * HOUR_S, rng.uniform(10, 30) * HOUR_S, 30 * HOUR_S, 0.12)
    return level + scene.passing(time, 0.03) + scene.grain(time, 0.0004)


def sump(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Level of a drainage sump: fills with seepage, is pumped out quickly."""
    rng = scene.rng
    level = _sawtooth(time, scene, rng.uniform(4, 20) * HOUR_S, rng.uniform(0.5, 2) * HOUR_S, 12 * HOUR_S, 0.05)
    return level + scene.grain(time, 0.001)


def canal(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Level of a canal: gate changes every few days, a daily wave, ripple; a low pool in winter."""
    rng = scene.rng
    n = int((scene.end - scene.start) / (3 * DAY_S)) + 20
    at = scene.start - 5 * DAY_S + np.cumsum(rng.exponential(4 * DAY_S, n))
    target = np.where(season(at), rng.uniform(0.45, 0.75, n), rng.uniform(0.12, 0.2, n))
    knots = np.stack([at, at + rng.uniform(2, 8, n) * HOUR_S], axis=1).ravel()
    order = np.argsort(knots, kind="stable")
    before = np.concatenate([target[:1], target[:-1]])
    level = np.interp(time, knots[order], np.stack([before, target], axis=1).ravel()[order])
    wave = 0.012 * np.sin(2 * np.pi * (local_hour(time) - rng.uniform(0, 24)) / 24)
    return level + wave + scene.passing(time, 0.04) + scene.slow(time, 30 * HOUR_S, 0.012) + scene.grain(time, 0.002)


def shut_in(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Pressure of a line between closed valves: follows the ground's temperature a little, else stands still."""
    rng = scene.rng
    ground = -np.cos(2 * np.pi * (day_of_year(time) - 50) / 365.25)
    return rng.uniform(0.3, 0.7) + 0.004 * ground + scene.slow(time, 20 * DAY_S, 0.0008)


def well(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Water level in an observation well: season, recharge, barometric breathing."""
    rng = scene.rng
    yearly = -0.12 * np.sin(2 * np.pi * (day_of_year(time) - rng.uniform(90, 150)) / 365.25)
    slow = scene.slow(time, 25 * DAY_S, 0.025)
    return 0.5 + yearly + slow + scene.slow(time, 30 * HOUR_S, 0.004) + scene.grain(time, 0.0008)


def humidity(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Relative humidity in an open pump house: saturates at the upper limit in wet and cold spells."""
    rng = scene.rng
    air = scene.weather.air_at(time)
    daily = -0.022 * (air - np.interp(time, scene.weather.time, _smooth(scene.weather.air_c, 36)))
    cold = 0.012 * np.clip(8 - air, 0, 20)
    return np.minimum(
        rng.uniform(0.5, 0.62) + daily + cold + 0.35 * scene.weather.wet_at(time) + scene.slow(time, 30 * HOUR_S, 0.06),
        1.0,
    )


def gate(time: np.ndarray, scene: Scene) -> np.ndarray:
    """Position of a gate: set by hand, in season every day or two, else left for weeks."""
    rng = scene.rng
    n = int((scene.end - scene.start) / DAY_S) + 20
    at = scene.start - 5 * DAY_S + np.cumsum(rng.exponential(1.5 * DAY_S, n))
    kept = season(at) | (rng.random(n) < 0.06)
    at, levels = at[kept], np.round(rng.uniform(0.05, 0.9, n)[kept], 2)
    if len(at) == 0:
        return np.full(len(time), 0.3)
    return levels[np.clip(np.searchsorted(at, time, side="right") - 1, 0, None)]


def _smooth(values: np.ndarray, hours: int) -> np.ndarray:
    padded = np.pad(values, (hours // 2, hours - hours // 2 - 1), mode="edge")
    return np.convolve(padded, np.ones(hours) / hours, mode="valid")


@dataclass(frozen=True)
class Kind:
    """A kind of measuring point.

    Attributes
    ----------
    play : callable
        The process.
    ranges : tuple
        Unit, lower and upper range limit to choose from.
    resolutions : tuple of float
        Smallest step of the reading to choose from [share of span].
    rests_at_zero : bool
        Whether the process returns to a true zero again and again.
    moves : bool
        Whether a reading that stands still for a day is remarkable.
    weight : float
        How common the kind is in the invented district.
    """

    play: Process
    ranges: tuple[tuple[str, float, float], ...]
    resolutions: tuple[float, ...]
    rests_at_zero: bool
    moves: bool
    weight: float


KINDS: dict[str, Kind] = {
    "pump_line": Kind(pump_line, (("psi", 0, 150), ("bar", 0, 10)), (1e-3, 5e-4, 2e-3), False, True, 2.0),
    "drained_line": Kind(drained_line, (("psi", 0, 100), ("bar", 0, 6)), (5e-4, 1e-3, 2e-4), True, False, 2.0),
    "lateral": Kind(lateral, (("psi", 0, 60), ("kPa", 0, 400)), (5e-4, 1e-3, 2e-4), True, False, 2.0),
    "flow": Kind(flow, (("m3/h", 0, 500), ("L/s", 0, 120)), (5e-4, 1e-3), True, False, 1.0),
    "tank": Kind(tank, (("ft", 0, 40), ("m", 0, 12)), (5e-4, 1e-3, 5e-3), False, True, 2.0),
    "sump": Kind(sump, (("m", 0, 4), ("ft", 0, 15)), (1e-3, 2e-3), False, True, 1.0),
    "canal": Kind(canal, (("m", 0, 3), ("ft", 0, 10)), (1e-3, 5e-4, 3e-3), False, True, 2.0),
    "shut_in": Kind(shut_in, (("psi", 0, 300), ("bar", 0, 20)), (2e-3, 5e-3, 1e-3), False, False, 1.0),
    "well": Kind(well, (("m", 0, 60), ("m", 0, 30)), (5e-4, 2e-4), False, True, 1.0),
    "humidity": Kind(humidity, (("%", 0, 100),), (1e-3, 1e-2), False, True, 0.6),
    "gate": Kind(gate, (("%", 0, 100),), (5e-3, 1e-2), False, False, 0.6),
}
