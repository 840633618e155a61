"""One node's record in blocks: half-years, condensed to summaries once closed, and the open one in rows.

A check says twice what it knows. ``summarise`` condenses the rows of one block; ``measure`` puts the summaries of all
blocks together. Summaries of closed blocks may be kept, so that a week more costs a block's rows and not all of them.
A run that reads everything goes the same way, and so gives the same answer to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np

from lamplighter.checkins import DAY_S, Daily, NodeArrays, NodeHistory, columns_of
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.stats.order import crowded

BLOCK_MONTHS = 6
"""A closed block is half a year: shorter ones cost more to make and to keep, longer ones more to read while open."""
OPEN_D = 60.0
"""The open block reaches back at least this far: another is closed when it ended so many days ago. What is asked about
the last weeks is then answered from rows."""
LEAD_D = 14.0
"""Rows before a block that it is given as well, for what happens at its edge [d]."""

S = TypeVar("S")
Fetch = Callable[[float, float], NodeArrays]
"""From the first and the last instant [s] to the check-ins between, both included."""


def block_at(time: float) -> int:
    """Return the half-year that holds an instant, counted from 1970-01-01 UTC."""
    return int(np.datetime64(int(time // DAY_S), "D").astype("datetime64[M]").astype(np.int64)) // BLOCK_MONTHS


def block_start(block: int) -> float:
    """Return the first instant of a half-year [s since 1970-01-01 UTC]."""
    return float(np.datetime64(BLOCK_MONTHS * block, "M").astype("datetime64[D]").astype(np.int64)) * DAY_S


def block_months(block: int) -> list[str]:
    """Return the months of a half-year (``2026-01``), after the one that holds its lead-in."""
    return [str(np.datetime64(BLOCK_MONTHS * block + k, "M")) for k in range(-1, BLOCK_MONTHS)]


def open_block(as_of: float) -> int:
    """Return the first half-year that is not closed at an instant; the open block begins with it."""
    return block_at(as_of - OPEN_D * DAY_S)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """When check-ins came, by block; arrays of shape (n_blocks,).

    first, last : first and last check-in [s]; rows : how many there are;
    interval : most common spacing [s], NaN where a block has too few rows.
    """

    first: np.ndarray
    last: np.ndarray
    rows: np.ndarray
    interval: np.ndarray


def rhythm_of(block: NodeHistory) -> Rhythm:
    """Summarise when a block's own check-ins came; it must have some."""
    own = block.own
    return Rhythm(*(np.array([x]) for x in (own.time[0], own.time[-1], len(own), own.typical_interval_s)))


@dataclass(frozen=True)
class Record:
    """What is known of one node when it is measured.

    Attributes
    ----------
    node, entry, worklog, traits, start, as_of
        As of :class:`lamplighter.checkins.NodeHistory`.
    open : NodeHistory
        Rows of the open block, those of its lead-in included; it begins at least :data:`OPEN_D` days before ``as_of``
        and has no rows of its own when the node has been silent since.
    daily : Daily
        Summaries of all days.
    rhythm : Rhythm
    fetch : callable
        Reads rows again; see :meth:`rows`.
    """

    node: str
    entry: RegisterEntry
    worklog: tuple[WorkEntry, ...]
    traits: frozenset[str]
    start: float
    as_of: float
    open: NodeHistory
    daily: Daily
    rhythm: Rhythm
    fetch: Fetch

    @cached_property
    def typical_interval_s(self) -> float:
        """The most common spacing of check-ins [s]; NaN when it cannot be told."""
        known = np.isfinite(self.rhythm.interval)
        return crowded(self.rhythm.interval[known], times=self.rhythm.rows[known]) if known.any() else np.nan

    @property
    def first(self) -> float:
        """The first check-in [s]."""
        return float(self.rhythm.first[0])

    @property
    def last(self) -> float:
        """The last check-in [s]."""
        return float(self.rhythm.last[-1])

    @property
    def check_ins(self) -> int:
        """Number of check-ins."""
        return int(self.rhythm.rows.sum())

    def rows(self, since: float, until: float = np.inf) -> NodeHistory:
        """Return the check-ins between two instants, both included; those before the open block are read again."""
        until = min(until, self.as_of)
        if len(self.open) and since >= self.open.time[0]:
            return between(self.open, since, until)
        return replace(self.open, lead=0, **columns_of(self.fetch(since, until)))


def between(history: NodeHistory, since: float, until: float) -> NodeHistory:
    """Return the part of a history between two instants, both included; without a lead-in."""
    a, b = np.searchsorted(history.time, since), np.searchsorted(history.time, until, side="right")
    return replace(history, lead=0, **columns_of(history, a, b))


def blocks_of(history: NodeHistory) -> Iterator[tuple[int, NodeHistory]]:
    """Cut a history into its blocks, each with its lead-in; yield the number of each and its rows.

    Blocks without rows of their own are left out, but for the last one, which is open.
    """
    time = history.time[history.lead :]
    last = open_block(history.as_of)
    first = min(block_at(time[0]), last) if len(time) else last
    edges = [block_start(k) for k in range(first, last + 1)]
    places = [*np.searchsorted(time, edges), len(time)]
    for block, edge, a, b in zip(range(first, last + 1), edges, places[:-1], places[1:], strict=True):
        if b > a or block == last:
            a, b = int(a) + history.lead, int(b) + history.lead
            lead = int(np.searchsorted(history.time[:a], edge - LEAD_D * DAY_S))
            yield block, replace(history, lead=a - lead, **columns_of(history, lead, b))


def joined(parts: Sequence[S]) -> S:
    """Join the summaries of consecutive blocks: every field is an array along which they follow each other."""
    if len(parts) == 1:
        return parts[0]
    kind: Any = type(parts[0])
    return kind(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(kind)})
