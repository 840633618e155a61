"""Who the nodes are: their measuring points, radios, batteries, habits, and the fault some of them get."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lamplighter.simulate.battery import CHEMISTRIES, SOLAR, Battery, lasting
from lamplighter.simulate.faults import NAN, SUITS, Fault, draw_fault, draw_faults
from lamplighter.simulate.options import DAY_S, YEAR_S, Options
from lamplighter.simulate.places import gateway_names, node_name, point_name, site_name
from lamplighter.simulate.process import KINDS, Kind
from lamplighter.simulate.radio import Link, draw_link

LOGGED = {"swap": 0.65, "rezero": 0.75, "interval": 0.7}
"""Share of each kind of work that is written down; invented."""


@dataclass(frozen=True, kw_only=True)
class NodePlan:
    """One node as it truly is; times in seconds since 1970-01-01 UTC, shares of span where so named."""

    node: str
    index: int
    name: str
    site: str
    gateway: str
    kind_name: str
    unit: str
    lrl: float
    url: float
    resolution: float
    """Share of span."""
    deadband: float
    """Share of span within which the node repeats its last value."""
    sensor_noise: float
    tolerance_pct: float
    offset_pct: float
    thermal_pct_per_c: float
    wander_pct: float
    floored: bool
    changes: tuple[tuple[float, float], ...]
    register_interval_s: float
    phase: float
    crystal_ppm: float
    jitter_s: float
    threshold_share: float
    """Share of time the process spends beyond the alarm threshold; 0: no threshold set."""
    threshold_high: bool
    link: Link
    battery: Battery | None
    solar: str
    nominal_ah: float
    part: str
    eol: float
    """When the battery in place at the beginning is meant to reach cut-off."""
    swap: float
    """When it is replaced; NaN: not within the record."""
    warmer_c: float
    sun_c: float
    has_temperature: bool
    has_sequence: bool
    battery_every: int
    volt_step: float
    first_seen: float
    removed: float
    rezero: float
    antenna: float
    """When the node got a better antenna, always written down; NaN: never."""
    antenna_db: float
    peer: str
    process_key: str
    criticality: int
    fault: Fault | None = None
    logged: dict[str, bool] = field(default_factory=dict)

    @property
    def kind(self) -> Kind:
        """The kind of measuring point."""
        return KINDS[self.kind_name]

    @property
    def span(self) -> float:
        """Upper minus lower range limit."""
        return self.url - self.lrl


def plan_nodes(options: Options) -> list[NodePlan]:
    """Draw all nodes of a fleet with their faults, in order of their names."""
    rng = options.rng("plan")
    gateways = gateway_names(options.gateway_count)
    faults = draw_faults(options)
    plans: list[NodePlan] = []
    for index in range(options.nodes):
        gateway = gateways[index % len(gateways)]
        before = plans[-len(gateways)] if len(plans) >= len(gateways) else None
        twin = before if before and faults.get(index) is None and before.fault is None and rng.random() < 0.04 else None
        plans.append(plan_node(options, index, gateway, faults.get(index), twin))
    return plans


def plan_node(options: Options, index: int, gateway: str, fault_kind: str | None, twin: NodePlan | None) -> NodePlan:
    """Draw one node."""
    rng = options.rng("node", index)
    number = index // options.gateway_count
    kind_name = _kind(rng, fault_kind) if twin is None else twin.kind_name
    kind = KINDS[kind_name]
    unit, lrl, url = kind.ranges[rng.integers(len(kind.ranges))] if twin is None else (twin.unit, twin.lrl, twin.url)
    resolution = float(rng.choice(kind.resolutions))
    interval = float(rng.choice(options.intervals_s))
    tolerance = float(rng.choice([0.5, 1.0]))
    first_seen = (
        options.start
        if rng.random() > 0.08 or fault_kind
        else options.start + rng.uniform(0.05, 0.6) * options.days * DAY_S
    )
    changes, register_interval = _intervals(rng, options, first_seen, interval, fault_kind)
    fault = draw_fault(rng, fault_kind, options, tolerance) if fault_kind else None
    battery, solar, nominal, part = _battery(rng, options, interval, fault_kind)
    eol, swap = _life(rng, options, fault, battery, first_seen)
    # Drawn apart, so that the rest of the node stays as it was.
    better, changed, gain_db = options.rng("antenna", index).uniform((0, 0.2, 4.0), (1, 0.8, 10.0))
    node = node_name(gateway, number)
    return NodePlan(
        node=node, index=index, name=point_name(gateway, number, kind_name),
        site=site_name(gateway, number), gateway=gateway, kind_name=kind_name,
        unit=unit, lrl=float(lrl), url=float(url), resolution=resolution,
        deadband=float(rng.choice([2.0, 4.0])) * resolution if rng.random() < 0.12 else 0.0,
        sensor_noise=float(rng.uniform(0.1, 0.6)) * min(resolution, 1e-3),
        tolerance_pct=tolerance,
        offset_pct=float(rng.normal(0, 0.15)) * tolerance,
        thermal_pct_per_c=float(rng.uniform(-1, 1)) * 0.012,
        wander_pct=tolerance * (0.1 if options.rough else 0.06),
        floored=bool(rng.random() < 0.2) and fault_kind not in ("zero_drift", "zero_step"),
        changes=changes, register_interval_s=register_interval,
        phase=float(rng.random()), crystal_ppm=float(rng.normal(0, 15)), jitter_s=float(rng.uniform(0.3, 4.0)),
        threshold_share=_threshold(rng, fault_kind), threshold_high=bool(rng.random() < 0.7),
        link=draw_link(rng, _margin(rng, fault), options.rough),
        battery=battery, solar=solar, nominal_ah=nominal, part=part, eol=eol, swap=swap,
        warmer_c=float(rng.uniform(0, 3)), sun_c=float(rng.uniform(0, 9)),
        has_temperature=bool(rng.random() < 0.88), has_sequence=bool(rng.random() < 0.3),
        battery_every=4 if rng.random() < 0.05 else 1,
        volt_step=float(rng.choice([0.01, 0.01, 0.02, 0.005])),
        first_seen=first_seen,
        removed=first_seen + rng.uniform(0.4, 0.9) * (options.end - first_seen)
        if fault is None and rng.random() < 0.006
        else NAN,
        rezero=first_seen + rng.uniform(0.2, 0.8) * (options.end - first_seen)
        if kind.rests_at_zero and fault is None and rng.random() < 0.1
        else NAN,
        antenna=first_seen + changed * (options.end - first_seen) if fault is None and better < 0.03 else NAN,
        antenna_db=gain_db,
        peer="" if twin is None else twin.node,
        process_key=f"process {index}" if twin is None else twin.process_key,
        criticality=int(rng.choice([1, 2, 3, 3, 3, 4, 4, 5])),
        fault=fault,
        logged={name: bool(rng.random() < share) for name, share in LOGGED.items()},
    )  # fmt: skip


def _kind(rng: np.random.Generator, fault_kind: str | None) -> str:
    names = SUITS.get(fault_kind or "", tuple(KINDS))
    weights = np.array([KINDS[n].weight for n in names])
    return str(rng.choice(names, p=weights / weights.sum()))


def _intervals(
    rng: np.random.Generator, options: Options, first: float, interval: float, fault_kind: str | None
) -> tuple[tuple[tuple[float, float], ...], float]:
    """Interval history and the interval the register says."""
    if fault_kind == "interval_differs":
        return ((first, interval),), interval * float(rng.choice([0.5, 2.0, 3.0]))
    if rng.random() < 0.06 and fault_kind is None and options.days > 60:
        when = first + rng.uniform(0.2, 0.8) * (options.end - first)
        later = interval / 2 if rng.random() < 0.5 else interval * 2
        return ((first, interval), (float(when), later)), later
    return ((first, interval),), interval


def _threshold(rng: np.random.Generator, fault_kind: str | None) -> float:
    """Share of time spent beyond the alarm threshold."""
    if fault_kind == "threshold_inside":
        return float(rng.uniform(0.2, 0.5))
    return float(rng.uniform(0.001, 0.01)) if rng.random() < 0.35 else 0.0


def _margin(rng: np.random.Generator, fault: Fault | None) -> float:
    """Median level above sensitivity [dB]; declining links start high enough to be heard for most of the record."""
    low = 13.0
    if fault is not None and fault.kind in ("rssi_trend", "rssi_step"):
        low += fault.size * (0.8 if fault.kind == "rssi_trend" else 1.0)
    return float(rng.uniform(low, max(38.0, low + 8)))


def _battery(
    rng: np.random.Generator, options: Options, interval: float, fault_kind: str | None
) -> tuple[Battery | None, str, float, str]:
    """Battery, solar pack, nominal capacity and part."""
    if rng.random() < 0.1 and fault_kind not in ("battery_end", "battery_cold"):
        solar = str(rng.choice(list(SOLAR)))
        return None, solar, NAN, SOLAR[solar][2]
    names = [n for n in CHEMISTRIES if fault_kind != "battery_cold" or n in ("Li-SOCl2", "alkaline")]
    weights = np.array([CHEMISTRIES[n].weight for n in names])
    name = str(rng.choice(names, p=weights / weights.sum()))
    chemistry = CHEMISTRIES[name]
    size = int(rng.integers(len(chemistry.capacities_ah)))
    nominal = chemistry.capacities_ah[size]
    battery = Battery(
        chemistry=name, capacity_ah=nominal * float(rng.normal(0.97, 0.05)), sleep_ua=0.0, charge_mc=0.0,
        knee_shift=float(rng.normal(0, 0.012)), width=float(rng.lognormal(0, 0.2)), gain=float(rng.normal(1, 0.002)),
        drop=float(rng.lognormal(0, 0.3)), dip_v=float(rng.uniform(0.05, 0.25)) if chemistry.passivates else 0.0,
        dip_s=float(rng.uniform(0.5, 3)) * DAY_S,
    )  # fmt: skip
    shortest = options.days / 365.25 * 1.05 + (0.0 if fault_kind == "battery_end" else 0.8)
    longest = 4.0 if name in ("alkaline", "Li-FeS2") else 9.0
    years = float(np.clip(rng.lognormal(np.log(4.0), 0.45), 1.5, longest))
    sent_a_day, sleep = DAY_S / interval, float(rng.uniform(0.2, 0.55))
    return lasting(battery, max(years, shortest), sent_a_day, sleep), "", nominal, chemistry.part[size]


def _life(
    rng: np.random.Generator, options: Options, fault: Fault | None, battery: Battery | None, first_seen: float
) -> tuple[float, float]:
    """When the first battery is meant to reach cut-off, and when it is replaced."""
    if battery is None:
        return NAN, NAN
    if fault is not None and fault.kind == "battery_end":
        return fault.start, fault.end
    from_the_start = first_seen <= options.start
    if options.days > 90 and fault is None and rng.random() < 0.12 and from_the_start:
        swap = options.start + rng.uniform(0.15, 0.9) * options.days * DAY_S
        return swap + float(rng.uniform(3, 90)) * DAY_S, swap
    # Somewhere in its life, with more than half a year to go at the end of the record.
    left = battery.full_years - options.days / 365.25
    return options.end + float(rng.uniform(0.6, max(left, 0.65))) * YEAR_S, NAN
