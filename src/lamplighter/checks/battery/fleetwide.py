"""What the fleet teaches about one battery: its class's response to temperature, curve of discharge, and lives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.cells import CHEMISTRIES, UNKNOWN, Cell, cell_of, cells_in_series
from lamplighter.checks.battery.estimators import Shape
from lamplighter.checks.battery.measure import BatteryMeasures
from lamplighter.checks.battery.observe import HINGE_C, Temperature, Track, fit_temperature, response
from lamplighter.checks.battery.outlook import RECENT_D, drain_use, recent_drop
from lamplighter.checks.battery.prior import Drain, LifePrior, budget_prior, drain_of, fleet_prior, q10_factor
from lamplighter.checks.battery.shapes import learn_shape
from lamplighter.fleet import RegisterEntry
from lamplighter.settings.battery import BatterySettings

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
    """Everything known of one node's battery before the forecast."""

    node: str
    entry: RegisterEntry
    cell: Cell
    group: tuple[str, int]
    fresh_v: float
    cutoff_v: float
    cutoff_origin: str
    temperature: Temperature
    track: Track
    rate: np.ndarray
    drain: Drain | None
    capacity_ah: float | None
    lives: tuple[Life, ...] = ()


@dataclass(frozen=True, slots=True)
class Class:
    """What is learned from the batteries of one kind."""

    learned: list[Shape] = field(default_factory=list)
    lives: LifePrior | None = None
    rate: float = float("nan")
    budget_ratio: float = 1.0
    budget_sd: float = float("nan")
    completed: int = 0


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
    return settings.default_cutoff_share * fresh_v, "assumption"


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


def ambient(tracks: Mapping[str, Track], least: int) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Return the fleet's weather: days, median of the nodes' mean and of their coldest temperatures; None with few nodes."""
    known = [t for _, t in sorted(tracks.items()) if np.isfinite(t.temperature).any()]
    if len(known) < least:
        return None
    day = np.concatenate([np.floor(t.time / DAY_S) for t in known]).astype(np.int64)
    values = np.stack([np.concatenate([getattr(t, name) for t in known]) for name in ("temperature", "coldest")])
    keep = np.isfinite(values).all(axis=0)
    day, values = day[keep], values[:, keep]
    days, group = np.unique(day, return_inverse=True)
    order = [np.lexsort((v, group)) for v in values]
    size = np.bincount(group)
    middle = np.concatenate([[0], np.cumsum(size)[:-1]]) + size // 2
    return days, values[0][order[0]][middle], values[1][order[1]][middle]


def with_ambient(
    measures: Mapping[str, BatteryMeasures], settings: BatterySettings
) -> tuple[dict[str, Track], dict[str, Temperature]]:
    """Return every node's track and response to temperature; nodes without a thermometer take the fleet's weather."""
    tracks = {n: m.track for n, m in measures.items() if m.track is not None}
    fits = {n: measures[n].temperature for n in tracks}
    weather = ambient(tracks, settings.ambient_min_nodes)
    if weather is None:
        return tracks, fits
    days, mean, cold = weather
    for node, track in tracks.items():
        if np.isfinite(track.temperature).any() or not len(track):
            continue
        when = np.floor(track.time / DAY_S)
        if when[0] < days[0] - 3 or when[-1] > days[-1] + 3:
            continue
        felt = np.interp(when, days, mean)
        fits[node] = fit_temperature(track.time, track.volts, felt)
        own = response(felt, fits[node], settings.reference_c)
        tracks[node] = replace(track, temperature=felt, coldest=np.interp(when, days, cold), volts=track.volts - own)
    return tracks, fits


def readjusted(track: Track, own: Temperature, fit: Temperature, settings: BatterySettings) -> Track:
    """Return the track adjusted with another response to temperature than its own."""
    before = response(track.temperature, own, settings.reference_c)
    return replace(track, volts=track.volts + before - response(track.temperature, fit, settings.reference_c))


def actual_low(track: Track, fit: Temperature, settings: BatterySettings) -> np.ndarray:
    """Return the voltage under load at the cold end of each bin [V], shape (n,)."""
    cold = np.where(np.isfinite(track.coldest), track.coldest, track.temperature)
    return track.volts - track.drop + response(cold, fit, settings.reference_c)


def actual_level(track: Track, fit: Temperature, settings: BatterySettings) -> np.ndarray:
    """Return the voltage under load at each bin's temperature, or at that of its weeks when it is colder [V], shape (n,).

    A cold spell alone does not end a battery for good: what counts is whether it holds at the temperature of the season.
    """
    usual = np.maximum(track.temperature, smoothed(track.temperature, track.time))
    return track.volts - track.drop + response(usual, fit, settings.reference_c)


def smoothed(values: np.ndarray, time: np.ndarray, days: float = 28.0) -> np.ndarray:
    """Return the centred moving mean over some days, shorter at the ends; values without a gap, shape (n,)."""
    half = 0.5 * days * DAY_S
    total = np.concatenate([[0.0], np.cumsum(values)])
    low, high = np.searchsorted(time, time - half), np.searchsorted(time, time + half, side="right")
    return (total[high] - total[low]) / np.maximum(high - low, 1)


def end_of(
    track: Track, invalid: np.ndarray, fit: Temperature, cutoff_v: float, settings: BatterySettings
) -> tuple[float, str]:
    """Return when a battery ended [s] and by what: voltage under the cut-off, or readings gone invalid near it; NaN.

    The voltage must stay under for a time, in the median, so that one cold night does not end a battery for good.
    """
    low = actual_level(track, fit, settings)
    ends = [(first_held(track.time, low < cutoff_v, settings.below_hold_days), "voltage")]
    near = low < cutoff_v + 0.25 * max(float(np.max(low)) - cutoff_v, 0.0)
    ends.append((first_held(track.time, near & (invalid > 0.5), settings.below_hold_days), "readings"))
    ends = [e for e in ends if np.isfinite(e[0])]
    return min(ends) if ends else (float("nan"), "")


def first_held(time: np.ndarray, below: np.ndarray, hold_days: float) -> float:
    """Return the first instant from which a state holds for most of the following time span; NaN when never."""
    for i in np.flatnonzero(below):
        ahead = (time >= time[i]) & (time <= time[i] + (hold_days + 1.5) * DAY_S)
        lasts = time[ahead][-1] - time[i] >= hold_days * DAY_S
        if lasts and below[ahead].mean() >= 0.75:
            return float(time[i])
    return float("nan")


def lives_of(
    node: str, measures: BatteryMeasures, track: Track, fit: Temperature, cutoff_v: float, share: float,
    settings: BatterySettings,
) -> tuple[Life, ...]:  # fmt: skip
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
        at, by = end_of(part, measures.invalid[inside], fit, cutoff_v, settings)
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


def gather(
    measures: Mapping[str, BatteryMeasures], register: Mapping[str, RegisterEntry], settings: BatterySettings
) -> dict[str, Battery]:
    """Return every node's battery, with the fleet's knowledge of temperature in it."""
    nodes = sorted(n for n, m in measures.items() if m.track is not None)
    cells = {n: cell_of(register[n].battery_chemistry, register[n].battery_part) for n in nodes}
    fresh = {n: fresh_voltage(measures[n]) for n in nodes}
    groups = {n: group_of(cells[n], fresh[n]) for n in nodes}
    tracks, own = with_ambient(measures, settings)
    fits = shrunk_temperatures({n: own[n] for n in nodes}, groups, settings)
    out = {}
    for n in nodes:
        m, entry, cell = measures[n], register[n], cells[n]
        track = readjusted(tracks[n], own[n], fits[n], settings)
        cutoff, origin = cutoff_of(entry, cell, fresh[n], settings)
        rate = float(np.median(m.rate[track.time >= track.time[-1] - RECENT_D * DAY_S]))
        capacity = entry.battery_capacity_ah or cell.capacity_ah
        warmth = float(np.nanmean(track.temperature)) if np.isfinite(track.temperature).any() else np.nan
        drain = drain_for(entry, cell, capacity, rate, warmth, settings)
        share = drain.check_in_share if drain else DEFAULT_CHECK_IN_SHARE
        lives = lives_of(n, m, track, fits[n], cutoff, share, settings)
        out[n] = Battery(
            n, entry, cell, groups[n], fresh[n], cutoff, origin, fits[n], track, m.rate, drain, capacity, lives
        )  # fmt: skip
    return out


def relative_drain(battery: Battery, class_rate: float) -> float:
    """Return a node's present consumption over that of its class's usual check-in rate."""
    share = battery.drain.check_in_share if battery.drain else DEFAULT_CHECK_IN_SHARE
    recent = battery.track.time >= battery.track.time[-1] - RECENT_D * DAY_S
    rate = float(np.median(battery.rate[recent]))
    if battery.drain:
        own = battery.drain.check_in_ua
        return battery.drain.total_ua / (battery.drain.total_ua - own + own * class_rate / rate)
    return (1.0 - share) + share * rate / class_rate


def learn_classes(batteries: Mapping[str, Battery], settings: BatterySettings) -> dict[tuple[str, int], Class]:
    """Learn curve, lives and charge ratio of each class from its completed lives."""
    members: dict[tuple[str, int], list[Battery]] = {}
    for node in sorted(batteries):
        members.setdefault(batteries[node].group, []).append(batteries[node])
    return {group: learn_class(group, kin, settings) for group, kin in members.items()}


def learn_class(group: tuple[str, int], kin: list[Battery], settings: BatterySettings) -> Class:
    """Learn from the batteries of one class."""
    rates = [float(np.median(b.rate)) for b in kin if len(b.rate)]
    rate = float(np.median(rates)) if rates else float("nan")
    lives = [(b, life) for b in kin for life in b.lives if life.start_known]
    done = [(b, life) for b, life in lives if np.isfinite(life.ended_at)]
    if not done:
        return Class(rate=rate)
    use = np.array([life.ended_use * relative_drain(b, rate) for b, life in lives])
    ended = np.array([bool(np.isfinite(life.ended_at)) for _, life in lives])
    entered = np.array([life.use[0] * relative_drain(b, rate) for b, life in lives])
    prior = fleet_prior(use, ended, settings.min_completed_lives, entered)
    curves = [scaled_curve(life) for _, life in done]
    shape = learn_shape(curves, "learned from this fleet") if len(done) >= settings.min_completed_lives else None
    ratios = [
        np.log(life.ended_use * b.drain.total_ua * 24.0 / (b.capacity_ah * 1e6))
        for b, life in done
        if b.drain is not None and b.capacity_ah and life.ended_use > 0
    ]
    ratio, sd = 1.0, float("nan")
    if len(ratios) >= settings.min_completed_lives:
        ratio = float(np.exp(np.median(ratios)))
        scatter = max(float(np.std(ratios, ddof=1)), 0.1)
        sd = float(scatter * np.sqrt(1.0 + 2.0 / len(ratios)))
    return Class([shape] if shape else [], prior, rate, ratio, sd, len(done))


def scaled_curve(life: Life) -> tuple[np.ndarray, np.ndarray]:
    """Return a completed life as depth of discharge at its cut-off and voltage under load."""
    before = life.track.time <= life.ended_at
    depth = life.use[before] / max(life.ended_use, 1e-9)
    volts = (life.track.volts - recent_drop(life.track))[before]
    width = min(7, len(volts) - (len(volts) + 1) % 2)
    if width >= 3:
        padded = np.pad(volts, width // 2, mode="edge")
        volts = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return depth, volts


def priors_for(battery: Battery, known: Class, settings: BatterySettings) -> list[LifePrior]:
    """Return what is known of this battery's whole life besides its voltage."""
    out = []
    if known.lives is not None:
        relative = relative_drain(battery, known.rate)
        law = known.lives.weibull
        assert law is not None
        own = replace(law, eta=law.eta / relative)
        out.append(replace(known.lives, median_days=float(own.quantile(0.5)), weibull=own))
    if battery.drain is not None and battery.capacity_ah:
        calibrated = np.isfinite(known.budget_sd)
        ratio = known.budget_ratio if calibrated else settings.usable_capacity
        sd = known.budget_sd if calibrated else float(np.hypot(settings.capacity_sd, settings.charge_sd))
        budget = budget_prior(battery.capacity_ah, battery.drain, ratio, sd)
        if budget is not None:
            # Once calibrated on the same completed lives, the budget says all that those lives say.
            out = [budget] if calibrated else [*out, budget]
    return out


def below_freezing(battery: Battery) -> bool:
    """Whether the node has lately been below freezing."""
    recent = battery.track.coldest[-30:]
    return bool(np.isfinite(recent).any() and np.nanmin(recent) < HINGE_C)
