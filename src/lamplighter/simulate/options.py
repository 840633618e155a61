"""What a simulated fleet is asked to be, and the random streams it is drawn from."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from lamplighter.errors import InputError

HOUR_S = 3_600.0
DAY_S = 86_400.0
YEAR_S = 365.25 * DAY_S
LOCAL_OFFSET_H = -7.0
"""Local standard time of the invented valley, without daylight saving [h from UTC]."""

DEFAULT_START = datetime(2025, 9, 1, tzinfo=UTC).timestamp()

FAULT_WEIGHTS: dict[str, float] = {
    "battery_end": 3.0,
    "rssi_trend": 2.0,
    "rssi_step": 2.0,
    "zero_drift": 2.0,
    "stuck": 2.0,
    "silent": 1.5,
    "delivery_falling": 1.5,
    "zero_step": 1.0,
    "stuck_dither": 1.0,
    "pegged": 1.0,
    "record_frozen": 1.0,
    "battery_cold": 1.0,
    "interference": 1.0,
    "shared_identity": 1.0,
    "scale_step": 1.0,
    "interval_differs": 1.0,
    "threshold_inside": 1.0,
    "plugged": 1.0,
    "clock_wrong": 0.5,
    "unregistered": 0.5,
    "never_seen": 0.5,
}
"""Kinds of node fault and how often each is drawn; the proportions are invented."""

NOISES = ("smooth", "rough")


@dataclass(frozen=True, kw_only=True)
class Options:
    """A fleet to simulate.

    Parameters
    ----------
    nodes : int
        Nodes in the register, without those that are never seen or not registered.
    days : float
        Length of the record [d].
    seed : int
        Same seed, same fleet.
    start : float
        First instant [s since 1970-01-01 UTC].
    gateways : int, optional
        Default: one for every 30 nodes, at least 3.
    fault_share : float
        Share of the nodes that get a fault [0..1].
    faults : tuple of str, optional
        Only these kinds of fault; default: all of them.
    healthy : bool
        No faults at all, every nuisance.
    noise : str
        ``smooth``: Gaussian, correlated, seasonal. ``rough``: heavy tails, random walks that return, passing regimes.
    intervals_s : tuple of float
        Check-in intervals to draw from [s].
    cold_snap : bool
        A week at -30 degC in midwinter.
    """

    nodes: int
    days: float
    seed: int
    start: float = DEFAULT_START
    gateways: int | None = None
    fault_share: float = 0.25
    faults: tuple[str, ...] | None = None
    healthy: bool = False
    noise: str = "smooth"
    intervals_s: tuple[float, ...] = (3_600.0, 3_600.0, 3_600.0, 1_800.0)
    cold_snap: bool = True

    def __post_init__(self) -> None:
        if self.nodes < 1 or not 1 <= self.days <= 36_525 or not 0 <= self.fault_share <= 1:
            raise InputError("a fleet needs 1 node or more, 1 to 36525 days and a fault share from 0 to 1")
        if self.noise not in NOISES:
            raise InputError(f"noise {self.noise!r} is not known", remedy=f"use one of: {', '.join(NOISES)}")
        unknown = sorted(set(self.faults or ()) - set(FAULT_WEIGHTS))
        if unknown:
            raise InputError(f"fault {unknown[0]!r} is not known", remedy=f"use: {', '.join(FAULT_WEIGHTS)}")

    @property
    def end(self) -> float:
        """Last instant [s since 1970-01-01 UTC]."""
        return self.start + self.days * DAY_S

    @property
    def gateway_count(self) -> int:
        """How many gateways the fleet has."""
        return self.gateways or max(3, round(self.nodes / 30))

    @property
    def rough(self) -> bool:
        """Whether the second noise model is on."""
        return self.noise == "rough"

    def rng(self, *key: object) -> np.random.Generator:
        """Return a random stream of its own for a purpose, so that adding a draw in one place moves no other."""
        words = [zlib.crc32(str(k).encode()) for k in key]
        return np.random.default_rng([self.seed, *words])


def local_hour(time: np.ndarray) -> np.ndarray:
    """Hour of the local day [h]."""
    return (time / HOUR_S + LOCAL_OFFSET_H) % 24.0


def day_of_year(time: np.ndarray) -> np.ndarray:
    """Day of a year of 365.25 days, counted from 1 January 1970 [d]."""
    return (time / DAY_S) % 365.25
