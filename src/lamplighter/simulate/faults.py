"""What goes wrong: which node gets which fault, when it begins and how large it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.simulate.options import DAY_S, FAULT_WEIGHTS, YEAR_S, Options
from lamplighter.simulate.process import KINDS

NAN = float("nan")
MOVING = tuple(name for name, kind in KINDS.items() if kind.moves)
RESTING = tuple(name for name, kind in KINDS.items() if kind.rests_at_zero)

SUITS: dict[str, tuple[str, ...]] = {
    "zero_drift": RESTING,
    "zero_step": RESTING,
    "stuck": MOVING,
    "stuck_dither": ("pump_line", "canal", "tank", "sump"),
    "pegged": MOVING,
    "plugged": ("pump_line", "canal"),
    "scale_step": ("pump_line", "tank", "canal", "well"),
    "threshold_inside": ("pump_line", "tank", "canal", "sump"),
}
"""Kinds of measuring point on which a fault can show."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault of one node; ``end`` is NaN while it lasts.

    ``ratio`` is the size in units of what is tolerated, where there is such a thing.
    """

    kind: str
    start: float
    end: float = NAN
    size: float = NAN
    unit: str = ""
    ratio: float = NAN
    mode: str = ""


def draw_faults(options: Options) -> dict[int, str]:
    """Return which node gets which kind of fault."""
    if options.healthy:
        return {}
    rng = options.rng("faults")
    kinds = options.faults or tuple(FAULT_WEIGHTS)
    count = round(options.nodes * options.fault_share)
    chosen = rng.permutation(options.nodes)[:count]
    # Every kind once, the rest in proportion, so that small fleets have every kind too.
    once = list(range(len(kinds))) if count >= len(kinds) else []
    weights = np.array([FAULT_WEIGHTS[k] for k in kinds])
    rest = count - len(once)
    places = np.searchsorted(np.cumsum(weights) / weights.sum(), (np.arange(rest) + rng.random()) / max(rest, 1))
    dealt = rng.permutation([*once, *np.minimum(places, len(kinds) - 1)])
    return {int(node): kinds[k] for node, k in zip(chosen, dealt, strict=True)}


def draw_fault(rng: np.random.Generator, kind: str, options: Options, tolerance_pct: float) -> Fault:
    """Draw when a fault begins and how large it is."""

    def at(low: float, high: float) -> float:
        return options.start + float(rng.uniform(low, high)) * options.days * DAY_S

    sign = float(rng.choice([-1.0, 1.0]))
    match kind:
        case "battery_end":
            return _battery_end(rng, options)
        case "battery_cold" | "interval_differs" | "threshold_inside" | "unregistered" | "never_seen":
            return Fault(kind=kind, start=options.start)
        case "silent":
            return Fault(kind=kind, start=at(0.5, 0.995))
        case "delivery_falling":
            return Fault(
                kind=kind, start=at(0.0, 0.5), size=float(rng.uniform(0.25, 0.7)), unit="share lost at the end"
            )
        case "rssi_trend":
            start = options.start if rng.random() < 0.5 else at(0.0, 0.4)
            return Fault(kind=kind, start=start, size=float(rng.uniform(6, 25)), unit="dB/yr")
        case "rssi_step":
            return Fault(kind=kind, start=at(0.1, 0.9), size=float(rng.uniform(6, 20)), unit="dB")
        case "zero_drift":
            start, ratio = (options.start if rng.random() < 0.5 else at(0.0, 0.3)), float(rng.uniform(1.5, 6.0))
            rate = sign * ratio * tolerance_pct / ((options.end - start) / YEAR_S)
            return Fault(kind=kind, start=start, size=rate, unit="% span/yr", ratio=ratio)
        case "zero_step":
            ratio = float(rng.uniform(2.0, 8.0))
            return Fault(kind=kind, start=at(0.15, 0.85), size=sign * ratio * tolerance_pct, unit="% span", ratio=ratio)
        case "stuck" | "stuck_dither" | "plugged":
            return Fault(kind=kind, start=at(0.25, 0.96))
        case "record_frozen":
            start = at(0.3, 0.9)
            return Fault(kind=kind, start=start, end=start + float(rng.uniform(2, 20)) * DAY_S)
        case "pegged":
            return Fault(kind=kind, start=at(0.3, 0.97), mode="high" if rng.random() < 0.7 else "low")
        case "interference":
            return Fault(
                kind=kind, start=at(0.1, 0.6), size=float(rng.uniform(0.4, 0.85)), unit="share lost in shift hours"
            )
        case "shared_identity":
            return Fault(kind=kind, start=options.start if rng.random() < 0.4 else at(0.1, 0.7))
        case "scale_step":
            factor = float(rng.choice([6.894757, 2.306659, 14.503774, 3.28084]))
            return Fault(
                kind=kind, start=at(0.15, 0.9), size=factor if rng.random() < 0.5 else 1 / factor, unit="ratio"
            )
        case "clock_wrong":
            hours = sign * float(rng.choice([1.0, 5.0, 7.0, 12.0, 24.0]))
            start = at(0.3, 0.8)
            return Fault(kind=kind, start=start, end=start + float(rng.uniform(4, 40)) * DAY_S, size=hours, unit="h")
    raise AssertionError(kind)


def _battery_end(rng: np.random.Generator, options: Options) -> Fault:
    """Draw a battery that ends: ``start`` is the meant day of cut-off, ``end`` the swap."""
    mode = str(rng.choice(["swapped", "swapped", "dead", "low"]))
    if mode == "swapped":
        eol = options.start + float(rng.uniform(0.35, 0.92)) * options.days * DAY_S
        return Fault(kind="battery_end", start=eol, end=eol + float(rng.uniform(-5, 20)) * DAY_S, mode=mode)
    if mode == "dead":
        return Fault(kind="battery_end", start=options.end - float(rng.uniform(5, 60)) * DAY_S, mode=mode)
    return Fault(kind="battery_end", start=options.end + float(rng.uniform(2, 70)) * DAY_S, mode=mode)
