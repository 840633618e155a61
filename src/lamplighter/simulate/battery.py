"""Batteries: charge taken, depth of discharge, loaded voltage by chemistry and temperature, the day of cut-off.

The shapes follow what is publicly said of the chemistries: lithium thionyl chloride stands at 3.6 V and then falls
off a knee, dips after a rest (passivation) and loses about 1 % of its capacity a year; lithium manganese dioxide
starts near 3.2 V and bends late; alkaline cells slope from 1.6 V to below 1 V; lithium iron disulphide stands near
1.5 V. Self-discharge doubles with 10 degC (common rule of thumb). The coefficients are this module's own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lamplighter.simulate.noise import correlated, hourly
from lamplighter.simulate.options import DAY_S, HOUR_S, YEAR_S, local_hour
from lamplighter.simulate.weather import Weather, climate_c

HORIZON_S = 12 * YEAR_S
"""How far beyond the record a battery is followed to its end."""


@dataclass(frozen=True)
class Chemistry:
    """A kind of primary cell and the pack it is used in.

    Voltage of one cell at rest: ``fresh - first (1 - exp(-x / bend)) - slope x - knee exp((x - 1) / width)``,
    with x the depth of discharge [0..1].
    """

    fresh: float
    first: float
    bend: float
    slope: float
    knee: float
    width: float
    cells: int
    cutoff_v: float
    """Of the pack."""
    capacities_ah: tuple[float, ...]
    part: tuple[str, ...]
    self_discharge: float
    """Share of capacity a year at 25 degC."""
    drop_v: float
    """Typical drop of the pack under load at 20 degC, fresh [V]."""
    drop_per_c: float
    """Relative growth of that drop with each degC of cold."""
    rest_per_c: float
    """Change of the pack's rest voltage [V/degC]."""
    cold_loss: float
    """Share of capacity out of reach for each degC under 10 degC."""
    passivates: bool
    weight: float


CHEMISTRIES: dict[str, Chemistry] = {
    "Li-SOCl2": Chemistry(
        3.65, 0.0, 1.0, 0.04, 1.6, 0.035, 1, 3.0, (8.5, 19.0, 2.4), ("ER26500", "ER34615", "ER14505"),
        0.01, 0.035, 0.022, 4e-4, 0.0008, True, 5.0,
    ),
    "Li-MnO2": Chemistry(
        3.22, 0.12, 0.03, 0.22, 1.0, 0.08, 1, 2.4, (2.4, 1.4), ("CR17450", "CR17345"),
        0.01, 0.05, 0.022, 6e-4, 0.001, False, 2.0,
    ),
    "alkaline": Chemistry(
        1.58, 0.16, 0.06, 0.32, 0.4, 0.07, 2, 1.9, (16.0, 7.5, 2.6), ("2 x LR20", "2 x LR14", "2 x LR6"),
        0.025, 0.05, 0.03, 8e-4, 0.003, False, 2.0,
    ),
    "Li-FeS2": Chemistry(
        1.78, 0.24, 0.03, 0.1, 0.6, 0.045, 2, 2.1, (3.0,), ("2 x FR6",),
        0.01, 0.04, 0.015, 6e-4, 0.001, False, 0.7,
    ),
}  # fmt: skip

SOLAR: dict[str, tuple[float, float, str]] = {
    "Li-ion solar": (3.95, 0.14, "1 x Li-ion 18650"),
    "lead-acid solar": (12.7, 0.35, "12 V 7 Ah lead-acid"),
}
"""Rechargeable packs: mean voltage [V], daily swing to either side on a clear day [V], part."""


@dataclass(frozen=True)
class Battery:
    """A node's battery as it truly is.

    ``knee_shift``, ``width``, ``gain`` and ``drop`` are this unit's own deviations from its chemistry.
    """

    chemistry: str
    capacity_ah: float
    sleep_ua: float
    charge_mc: float
    knee_shift: float = 0.0
    width: float = 1.0
    gain: float = 1.0
    drop: float = 1.0
    dip_v: float = 0.0
    """Passivation dip of a battery just put in [V]."""
    dip_s: float = 2 * DAY_S
    full_years: float = float("nan")
    """How long a full one is meant to last [years]."""

    @property
    def kind(self) -> Chemistry:
        """The chemistry."""
        return CHEMISTRIES[self.chemistry]

    @property
    def brownout_v(self) -> float:
        """Pack voltage under load at which the transmitter goes dark [V]."""
        return self.kind.cutoff_v - 0.12 * self.kind.cells


def loaded_voltage(battery: Battery, depth: np.ndarray, temperature_c: np.ndarray) -> np.ndarray:
    """Pack voltage while transmitting [V], shape of ``depth``."""
    c = battery.kind
    x = depth * (1 + c.cold_loss * np.clip(10 - temperature_c, 0, None)) + battery.knee_shift
    x = np.clip(x, 0.0, 1.12)
    cell = c.fresh - c.first * (1 - np.exp(-x / c.bend)) - c.slope * x
    cell = cell - c.knee * np.exp((x - 1) / (c.width * battery.width))
    resistance = (1 + 1.5 * np.clip(x, 0, 1) ** 6) * np.exp(c.drop_per_c * (20 - temperature_c))
    pack = c.cells * cell + c.rest_per_c * (temperature_c - 20) - c.drop_v * battery.drop * resistance
    return np.maximum(pack * battery.gain, 0.3 * c.cells)


def cutoff_depth(battery: Battery, temperature_c: float = 10.0) -> float:
    """Depth of discharge at which the loaded voltage meets the cut-off at one temperature."""
    x = np.linspace(0.3, 1.1, 801)
    below = loaded_voltage(battery, x, np.full(801, temperature_c)) < battery.kind.cutoff_v
    return float(x[np.argmax(below)]) if below.any() else 1.1


@dataclass(frozen=True)
class Drain:
    """Charge a node takes, day by day, with the temperature its battery sits at.

    Attributes
    ----------
    day : ndarray, shape (n_days,)
        Starts of days, beyond the record too [s].
    taken_ah : ndarray, shape (n_days,)
        Charge taken up to then [Ah].
    temperature_c : ndarray, shape (n_days,)
        Daily mean [degC].
    aging : ndarray, shape (n_days,)
        Self-discharge up to then, in years at 25 degC.
    """

    day: np.ndarray
    taken_ah: np.ndarray
    temperature_c: np.ndarray
    aging: np.ndarray

    def depth(self, battery: Battery, since: float, begin: float, time: np.ndarray) -> np.ndarray:
        """Depth of discharge at some times of a battery that stood at ``begin`` at ``since``."""
        per_day = self.taken_ah / battery.capacity_ah + battery.kind.self_discharge * self.aging
        return begin + np.interp(time, self.day, per_day) - np.interp(since, self.day, per_day)


def drain_of(
    battery: Battery,
    start: float,
    end: float,
    sent: np.ndarray,
    attempts: np.ndarray,
    weather: Weather,
    warmer_c: float,
) -> Drain:
    """Add up what a node takes from its battery.

    Parameters
    ----------
    sent : ndarray, shape (n,)
        Times of check-ins sent, heard or not [s].
    attempts : ndarray, shape (n,)
        Transmissions each took.
    warmer_c : float
        How much warmer than the air the node is [degC].
    """
    day = np.arange(start, end + HORIZON_S, DAY_S)
    edges = np.append(day, day[-1] + DAY_S)
    count, _ = np.histogram(sent, edges, weights=np.minimum(attempts, 3) * 0.7 + 0.3)
    known = int((end - start) // DAY_S)
    recent = count[max(0, known - 60) : known]
    count[known:] = recent.mean() if len(recent) else 0.0
    noon = day + DAY_S / 2
    ahead = climate_c(noon)
    hours = np.clip(np.floor((weather.time - start) / DAY_S).astype(int), 0, len(day) - 1)
    seen = np.bincount(hours, weights=weather.air_c, minlength=len(day)) / np.maximum(
        np.bincount(hours, minlength=len(day)), 1
    )
    temperature = np.where(np.arange(len(day)) < known, seen, ahead) + warmer_c
    coulombs = battery.sleep_ua * 1e-6 * DAY_S + battery.charge_mc * 1e-3 * count
    aging = np.cumsum(2 ** ((temperature - 25) / 10)) * DAY_S / YEAR_S
    taken = np.cumsum(coulombs) / 3_600
    return Drain(day, np.append(0, taken[:-1]), temperature, np.append(0, aging[:-1]))


LASTING_DAYS = 10
"""A battery counts as ended when it stays under cut-off so long; a front or a cold week alone does not end it [d]."""


def crossing(battery: Battery, drain: Drain, since: float, begin: float) -> tuple[float, float]:
    """Day from which the loaded voltage at the day's mean temperature stays under cut-off, and first day it touches it.

    Returns
    -------
    ended, touched : float
        [s], NaN beyond the horizon.
    """
    day = drain.day[drain.day >= since]
    depth = drain.depth(battery, since, begin, day + DAY_S / 2)
    temperature = np.interp(day, drain.day, drain.temperature_c)
    below = loaded_voltage(battery, depth, temperature) < battery.kind.cutoff_v
    run = np.convolve(below, np.ones(LASTING_DAYS), mode="full")[LASTING_DAYS - 1 :] >= LASTING_DAYS - 0.5
    found = [float(day[np.argmax(mark)]) if mark.any() else float("nan") for mark in (run, below)]
    return found[0], found[1]


def begin_for(battery: Battery, drain: Drain, since: float, target: float) -> float:
    """Depth of discharge at ``since`` that makes the battery cross its cut-off about at ``target`` [s]."""
    begin = cutoff_depth(battery) - (drain.depth(battery, since, 0.0, np.array([target]))[0])
    for _ in range(6):
        found = crossing(battery, drain, since, begin)[0]
        if np.isfinite(found) and abs(found - target) <= DAY_S:
            break
        off = (found if np.isfinite(found) else target + YEAR_S) - target
        begin += drain.depth(battery, since, 0.0, np.array([since + abs(off)]))[0] * np.sign(off) * 0.8
    return float(begin)


def lasting(battery: Battery, years: float, sent_per_day: float, sleep_share: float) -> Battery:
    """Battery whose sleep current and charge a check-in make a full one last so many years."""
    usable = battery.capacity_ah * (cutoff_depth(battery) - battery.kind.self_discharge * 0.3 * years)
    coulombs_a_day = max(usable, 0.1 * battery.capacity_ah) * 3_600 / (years * 365.25)
    return replace(
        battery,
        sleep_ua=coulombs_a_day * sleep_share / DAY_S * 1e6,
        charge_mc=coulombs_a_day * (1 - sleep_share) / sent_per_day * 1e3,
        full_years=years,
    )


def solar_voltage(
    kind: str, time: np.ndarray, weather: Weather, rng: np.random.Generator, temperature_c: np.ndarray
) -> np.ndarray:
    """Voltage of a rechargeable pack under a solar panel: up by day, down by night, lower in dull weeks [V]."""
    mean, swing, _ = SOLAR[kind]
    swing = swing * rng.uniform(0.5, 1.6)
    grid = hourly(time[0], time[-1]) if len(time) else np.zeros(2)
    dull = np.interp(time, weather.time, _trailing(weather.wet, 36))
    sun = np.clip(np.sin(np.pi * (local_hour(time) - 6) / 13), -0.35, 1.0)
    year = climate_c(time) - 9.0
    wander = np.interp(time, grid, correlated(rng, grid, 40 * HOUR_S, 0.1 * swing))
    charge = swing * (1 - 0.7 * dull) * (sun - 0.3) - 0.8 * swing * dull + 0.02 * swing * year
    return mean + charge + wander + 1e-4 * mean * (temperature_c - 15)


def _trailing(values: np.ndarray, hours: int) -> np.ndarray:
    total = np.cumsum(np.concatenate([np.zeros(hours), values]))
    return (total[hours:] - total[:-hours]) / hours
