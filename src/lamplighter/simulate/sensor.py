"""From the process to the reading: zero error, faults of the sensor, limits, resolution, deadband."""

from __future__ import annotations

import numpy as np

from lamplighter.simulate.faults import Fault
from lamplighter.simulate.noise import correlated, hourly
from lamplighter.simulate.options import DAY_S, YEAR_S, Options
from lamplighter.simulate.plan import NodePlan
from lamplighter.simulate.process import Scene
from lamplighter.simulate.weather import Weather

OVER = 1.03
"""Where a sensor saturates above its range [share of span]; common practice, no source."""


def process_at(plan: NodePlan, time: np.ndarray, options: Options, weather: Weather) -> np.ndarray:
    """Return what the process truly is [share of span]; the same for nodes that see the same process."""
    scene = Scene(options.start, options.end, weather, options.rng(plan.process_key), options.rough)
    return plan.kind.play(time, scene)


def zero_error(plan: NodePlan, time: np.ndarray, temperature: np.ndarray, options: Options) -> np.ndarray:
    """Zero error of the sensor [% span], shape of ``time``."""
    rng = options.rng("zero", plan.index)
    grid = hourly(options.start, options.end)
    wander = np.interp(time, grid, correlated(rng, grid, 50 * DAY_S, plan.wander_pct))
    error = plan.offset_pct + wander + drifted(plan.fault, time)
    if np.isfinite(plan.rezero):
        before = np.searchsorted(time, plan.rezero)
        found = float(np.mean(error[max(0, before - 24) : before])) if before else 0.0
        error = error - np.where(time >= plan.rezero, found, 0.0)
    return error + plan.thermal_pct_per_c * (temperature - 20.0)


def drifted(fault: Fault | None, time: np.ndarray) -> np.ndarray:
    """Zero error that a fault adds [% span]."""
    if fault is None or fault.kind not in ("zero_drift", "zero_step"):
        return np.zeros(len(time))
    if fault.kind == "zero_step":
        return np.where(time >= fault.start, fault.size, 0.0)
    return fault.size * np.clip(time - fault.start, 0, None) / YEAR_S


def readings(
    plan: NodePlan, time: np.ndarray, temperature: np.ndarray, options: Options, weather: Weather
) -> np.ndarray:
    """Return readings a node would send [unit of its range], shape of ``time``."""
    rng = options.rng("sensor", plan.index)
    share = process_at(plan, time, options, weather)
    share = plugged(share, plan.fault, time, temperature, rng)
    share = share + zero_error(plan, time, temperature, options) / 100
    share = share + rng.normal(0.0, plan.sensor_noise, len(time))
    share = np.clip(share, 0.0 if plan.floored else -0.05, 1.0 if plan.kind_name == "humidity" else OVER)
    share = np.round(share / plan.resolution) * plan.resolution
    if plan.deadband > 0:
        share = held(share, plan.deadband)
    share = frozen(share, plan, time, rng)
    reading = plan.lrl + share * plan.span
    if plan.fault is not None and plan.fault.kind == "scale_step":
        reading = np.where(time >= plan.fault.start, reading * plan.fault.size, reading)
    return np.round(reading, 6) + 0.0


def plugged(
    share: np.ndarray, fault: Fault | None, time: np.ndarray, temperature: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Plug the impulse line: the sensor sees trapped pressure that follows its own temperature a little."""
    if fault is None or fault.kind != "plugged":
        return share
    after = time >= fault.start
    if not after.any():
        return share
    trapped = share[after][0] + 2e-4 * rng.uniform(0.5, 1.5) * (temperature[after] - temperature[after][0])
    out = share.copy()
    out[after] = trapped
    return out


def frozen(share: np.ndarray, plan: NodePlan, time: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Let a reading stand still, stand still but for a count of dither, or lie on a limit."""
    fault = plan.fault
    if fault is None or fault.kind not in ("stuck", "stuck_dither", "pegged"):
        return share
    after = time >= fault.start
    if not after.any():
        return share
    out = share.copy()
    if fault.kind == "pegged":
        low = 0.0 if plan.floored else -0.05
        out[after] = OVER if fault.mode == "high" else low
    else:
        out[after] = share[after][0]
    if fault.kind == "stuck_dither":
        out[after] += plan.resolution * rng.choice([-1, 0, 0, 0, 1], int(after.sum()))
    return out


def held(values: np.ndarray, deadband: float) -> np.ndarray:
    """Values repeated until one differs from the last sent by more than the deadband."""
    out = values.tolist()
    last = out[0] if out else 0.0
    for k, value in enumerate(out):
        if abs(value - last) > deadband:
            last = value
        out[k] = last
    return np.array(out)
