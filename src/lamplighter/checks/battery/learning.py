"""What completed lives teach about the batteries still running: their curve, their length, what a budget is worth."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.estimators import Shape
from lamplighter.checks.battery.fleetwide import DEFAULT_CHECK_IN_SHARE, Battery, Life
from lamplighter.checks.battery.outlook import recent_drop
from lamplighter.checks.battery.prior import LifePrior, budget_prior, fleet_prior
from lamplighter.checks.battery.season import RECENT_D
from lamplighter.checks.battery.shapes import learn_shape
from lamplighter.settings.battery import BatterySettings


@dataclass(frozen=True, slots=True)
class Class:
    """What is learned from the batteries of one kind."""

    learned: list[Shape] = field(default_factory=list)
    lives: LifePrior | None = None
    rate: float = float("nan")
    budget_ratio: float = 1.0
    budget_sd: float = float("nan")
    completed: int = 0


def relative_drain(battery: Battery, class_rate: float) -> float:
    """Return a node's present consumption over that of its class's usual check-in rate."""
    share = battery.drain.check_in_share if battery.drain else DEFAULT_CHECK_IN_SHARE
    recent = battery.track.time >= battery.track.time[-1] - RECENT_D * DAY_S
    rate = float(np.median(battery.rate[recent]))
    if battery.drain:
        own = battery.drain.check_in_ua
        return battery.drain.total_ua / (battery.drain.total_ua - own + own * class_rate / rate)
    return (1.0 - share) + share * rate / class_rate


@dataclass(frozen=True, slots=True)
class Kin:
    """The batteries of one class, read one after the other."""

    batteries: Mapping[str, Battery]
    nodes: list[str]

    def __iter__(self) -> Iterator[Battery]:
        return (self.batteries[n] for n in self.nodes)


def learn_classes(batteries: Mapping[str, Battery], settings: BatterySettings) -> dict[tuple[str, int], Class]:
    """Learn curve, lives and charge ratio of each class from its completed lives."""
    members: dict[tuple[str, int], list[str]] = {}
    for node in sorted(batteries):
        members.setdefault(batteries[node].group, []).append(node)
    return {group: learn_class(Kin(batteries, nodes), settings) for group, nodes in members.items()}


@dataclass(slots=True)
class Lives:
    """What the lives of a class with a known start show; ``curves`` and ``ratios`` of those that ended."""

    use: list[float] = field(default_factory=list)
    ended: list[bool] = field(default_factory=list)
    entered: list[float] = field(default_factory=list)
    curves: list[tuple[np.ndarray, np.ndarray]] = field(default_factory=list)
    ratios: list[float] = field(default_factory=list)

    def add(self, b: Battery, life: Life, relative: float, settings: BatterySettings) -> None:
        """Count a life in."""
        ended = bool(np.isfinite(life.ended_at))
        self.use.append(life.ended_use * relative)
        self.ended.append(ended)
        self.entered.append(life.use[0] * relative)
        if not ended:
            return
        self.curves.append(scaled_curve(b, life, settings))
        if b.drain is not None and b.drain.total_ua > 0 and (b.capacity_ah or 0.0) > 0 and life.ended_use > 0:
            self.ratios.append(np.log(life.ended_use * b.drain.total_ua * 24.0 / (b.capacity_ah * 1e6)))


def learn_class(kin: Kin, settings: BatterySettings) -> Class:
    """Learn from the batteries of one class."""
    rates = [float(np.median(b.rate)) for b in kin if len(b.rate)]
    rate = float(np.median(rates)) if rates else float("nan")
    lives = Lives()
    for b in kin:
        for life in b.lives:
            if life.start_known:
                lives.add(b, life, relative_drain(b, rate), settings)
    completed, ratios = len(lives.curves), lives.ratios
    if not completed:
        return Class(rate=rate)
    prior = fleet_prior(
        np.array(lives.use), np.array(lives.ended), settings.min_completed_lives, np.array(lives.entered)
    )
    enough = completed >= settings.min_completed_lives
    shape = learn_shape(lives.curves, "learned from this fleet") if enough else None
    ratio, sd = 1.0, float("nan")
    if len(ratios) >= settings.min_completed_lives:
        ratio = float(np.exp(np.median(ratios)))
        scatter = max(float(np.std(ratios, ddof=1)), 0.1)
        sd = float(scatter * np.sqrt(1.0 + 2.0 / len(ratios)))
    return Class([shape] if shape else [], prior, rate, ratio, sd, completed)


def scaled_curve(battery: Battery, life: Life, settings: BatterySettings) -> tuple[np.ndarray, np.ndarray]:
    """Return a completed life as depth of discharge at its cut-off and voltage under load."""
    before = life.track.time <= life.ended_at
    depth = life.use[before] / max(life.ended_use, 1e-9)
    volts = (life.track.volts - recent_drop(life.track, battery.temperature, settings))[before]
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
