"""Local clock times to UTC: offsets, the hour that does not exist and the hour that comes twice."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

US = 1_000_000
"""Microseconds a second."""
DAY_US = 86_400 * US
_FIRST_YEAR, _LAST_YEAR = 1970, 2040


@dataclass(frozen=True)
class ZoneTable:
    """A zone's changes of offset: instants and offsets [us]; ``offset`` has one entry more than ``instant``."""

    instant: np.ndarray
    offset: np.ndarray

    @property
    def before(self) -> np.ndarray:
        """Local time at each change by the old offset."""
        return self.instant + self.offset[:-1]

    @property
    def after(self) -> np.ndarray:
        """Local time at each change by the new offset."""
        return self.instant + self.offset[1:]


@lru_cache(maxsize=64)
def zone_table(name: str) -> ZoneTable:
    """Return the changes of offset of an IANA zone from 1970 to 2040."""
    zone = ZoneInfo(name)

    def offset(when: datetime) -> timedelta:
        return when.astimezone(zone).utcoffset() or timedelta(0)

    when, end = datetime(_FIRST_YEAR, 1, 1, tzinfo=UTC), datetime(_LAST_YEAR, 1, 1, tzinfo=UTC)
    instants, offsets = [], [offset(when)]
    while when < end:
        later = when + timedelta(days=7)
        if offset(later) != offset(when):
            low, high = when, later
            while high - low > timedelta(seconds=1):
                middle = low + (high - low) / 2
                middle -= timedelta(microseconds=middle.microsecond)
                low, high = (
                    (middle, high)
                    if offset(middle) == offset(when) and middle > low
                    else (low, max(middle, low + timedelta(seconds=1)))
                )
            instants.append(round(high.timestamp()) * US)
            offsets.append(offset(later))
        when = later
    whole = [round(o.total_seconds()) * US for o in offsets]
    return ZoneTable(np.array(instants, dtype=np.int64), np.array(whole, dtype=np.int64))


@dataclass(frozen=True)
class LocalTimes:
    """Local times turned into UTC [us], with the doubtful ones marked; all arrays of shape (n,).

    ``twice`` marks times in the hour that comes twice: ``utc`` is its first pass, ``extra`` [us] leads to the second.
    ``never`` marks times that the clock skips: they are read by the offset that held before the change.
    """

    utc: np.ndarray
    twice: np.ndarray
    never: np.ndarray
    extra: np.ndarray


def to_utc(local: np.ndarray, zone: str) -> LocalTimes:
    """Turn local times into UTC.

    Parameters
    ----------
    local : ndarray of int64, shape (n,)
        Microseconds since 1970-01-01 on the local clock.
    zone : str
        IANA name.
    """
    table = zone_table(zone)
    none = np.zeros(len(local), dtype=bool)
    if len(table.instant) == 0:
        return LocalTimes(local - table.offset[0], none, none, np.zeros(len(local), dtype=np.int64))
    low, high = np.minimum(table.before, table.after), np.maximum(table.before, table.after)
    past = np.searchsorted(high, local, side="right")
    begun = np.searchsorted(low, local, side="right")
    inside = begun > past
    change = np.minimum(past, len(table.instant) - 1)
    step = table.offset[1:][change] - table.offset[:-1][change]
    return LocalTimes(
        utc=local - table.offset[past],
        twice=inside & (step < 0),
        never=inside & (step > 0),
        extra=np.where(inside & (step < 0), -step, 0),
    )


@dataclass(frozen=True, slots=True)
class LastRow:
    """A node's row next to a block: its local time [us], whether that comes twice, and if so in which pass it fell."""

    local: int
    twice: bool
    second: bool


ClockMemory = dict[int, LastRow]
"""Each node's last row before a block of rows, so that order of arrival carries on from block to block."""


def second_pass(
    node: np.ndarray, local: np.ndarray, times: LocalTimes, memory: ClockMemory | None = None
) -> np.ndarray:
    """Return which rows fall in the second pass of a repeated hour, by order of arrival, shape (n,).

    Within one node the clock runs forward (or backward throughout, in exports with the newest row first), so where it
    steps back or stands still the second pass begins. A node seen only once in the hour is put where it leaves the
    smaller hole.

    Parameters
    ----------
    node, local : ndarray of shape (n,)
        Node and local time [us] of each row in order of arrival.
    times : LocalTimes
    memory : dict of node to LastRow, optional
        What came before; brought up to date.
    """
    second = np.zeros(len(node), dtype=bool)
    memory = {} if memory is None else memory
    if times.twice.any():
        inside = local[times.twice]
        near = np.flatnonzero((local > inside.min() - DAY_US) & (local < inside.max() + DAY_US))
        near = near[np.argsort(node[near], kind="stable")]
        edges = np.flatnonzero(np.diff(node[near], prepend=-1, append=-1))
        for a, b in pairwise(edges.tolist()):
            rows = near[a:b]
            if times.twice[rows].any():
                second[rows] = _second_of_node(
                    local[rows], times.twice[rows], times.extra[rows], memory.get(int(node[rows[0]]))
                )
    _remember(memory, node, local, times.twice, second)
    return second


def _second_of_node(local: np.ndarray, twice: np.ndarray, extra: np.ndarray, last: LastRow | None) -> np.ndarray:
    steps = np.diff(local)
    if last is not None and abs(int(local[0]) - last.local) > DAY_US:
        last = None
    backward = int((steps < 0).sum()) > int((steps > 0).sum())
    if backward:
        flipped = _by_time(local[::-1], twice[::-1], extra[::-1], None, last)
        return flipped[::-1]
    return _by_time(local, twice, extra, last, None)


def _by_time(
    local: np.ndarray, twice: np.ndarray, extra: np.ndarray, before: LastRow | None, after: LastRow | None
) -> np.ndarray:
    """Second passes of one node's rows, oldest first, with the rows that stand before and after them."""
    out = np.zeros(len(local), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], twice.astype(np.int8), [0]])))
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        steps = np.diff(local[a:b])
        turns = np.flatnonzero(steps < 0)
        turns = turns if len(turns) else np.flatnonzero(steps == 0)
        if len(turns):
            out[a + turns[0] + 1 : b] = True
            continue
        earlier = LastRow(int(local[a - 1]), False, False) if a else before
        later = LastRow(int(local[b]), False, False) if b < len(local) else after
        out[a:b] = _run_is_second(int(local[a]), int(local[b - 1]), int(extra[a]), earlier, later)
    return out


def _run_is_second(first: int, last: int, extra: int, before: LastRow | None, after: LastRow | None) -> bool:
    """Whether a run of rows without a step back falls in the second pass."""
    if before is not None and before.twice:
        return before.second or before.local >= first
    if after is not None and after.twice:
        return after.second and after.local > last
    hole_before = None if before is None else first - before.local
    hole_after = None if after is None else after.local - last
    if hole_after is None:
        return False
    if hole_before is None:
        return hole_after < extra
    return max(hole_before, hole_after + extra) > max(hole_before + extra, hole_after)


def _remember(memory: ClockMemory, node: np.ndarray, local: np.ndarray, twice: np.ndarray, second: np.ndarray) -> None:
    names, place = np.unique(node[::-1], return_index=True)
    for who, back in zip(names.tolist(), place.tolist(), strict=True):
        row = len(node) - 1 - back
        memory[who] = LastRow(int(local[row]), bool(twice[row]), bool(second[row]))
