"""Fleets with known faults, for the demo, the tests and the benchmark; shares nothing with the checks."""

from __future__ import annotations

from lamplighter.simulate.build import SimulatedFleet, simulate, simulate_parts
from lamplighter.simulate.export import LAYOUTS, write_fleet, write_parts
from lamplighter.simulate.options import FAULT_WEIGHTS, Options

__all__ = [
    "FAULT_WEIGHTS",
    "LAYOUTS",
    "Options",
    "SimulatedFleet",
    "simulate",
    "simulate_parts",
    "write_fleet",
    "write_parts",
]
