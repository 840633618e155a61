"""Every node's battery before the forecast: class, cut-off, response to temperature, lives and how they ended."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.base import Share, one_by_one
from lamplighter.checks.battery.cells import CHEMISTRIES, UNKNOWN, Cell, cell_of, cells_in_series
from lamplighter.checks.battery.measure import BatteryMeasures
from lamplighter.checks.battery.observe import Temperature, Track, fit_temperature, pulse_drop, readjusted, response
from lamplighter.checks.battery.outlook import drain_use
from lamplighter.checks.battery.prior import Drain, drain_of, q10_factor
from lamplighter.checks.battery.season import RECENT_D, Season, fit_season, ordinary_bins
from lamplighter.fleet import RegisterEntry
from lamplighter.settings.battery import BatterySettings
from lamplighter.spool import Packed, Spool

DEFAULT_CHECK_IN_SHARE = 0.5
"""Share of the consumption put down to check-ins when the register has no charge figures: the middle of all shares."""


@dataclass(frozen=True, slots=True)
class Life:
    """One battery in one node: its part of the track, and how it ended if it did.

    use : cumulated use at the bins [days at the node's present drain] since ``start``, or since the first bin when the
    start is not known; ended_at : instant of its end of life [s] or NaN; ended_use : use up to then or up to now.
    """

    node: str
    start: float
    start_known: bool
    origin: str
    track: Track
    use: np.ndarray
    ended_at: float
    ended_use: float
    ended_by: str = ""


@dataclass(frozen=True, slots=True)
class Battery:
    """Everything known of one node's battery before the forecast.

    response_known : whether the node itself shows how its voltage answers to temperature, not its class alone.
    """

    node: str
    entry: RegisterEntry
    cell: Cell
    group: tuple[str, int]
    fresh_v: float
    cutoff_v: float
    cutoff_origin: str
    temperature: Temperature
    season: Season | None
    track: Track
    rate: np.ndarray
    drain: Drain | None
    capacity_ah: float | None
    lives: tuple[Life, ...] = ()
    response_known: bool = False


def fresh_voltage(measures: BatteryMeasures) -> float:
    """Return the high level of the record [V]: what a fresh battery shows, or the best seen."""
    assert measures.track is not None
    return float(np.quantile(measures.track.volts, 0.98))


def group_of(cell: Cell, fresh_v: float) -> tuple[str, int]:
    """Return the class of a battery: chemistry and cells in series, or voltage to a third of a volt when unknown."""
    if cell.chemistry == UNKNOWN:
        return (UNKNOWN, round(fresh_v * 3.0))
    return (cell.chemistry, cell.series or cells_in_series(cell.chemistry, fresh_v))


def cutoff_of(entry: RegisterEntry, cell: Cell, fresh_v: float, settings: BatterySettings) -> tuple[float, str]:
    """Return the cut-off voltage [V] and where it comes from: register, chemistry or assumption."""
    if entry.cutoff_v is not None and entry.cutoff_v > 0:
        return entry.cutoff_v, "register"
    if cell.chemistry != UNKNOWN:
        series = cell.series or cells_in_series(cell.chemistry, fresh_v)
        usual = CHEMISTRIES[cell.chemistry].cutoff_v * series
        if usual < 0.97 * fresh_v:
            return usual, "chemistry"
    return assumed_cutoff(fresh_v, settings), "assumption"


def assumed_cutoff(fresh_v: float, settings: BatterySettings) -> float:
    """Return a cut-off for a battery of which only its fresh voltage is known [V].

    A multiple of 3.6 V is taken for lithium thionyl chloride; anything else for cells of 1.5 V (or of 3 V, which have
    twice their end point): never above nine tenths of what was seen.
    """
    thionyl = CHEMISTRIES["li-socl2"]
    cells = max(1, round(fresh_v / thionyl.nominal_v))
    if abs(fresh_v / cells / thionyl.nominal_v - 1.0) < settings.assumed_match_share:
        return thionyl.cutoff_v * cells
    return min(settings.assumed_end_v * max(1, round(fresh_v / 1.5)), 0.9 * fresh_v)


def shrunk_temperatures(
    own_fits: Mapping[str, Temperature], groups: Mapping[str, tuple[str, int]], settings: BatterySettings
) -> dict[str, Temperature]:
    """Draw every node's response to temperature toward its class, by how well each is known.

    The class mean is weighted by precision, with the spread between nodes from the settings; a node whose own response
    cannot be told takes its class's, and a class of which none can be told takes the setting's default.
    """
    members: dict[tuple[str, int], list[str]] = {}
    for node, group in groups.items():
        members.setdefault(group, []).append(node)
    out = {}
    for group, nodes in members.items():
        cells = group[1] if group[0] != UNKNOWN else max(1, round(group[1] / 4.5))
        spread = settings.coefficient_spread * cells
        base = settings.coefficient_v_per_c * cells
        own = np.array([(t.slope, t.error, t.extra, t.extra_error) for t in (own_fits[n] for n in nodes)])
        slope = shrink(own[:, 0], own[:, 1], base, spread)
        extra = shrink(own[:, 2], own[:, 3], 0.0, spread)
        out |= {
            n: Temperature(float(s), float(e), float(spread), float(spread))
            for n, s, e in zip(nodes, slope, extra, strict=True)
        }
    return out


def shrink(values: np.ndarray, errors: np.ndarray, default: float, spread: float) -> np.ndarray:
    """Return values drawn toward their weighted mean (toward a default when few are known), shape (n,)."""
    known = np.isfinite(errors)
    weight = np.where(known, 1.0 / (np.nan_to_num(errors) ** 2 + spread**2), 0.0)
    prior = 0.25 / spread**2
    mean = (weight @ np.where(known, values, 0.0) + prior * default) / (weight.sum() + prior)
    own = np.where(known, 1.0 / np.maximum(np.nan_to_num(errors, nan=1.0), 1e-9) ** 2, 0.0)
    return (own * np.where(known, values, 0.0) + mean / spread**2) / (own + 1.0 / spread**2)


LEAST_HELD_DAYS = 2.5
"""Days' worth of bins in which a state must be seen at least."""
HALF_DAY_S, HELD_SHARE = 0.5 * DAY_S, 0.85
"""A state holds when it is that of this share of the bins: one warm day among weeks does not undo an end."""

Weather = tuple[np.ndarray, np.ndarray, np.ndarray]
"""Days since 1970-01-01, and the fleet's mean and coldest temperature on them [degC]."""


def ambient(tracks: Iterable[Track], least: int) -> Weather | None:
    """Return the fleet's weather: days, the nodes' median mean and coldest temperatures; None with few nodes."""
    days, parts = [], []
    for track in tracks:
        if np.isfinite(track.temperature).any():
            days.append(np.floor(track.time / DAY_S).astype(np.int64))
            parts.append(np.stack([track.temperature, track.coldest]))
    if len(parts) < least:
        return None
    day, values = np.concatenate(days), np.concatenate(parts, axis=1)
    keep = np.isfinite(values).all(axis=0)
    day, values = day[keep], values[:, keep]
    distinct, group = np.unique(day, return_inverse=True)
    order = [np.lexsort((v, group)) for v in values]
    size = np.bincount(group)
    middle = np.concatenate([[0], np.cumsum(size)[:-1]]) + size // 2
    return distinct, values[0][order[0]][middle], values[1][order[1]][middle]


def lent_weather(
    measures: Mapping[str, BatteryMeasures],
    blind: Collection[str],
    settings: BatterySettings,
    weather: Weather | None = None,
) -> Spool[tuple[Track, Temperature]]:
    """Return track and response to temperature of those nodes without a thermometer that the fleet's weather suits."""
    lent: Spool[tuple[Track, Temperature]] = Spool()
    tracks = (m.track for m in (measures[n] for n in sorted(measures)) if m.track is not None)
    weather = weather or (ambient(tracks, settings.ambient_min_nodes) if blind else None)
    for node in blind if weather is not None else ():
        days, mean, cold = weather
        track = measures[node].track
        when = np.floor(track.time / DAY_S)
        if when[0] < days[0] - 3 or when[-1] > days[-1] + 3:
            continue
        felt = np.interp(when, days, mean)
        fit = fit_temperature(track.time, track.volts, felt)
        own = response(felt, fit, settings.reference_c)
        lent[node] = (
            replace(track, temperature=felt, coldest=np.interp(when, days, cold), volts=track.volts - own),
            fit,
        )
    return lent


def actual_low(track: Track, fit: Temperature, settings: BatterySettings) -> np.ndarray:
    """Return the voltage under load at the cold end of each bin [V], shape (n,)."""
    cold = np.where(np.isfinite(track.coldest), track.coldest, track.temperature)
    return track.volts - track.drop + response(cold, fit, settings.reference_c)


def actual_level(track: Track, fit: Temperature, season: Season | None, settings: BatterySettings) -> np.ndarray:
    """Return the voltage under load at the warmer of each bin's temperature and its season's [V], shape (n,).

    A cold spell alone does not end a battery for good: it must fail at the temperature of its season too.
    """
    usual = track.temperature if season is None else np.maximum(track.temperature, season.at(track.time))
    return track.volts - pulse_drop(track, fit, settings) + response(usual, fit, settings.reference_c)


def end_of(
    track: Track,
    invalid: np.ndarray,
    fit: Temperature,
    season: Season | None,
    cutoff_v: float,
    settings: BatterySettings,
) -> tuple[float, str]:
    """Return when a battery ended [s] and by what: the first of three; NaN and nothing when it has not.

    voltage: under the cut-off; readings: most of them invalid; check-ins: most of them failing. The last two count only
    in the last stretch of the voltage, and each must last for days, so that one cold night ends no battery for good.
    """
    low = actual_level(track, fit, season, settings)
    plain = ordinary_bins(track, fit, season, settings)
    held = settings.below_hold_days, settings.below_lasting_days
    ends = [(first_held(track.time[plain], (low < cutoff_v)[plain], *held), "voltage")]
    near = low < cutoff_v + settings.last_stretch * max(float(np.max(low)) - cutoff_v, 0.0)
    few = track.count < settings.collapse_share * np.median(track.count)
    few[-1] = False  # the last bin is not over yet
    ends.append((first_held(track.time, near & (invalid > 0.5), *held), "readings"))
    ends.append((first_held(track.time, near & few, *held), "check-ins"))
    ends = [e for e in ends if np.isfinite(e[0])]
    return min(ends) if ends else (float("nan"), "")


def first_held(time: np.ndarray, below: np.ndarray, hold_days: float, lasting_days: float) -> float:
    """Return the first instant from which a state holds; NaN when never.

    It must be seen for ``hold_days``, and for as much of ``lasting_days`` as the record goes on: a node that falls
    silent soon after has ended, one that comes back above its cut-off has not.
    """
    places = np.flatnonzero(below)
    if not len(places):
        return float("nan")
    usual = float(np.median(np.diff(time))) / DAY_S if len(time) > 1 else np.inf
    # Some days are enough: a node near its end is not heard every day.
    least = min(HELD_SHARE * hold_days / usual, LEAST_HELD_DAYS / min(usual, 1.0))
    for i in places:
        near, far = np.searchsorted(time, time[i] + np.array([hold_days, lasting_days]) * DAY_S + HALF_DAY_S, "right")
        seen = time[near - 1] - time[i] >= (hold_days - 0.5) * DAY_S or near < len(time)
        if seen and near - i >= least and below[i:near].mean() >= HELD_SHARE and below[i:far].mean() >= HELD_SHARE:
            return float(time[i])
    return float("nan")


def lives_of(
    node: str,
    measures: BatteryMeasures,
    track: Track,
    fit: Temperature,
    season: Season | None,
    cutoff_v: float,
    share: float,
    settings: BatterySettings,
) -> tuple[Life, ...]:
    """Split a node's track into the lives of its batteries."""
    starts = [(-np.inf, "")] + [(s.time, s.origin) for s in measures.swaps if s.time <= measures.last]
    out = []
    for (start, origin), (end, _) in zip(starts, [*starts[1:], (np.inf, "")], strict=True):
        inside = (track.time >= start) & (track.time < end)
        if not inside.any():
            continue
        part = track.part(inside)
        known = bool(np.isfinite(start))
        use = drain_use(part, measures.rate[inside], share)
        use = use + ((part.time[0] - start) / DAY_S if known else 0.0)
        at, by = end_of(part, measures.invalid[inside], fit, season, cutoff_v, settings)
        ended_use = float(np.interp(at, part.time, use)) if np.isfinite(at) else float(use[-1])
        begin = start if known else float(part.time[0])
        out.append(Life(node, begin, known, origin, part, use, at, ended_use, by))
    return tuple(out)


def drain_for(
    entry: RegisterEntry, cell: Cell, capacity: float | None, rate: float, temperature: float, settings: BatterySettings
) -> Drain | None:
    """Return a node's consumption from its register figures, None when they are not all there."""
    if capacity is None or entry.sleep_current_ua is None or entry.charge_per_check_in_mc is None or not rate > 0:
        return None
    yearly = CHEMISTRIES[cell.chemistry].self_discharge if cell.chemistry != UNKNOWN else 0.01
    warm = q10_factor(temperature, settings.self_discharge_q10) if np.isfinite(temperature) else 1.0
    return drain_of(capacity, entry.sleep_current_ua, entry.charge_per_check_in_mc, rate, yearly * warm)


@dataclass(slots=True)
class Seen:
    """What is seen of every node's battery by itself, by node: kind of cell, high level [V], class, response."""

    cells: dict[str, Cell] = field(default_factory=dict)
    fresh: dict[str, float] = field(default_factory=dict)
    groups: dict[str, tuple[str, int]] = field(default_factory=dict)
    fits: dict[str, Temperature] = field(default_factory=dict)
    blind: list[str] = field(default_factory=list)
    """Nodes without a thermometer."""


def look(measures: Mapping[str, BatteryMeasures], register: Mapping[str, RegisterEntry]) -> Seen:
    """Look at every node that sends a voltage, one after the other."""
    seen = Seen()
    for n in sorted(measures):
        m = measures[n]
        if m.track is None:
            continue
        seen.cells[n] = cell_of(register[n].battery_chemistry, register[n].battery_part)
        seen.fresh[n] = fresh_voltage(m)
        seen.groups[n] = group_of(seen.cells[n], seen.fresh[n])
        seen.fits[n] = m.temperature
        if len(m.track) and not np.isfinite(m.track.temperature).any():
            seen.blind.append(n)
    return seen


@dataclass(frozen=True, slots=True)
class Told:
    """What one node's battery is made of: what was seen of it, and what the fleet tells of temperature.

    ``lent`` is its track with the fleet's weather where it has no thermometer, ``own`` its own response to temperature
    and ``fit`` that drawn toward its class.
    """

    node: str
    measures: BatteryMeasures
    entry: RegisterEntry
    cell: Cell
    group: tuple[str, int]
    fresh_v: float
    lent: Track | None
    own: Temperature
    fit: Temperature


def gather(
    measures: Mapping[str, BatteryMeasures],
    register: Mapping[str, RegisterEntry],
    settings: BatterySettings,
    weather: Weather | None = None,
    share: Share = one_by_one,
) -> Mapping[str, Battery]:
    """Return every node's battery, with the fleet's knowledge of temperature in it.

    ``weather`` is that of a larger fleet, for some nodes alone; by default it is taken from the nodes given.
    """
    seen = look(measures, register)
    lent = lent_weather(measures, seen.blind, settings, weather)
    own = seen.fits | {n: fit for n, (_, fit) in lent.items()}
    fits = shrunk_temperatures(own, seen.groups, settings)
    load, nodes = partial(told_of, measures, register, seen, lent, own, fits), list(seen.cells)
    made = share(load, Packed(partial(battery_of, settings)), nodes)
    return Spool.of_packed(zip(nodes, made, strict=True))


def told_of(
    measures: Mapping[str, BatteryMeasures],
    register: Mapping[str, RegisterEntry],
    seen: Seen,
    lent: Mapping[str, tuple[Track, Temperature]],
    own: Mapping[str, Temperature],
    fits: Mapping[str, Temperature],
    node: str,
) -> Told:
    """Return what one node's battery is made of."""
    track = lent[node][0] if node in lent else None
    kind = seen.cells[node], seen.groups[node], seen.fresh[node]
    return Told(node, measures[node], register[node], *kind, track, own[node], fits[node])


def battery_of(settings: BatterySettings, told: Told) -> Battery:
    """Return one node's battery."""
    m, entry, cell, fresh = told.measures, told.entry, told.cell, told.fresh_v
    track = readjusted(m.track if told.lent is None else told.lent, told.own, told.fit, settings)
    cutoff, origin = cutoff_of(entry, cell, fresh, settings)
    rate = float(np.median(m.rate[track.time >= track.time[-1] - RECENT_D * DAY_S]))
    capacity = entry.battery_capacity_ah or cell.capacity_ah
    warmth = float(np.nanmean(track.temperature)) if np.isfinite(track.temperature).any() else np.nan
    drain = drain_for(entry, cell, capacity, rate, warmth, settings)
    share = drain.check_in_share if drain else DEFAULT_CHECK_IN_SHARE
    season = fit_season(track, settings)
    lives = lives_of(told.node, m, track, told.fit, season, cutoff, share, settings)
    return Battery(
        told.node, entry, cell, told.group, fresh, cutoff, origin, told.fit, season, track, m.rate, drain, capacity,
        lives, bool(np.isfinite(told.own.error)),
    )  # fmt: skip
