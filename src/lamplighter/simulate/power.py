"""A node's batteries through the record: voltage at every check-in, lives, swaps, the hours too cold to send."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lamplighter.simulate import battery as cell
from lamplighter.simulate import radio
from lamplighter.simulate.faults import NAN
from lamplighter.simulate.options import YEAR_S, Options
from lamplighter.simulate.plan import NodePlan
from lamplighter.simulate.weather import Weather


@dataclass(frozen=True)
class Power:
    """Battery voltage a node sends, and the lives behind it.

    Attributes
    ----------
    volts : ndarray, shape (n,)
        True loaded voltage at every check-in [V].
    alive : ndarray of bool, shape (n,)
    weak : ndarray of bool, shape (n,)
        Under cut-off but still sending.
    lives : list of (installed, removed, cut-off, first touch)
        [s], NaN where not within the horizon.
    """

    volts: np.ndarray
    alive: np.ndarray
    weak: np.ndarray
    lives: list[tuple[float, float, float, float]]
    swap_step_v: float = NAN
    battery: cell.Battery | None = None
    installed: float = NAN


def power_of(
    plan: NodePlan, time: np.ndarray, which: np.ndarray, temperature: np.ndarray, options: Options, weather: Weather
) -> Power:
    """Play a node's battery, or batteries, at the check-ins it sends; ``which`` attempt of each was heard."""
    if plan.battery is None:
        volts = cell.solar_voltage(plan.solar, time, weather, options.rng("sun", plan.index), temperature)
        return Power(volts, np.ones(len(time), bool), np.zeros(len(time), bool), [])
    battery = plan.battery
    if plan.fault is not None and plan.fault.kind == "battery_cold":
        battery = replace(battery, drop=_cold_drop(battery, options.rng("cold", plan.index).uniform(-14, -5)))
    attempts = np.minimum(which + 1, radio.ATTEMPTS)
    drain = cell.drain_of(
        battery, options.start, options.end, time, attempts, weather, plan.warmer_c + 0.3 * plan.sun_c
    )
    return _lives(plan, battery, drain, time, temperature, options)


def _cold_drop(battery: cell.Battery, critical_c: float) -> float:
    """Relative drop that brings a half-used battery down to brown-out at one temperature."""
    at = np.array([critical_c])
    free = cell.loaded_voltage(replace(battery, drop=0.0), np.array([0.4]), at)[0]
    unit = free - cell.loaded_voltage(replace(battery, drop=1.0), np.array([0.4]), at)[0]
    return float((free - battery.brownout_v) / unit)


def _lives(
    plan: NodePlan,
    battery: cell.Battery,
    drain: cell.Drain,
    time: np.ndarray,
    temperature: np.ndarray,
    options: Options,
) -> Power:
    """Play the batteries of the record one after the other."""
    rng = options.rng("cells", plan.index)
    since = plan.first_seen
    begin = cell.begin_for(battery, drain, since, plan.eol)
    if plan.fault is not None and plan.fault.kind == "battery_cold":
        begin = float(rng.uniform(0.25, 0.45))
    begin = max(begin, 0.0) if since <= options.start else 0.0
    depth = drain.depth(battery, since, begin, time)
    volts = cell.loaded_voltage(battery, depth, temperature)
    installed = _installed(plan, battery, drain, begin)
    lives = [(installed, plan.swap, *cell.crossing(battery, drain, since, begin))]
    step = NAN
    if np.isfinite(plan.swap) and plan.swap < options.end:
        fresh = replace(
            battery,
            capacity_ah=plan.nominal_ah * float(rng.normal(0.97, 0.05)),
            knee_shift=float(rng.normal(0, 0.012)),
            width=float(rng.lognormal(0, 0.2)),
        )
        after = time >= plan.swap
        new = cell.loaded_voltage(fresh, drain.depth(fresh, plan.swap, 0.0, time[after]), temperature[after])
        new = new - fresh.dip_v * np.exp(-(time[after] - plan.swap) / fresh.dip_s)
        if after.any() and (~after).any():
            step = float(np.median(new[24:96]) - np.median(volts[~after][-72:])) if len(new) > 30 else NAN
        volts = np.concatenate([volts[~after], new])
        lives.append((plan.swap, NAN, *cell.crossing(fresh, drain, plan.swap, 0.0)))
        installed = plan.swap
    return Power(volts, volts >= battery.brownout_v, volts < battery.kind.cutoff_v, lives, step, battery, installed)


def _installed(plan: NodePlan, battery: cell.Battery, drain: cell.Drain, begin: float) -> float:
    """When a battery that stands at a depth of discharge was put in, at the pace of its first year in the record."""
    pace = drain.depth(battery, plan.first_seen, 0.0, np.array([plan.first_seen + YEAR_S]))[0]
    return plan.first_seen - begin / max(pace, 1e-6) * YEAR_S
