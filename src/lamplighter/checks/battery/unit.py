"""Voltages that came in another unit for a part of the record, millivolts read as volts or the reverse.

Which unit is the usual one only the whole record can tell; a block keeps the days of either, see
:func:`lamplighter.checks.battery.summary.credible`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lamplighter.checkins import DAY_S, day_of
from lamplighter.checks.battery.credible import within
from lamplighter.checks.battery.summary import LEVELS, Summary
from lamplighter.settings.battery import BatterySettings
from lamplighter.stats.order import stretches

FACTOR = 1_000.0
LEAST_VOLTS, MOST_VOLTS = 0.1, 100.0
"""No battery of a transmitter has less or more [V]: such a level is in another unit."""
BESIDE = 12
"""Bins on either side that a change of the unit is judged by."""


def in_volts(kept: Summary, level: float, settings: BatterySettings) -> tuple[Summary, np.ndarray]:
    """Take to volts what lastingly came in another unit than volts.

    Parameters
    ----------
    kept : Summary
        Of all blocks.
    level : float
        Usual voltage of the record, in whichever unit.
    settings : BatterySettings

    Returns
    -------
    kept : Summary
        The same object where the unit never changed.
    factor : array, shape (n_bins,)
        What each bin was multiplied with.
    """
    to_level = factors(kept.volts, level)
    keep = np.zeros(len(to_level), bool)
    if (to_level == 1.0).all():
        return kept, to_level
    at, size = stretches(to_level)
    for a, b in zip(at, at + size, strict=True):
        keep[a:b] = to_level[a] != 1.0 and is_other_unit(kept, level, to_level[a], a, b, settings)
    if not keep.any():
        return kept, np.ones(len(to_level))
    whole = 1.0 / FACTOR if level > MOST_VOLTS else FACTOR if level < LEAST_VOLTS else 1.0
    factor = np.where(keep, to_level, 1.0) * whole
    # What is kept of single voltages is of a block's usual level.
    of_block = factors(kept.mean, level) * whole
    of_quarter = factor if len(factor) == len(kept.quarter) else factor[day_places(kept)]
    scaled = {name: getattr(kept, name) * factor for name in ("volts", "fall", "swing")}
    scaled |= {name: getattr(kept, name) * of_block for name in ("slope", "extra", "rounding", "mean", "scatter")}
    scaled |= {name: getattr(kept, name) * np.repeat(of_block, LEVELS) for name in ("step", "change")}
    return replace(kept, quarter_volts=kept.quarter_volts * of_quarter, **scaled), factor


def factors(volts: np.ndarray, level: float) -> np.ndarray:
    """Return what takes voltages to the record's level: 1, or the factor between two units."""
    near = [(volts * f > 0.5 * level) & (volts * f < 2.0 * level) for f in (FACTOR, 1.0 / FACTOR)]
    return np.select(near, [FACTOR, 1.0 / FACTOR], 1.0)


def day_places(kept: Summary) -> np.ndarray:
    """Return the bin of each quarter day, for bins of a day."""
    return np.searchsorted(day_of(kept.time), kept.quarter // 4)


def is_other_unit(kept: Summary, level: float, factor: float, a: int, b: int, settings: BatterySettings) -> bool:
    """Whether the bins from a up to b lastingly have the voltages of the bins beside them, but for a factor.

    A converter that dies sends anything, and hardly just a thousandth of the voltage before.
    """
    if kept.time[b - 1] - kept.time[a] < settings.unit_lasting_days * DAY_S:
        return False
    same = within(kept.volts, level)
    sides = [
        (np.flatnonzero(same[:a])[-BESIDE:], slice(a, min(a + BESIDE, b))),
        (b + np.flatnonzero(same[b:])[:BESIDE], slice(max(b - BESIDE, a), b)),
    ]
    apart = [
        abs(np.median(kept.volts[own]) * factor / np.median(kept.volts[beside]) - 1.0)
        for beside, own in sides
        if len(beside)
    ]
    return bool(apart) and bool(min(apart) < settings.unit_match_share)
