"""Runs of the whole record, put together from those kept of its blocks."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.stuck.longest import CREEP, EXACT
from lamplighter.checks.stuck.summary import SLOT_S, Summary
from lamplighter.checks.stuck.whole import Whole
from lamplighter.record import LEAD_D

COMPARABLE = 1.5
"""Runs within two steps count where the block's own step is less than this many times that of the record."""


@dataclass(frozen=True, slots=True)
class Table:
    """Runs in order of time, all arrays of shape (n_runs,).

    begin, end, watched [s]; count of readings; level : middle reading; low, high, mean, liveliness : lowest, highest
    and mean reading, and standard deviation; entry, leave : size of the step into the run and out of it, NaN at the
    ends of the record.
    """

    begin: np.ndarray
    end: np.ndarray
    watched: np.ndarray
    count: np.ndarray
    level: np.ndarray
    low: np.ndarray
    high: np.ndarray
    mean: np.ndarray
    liveliness: np.ndarray
    entry: np.ndarray
    leave: np.ndarray

    def __len__(self) -> int:
        return len(self.begin)

    def chosen(self, places: np.ndarray) -> Table:
        """Return some of the runs."""
        return Table(**{f.name: getattr(self, f.name)[places] for f in fields(self)})


def runs_of(summary: Summary, kind: int, whole: Whole) -> Table:
    """Return the runs of one kind; those that go on from one block to the next as one.

    Runs of equal readings at either side of a block's edge are one even across a silence longer than the lead-in.
    """
    chosen = summary.run_kind == kind
    if kind in CREEP:
        chosen &= np.repeat(summary.resolution, summary.kept) < COMPARABLE * whole.step
    begin, end, level = summary.run_begin[chosen], summary.run_end[chosen], summary.run_level[chosen]
    watched, entry, leave = summary.run_watched[chosen], summary.run_entry[chosen], summary.run_leave[chosen]
    count, goes_on = summary.run_count[chosen], summary.run_goes_on[chosen] > 0
    if not len(begin):
        return Table(*(np.zeros(0) for _ in fields(Table)))
    # Only the first run of a block has no step into it. The one before is then the last of the block before.
    at_edge = np.isnan(entry)
    at_edge[0] = False
    after_edge = np.append(at_edge[1:], False)
    across = np.abs(np.diff(level))
    entry, leave = entry.copy(), leave.copy()
    entry[at_edge], leave[after_edge] = across[at_edge[1:]], across[at_edge[1:]]
    near = np.append(False, begin[1:] - end[:-1] <= LEAD_D * DAY_S)
    goes_on &= at_edge & near
    if kind == EXACT:
        goes_on[1:] |= at_edge[1:] & (across == 0)
    first = np.flatnonzero(~goes_on)
    last = np.append(first[1:], len(begin)) - 1
    bridged = np.zeros(len(begin))
    bridged[1:] = np.minimum(begin[1:] - end[:-1], whole.longest_step) - whole.interval
    level = level[first]
    return Table(
        begin=begin[first],
        end=end[last],
        watched=np.add.reduceat(np.where(goes_on, watched + bridged, watched), first),
        count=np.add.reduceat(count, first),
        level=level,
        low=level,
        high=level,
        mean=level,
        liveliness=np.zeros(len(first)),
        entry=entry[first],
        leave=leave[last],
    )


def banded(summary: Summary, whole: Whole, band: float, shift: float) -> Table:
    """Return the runs of slots in which all readings stay within one class of a coarse grid.

    A run begins and ends somewhere in the slots beside it: half of either counts with it, unless that belongs to
    another run. A slot that holds several classes is a run by itself, of half its length.
    """
    low, high = summary.slot_low, summary.slot_high
    lowest, highest = np.floor(low / band + shift), np.floor(high / band + shift)
    still = lowest == highest
    first = np.flatnonzero(np.append(True, ~(still[1:] & still[:-1] & (lowest[1:] == lowest[:-1]))))
    last = np.append(first[1:], len(low)) - 1
    still, size = still[first], last - first + 1
    middle, spread = (low + high) / 2, (high - low) ** 2 / 12
    mean = np.add.reduceat(middle, first) / size
    variance = np.add.reduceat((middle - np.repeat(mean, size)) ** 2 + spread, first) / size
    return Table(
        begin=np.maximum(summary.slot[first] * SLOT_S, whole.first),
        end=np.minimum((summary.slot[last] + 1) * SLOT_S, whole.last),
        watched=_with_half_beside(np.add.reduceat(summary.slot_watched, first), still),
        count=_with_half_beside(np.add.reduceat(summary.slot_count, first), still),
        level=middle[(first + last) // 2],
        low=np.minimum.reduceat(low, first),
        high=np.maximum.reduceat(high, first),
        mean=mean,
        liveliness=np.sqrt(variance),
        entry=np.where(first > 0, summary.slot_step[first], np.nan),
        leave=np.append(summary.slot_step[first[1:]], np.nan),
    )


def _with_half_beside(amount: np.ndarray, still: np.ndarray) -> np.ndarray:
    half = np.where(still, 0.0, amount / 2)
    beside = np.append(half[1:], 0.0) + np.append(0.0, half[:-1])
    return np.where(still, amount + beside, half)
