"""Finds two nodes that answer to one name: check-ins in two phases that differ in what they carry."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.settings.data import DataSettings
from lamplighter.stats.order import crowded

OWN = ("battery_v", "rssi_dbm")
"""Channels of the node itself: nothing in a process makes them swing at the pace of check-ins."""
CHANNELS = (*OWN, "reading", "temperature_c")
LOOK = 4
"""One block in so many is looked at first."""
LEAST = 8
"""Fewer comparisons in a block tell nothing."""
SPACINGS = 1000
"""About so many spacings show the most common one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Blocks of check-ins in which a record falls into two.

    Attributes
    ----------
    blocks : int
        Blocks looked at.
    split : int
        Blocks in which enough channels differ between the two phase groups.
    since, until : float
        First check-in of the first such block, last of the last [s since 1970-01-01 UTC]; NaN without any.
    share_since : float
        Share of the blocks from the first such block to the last one that are such.
    differs : dict of channel to float
        Middle difference between the groups [unit of the channel] over these blocks, where the channel differs in most.
    phase : float
        Distance of the two phases as a share of the interval, in the quarter with most such blocks.
    interval_s : float
        Interval of either node there [s].
    """

    blocks: int = 0
    split: int = 0
    since: float = math.nan
    until: float = math.nan
    share_since: float = 0.0
    differs: dict[str, float] | None = None
    phase: float = math.nan
    interval_s: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSplit:
    """Blocks of check-ins of a quarter in which it falls into two.

    Attributes
    ----------
    blocks : int
        Blocks looked at.
    split : int
        Blocks in which enough channels differ between the two phase groups.
    before, behind : int
        Blocks before the first such block and after the last one.
    since, until : float
        First check-in of the first such block, last of the last [s since 1970-01-01 UTC]; NaN without any.
    told : tuple of int
        Of these blocks, those in which each channel differs.
    sizes : tuple of float
        Median difference between the groups in each channel [unit of the channel] over these blocks; NaN without any.
    phase : float
        Distance of the two phases as a share of the interval.
    interval_s : float
        Interval of either node [s].
    """

    blocks: int = 0
    split: int = 0
    before: int = 0
    behind: int = 0
    since: float = math.nan
    until: float = math.nan
    told: tuple[int, ...]
    sizes: tuple[float, ...]
    phase: float = math.nan
    interval_s: float = math.nan


def no_split() -> PartSplit:
    """Return a quarter in which there was too little to look at."""
    none = len(CHANNELS)
    return PartSplit(told=(0,) * none, sizes=(math.nan,) * none)


def find_split(quarter: NodeHistory, s: DataSettings) -> PartSplit:
    """Look for two nodes under one name in a quarter, with each interval that its check-ins may have."""
    blocks = blocks_in(quarter, s.block_rows)
    found = [_split_at(quarter, blocks, interval, s) for interval in intervals(quarter.own)] if blocks else []
    return max(found, key=lambda x: x.split, default=no_split())


def blocks_in(quarter: NodeHistory, rows: int) -> int:
    """Return how many blocks end with a quarter; less than half of the first may be taken from the lead-in."""
    return min((len(quarter) - quarter.lead + rows // 2) // rows, len(quarter) // rows)


def intervals(history: NodeHistory) -> list[float]:
    """Intervals that two interleaved nodes may have [s]: the spacing of every second check-in, and the register's."""
    second = history.time[2:] - history.time[:-2]
    second = second[:: max(len(second) // SPACINGS, 1)]
    second = second[second > 0]
    found = [crowded(second)] if len(second) else []
    if history.entry.interval_s and not any(abs(history.entry.interval_s / f - 1) < 0.02 for f in found):
        found.append(history.entry.interval_s)
    return found


def _split_at(quarter: NodeHistory, blocks: int, interval: float, s: DataSettings) -> PartSplit:
    """Look at every few blocks first, both outermost among them, and at all of them where one of these is split."""
    few = np.unique(np.append(np.arange(blocks - 1, -1, -LOOK), 0))
    if not _told(quarter, blocks, interval, few, s)[0].any():
        return replace(no_split(), blocks=blocks)
    split, told, sizes, apart = _told(quarter, blocks, interval, np.arange(blocks), s)
    time = _blocked(quarter.time, blocks, np.arange(blocks), s.block_rows)
    first, last = int(np.argmax(split)), blocks - 1 - int(np.argmax(split[::-1]))
    return PartSplit(
        blocks=blocks,
        split=int(split.sum()),
        before=first,
        behind=blocks - 1 - last,
        since=float(time[first, 0]),
        until=float(time[last, -1]),
        told=tuple(int(n) for n in told[split].sum(axis=0)),
        sizes=tuple(float(x) for x in np.median(sizes[split], axis=0)),
        phase=float(np.median(apart[split])),
        interval_s=interval,
    )


def _blocked(values: np.ndarray, blocks: int, which: np.ndarray, rows: int) -> np.ndarray:
    """Return some of the last blocks of a column, shape (which, rows)."""
    return values[len(values) - blocks * rows :].reshape(blocks, rows)[which]


def _told(
    quarter: NodeHistory, blocks: int, interval: float, which: np.ndarray, s: DataSettings
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Say of some blocks whether they are split, in which channels, by how much, and how far apart the phases lie."""
    turns = _blocked(quarter.time, blocks, which, s.block_rows) / interval
    second, tight, apart = phase_groups(turns - np.floor(turns), s)
    sizes, told = np.zeros((len(which), len(CHANNELS))), np.zeros((len(which), len(CHANNELS)), dtype=bool)
    split = np.zeros(len(which), dtype=bool)
    if not tight.any():
        return split, told, sizes, apart
    columns = [_blocked(getattr(quarter, name), blocks, which[tight], s.block_rows) for name in CHANNELS]
    size, t = group_difference(np.stack(columns), second)
    t, size = np.abs(t).T, np.abs(size).T
    told[tight], sizes[tight] = t >= s.split_t, size
    split[tight] = (told[tight].sum(axis=1) >= s.split_channels) | (t[:, : len(OWN)] >= s.split_sure_t).any(axis=1)
    return split, told, sizes, apart


def phase_groups(phase: np.ndarray, s: DataSettings) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Split the phases of each block in two at its two widest gaps.

    Parameters
    ----------
    phase : ndarray, shape (blocks, rows)
        Phase of each check-in [0..1).

    Returns
    -------
    second : ndarray of bool, shape (tight blocks, rows)
        Whether a check-in belongs to the second group, for the tight blocks alone.
    tight : ndarray of bool, shape (blocks,)
        Whether both groups are narrow and large enough.
    apart : ndarray, shape (blocks,)
        Distance between the groups, as a share of the interval.
    """
    rows = phase.shape[1]
    ordered = np.sort(phase, axis=1)
    gaps = np.concatenate([np.diff(ordered, axis=1), ordered[:, :1] + 1 - ordered[:, -1:]], axis=1)
    index = np.arange(len(phase))
    widest = np.argmax(gaps, axis=1)
    wide = gaps[index, widest]
    gaps[index, widest] = -1.0
    next_widest = np.argmax(gaps, axis=1)
    apart = gaps[index, next_widest]
    low, high = np.minimum(widest, next_widest), np.maximum(widest, next_widest)
    begin, end = ordered[index, low + 1], ordered[index, high]
    width_inside = end - begin
    width_outside = 1 - width_inside - wide - apart
    size = high - low
    large = (size >= s.split_share * rows) & (size <= (1 - s.split_share) * rows)
    tight = large & (np.maximum(width_inside, width_outside) <= s.phase_width)
    inside = phase[tight]
    return (inside >= begin[tight, None]) & (inside <= end[tight, None]), tight, apart


def group_difference(values: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Compare the two groups of each block in each channel.

    Each check-in is compared with its two neighbours where both are of the other group, which takes trends out.
    Channels sent too seldom for that are compared by their means.

    Parameters
    ----------
    values : ndarray, shape (channels, blocks, rows)
    second : ndarray of bool, shape (blocks, rows)

    Returns
    -------
    size, t : ndarray, shape (channels, blocks)
        Mean difference second minus first, and how many standard errors it is; 0 where it cannot be told.
    """
    size, t, n = _by_neighbours(values, second)
    few = n < LEAST
    if few.any():
        size[few], t[few] = _by_means(values[few], np.broadcast_to(second, values.shape)[few])
    return size, t


def _by_neighbours(values: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    other = (second[:, 1:-1] != second[:, :-2]) & (second[:, 1:-1] != second[:, 2:])
    apart = values[..., 1:-1] - (values[..., :-2] + values[..., 2:]) / 2
    apart *= np.where(second[:, 1:-1], 1.0, -1.0)
    mean, square, n = _moments(apart, np.isfinite(apart) & other)
    # Neighbours share values, so the terms are not independent: half of them count.
    error = np.sqrt(square / np.maximum(n - 1, 1) / np.maximum(n / 2, 1))
    return mean, mean / np.maximum(error, _least_error(values)), n


def _by_means(values: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    known = np.isfinite(values)
    first_mean, first_square, n = _moments(values, known & ~second)
    second_mean, second_square, m = _moments(values, known & second)
    pooled = (first_square + second_square) / np.maximum(n + m - 2, 1)
    error = np.sqrt(pooled * (1 / np.maximum(n, 1) + 1 / np.maximum(m, 1)))
    size = second_mean - first_mean
    t = np.where(np.minimum(n, m) >= LEAST // 2, size / np.maximum(error, _least_error(values)), 0.0)
    return size, t


def _moments(values: np.ndarray, use: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean, sum of squares about it and count of the values to use in each row."""
    n = np.count_nonzero(use, axis=-1)
    kept = np.where(use, values, 0.0)
    mean = kept.sum(axis=-1) / np.maximum(n, 1)
    kept -= mean[..., None]
    kept *= use
    return mean, np.einsum("...j,...j->...", kept, kept), n


def _least_error(values: np.ndarray) -> np.ndarray:
    """Error below which a difference is one of rounding."""
    largest = np.fmax.reduce(np.abs(values), axis=-1, initial=0.0)
    return largest * 1e-9 + 1e-12
