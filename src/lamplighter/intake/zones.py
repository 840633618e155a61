"""Local clock times to UTC: offsets, the hour that does not exist and the hour that comes twice."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
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


@dataclass
class ClockMemory:
    """Each node's last row before a block of rows, so that order of arrival carries on from block to block."""

    local: dict[int, int]
    second: dict[int, bool]


def second_pass(
    node: np.ndarray, local: np.ndarray, times: LocalTimes, memory: ClockMemory | None = None
) -> np.ndarray:
    """Return which rows fall in the second pass of a repeated hour, by order of arrival, shape (n,).

    Within one node the clock runs forward, so where it steps back (or, failing that, stands still) the second pass
    begins. A node seen only once in the hour is put where it leaves the smaller hole.

    Parameters
    ----------
    node, local : ndarray of shape (n,)
        Node and local time [us] of each row in order of arrival.
    times : LocalTimes
    memory : ClockMemory, optional
        What came before; brought up to date.
    """
    second = np.zeros(len(node), dtype=bool)
    if times.twice.any():
        for who in np.unique(node[times.twice]):
            rows = np.flatnonzero(node == who)
            backward = _runs_backward(local[rows])
            order = rows[::-1] if backward else rows
            passed = _second_of_node(local[order], times.twice[order], times.extra[order], memory, int(who))
            second[order] = passed
    if memory is not None and len(node):
        _remember(memory, node, local, second & times.twice)
    return second


def _runs_backward(local: np.ndarray) -> bool:
    steps = np.diff(local)
    return int((steps < 0).sum()) > int((steps > 0).sum())


def _second_of_node(
    local: np.ndarray, twice: np.ndarray, extra: np.ndarray, memory: ClockMemory | None, who: int
) -> np.ndarray:
    out = np.zeros(len(local), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], twice.astype(np.int8), [0]])))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        steps = np.diff(local[a:b])
        turns = np.flatnonzero(steps < 0)
        if not len(turns):
            turns = np.flatnonzero(steps == 0)
        before = local[a - 1] if a else None
        if before is None and memory is not None and who in memory.local and local[a] - memory.local[who] < DAY_US:
            before = memory.local[who]
            if memory.second.get(who) or before > local[a]:
                out[a:b] = True
                continue
        if len(turns):
            out[a + turns[0] + 1 : b] = True
            continue
        hole_before = local[a] - before if before is not None else None
        hole_after = local[b] - local[b - 1] if b < len(local) else None
        if hole_after is not None and (hole_before is None or hole_before < 0):
            out[a:b] = hole_before is not None or hole_after < extra[a]
        elif hole_after is not None and hole_before is not None:
            out[a:b] = max(hole_before, hole_after + extra[a]) > max(hole_before + extra[a], hole_after)
    return out


def _remember(memory: ClockMemory, node: np.ndarray, local: np.ndarray, second: np.ndarray) -> None:
    last = {int(n): i for i, n in enumerate(node.tolist())} if len(node) < 1000 else _last_rows(node)
    for who, row in last.items():
        memory.local[who] = int(local[row])
        memory.second[who] = bool(second[row])


def _last_rows(node: np.ndarray) -> dict[int, int]:
    names, first = np.unique(node[::-1], return_index=True)
    return {int(n): len(node) - 1 - int(i) for n, i in zip(names, first, strict=True)}
