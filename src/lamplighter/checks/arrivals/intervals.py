"""Which interval is in force at each check-in: told from their spacings, lost check-ins and all."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checks.arrivals.sendings import DOUBLED, interleaved_share
from lamplighter.checks.arrivals.steps import FEW, steps_between
from lamplighter.stats.order import stretches

MOST_STATES = 5
"""Different intervals considered for one node, the fast ones included."""
NEAR = 0.15
"""Relative width within which spacings count as one interval."""
LOST_ODDS = 0.3
"""Chance of a lost check-in taken for granted while intervals are told apart; far from critical."""
MOST_LOST = 6
"""Lost check-ins in a row after which a gap says nothing of the interval."""
STRAY = 0.003
"""Share of spacings that follow no interval: retries, restarts."""
SWITCH_COST = 12.0
"""Log odds against a change of interval from one check-in to the next."""
STICKS = 0.4
"""Least chance that a spacing of one interval is followed by another such, for a second interval to be real ..."""
STICKS_MORE = 0.2
"""... and by how much it must exceed the interval's share of all: jitter and losses come at random."""
CROWD = 0.002
"""Least share of all spacings that may be an interval of its own."""
MOST = 0.6
"""Share of the spacings near one interval from which on no crowd can be greater."""
OFF_CENTRE = 0.02
"""How far the middle of all spacings may lie from that of the crowd, as a share of it, to stand for it."""
WHOLE = 0.25
"""A spacing this near to a whole number of intervals, as a share of one, helps to make the interval exact."""
MARGIN = 0.05
"""How far, as a share of it, the interval may move while it is made exact."""


@dataclass(frozen=True)
class Followed:
    """Rows with the interval in force between them.

    Attributes
    ----------
    interval : ndarray, shape (n - 1,)
        Interval in force at each spacing [s]: the one that fits, fast or slow.
    steps : ndarray of int, shape (n - 1,)
        Intervals that passed from one row to the next, at least 1.
    first : ndarray of int, shape (k,)
        First spacing of each stretch with one interval.
    jitter : float
        Typical deviation of a spacing from the interval, as a share of it.
    """

    interval: np.ndarray
    steps: np.ndarray
    first: np.ndarray
    jitter: float


def candidates(spacing: np.ndarray, stated_s: float | None) -> np.ndarray:
    """Intervals a node may have had [s], shape (c,), smallest first.

    Spacings that crowd within a narrow relative width, the greatest crowd first, each crowd taken
    out before the next is looked for; the stated interval is added where nothing near it crowds.
    """
    least = max(FEW, CROWD * len(spacing))
    found, others = _most(spacing)
    if found and np.count_nonzero(others[1:] & others[:-1]) < STICKS * (least - 1):
        others = others[:0]  # too few follow each other for one of them to be an interval
    logs = np.sort(np.log(spacing[: len(others)][others]))
    for _ in range(3 * MOST_STATES):
        if len(logs) < least or len(found) == MOST_STATES:
            break
        starts = stretches(logs)[0]  # of equal spacings the first has the greatest crowd
        crowd = np.searchsorted(logs, logs[starts] + 2 * NEAR, side="right") - starts
        size = int(crowd.max())
        if size < least:
            break
        first = int(starts[np.argmax(crowd)])
        middle = middle_of(logs[first : first + size])
        inside = np.abs(logs - middle) <= NEAR
        if not found or keeps_to(_near(spacing, math.exp(middle))):
            found.append(middle_of(logs[inside]))
        logs = logs[~inside & (np.abs(logs - middle) > 1e-12)]
    if stated_s and (not found or np.min(np.abs(np.array(found) - math.log(stated_s))) > NEAR):
        found.append(math.log(stated_s))
    return np.exp(np.sort(found))


def _most(spacing: np.ndarray) -> tuple[list[float], np.ndarray]:
    """Return the logarithm of the interval that most spacings are near, where there is one, and mark the others."""
    n = len(spacing)
    if n:
        about = float(np.partition(spacing, n // 2)[n // 2])
        near = _near(spacing, about)
        if np.count_nonzero(near) >= MOST * n:
            middle = float(spacing[near].mean())
            if abs(middle / about - 1) > OFF_CENTRE:
                near = _near(spacing, middle)
            return [math.log(middle)], ~near
    return [], np.ones(n, bool)


def _near(spacing: np.ndarray, interval_s: float) -> np.ndarray:
    """Mark spacings within the width of one interval, shape (n,)."""
    return (spacing >= interval_s * math.exp(-NEAR)) & (spacing <= interval_s * math.exp(NEAR))


def middle_of(ordered: np.ndarray) -> float:
    """Median of values in order."""
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


def keeps_to(member: np.ndarray) -> bool:
    """Whether spacings of one kind follow each other, as an interval's do, shape (n,)."""
    follows = member[1:][member[:-1]]
    return len(follows) > 0 and bool(follows.mean() >= max(STICKS, min(member.mean() + STICKS_MORE, 0.95)))


def spread(spacing: np.ndarray, interval_s: float) -> float:
    """Typical relative deviation of spacings from an interval, kept between 0.5 % and 12 %."""
    off = np.abs(spacing / interval_s - 1)
    off = off[off <= 0.3]
    return min(max(float(off.mean()) if len(off) else 0.05, 0.005), 0.12)


def log_likelihood(spacing: np.ndarray, states: np.ndarray, jitter: float) -> np.ndarray:
    """Logarithm of the density of spacings under each interval, shape (n, c).

    A spacing is a whole number of intervals, each further one a lost check-in, with Laplace
    deviations; or it follows nothing, as a few do, where that is likelier. A long gap is as likely under any interval.
    """
    ratio = spacing[:, None] / states
    steps = np.maximum(np.rint(ratio), 1)
    off = np.abs(ratio - steps)
    fits = (
        math.log1p(-LOST_ODDS)
        + (steps - 1) * math.log(LOST_ODDS)
        - off / jitter
        - math.log(2 * jitter)
        - np.log(states)
    )
    stray = np.log(STRAY / (10 * spacing))[:, None]
    answer = np.maximum(fits, stray)
    return np.where(spacing[:, None] > MOST_LOST * states[-1], stray, answer)


def best_path(gain: np.ndarray, switch: float = SWITCH_COST) -> np.ndarray:
    """Most probable sequence of states, shape (n,), when a change costs the same between any two.

    Where one state is ahead of all others for long enough to pay for a change to it and back, no best path leaves
    it: such a run is taken as one, and Viterbi's algorithm is left with the little between.
    """
    n, c = gain.shape
    if c == 1 or n == 0:
        return np.zeros(n, dtype=np.int64)
    best = gain.argmax(1)
    second, first = np.partition(gain, c - 2, axis=1)[:, c - 2 :].T
    start, length = stretches(best)
    sure = np.add.reduceat(first - second, start) >= 2 * switch
    if sure.all():
        return best
    ends = np.flatnonzero(np.repeat(~sure, length) | (np.arange(n) == np.repeat(start, length)))
    path = _viterbi(np.add.reduceat(gain, ends), switch)
    return np.repeat(path, np.diff(np.append(ends, n)))


def _viterbi(gain: np.ndarray, switch: float) -> np.ndarray:
    """Viterbi's algorithm over chunks side by side.

    First what each chunk makes of every state at its beginning, then chunk by chunk, then back within all at once.
    """
    n, c = gain.shape
    size = math.isqrt(n - 1) + 1  # as many steps within chunks as from one to the next
    chunks = -(-n // size)
    padded = np.zeros((chunks * size, c))
    padded[:n] = gain
    blocks = padded.reshape(chunks, size, c)
    reach = np.where(np.eye(c, dtype=bool), 0.0, -np.inf)[None].repeat(chunks, 0)
    came = np.zeros((size, chunks, c, c), dtype=np.int8)
    own = np.broadcast_to(np.arange(c), (chunks, c, c))
    for k in range(size):
        best = reach.argmax(2)
        jump = np.take_along_axis(reach, best[..., None], 2) - switch
        moved = jump > reach
        came[k] = np.where(moved, best[..., None], own)
        reach = np.where(moved, jump, reach) + blocks[:, k, None, :]
    total, entry = np.zeros(c), np.zeros((chunks, c), dtype=np.int64)
    for b in range(chunks):
        through = total[:, None] + reach[b]
        entry[b] = through.argmax(0)
        total = through.max(0)
    path = np.zeros((chunks, size), dtype=np.int64)
    starts = np.zeros(chunks, dtype=np.int64)
    ends = np.zeros(chunks, dtype=np.int64)
    state = int(total.argmax())
    for b in range(chunks - 1, -1, -1):
        ends[b] = state
        state = starts[b] = entry[b, state]
    at = ends
    for k in range(size - 1, -1, -1):
        path[:, k] = at
        at = came[k, np.arange(chunks), starts, at]
    return path.ravel()[:n]


def refined(spacing: np.ndarray, path: np.ndarray, states: np.ndarray) -> np.ndarray:
    """Intervals made exact from the spacings assigned to them (a clock that runs slow stays slow)."""
    exact = states.copy()
    for s in range(len(states)):
        mine = spacing[path == s] if len(states) > 1 else spacing
        off = np.abs(mine / exact[s] - 1)
        single = off < WHOLE
        # Where none is near the limit, single spacings stay the same as the interval is made exact.
        firm = np.count_nonzero(off < WHOLE - MARGIN) == np.count_nonzero(off < WHOLE + MARGIN)
        far = mine[mine > (1 + WHOLE) * exact[s]] if firm else mine
        total, count = (float(mine[single].sum()), int(np.count_nonzero(single))) if firm else (0.0, 0)
        for longest in (1.5, 4.5, 20.5):
            # Close spacings have equal sums of jitter; the long ones pin the rate.
            ratio = far / exact[s]
            steps = np.rint(ratio)
            near = (steps >= 1) & (np.abs(ratio - steps) < WHOLE) & (ratio < longest)
            if count + np.count_nonzero(near) >= FEW:
                exact[s] = (total + float(far[near].sum())) / (count + float(steps[near].sum()))
    return exact


def follow(time: np.ndarray, stated_s: float | None) -> Followed | None:
    """Tell which interval was in force when, from when check-ins came.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Check-ins without repeats [s], increasing.
    stated_s : float, optional
        Interval in the register [s].

    Returns
    -------
    Followed or None
        None when there are too few rows and no stated interval.
    """
    spacing = np.diff(time)
    states = candidates(spacing, stated_s)
    if not len(states):
        return None
    two = len(states) > 1 and stated_s and interleaved_share(time, stated_s) >= DOUBLED
    if two or len(states) == 1 or not len(spacing):
        # The spacings from one node's rows to the other's are no interval.
        one = middle_of(np.sort(time[2:] - time[:-2])) if two else refined(spacing, np.zeros(0), states[:1])[0]
        interval = np.full(len(spacing), one)
        jitter = spread(spacing, float(one))
        return Followed(interval, steps_between(spacing, interval), np.arange(min(len(spacing), 1)), jitter)
    common = states[np.argmax([np.count_nonzero(np.abs(spacing / s - 1) < NEAR) for s in states])]
    jitter = spread(spacing, float(common))
    path = best_path(log_likelihood(spacing, states, jitter))
    interval = refined(spacing, path, states)[path]
    return Followed(interval, steps_between(spacing, interval), stretches(path)[0], jitter)
