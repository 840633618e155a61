"""What many nodes share: gateways and hosts that are down, for all nodes or some, and an antenna that fails."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.simulate.options import DAY_S, HOUR_S, YEAR_S, Options
from lamplighter.simulate.places import gateway_names
from lamplighter.simulate.plan import NodePlan


@dataclass(frozen=True)
class Down:
    """An interval in which a gateway, or the host (empty name), passed nothing on for a share of the nodes."""

    gateway: str
    start: float
    end: float
    share: float


@dataclass(frozen=True)
class Outages:
    """All common causes of a record; the antenna fault as (gateway, since, drop in dB)."""

    downs: tuple[Down, ...]
    antenna: tuple[str, float, float] | None

    def down(self, plan: NodePlan, time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Whether the gateway, and whether the host, kept each check-in from arriving."""
        by_gateway, by_host = np.zeros(len(time), bool), np.zeros(len(time), bool)
        for k, down in enumerate(self.downs):
            # Which nodes a partial outage takes is settled by a fixed hash of node and outage.
            if down.gateway not in ("", plan.gateway) or _fraction(plan.index, k) >= down.share:
                continue
            hit = (time >= down.start) & (time < down.end)
            if down.gateway:
                by_gateway |= hit
            else:
                by_host |= hit
        return by_gateway, by_host

    def antenna_db(self, gateway: str, time: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Change of level by a failed gateway antenna [dB]."""
        share = rng.uniform(0.85, 1.15)
        if self.antenna is None or self.antenna[0] != gateway:
            return np.zeros(len(time))
        return np.where(time >= self.antenna[1], -self.antenna[2] * share, 0.0)


def _fraction(index: int, k: int) -> float:
    return ((index * 2_654_435_761 + (k + 1) * 40_503 * 65_537) % 4_294_967_296) / 4_294_967_296


def draw_outages(options: Options) -> Outages:
    """Draw the common causes of a record: a few outages a year for each gateway, fewer for the host."""
    rng = options.rng("outages")
    years = options.days * DAY_S / YEAR_S
    downs: list[Down] = []
    for gateway in gateway_names(options.gateway_count):
        for _ in range(rng.poisson(2.5 * years)):
            start = options.start + rng.uniform(0.01, 0.97) * options.days * DAY_S
            length = float(np.clip(rng.lognormal(np.log(7), 1.0), 1.5, 96)) * HOUR_S
            share = float(rng.uniform(0.5, 0.9)) if rng.random() < 0.25 else 1.0
            downs.append(Down(gateway, float(start), float(start + length), share))
    for _ in range(rng.poisson(1.5 * years)):
        start = options.start + rng.uniform(0.01, 0.97) * options.days * DAY_S
        downs.append(Down("", float(start), float(start + rng.uniform(2, 30) * HOUR_S), 1.0))
    return Outages(tuple(sorted(downs, key=lambda d: (d.start, d.gateway))), _antenna(options, rng))


def _antenna(options: Options, rng: np.random.Generator) -> tuple[str, float, float] | None:
    names = gateway_names(options.gateway_count)
    drawn = names[rng.integers(len(names))], rng.uniform(0.25, 0.85), rng.uniform(6, 12)
    wanted = options.faults is None and not options.healthy and options.fault_share > 0 and len(names) >= 3
    if not wanted:
        return None
    return drawn[0], float(options.start + drawn[1] * options.days * DAY_S), float(drawn[2])
