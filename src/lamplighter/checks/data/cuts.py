"""Proposes where the scale of a reading may have changed: jumps like a ratio of units, and changes of resolution."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.data.units import LOG_RATIOS, ROUNDING
from lamplighter.settings.data import DataSettings
from lamplighter.stats.order import largest

CANDIDATES = 3
"""Most jumps of a half-year that are looked at closely, for each way to rank them."""
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


@dataclass(frozen=True, slots=True)
class Cut:
    """A check-in at which the scale may have changed.

    Attributes
    ----------
    place : int
        Its place among the check-ins.
    stir : float
        Usual step of the check-ins around it [log ratio].
    near : float
        How far the middle of the check-ins from it on lies above that of those before [log ratio].
    changed : bool
        Whether the resolution may have changed there: seen to have, or not known.
    usual : bool
        Whether jumps as large are known to be usual.
    """

    place: int
    stir: float
    near: float
    changed: bool
    usual: bool


def propose(
    time: np.ndarray,
    value: np.ndarray,
    log: np.ndarray,
    size: np.ndarray,
    first: int,
    usual: float,
    slack: float,
    s: DataSettings,
) -> list[Cut]:
    """Return the check-ins from ``first`` on at which the scale may have changed.

    Where the resolution did not change, the jump must be like a ratio of units, within ``slack`` times the tolerance.
    Jumps up to ``usual`` are known to be so.
    """
    grain = Grain.of(value, s.scale_grain_rows)
    proposed = {*jumps_like_a_unit(time, log, size, first, s), *grain_changes(value, size, grain, first)}
    place = np.array(sorted(k for k in proposed if k >= first), dtype=np.int64)
    return look_closely(log, size, place, grain.changed(place), usual, slack, s)


def look_closely(
    log: np.ndarray,
    size: np.ndarray,
    place: np.ndarray,
    changed: np.ndarray,
    usual: float,
    slack: float,
    s: DataSettings,
) -> list[Cut]:
    """Return those of some places about which the check-ins around do not rule a change of scale out."""
    width, jump = s.scale_check_ins, size[place - 1]
    around = _taken(log, place[:, None] + np.arange(-width, width))
    steps = np.abs(np.diff(around, axis=1))
    # The jump itself is none of them.
    steps[:, width - 1] = np.nan
    stir = _medians(steps)
    sides = _medians(around.reshape(-1, width))
    near = sides[1::2] - sides[::2]
    enough = np.minimum(place, len(log) - place) >= width // 2
    kept = enough & (stir <= s.scale_stir) & (changed | (from_a_ratio(jump) <= slack * (s.scale_instant + stir)))
    columns = (x[kept].tolist() for x in (place, stir, near, changed, jump <= usual))
    return [Cut(*values) for values in zip(*columns, strict=True)]


def _taken(values: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return the values at some places, NaN outside the array."""
    return np.where((places >= 0) & (places < len(values)), values.take(places, mode="clip"), np.nan)


def _medians(rows: np.ndarray) -> np.ndarray:
    """Return the median of the known values of each row, which it sorts; NaN without any."""
    rows.sort(axis=1)
    n = np.count_nonzero(np.isfinite(rows), axis=1)
    row, last = np.arange(len(rows)), np.maximum(n - 1, 0)
    return (rows[row, last // 2] + rows[row, (last + 1) // 2]) / 2


def from_a_ratio(size: np.ndarray) -> np.ndarray:
    """Return how far logarithms lie from that of the nearest ratio of units."""
    return np.abs(size - _ORDERED[np.searchsorted(_BETWEEN, size)])


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
        middle = _running_median(grain, GRAIN_BLOCKS)
        self.before, self.after = middle[: len(grain)], middle[GRAIN_BLOCKS - 1 :]
        self.change = np.abs(self.after[1:] - self.before[:-1])

    @classmethod
    def of(cls, value: np.ndarray, rows: int) -> Grain:
        """Take the resolution of each block from its second smallest spacing of values."""
        blocks = (len(value) - 1) // rows
        spacing = np.diff(np.sort(value[: blocks * rows].reshape(blocks, rows), axis=1), axis=1)
        np.putmask(spacing, spacing <= value.max() * ROUNDING, np.inf)
        # The second smallest; taking the smallest out is quicker than to sort or to part.
        spacing[np.arange(blocks), spacing.argmin(axis=1)] = np.inf
        second = spacing.min(axis=1)
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
    widest = (largest(size[first - 1 :], CHANGE_JUMPS) + first).tolist()
    near = np.flatnonzero(size > _ORDERED[0] - s.scale_instant)
    near = near[from_a_ratio(size[near]) <= s.scale_instant] + 1
    near = near[(near >= max(REACH, first)) & (near <= len(log) - REACH)]
    if len(near) <= CANDIDATES:
        return [*widest, *near.tolist()]
    jump, total = log[near] - log[near - 1], np.concatenate([[0.0], np.cumsum(log)])
    # Days are counted in check-ins here: near enough to rank by.
    day = max(int((len(log) - 1) * DAY_S / (time[-1] - time[0])), 1)
    for reach in (REACH, max(REACH, s.scale_days * day)):
        far = np.abs(_shift(total, np.maximum(near - reach, 0), near, np.minimum(near + reach, len(log))) - jump)
        widest += near[largest(-far, CANDIDATES)].tolist()
    return widest


def _shift(total: np.ndarray, first: np.ndarray, place: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Return how far the mean from each place to the last lies above that from the first, by the running total."""
    return (total[last] - total[place]) / (last - place) - (total[place] - total[first]) / (place - first)


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    """Return the lower median of every stretch of a width, those that reach over either end included.

    NaN where fewer than three values are known; shape (n + width - 1,).
    """
    if len(values) == 0:
        return np.full(width - 1, np.nan)
    ordered = _taken(values, np.arange(len(values) + width - 1)[:, None] + np.arange(1 - width, 1))
    ordered.sort(axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    middle = ordered[np.arange(len(ordered)), np.maximum((count - 1) // 2, 0)]
    return np.where(count >= 3, middle, np.nan)
