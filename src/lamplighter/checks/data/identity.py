"""Finds two nodes that answer to one name: check-ins in two phases that differ in what they carry."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.settings.data import DataSettings

OWN = ("battery_v", "rssi_dbm")
"""Channels of the node itself: nothing in a process makes them swing at the pace of check-ins."""
CHANNELS = (*OWN, "reading", "temperature_c")
LOOK = 4
"""One block in so many is looked at first."""
CLEAR = 2.0
"""The gaps between two nodes' phases are this many times as wide as any within them: else it is one node's jitter."""
LEAST = 8
"""Fewer comparisons in a block tell nothing."""
SPACINGS = 500
"""About so many spacings show the most common one."""
CROWD = 0.04
"""Spacings that differ by less, as a share, are taken for one."""


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
        Distance of the two phases as a share of the interval, in the half-year with most such blocks.
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
    """Blocks of check-ins of a half-year in which it falls into two.

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
    """Return a half-year in which there was too little to look at."""
    none = len(CHANNELS)
    return PartSplit(told=(0,) * none, sizes=(math.nan,) * none)


def find_split(half: NodeHistory, s: DataSettings) -> PartSplit:
    """Look for two nodes under one name in a half-year, with each interval that its check-ins may have."""
    blocks = blocks_in(half, s.block_rows)
    found = [_split_at(half, blocks, interval, s) for interval in intervals(half.own)] if blocks else []
    return max(found, key=lambda x: x.split, default=no_split())


def blocks_in(half: NodeHistory, rows: int) -> int:
    """Return how many blocks end with a half-year; less than half of the first may be taken from the lead-in."""
    return min((len(half) - half.lead + rows // 2) // rows, len(half) // rows)


def intervals(history: NodeHistory) -> list[float]:
    """Intervals that two interleaved nodes may have [s]: the spacing of every second check-in, and the register's."""
    second = history.time[2:] - history.time[:-2]
    second = second[:: max(len(second) // SPACINGS, 1)]
    second = second[second > 0]
    found = [densest(second)] if len(second) else []
    if history.entry.interval_s and not any(abs(history.entry.interval_s / f - 1) < 0.02 for f in found):
        found.append(history.entry.interval_s)
    return found


def densest(values: np.ndarray) -> float:
    """Return the middle of the narrow stretch that holds most of some positive values."""
    ordered = np.sort(values)
    held = ordered.searchsorted(ordered * (1 + CROWD), side="right") - np.arange(len(ordered))
    first = int(held.argmax())
    return float(ordered[first + (int(held[first]) - 1) // 2])


def _split_at(half: NodeHistory, blocks: int, interval: float, s: DataSettings) -> PartSplit:
    """Look at every few blocks first, both outermost among them, and at all of them where one of these is split."""
    few = np.append(0, np.arange((blocks - 1) % LOOK or LOOK, blocks, LOOK))
    if not _compared(half, blocks, interval, few, s).split.any():
        return replace(no_split(), blocks=blocks)
    found = _compared(half, blocks, interval, np.arange(blocks), s)
    place = found.block[found.split]
    time = _blocked(half.time, blocks, place, s.block_rows)
    return PartSplit(
        blocks=blocks,
        split=len(place),
        before=int(place[0]),
        behind=blocks - 1 - int(place[-1]),
        since=float(time[0, 0]),
        until=float(time[-1, -1]),
        told=tuple(found.told[:, found.split].sum(axis=1).tolist()),
        sizes=tuple(np.median(found.size[:, found.split], axis=1).tolist()),
        phase=float(np.median(found.apart[found.split])),
        interval_s=interval,
    )


def _blocked(values: np.ndarray, blocks: int, which: np.ndarray, rows: int) -> np.ndarray:
    """Return some of the last blocks of a column, shape (which, rows)."""
    return values[len(values) - blocks * rows :].reshape(blocks, rows)[which]


@dataclass(frozen=True, slots=True)
class Compared:
    """Blocks with two phase groups, which were compared.

    block : which they are, shape (k,); split : whether they are two nodes' ; told, size : whether the groups differ in
    each channel and by how much, shape (channels, k); apart : how far apart the phases lie, shape (k,).
    """

    block: np.ndarray
    split: np.ndarray
    told: np.ndarray
    size: np.ndarray
    apart: np.ndarray


def _compared(half: NodeHistory, blocks: int, interval: float, which: np.ndarray, s: DataSettings) -> Compared:
    """Compare the phase groups of some blocks."""
    turns = _blocked(half.time, blocks, which, s.block_rows) / interval
    second, tight, apart = phase_groups(turns - np.floor(turns), s)
    block = which[tight]
    if len(block) == 0:
        none = np.empty((len(CHANNELS), 0))
        return Compared(block=block, split=tight[:0], told=none > 0, size=none, apart=apart[:0])
    # Rows come first in memory, so that whole blocks are worked on at a time.
    values = np.empty((s.block_rows, len(CHANNELS), len(block)))
    for k, name in enumerate(CHANNELS):
        values[:, k] = _blocked(getattr(half, name), blocks, block, s.block_rows).T
    size, t = group_difference(values, second)
    t = np.abs(t)
    told = t >= s.split_t
    split = (told.sum(axis=0) >= s.split_channels) | (t[: len(OWN)] >= s.split_sure_t).any(axis=0)
    return Compared(block=block, split=split, told=told, size=np.abs(size), apart=apart[tight])


def phase_groups(phase: np.ndarray, s: DataSettings) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Split the phases of each block in two at its two widest gaps.

    Parameters
    ----------
    phase : ndarray, shape (blocks, rows)
        Phase of each check-in [0..1).

    Returns
    -------
    second : ndarray of bool, shape (rows, tight blocks)
        Whether a check-in belongs to the second group, for the tight blocks alone.
    tight : ndarray of bool, shape (blocks,)
        Whether both groups are narrow and large enough, and clear of each other.
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
    gaps[index, next_widest] = -1.0
    low, high = np.minimum(widest, next_widest), np.maximum(widest, next_widest)
    begin, end = ordered[index, low + 1], ordered[index, high]
    width_inside = end - begin
    width_outside = 1 - width_inside - wide - apart
    size = high - low
    large = (size >= s.split_share * rows) & (size <= (1 - s.split_share) * rows)
    tight = large & (np.maximum(width_inside, width_outside) <= s.phase_width) & (apart >= CLEAR * gaps.max(axis=1))
    inside = phase[tight].T
    return (inside >= begin[tight]) & (inside <= end[tight]), tight, apart


def group_difference(values: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Compare the two groups of each block in each channel.

    Each check-in is compared with its two neighbours where both are of the other group, which takes trends out.
    Channels sent too seldom for that are compared by their means.

    Parameters
    ----------
    values : ndarray, shape (rows, channels, blocks)
    second : ndarray of bool, shape (rows, blocks)

    Returns
    -------
    size, t : ndarray, shape (channels, blocks)
        Mean difference second minus first, and how many standard errors it is; 0 where it cannot be told.
    """
    size, t, n = _by_neighbours(values, second)
    few = n < LEAST
    if few.any():
        _, block = np.nonzero(few)
        size[few], t[few] = _by_means(values[:, few], second[:, block])
    return size, t


def _by_neighbours(values: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    other = (second[1:-1] != second[:-2]) & (second[1:-1] != second[2:])
    apart = values[1:-1] - (values[:-2] + values[2:]) / 2
    apart *= np.where(other, np.where(second[1:-1], 1.0, -1.0), 0.0)[:, None]
    total, n = apart.sum(axis=0), np.broadcast_to(np.count_nonzero(other, axis=0), apart.shape[1:])
    if np.isnan(total).any():
        known = np.isfinite(apart)
        apart = np.where(known, apart, 0.0)
        total, n = apart.sum(axis=0), np.count_nonzero(known & other[:, None], axis=0)
    mean = total / np.maximum(n, 1)
    square = np.maximum((apart * apart).sum(axis=0) - n * mean**2, 0.0)
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
    """Mean, sum of squares about it and count of the values to use in each column."""
    n = np.count_nonzero(use, axis=0)
    kept = np.where(use, values, 0.0)
    mean = kept.sum(axis=0) / np.maximum(n, 1)
    kept -= mean
    kept *= use
    return mean, (kept * kept).sum(axis=0), n


def _least_error(values: np.ndarray) -> np.ndarray:
    """Error below which a difference is one of rounding."""
    return np.fmax.reduce(np.abs(values), axis=0, initial=0.0) * 1e-9 + 1e-12
