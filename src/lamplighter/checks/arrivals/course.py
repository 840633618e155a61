"""What is regular over a whole record and what is a spell of fast sampling, from stretches with one interval each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checks.arrivals.intervals import NEAR

LONGEST_SPELL = 10.0
"""A spell of fast sampling that ends by itself may last this many times what one at the end of the record may."""
FASTER = 0.7
"""An interval shorter than the regular one by this factor is fast sampling."""
FITS = 0.15
"""How near a spacing must come to whole regular intervals to be such, as a share of one."""
ONE_BY_ONE = 4.0
"""A gap of more regular intervals than this is an outage or a bad spell rather than single losses."""
OFTEN = 0.1
"""Share of the time from which on a node samples fast often enough to expect it in a long gap."""


@dataclass(frozen=True)
class Course:
    """Regular intervals and fast sampling over time.

    Attributes
    ----------
    start, base : ndarray, shape (k,)
        When each stretch begins [s], and the regular interval during it [s].
    pieces : tuple of (start, interval)
        Regular intervals over time; short spells of fast sampling do not count.
    fast_share : float
        Share of the time spent sampling faster than the regular interval.
    spell_s, fast_s : float
        Mean length of the spells of fast sampling, and the shortest interval in them [s]; 0 without any.
    """

    start: np.ndarray
    base: np.ndarray
    pieces: tuple[tuple[float, float], ...]
    fast_share: float
    spell_s: float
    fast_s: float

    def regular_at(self, time: np.ndarray) -> np.ndarray:
        """Return the regular interval in force at some instants [s]."""
        return self.base[np.maximum(np.searchsorted(self.start, time, side="right") - 1, 0)]


def course_of(start: np.ndarray, interval: np.ndarray, end: float, short_spell_s: float) -> Course:
    """Tell regular intervals from fast sampling.

    Parameters
    ----------
    start, interval : ndarray, shape (k,)
        When each stretch with one interval begins, in order, and its interval [s]; at least one. The same interval
        may be told a little differently from one part of the record to the next.
    end : float
        When the last stretch ends [s].
    short_spell_s : float
        A faster spell shorter than this is fast sampling, not a new interval [s].
    """
    length = np.diff(np.append(start, end))
    kind = kinds(interval, length)
    weight = np.maximum(length, 1e-9)
    usual = np.bincount(kind, weights=weight * interval) / np.bincount(kind, weights=weight)
    first = np.flatnonzero(np.diff(kind, prepend=-1))
    whole = np.diff(np.append(start[first], end))
    regular = regular_states(kind[first], whole, short_spell_s)
    fast = usual[kind[first]] < FASTER * usual[regular]
    everywhere = np.repeat(regular, np.diff(np.append(first, len(kind))))
    return Course(
        start,
        _base(interval, kind, everywhere, usual),
        _pieces(start, interval, weight, kind, everywhere, usual),
        float(whole[fast].sum() / max(end - start[0], 1e-9)),
        float(whole[fast].mean()) if fast.any() else 0.0,
        float(usual[kind[first]][fast].min()) if fast.any() else 0.0,
    )


def kinds(interval: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Give intervals numbers by kind, the fastest first: the weightiest takes those near it, then the next."""
    values, back = np.unique(interval, return_inverse=True)
    logs, total = np.log(values), np.bincount(back, weights=weight)
    owner = np.full(len(values), -1)
    while (owner < 0).any():
        free = owner < 0
        heaviest = int(np.argmax(np.where(free, total, -1.0)))
        owner[free & (np.abs(logs - logs[heaviest]) <= NEAR)] = heaviest
    return np.unique(owner, return_inverse=True)[1][back]


def regular_states(own: np.ndarray, length: np.ndarray, short_spell_s: float) -> np.ndarray:
    """Regular state during each stretch of one state, shape (k,); a lower state is a faster one.

    A faster stretch that the node comes back from to a slower interval, as it came to it, is a spell of fast
    sampling within that interval, unless it is long. At either end of the record only a short one is.

    Parameters
    ----------
    own : ndarray of int, shape (k,)
        State of each stretch, no two neighbours alike.
    length : ndarray, shape (k,)
        How long each lasts [s].
    short_spell_s : float
    """
    state = own.copy()
    if len(state) < 2:
        return state
    for _ in range(2):  # once more for a spell within a spell
        before, after = np.append(-1, state[:-1]), np.append(state[1:], -1)
        inside = (before > state) & (after > state) & (length <= LONGEST_SPELL * short_spell_s)
        state = np.where(inside, np.minimum(before, after), state)
    if state[0] < state[1] and length[0] < short_spell_s:
        state[0] = state[1]
    if state[-1] < state[-2] and length[-1] < short_spell_s:
        state[-1] = state[-2]
    return state


def _base(interval: np.ndarray, kind: np.ndarray, regular: np.ndarray, usual: np.ndarray) -> np.ndarray:
    """Regular interval during each stretch: as it was told last, for a node's clock is its own, shape (k,)."""
    last = np.maximum.accumulate(np.where(kind == regular, np.arange(len(kind)), -1))
    told = (last >= 0) & (kind[last] == regular)
    return np.where(told, interval[last], usual[regular])


def _pieces(
    start: np.ndarray,
    interval: np.ndarray,
    weight: np.ndarray,
    kind: np.ndarray,
    regular: np.ndarray,
    usual: np.ndarray,
) -> tuple[tuple[float, float], ...]:
    """Return regular intervals over time, each from the first stretch that has it."""
    own = np.flatnonzero((kind == regular) | (np.arange(len(kind)) == 0))
    begins = own[np.diff(regular[own], prepend=-1) != 0]
    piece = np.searchsorted(begins, np.arange(len(kind)), side="right") - 1
    mine = kind == regular[begins][piece]
    total = np.bincount(piece[mine], weights=weight[mine], minlength=len(begins))
    mean = np.bincount(piece[mine], weights=(weight * interval)[mine], minlength=len(begins))
    mean = np.divide(mean, total, out=usual[regular[begins]], where=total > 0)
    return tuple(zip(start[begins].tolist(), mean.tolist(), strict=True))


def recount(
    course: Course, start: np.ndarray, end: np.ndarray, steps: np.ndarray, interval: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Count gaps of a node that samples fast at times by the interval that was probably in force in them.

    A gap that begins within a fast spell goes by the regular interval where it fits that or outlasts the spell.
    Whether the node went on sampling fast in a gap cannot be known; it is taken to have done so while the
    gap is no longer than its usual spell, unless the gap is short enough to be single losses. Long gaps of a node
    that often samples fast are counted at its usual mixture of both intervals.

    Parameters
    ----------
    course : Course
    start, end : ndarray, shape (g,)
        Check-ins around each gap [s].
    steps : ndarray of int, shape (g,)
        Intervals that passed, by the interval before the gap.
    interval : ndarray, shape (g,)
        That interval [s].

    Returns
    -------
    steps, interval : ndarray, shape (g,)
        Fewer than 2 steps where it is none after all.
    """
    if course.fast_share <= 0:
        return steps, interval
    spacing, base = end - start, course.regular_at(start)
    slow = spacing / base
    whole = np.maximum(np.rint(slow), 1)
    fits = np.abs(slow - whole) <= FITS
    # One fast check-in after another lost is far less likely than the spell's end and a regular one lost.
    passed = (slow > 1) & (slow <= ONE_BY_ONE)
    ends = (steps >= 2) & (interval < FASTER * base) & (fits | passed | (spacing > course.spell_s))
    regular = np.where(fits | ~passed, whole, np.ceil(slow)).astype(np.int64)
    steps, interval = np.where(ends, regular, steps), np.where(ends, base, interval)
    mixed = np.rint(slow * (1 + course.fast_share * (base / course.fast_s - 1))).astype(np.int64)
    return np.where((course.fast_share >= OFTEN) & (slow > ONE_BY_ONE), mixed, steps), interval
