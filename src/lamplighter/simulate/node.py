"""One node's whole record: what it sends, what is heard of it, and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from lamplighter.simulate import clock, radio, sensor
from lamplighter.simulate.faults import NAN
from lamplighter.simulate.options import DAY_S, HOUR_S, Options, local_hour
from lamplighter.simulate.outages import Outages
from lamplighter.simulate.plan import NodePlan
from lamplighter.simulate.power import Power, power_of
from lamplighter.simulate.weather import Weather


@dataclass
class NodeRun:
    """What came of one node.

    Attributes
    ----------
    columns : dict of str to ndarray, shape (n,)
        Check-ins as the historian holds them, by column of the check-in table.
    counts : dict
        True numbers of check-ins.
    power : Power
    end_of_sending : float
        Last check-in sent while the node lived [s].
    """

    plan: NodePlan
    columns: dict[str, np.ndarray]
    counts: dict[str, float]
    power: Power
    end_of_sending: float = NAN
    notes: dict[str, float] = field(default_factory=dict)


def run_node(plan: NodePlan, options: Options, weather: Weather, outages: Outages) -> NodeRun:
    """Play one node through the record."""
    rng = options.rng("run", plan.index)
    time, extra = _sent_times(plan, options, weather)
    temperature = node_temperature(plan, time, weather, options)
    level = radio.level_at(time, plan.link, weather, options, options.rng("air", plan.index))
    level = level + np.where(time >= plan.antenna, plan.antenna_db, 0.0)
    level = level + _level_faults(plan, time) + outages.antenna_db(plan.gateway, time, rng)
    attempts = radio.attempt_levels(level, plan.link, rng)
    which, _ = radio.heard(time, attempts, plan.link, extra_loss(plan, time, options), options, rng)
    power = power_of(plan, time, which, temperature, options, weather)
    silent = _stopped(plan, time)
    sending = power.alive & ~silent
    on_air = sending & (which < radio.ATTEMPTS) & ~(power.weak & (rng.random(len(time)) < 0.15))
    by_gateway, by_host = outages.down(plan, time)
    kept = on_air & ~by_gateway & ~by_host
    columns = _columns(plan, time, which, attempts, temperature, power, kept, options, weather, rng)
    counts = count(plan, time, extra, sending, kept, by_gateway, by_host)
    last = float(time[sending][-1]) if sending.any() else NAN
    return NodeRun(plan, columns, counts, power, last)


def count(
    plan: NodePlan,
    time: np.ndarray,
    extra: np.ndarray,
    sending: np.ndarray,
    kept: np.ndarray,
    by_gateway: np.ndarray,
    by_host: np.ndarray,
) -> dict[str, float]:
    """Count what was due, sent, heard and lost; nothing is due of a node taken out of service."""
    due = ~(time >= plan.removed)
    extra, sending, kept, by_gateway, by_host = (x[due] for x in (extra, sending, kept, by_gateway, by_host))
    return {
        "expected": len(kept),
        "received": int(kept.sum()),
        "missed": int((~kept).sum()),
        "missed_host": int((~kept & by_host).sum()),
        "missed_gateway": int((~kept & by_gateway & ~by_host).sum()),
        "missed_node": int((~kept & ~by_gateway & ~by_host).sum()),
        "expected_regular": int((~extra).sum()),
        "missed_regular": int((~kept & ~extra).sum()),
        "sent": int(sending.sum()),
        "fast": int(extra.sum()),
        "interval_s": plan.changes[-1][1],
    }


def _sent_times(plan: NodePlan, options: Options, weather: Weather) -> tuple[np.ndarray, np.ndarray]:
    """All check-ins a node means to make, fast sampling included."""
    time, interval = clock.slots(plan.changes, options.end - 1, plan.phase, plan.crystal_ppm)
    if plan.threshold_share <= 0 or len(time) < 20:
        return time, np.zeros(len(time), dtype=bool)
    share = sensor.process_at(plan, time, options, weather)
    limit = np.quantile(share, 1 - plan.threshold_share if plan.threshold_high else plan.threshold_share)
    crossed = share > limit if plan.threshold_high else share < limit
    time, extra = clock.with_fast(time, interval, crossed)
    inside = time < options.end - 1
    return time[inside], extra[inside]


def node_temperature(plan: NodePlan, time: np.ndarray, weather: Weather, options: Options) -> np.ndarray:
    """Temperature inside the housing [degC]."""
    rng = options.rng("housing", plan.index)
    sun = np.clip(np.sin(np.pi * (local_hour(time) - 7) / 11), 0, 1) * (1 - weather.wet_at(time))
    air = weather.air_at(time - 0.7 * HOUR_S)
    return air + plan.warmer_c + plan.sun_c * sun + rng.normal(0, 0.4, len(time))


def _level_faults(plan: NodePlan, time: np.ndarray) -> np.ndarray:
    fault = plan.fault
    if fault is None:
        return np.zeros(len(time))
    if fault.kind == "rssi_trend":
        return radio.trend_db(time, fault.start, fault.size)
    if fault.kind == "rssi_step":
        return np.where(time >= fault.start, -fault.size, 0.0)
    return np.zeros(len(time))


def extra_loss(plan: NodePlan, time: np.ndarray, options: Options) -> np.ndarray:
    """Share of check-ins that a fault takes, at every check-in [0..1]."""
    fault = plan.fault
    if fault is None:
        return np.zeros(len(time))
    if fault.kind == "delivery_falling":
        return fault.size * np.clip((time - fault.start) / (options.end - fault.start), 0, 1)
    if fault.kind == "interference":
        hour = local_hour(time)
        # Two shift changes of a plant near by, on working days; 1 January 1970 was a Thursday.
        weekday = (np.floor(time / DAY_S - 7 / 24).astype(int) + 3) % 7 < 5
        shift = ((hour >= 6) & (hour < 8)) | ((hour >= 14) & (hour < 16))
        return np.where((time >= fault.start) & weekday & shift, fault.size, 0.0)
    return np.zeros(len(time))


def _stopped(plan: NodePlan, time: np.ndarray) -> np.ndarray:
    """Whether the node has stopped for a reason other than its battery."""
    stopped = time >= plan.removed if np.isfinite(plan.removed) else np.zeros(len(time), dtype=bool)
    if plan.fault is not None and plan.fault.kind == "silent":
        stopped |= time >= plan.fault.start
    return stopped


def _columns(
    plan: NodePlan,
    time: np.ndarray,
    which: np.ndarray,
    attempts: np.ndarray,
    temperature: np.ndarray,
    power: Power,
    kept: np.ndarray,
    options: Options,
    weather: Weather,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    """Return what the historian holds of a node."""
    n = len(time)
    reading = sensor.readings(plan, time, temperature, options, weather)
    reading = _junk_when_low(plan, power, reading, rng)
    noise = rng.standard_t(3, n) * 0.003 if options.rough else rng.normal(0, 0.004, n)
    volts = (
        np.round((power.volts + noise * (4 if plan.solar.startswith("lead") else 1)) / plan.volt_step) * plan.volt_step
    )
    volts = np.round(volts, 4)
    volts[np.arange(n) % plan.battery_every != 0] = np.nan
    level = attempts[np.arange(n), np.minimum(which, radio.ATTEMPTS - 1)]
    step = plan.link.step_db
    delay = which * rng.uniform(2, 12, n) + rng.exponential(0.5, n) + np.abs(rng.normal(0, plan.jitter_s, n))
    columns = {
        "time": time + delay,
        "reading": reading,
        "battery_v": volts,
        "rssi_dbm": np.round(level / step) * step,
        "temperature_c": np.round(temperature, 1) if plan.has_temperature else np.full(n, np.nan),
        "quality": np.zeros(n, dtype=np.int8),
        "sequence": _sequence(plan, time, power, n),
    }
    columns = {name: values[kept] for name, values in columns.items()}
    columns = _clock_fault(plan, _freeze(plan, columns))
    return _tidy(_with_copies(columns, rng))


def _sequence(plan: NodePlan, time: np.ndarray, power: Power, n: int) -> np.ndarray:
    """Return the node's own counter of check-ins, 16 bit, from zero again after a battery change."""
    if not plan.has_sequence:
        return np.full(n, np.nan)
    count = np.cumsum(power.alive).astype(float)
    if len(power.lives) > 1:
        swapped = np.searchsorted(time, power.lives[-1][0])
        count[swapped:] -= count[min(swapped, n - 1)] if swapped < n else 0.0
    return (count + plan.index * 977) % 65_536 if len(power.lives) <= 1 else count % 65_536


def _junk_when_low(plan: NodePlan, power: Power, reading: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Let some sensors report nonsense under cut-off, as the motes of a 2004 laboratory deployment did."""
    spared = plan.fault is not None and plan.fault.kind == "battery_cold"
    if plan.battery is None or spared or not power.weak.any() or rng.random() < 0.6:
        return reading
    return np.where(power.weak & (rng.random(len(reading)) < 0.8), plan.lrl + 1.22 * plan.span, reading)


def _freeze(plan: NodePlan, columns: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Repeat the whole record while the path or the export is frozen."""
    fault = plan.fault
    if fault is None or fault.kind != "record_frozen":
        return columns
    still = (columns["time"] >= fault.start) & (columns["time"] < fault.end)
    if not still.any():
        return columns
    first = int(np.argmax(still))
    out = {name: values.copy() for name, values in columns.items()}
    for name in ("reading", "battery_v", "rssi_dbm", "temperature_c", "sequence"):
        out[name][still] = columns[name][first]
    return out


def _clock_fault(plan: NodePlan, columns: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Stamps off by hours for some weeks."""
    fault = plan.fault
    if fault is None or fault.kind != "clock_wrong":
        return columns
    time = columns["time"]
    wrong = (time >= fault.start) & (time < fault.end)
    return columns | {"time": np.where(wrong, time + fault.size * HOUR_S, time)}


def _with_copies(columns: dict[str, np.ndarray], rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Send a few check-ins twice, seconds apart, as when an acknowledgement is lost."""
    n = len(columns["time"])
    again = np.flatnonzero(rng.random(n) < 0.002)
    copies = {name: values[again] for name, values in columns.items()}
    copies["time"] = copies["time"] + rng.uniform(2, 9, len(again))
    return {name: np.concatenate([values, copies[name]]) for name, values in columns.items()}


def _tidy(columns: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Whole seconds, sorted, one row an instant."""
    time = np.floor(columns["time"])
    _, first = np.unique(time, return_index=True)
    return {name: values[first] for name, values in (columns | {"time": time}).items()}


def merge(a: NodeRun, b: NodeRun, since: float) -> NodeRun:
    """Let a second node answer to the first one's name from an instant on."""
    second = b.columns["time"] >= since
    both = {name: np.concatenate([values, b.columns[name][second]]) for name, values in a.columns.items()}
    return replace(a, columns=_tidy(both))
