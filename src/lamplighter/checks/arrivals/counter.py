"""The node's own counter: misses known exactly, where the counter can be believed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

WRAPS = (*(2.0**k for k in (4, 5, 6, 7, 8, 10, 12, 15, 16, 24, 31, 32)), 1e2, 1e3, 1e4, 1e5)
"""Sizes at which counters start again at zero."""
AGREES = 0.998
"""Share of spacings on which a counter must agree with the clock to be believed at all; one that goes astray more
often, or rows that arrive long after they were sent, are better counted by the clock."""
OFF = 1.5
OFF_SHARE = 0.1
"""A counter may differ from the clock by this many check-ins or this share of them; beyond, the clock counts."""
OVERTAKEN = 5.0
"""A counter that steps back by less than this was overtaken on its way; by more, it wrapped or started again."""
LEAST = 20
"""Fewer steps, or gaps, than this say nothing of a counter."""
MOST_STEPS = 20
"""Longer gaps are no single losses; over them a counter may have started again."""
NEVER_SKIPS = 0.8
"""Share of gaps over which a number moves on by one, from which on it counts rows and not check-ins."""


def repeats(sequence: np.ndarray) -> np.ndarray:
    """Mark rows that carry the counter of the row before: the same check-in again, shape (n,)."""
    return np.concatenate([[False], np.diff(sequence) == 0]) if len(sequence) else np.zeros(0, bool)


@dataclass(frozen=True)
class Counted:
    """Steps between rows by the counter.

    Attributes
    ----------
    steps : ndarray of int, shape (n - 1,)
        0 where the counter is missing or differs from the clock, which then counts.
    lost, by_one : int
        Short gaps by the clock, and those of them over which the counter moved on by one.
    """

    steps: np.ndarray
    lost: int
    by_one: int


def counted_steps(sequence: np.ndarray, steps: np.ndarray) -> Counted | None:
    """Count steps between rows by the counter where it agrees with the clock.

    Parameters
    ----------
    sequence : ndarray, shape (n,)
        Counter of each row; NaN where missing.
    steps : ndarray of int, shape (n - 1,)
        Intervals that passed by the clock.

    Returns
    -------
    Counted or None
        None when there is no counter, or it goes astray.
    """
    if np.isfinite(sequence).sum() < LEAST:
        return None
    sequence = in_order(sequence)
    change = np.diff(sequence)
    known = np.isfinite(change)
    if known.sum() < max(LEAST, 0.5 * len(steps)):
        return None
    unwrapped = _unwrapped(change, steps, sequence)
    with np.errstate(invalid="ignore"):
        near = np.abs(unwrapped - steps) <= np.maximum(OFF, OFF_SHARE * steps)
    believed = known & near & (unwrapped >= 1)
    if believed.sum() < AGREES * known.sum():
        return None
    lost = known & (steps >= 2) & (steps <= MOST_STEPS)
    whole = np.where(believed, np.nan_to_num(unwrapped), 0.0).astype(np.int64)
    return Counted(whole, int(lost.sum()), int(np.sum(unwrapped[lost] == 1)))


def numbers_rows(lost: int, by_one: int, least: int = LEAST) -> bool:
    """Whether a counter does not count check-ins: a number given to rows as they were stored never skips.

    Parameters
    ----------
    lost, by_one : int
        As of :class:`Counted`.
    least : int
        Fewer gaps than this say nothing.
    """
    return lost >= least and by_one > NEVER_SKIPS * lost


def in_order(sequence: np.ndarray) -> np.ndarray:
    """Exchange counters of neighbouring rows that overtook each other on their way, shape (n,)."""
    answer = sequence.copy()
    for first in (0, 1):  # pairs that begin at even, then at odd rows
        left, right = answer[first:-1:2], answer[first + 1 :: 2]
        back = right - left
        swap = (back < 0) & (back > -OVERTAKEN)
        left[swap], right[swap] = right[swap], left[swap]
    return answer


def _unwrapped(change: np.ndarray, steps: np.ndarray, sequence: np.ndarray) -> np.ndarray:
    """Counter changes with wraps undone, as often as the clock says."""
    back = change < 0
    if not back.any():
        return change
    best, most = change, -1
    for size in (w for w in WRAPS if w > np.nanmax(sequence)):
        turns = np.where(
            back, np.maximum(np.rint((steps - change) / size), 1), np.maximum(np.rint((steps - change) / size), 0)
        )
        undone = change + turns * size
        hits = int(np.sum(np.abs(undone[back] - steps[back]) <= np.maximum(OFF, OFF_SHARE * steps[back])))
        if hits > most:
            best, most = undone, hits
    return best
