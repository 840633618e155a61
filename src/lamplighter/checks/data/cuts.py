"""Proposes where the scale of a reading may have changed: jumps like a ratio of units, and changes of resolution."""

from __future__ import annotations

import math

import numpy as np

from lamplighter.checkins import day_of
from lamplighter.checks.data.units import LOG_RATIOS, ROUNDING
from lamplighter.settings.data import DataSettings
from lamplighter.stats.order import largest, ranked_within, stretches

CANDIDATES = 5
"""Most jumps of a quarter that are looked at closely, for each way to rank them."""
CHANGES, CHANGE_JUMPS = 2, 4
"""Largest changes of resolution that are looked at closely, and jumps about each."""
GRAIN_BLOCKS = 8
"""Blocks on either side by which a change of resolution is seen."""
LEAST_CHANGE = float(LOG_RATIOS.min()) / 2
"""A smaller change of resolution is not one of units [log ratio]."""
EDGE = 8
"""Steps from the edge of a resolution within which the change is looked for."""
REACH = 6
"""Check-ins on either side of a jump by which it is ranked."""
_ORDERED = np.sort(LOG_RATIOS)
_BETWEEN = (_ORDERED[1:] + _ORDERED[:-1]) / 2


def cuts(
    time: np.ndarray, value: np.ndarray, log: np.ndarray, first: int, slack: float, s: DataSettings
) -> list[tuple[int, bool]]:
    """Return the check-ins from ``first`` on at which the scale may have changed.

    Each with whether the resolution may have changed there: where it did not, the jump must be like a ratio of units,
    within ``slack`` times the tolerance.
    """
    size = np.abs(np.diff(log))
    grain = Grain.of(value, s.scale_grain_rows)
    proposed = {*jumps_like_a_unit(time, log, size, first, s), *grain_changes(value, size, grain, first)}
    cut = np.array(sorted(k for k in proposed if k >= first), dtype=np.int64)
    changed = grain.changed(cut)
    stir, known = stir_around(size, cut, s.scale_check_ins)
    alike = from_a_ratio(size[cut - 1]) <= slack * (s.scale_instant + stir)
    kept = known & (stir <= s.scale_stir) & (changed | alike)
    return [(int(k), bool(c)) for k, c in zip(cut[kept], changed[kept], strict=True)]


def from_a_ratio(size: np.ndarray) -> np.ndarray:
    """Return how far logarithms lie from that of the nearest ratio of units."""
    return np.abs(size - _ORDERED[np.searchsorted(_BETWEEN, size)])


def stir_around(size: np.ndarray, cut: np.ndarray, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the usual step of the check-ins around some places, and whether there are enough of them, shape (k,)."""
    none = np.full(width, np.nan)
    # The jump itself lies between the two stretches and belongs to neither.
    windows = np.lib.stride_tricks.sliding_window_view(np.concatenate([none, size, none]), width - 1)
    before, after = windows[cut], windows[cut + width]
    around = np.sort(np.concatenate([before, after], axis=1), axis=1)
    n = np.isfinite(around).sum(axis=1)
    row, last = np.arange(len(cut)), np.maximum(n - 1, 0)
    stir = (around[row, last // 2] + around[row, (last + 1) // 2]) / 2
    least = width // 2 - 1
    known = (np.isfinite(before).sum(axis=1) >= least) & (np.isfinite(after).sum(axis=1) >= least)
    return np.where(known, stir, np.inf), known


class Grain:
    """Resolution by blocks of check-ins.

    Attributes
    ----------
    rows : int
        Check-ins in a block.
    before, after : ndarray, shape (blocks,)
        Middle resolution of some blocks up to each, and from each on [log].
    change : ndarray, shape (blocks - 1,)
        Size of the change of resolution after each block but the last; NaN where it is not known.
    """

    def __init__(self, rows: int, grain: np.ndarray) -> None:
        self.rows = rows
        self.before = _running_median(grain, GRAIN_BLOCKS)
        self.after = _running_median(grain[::-1], GRAIN_BLOCKS)[::-1]
        self.change = np.abs(self.after[1:] - self.before[:-1])

    @classmethod
    def of(cls, value: np.ndarray, rows: int) -> Grain:
        """Take the resolution of each block from its second smallest spacing of values."""
        blocks = (len(value) - 1) // rows
        spacing = np.diff(np.sort(value[: blocks * rows].reshape(blocks, rows), axis=1), axis=1)
        spacing[spacing <= value.max() * ROUNDING] = np.inf
        second = np.partition(spacing, 1, axis=1)[:, 1]
        return cls(rows, np.log(second, out=np.full(blocks, np.nan), where=np.isfinite(second)))

    def changed(self, cut: np.ndarray) -> np.ndarray:
        """Whether the resolution may have changed at some check-ins: seen there to have, or not known."""
        unknown = np.full(2, np.inf)
        change = np.concatenate([unknown, np.where(np.isfinite(self.change), self.change, np.inf), unknown, unknown])
        block = np.minimum(cut // self.rows, len(self.change) + 1)
        return change[block[:, None] + np.arange(4)].max(axis=1) >= LEAST_CHANGE


def grain_changes(value: np.ndarray, size: np.ndarray, grain: Grain, first: int) -> list[int]:
    """Return the largest jumps about the places where the resolution changes most.

    A change of scale takes the resolution with it, whatever the process does at the time.
    """
    rows, change = grain.rows, np.nan_to_num(grain.change, nan=0.0, posinf=0.0)
    change[: max(first // rows - GRAIN_BLOCKS, 0)] = 0.0
    found: list[int] = []
    for _ in range(CHANGES if len(change) >= 3 else 0):
        best = int(np.argmax(change))
        if change[best] < LEAST_CHANGE:
            break
        # Medians blur the place: the edge lies anywhere in the plateau about it.
        plateau = np.flatnonzero(change[best : best + GRAIN_BLOCKS] >= 0.9 * change[best])
        a, b = max((best - 2) * rows, 0), min((best + int(plateau[-1]) + 4) * rows, len(value) - 1)
        jump = size[a:b]
        found += [a + 1 + int(k) for k in largest(jump, CHANGE_JUMPS)]
        c, d = edge(
            np.abs(np.diff(value[a : b + 1])), math.exp(grain.before[best]), math.exp(grain.after[best + 1])
        )  # fmt: skip
        found += [a + 1 + c + int(k) for k in largest(jump[c:d], CHANGE_JUMPS)]
        change[max(best - GRAIN_BLOCKS, 0) : best + 2 * GRAIN_BLOCKS] = 0.0
    return found


def edge(steps: np.ndarray, before: float, after: float) -> tuple[int, int]:
    """Return the steps among which the resolution changed: next to the outermost step too small for the coarser one."""
    small = np.flatnonzero((steps > 0) & (steps < math.sqrt(before * after)))
    if len(small) == 0:
        return 0, len(steps)
    if after < before:
        return max(int(small[0]) - EDGE, 0), int(small[0]) + 1
    return int(small[-1]), min(int(small[-1]) + 1 + EDGE, len(steps))


def jumps_like_a_unit(time: np.ndarray, log: np.ndarray, size: np.ndarray, first: int, s: DataSettings) -> list[int]:
    """Return the first check-ins after the jumps near a ratio of units whose surroundings differ by it best.

    Ranked once by the check-ins around and once by the days around; the largest jumps of all are added.
    """
    widest = largest(size[first - 1 :], CHANGE_JUMPS) + first
    near = np.flatnonzero(size > _ORDERED[0] - s.scale_instant)
    near = near[from_a_ratio(size[near]) <= s.scale_instant] + 1
    near = near[(near >= max(REACH, first)) & (near <= len(log) - REACH)]
    found = set(widest.tolist())
    if len(near) <= CANDIDATES:
        return [*(found | set(near.tolist()))]
    jump = log[near] - log[near - 1]
    reach = np.arange(1, REACH + 1)
    step = _middle(log[near[:, None] + reach - 1]) - _middle(log[near[:, None] - reach])
    by_check_ins = near[np.argsort(np.abs(step - jump), kind="stable")[:CANDIDATES]]
    by_days = near[np.argsort(np.abs(day_shift(time, log, near, s.scale_days) - jump), kind="stable")[:CANDIDATES]]
    return [*(found | set(by_check_ins.tolist()) | set(by_days.tolist()))]


def _middle(rows: np.ndarray) -> np.ndarray:
    """Return the median of each row of an even number of values; faster than NumPy's for short rows."""
    rows.sort(axis=1)
    half = rows.shape[1] // 2
    return (rows[:, half - 1] + rows[:, half]) / 2


def day_shift(time: np.ndarray, log: np.ndarray, near: np.ndarray, width: int) -> np.ndarray:
    """Return how far the daily middle of the days after each place lies above that of the days before, shape (k,)."""
    first, size = stretches(day_of(time))
    middle = ranked_within(log, size, size // 2)
    before, after = _running_median(middle, width), _running_median(middle[::-1], width)[::-1]
    place = np.searchsorted(first, near, side="right") - 1
    return np.nan_to_num(
        after[np.minimum(place + 1, len(after) - 1)] - before[np.maximum(place - 1, 0)], nan=np.inf
    )  # fmt: skip


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    """Return the median of the values up to each place within a width; NaN where fewer than three are known."""
    if len(values) == 0:
        return values
    padded = np.concatenate([np.full(width - 1, np.nan), values])
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    ordered = np.sort(windows, axis=1)
    count = np.isfinite(windows).sum(axis=1)
    middle = ordered[np.arange(len(values)), np.maximum((count - 1) // 2, 0)]
    return np.where(count >= 3, middle, np.nan)
