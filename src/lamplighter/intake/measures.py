"""Measured values into the units of the check-in table."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from lamplighter.intake.units import conversion

TARGET = {"battery_v": "v", "rssi_dbm": "dbm", "temperature_c": "degc"}
MAX_VOLTS = 100.0
"""No battery of a transmitter has more volts; a larger number is in millivolts."""


@dataclass
class Noticed:
    """What was noticed while one export was converted; counts of cells or rows."""

    records: int = 0
    strange: Counter[str] = field(default_factory=Counter)
    """Texts in place of numbers that are none of the known words."""
    skipped_hour: int = 0
    """Local times that the clock skips."""
    repeated_hour: int = 0
    """Local times in the hour that comes twice."""
    millivolts: int = 0
    percent: bool = False
    rssi_percent: bool = False
    clash: dict[str, tuple[str, str]] = field(default_factory=dict)
    """Nodes whose export unit cannot be turned into the register's."""
    converted: dict[str, tuple[str, str]] = field(default_factory=dict)
    """Nodes whose readings were turned from one unit into another."""
    unknown_tags: Counter[str] = field(default_factory=Counter)
    unknown_codes: set[str] = field(default_factory=set)


def in_table_unit(measure: str, value: np.ndarray, unit: str, noticed: Noticed) -> np.ndarray:
    """Turn battery, RSSI or temperature into V, dBm or degC.

    Battery values above 100 are millivolts whatever the heading says. A charge in percent is no voltage and a
    signal in percent no level: they become missing, with a notice.
    """
    if measure == "battery_v" and unit == "%":
        noticed.percent |= bool(np.isfinite(value).any())
        return np.full(len(value), np.nan)
    if measure == "rssi_dbm" and unit == "%":
        noticed.rssi_percent |= bool(np.isfinite(value).any())
        return np.full(len(value), np.nan)
    if measure == "battery_v":
        large = value > MAX_VOLTS if unit != "mv" else np.isfinite(value)
        if large.any():
            noticed.millivolts += int(large.sum())
            return np.where(large, value / 1000, value)
        return value
    scale = conversion(unit, TARGET[measure]) if measure in TARGET and unit else None
    return value if scale in (None, (1.0, 0.0)) else value * scale[0] + scale[1]


def reading_scale(node: str, unit: str, target: str, noticed: Noticed) -> tuple[float, float]:
    """Return what turns a node's reading into its register unit: (factor, offset)."""
    if not unit or not target or unit == target:
        return 1.0, 0.0
    scale = conversion(unit, target)
    if scale is None:
        noticed.clash[node] = (unit, target)
        return 1.0, 0.0
    if scale != (1.0, 0.0):
        noticed.converted[node] = (unit, target)
    return scale
