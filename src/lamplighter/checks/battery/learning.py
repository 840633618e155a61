"""What completed lives teach about the batteries still running: their curve, their length, what a budget is worth."""

from __future__ import annotations

from collections.abc import Mapping
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


def learn_classes(batteries: Mapping[str, Battery], settings: BatterySettings) -> dict[tuple[str, int], Class]:
    """Learn curve, lives and charge ratio of each class from its completed lives."""
    members: dict[tuple[str, int], list[Battery]] = {}
    for node in sorted(batteries):
        members.setdefault(batteries[node].group, []).append(batteries[node])
    return {group: learn_class(kin, settings) for group, kin in members.items()}


def learn_class(kin: list[Battery], settings: BatterySettings) -> Class:
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
    curves = [scaled_curve(b, life, settings) for b, life in done]
    shape = learn_shape(curves, "learned from this fleet") if len(done) >= settings.min_completed_lives else None
    ratios = [
        np.log(life.ended_use * b.drain.total_ua * 24.0 / (b.capacity_ah * 1e6))
        for b, life in done
        if b.drain is not None and b.drain.total_ua > 0 and (b.capacity_ah or 0.0) > 0 and life.ended_use > 0
    ]
    ratio, sd = 1.0, float("nan")
    if len(ratios) >= settings.min_completed_lives:
        ratio = float(np.exp(np.median(ratios)))
        scatter = max(float(np.std(ratios, ddof=1)), 0.1)
        sd = float(scatter * np.sqrt(1.0 + 2.0 / len(ratios)))
    return Class([shape] if shape else [], prior, rate, ratio, sd, len(done))


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
