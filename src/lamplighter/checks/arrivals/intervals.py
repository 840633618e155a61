"""How often a node checks in, piece by piece: inferred from its spacings, lost check-ins and all."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

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
LATE = 0.3
"""Deviation, as a share of the interval, from which a late row could be taken for the next one ..."""
LATE_SHARE = 0.005
"""... and the share of such rows that makes it worth telling late rows from lost ones."""
OPPOSED = -0.2
"""Correlation of one deviation with the next below which rows are late on a steady schedule."""
FOLLOW = 0.1
"""How quickly the tracked schedule follows the rows."""
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
FITS_PAIR = 0.03
LEAST_PAIRS = 50
CHUNK = 64
FEW = 3
RETRY = 0.02
"""A row closer to the one before than this share of the interval is the same check-in sent again."""
RETRY_S = 10.0
"""... but no further than this [s]."""


@dataclass(frozen=True)
class Schedule:
    """When a node was due.

    Attributes
    ----------
    interval : ndarray, shape (n - 1,)
        Interval in force at each spacing of the rows that count [s].
    steps : ndarray of int, shape (n - 1,)
        Intervals that passed from one row to the next, at least 1: one less is the number missed.
    current_s : float
        Regular interval at the end [s].
    pieces : tuple of (start, interval)
        Regular intervals over time; short spells of fast sampling do not count.
    fast_share : float
        Share of the time spent sampling faster than the regular interval.
    jitter : float
        Typical deviation of a spacing from the interval, as a share of it.
    """

    interval: np.ndarray
    steps: np.ndarray
    current_s: float
    pieces: tuple[tuple[float, float], ...]
    fast_share: float
    jitter: float


def first_sendings(time: np.ndarray, interval_s: float) -> np.ndarray:
    """Mark rows that are not repeats of the row just before, shape (n,)."""
    limit = min(RETRY * interval_s, RETRY_S) if math.isfinite(interval_s) else 0.0
    return np.concatenate([[True], np.diff(time) > limit]) if len(time) else np.zeros(0, bool)


def candidates(spacing: np.ndarray, stated_s: float | None) -> np.ndarray:
    """Intervals a node may have had [s], shape (c,), smallest first.

    Spacings that crowd within a narrow relative width, the greatest crowd first, each crowd taken
    out before the next is looked for; the stated interval is added where nothing near it crowds.
    """
    raw = np.log(spacing[spacing > 0])
    logs = np.sort(raw)
    least = max(FEW, 0.002 * len(logs))
    found: list[float] = []
    for _ in range(3 * MOST_STATES):
        starts = stretches(logs)[0]  # of equal spacings the first has the greatest crowd
        crowd = np.searchsorted(logs, logs[starts] + 2 * NEAR, side="right") - starts
        if not len(logs) or crowd.max() < least or len(found) == MOST_STATES:
            break
        first, size = int(starts[np.argmax(crowd)]), int(crowd.max())
        middle = middle_of(logs[first : first + size])
        inside = np.abs(logs - middle) <= NEAR
        if not found or keeps_to(np.abs(raw - middle) <= NEAR):
            found.append(middle_of(logs[inside]))
        logs = logs[~inside & (np.abs(logs - middle) > 1e-12)]
    if stated_s and (not found or np.min(np.abs(np.array(found) - math.log(stated_s))) > NEAR):
        found.append(math.log(stated_s))
    return np.exp(np.sort(found))


def middle_of(ordered: np.ndarray) -> float:
    """Median of values in order."""
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


def keeps_to(member: np.ndarray) -> bool:
    """Whether spacings of one kind follow each other, as an interval's do, shape (n,)."""
    follows = member[1:][member[:-1]]
    return len(follows) > 0 and bool(follows.mean() >= max(STICKS, min(member.mean() + STICKS_MORE, 0.95)))


def spread(spacing: np.ndarray, interval_s: float) -> float:
    """Typical relative deviation of spacings from an interval, kept between 0.5 % and 12 %."""
    off = spacing / interval_s - 1
    off = np.abs(off[np.abs(off) <= 0.3])
    return float(np.clip(off.mean() if len(off) else 0.05, 0.005, 0.12))


def log_likelihood(spacing: np.ndarray, states: np.ndarray, jitter: float) -> np.ndarray:
    """Logarithm of the density of spacings under each interval, shape (n, c).

    A spacing is a whole number of intervals, each further one a lost check-in, with Laplace
    deviations; a few follow nothing. A long gap is as likely under any interval.
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
    answer = np.logaddexp(fits, stray)
    return np.where(spacing[:, None] > MOST_LOST * states[-1], stray, answer)


def best_path(gain: np.ndarray, switch: float = SWITCH_COST) -> np.ndarray:
    """Most probable sequence of states, shape (n,), when a change costs the same between any two.

    Viterbi's algorithm over chunks side by side: first what each chunk makes of every state at its
    beginning, then chunk by chunk, then back within all chunks at once.
    """
    n, c = gain.shape
    if c == 1 or n == 0:
        return np.zeros(n, dtype=np.int64)
    chunks = -(-n // CHUNK)
    padded = np.zeros((chunks * CHUNK, c))
    padded[:n] = gain
    blocks = padded.reshape(chunks, CHUNK, c)
    reach = np.where(np.eye(c, dtype=bool), 0.0, -np.inf)[None].repeat(chunks, 0)
    came = np.zeros((CHUNK, chunks, c, c), dtype=np.int8)
    own = np.broadcast_to(np.arange(c), (chunks, c, c))
    for k in range(CHUNK):
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
    path = np.zeros((chunks, CHUNK), dtype=np.int64)
    starts = np.zeros(chunks, dtype=np.int64)
    ends = np.zeros(chunks, dtype=np.int64)
    state = int(total.argmax())
    for b in range(chunks - 1, -1, -1):
        ends[b] = state
        state = starts[b] = entry[b, state]
    at = ends
    for k in range(CHUNK - 1, -1, -1):
        path[:, k] = at
        at = came[k, np.arange(chunks), starts, at]
    return path.ravel()[:n]


def refined(spacing: np.ndarray, path: np.ndarray, states: np.ndarray) -> np.ndarray:
    """Intervals made exact from the spacings assigned to them (a clock that runs slow stays slow)."""
    exact = states.copy()
    for s in range(len(states)):
        mine = spacing[path == s]
        for longest in (1.5, 4.5, 20.5):
            steps = np.rint(mine / exact[s])
            near = (steps >= 1) & (mine < longest * exact[s]) & (np.abs(mine / exact[s] - steps) < 0.25)
            if near.sum() >= FEW:
                # Close spacings have equal sums of jitter; the long ones pin the rate.
                exact[s] = float(mine[near].sum() / steps[near].sum())
    return exact


def infer_schedule(time: np.ndarray, stated_s: float | None, short_spell_s: float) -> Schedule | None:
    """Infer when a node was due from when its check-ins came.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Check-ins without repeats [s], increasing.
    stated_s : float, optional
        Interval in the register [s].
    short_spell_s : float
        A faster spell shorter than this is fast sampling, not a new interval [s].

    Returns
    -------
    Schedule or None
        None when there are too few rows and no stated interval.
    """
    spacing = np.diff(time)
    states = candidates(spacing, stated_s)
    if not len(states):
        return None
    common = states[np.argmax([np.sum(np.abs(spacing / s - 1) < NEAR) for s in states])]
    jitter = spread(spacing, float(common))
    alone = len(states) == 1 or not len(spacing)
    path = np.zeros(len(spacing), np.int64) if alone else best_path(log_likelihood(spacing, states, jitter))
    states = refined(spacing, path, states)
    interval = states[path]
    first = np.flatnonzero(np.diff(path, prepend=-1))
    regular = regular_states(time, path, first, short_spell_s)
    steps = steps_between(spacing, interval)
    length = np.diff(np.append(time[first], time[-1]))
    fast = states[path[first]] < FASTER * states[regular] if len(first) else np.zeros(0, bool)
    share = float(length[fast].sum() / max(time[-1] - time[0], 1e-9))
    if fast.any():
        base = states[np.repeat(regular, np.diff(first, append=len(path)))]
        steps, interval = spells_ended(spacing, steps, interval, base, float(length[fast].mean()))
        steps = kept_fast(spacing, steps, base, float(states[path[first]][fast].min()), share)
    pieces = _pieces(time[first], states[path[first]], states[regular])
    current = pieces[-1][1] if pieces else float(stated_s or common)
    return Schedule(interval, steps, current, pieces, share, jitter)


def regular_states(time: np.ndarray, path: np.ndarray, first: np.ndarray, short_spell_s: float) -> np.ndarray:
    """Regular state during each stretch of one state, shape (k,).

    A faster stretch that the node comes back from to a slower interval, as it came to it, is a spell of fast
    sampling within that interval, unless it is long. At either end of the record only a short one is.

    Parameters
    ----------
    first : ndarray, shape (k,)
        Index of the first spacing of each stretch.
    """
    state = path[first].copy()
    if len(state) < 2:
        return state
    length = time[np.append(first[1:], len(path))] - time[first]
    for _ in range(2):  # once more for a spell within a spell
        before, after = np.append(-1, state[:-1]), np.append(state[1:], -1)
        inside = (before > state) & (after > state) & (length <= LONGEST_SPELL * short_spell_s)
        state = np.where(inside, np.minimum(before, after), state)
    if state[0] < state[1] and length[0] < short_spell_s:
        state[0] = state[1]
    if state[-1] < state[-2] and length[-1] < short_spell_s:
        state[-1] = state[-2]
    return state


def spells_ended(
    spacing: np.ndarray, steps: np.ndarray, interval: np.ndarray, base: np.ndarray, spell_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Count a spacing within a fast spell by the regular interval where it fits that or outlasts the spell.

    Whether the node went on sampling fast in a gap cannot be known; it is taken to have done so while the
    gap is no longer than its usual spell, unless the gap is short enough to be single losses.
    """
    slow = spacing / base
    whole = np.maximum(np.rint(slow), 1)
    fits = np.abs(slow - whole) <= FITS
    # One fast check-in after another lost is far less likely than the spell's end and a regular one lost.
    passed = (slow > 1) & (slow <= ONE_BY_ONE)
    ends = (steps >= 2) & (interval < FASTER * base) & (fits | passed | (spacing > spell_s))
    regular = np.where(fits | ~passed, whole, np.ceil(slow)).astype(np.int64)
    return np.where(ends, regular, steps), np.where(ends, base, interval)


def kept_fast(spacing: np.ndarray, steps: np.ndarray, base: np.ndarray, fast_s: float, share: float) -> np.ndarray:
    """Count long gaps of a node that often samples fast at its usual mixture of both intervals."""
    slow = spacing / base
    mixed = np.rint(slow * (1 + share * (base / fast_s - 1))).astype(np.int64)
    return np.where((share >= OFTEN) & (slow > ONE_BY_ONE), mixed, steps)


def _pieces(start: np.ndarray, own: np.ndarray, regular: np.ndarray) -> tuple[tuple[float, float], ...]:
    """Return regular intervals over time, each from the first stretch that has it."""
    kept: list[tuple[float, float]] = []
    for at, seconds, base in zip(start.tolist(), own.tolist(), regular.tolist(), strict=True):
        if not kept or (kept[-1][1] != base and seconds == base):
            kept.append((at, base))
    return tuple(kept)


def steps_between(spacing: np.ndarray, interval: np.ndarray) -> np.ndarray:
    """Intervals that passed between rows, at least 1 each, shape (n,).

    Rounding each spacing alone counts a row that was late on its way as a lost one when the next is
    on time. Where one deviation is undone by the next, the schedule is steady, and is tracked instead.
    """
    ratio = spacing / interval
    steps = np.maximum(np.rint(ratio), 1)
    off = ratio - steps
    near = np.abs(off) < 0.5
    pair = near[1:] & near[:-1]
    if pair.sum() < 10 * FEW or np.mean(np.abs(off[near]) > LATE) < LATE_SHARE:
        return steps.astype(np.int64)
    a, b = off[:-1][pair], off[1:][pair]
    if float(np.mean(a * b)) > OPPOSED * float(np.mean(off[near] ** 2)):
        return steps.astype(np.int64)
    tracked, late = [], 0.0
    for r in ratio.tolist():
        k = max(round(r + late), 0)
        tracked.append(k)
        late = max(min((1 - FOLLOW) * (late + r - k), 1.0), -1.0)
    return delivered_late(tracked)


def delivered_late(steps: list[int]) -> np.ndarray:
    """Let rows that came where none was due fill the gap last before them: they were held up on their way."""
    gaps: list[int] = []
    for k, step in enumerate(steps):
        if step >= 2:
            gaps.append(k)
        elif step == 0:
            steps[k] = 1
            if gaps:
                steps[gaps[-1]] -= 1
                if steps[gaps[-1]] < 2:
                    gaps.pop()
    return np.array(steps, dtype=np.int64)


def interleaved_share(time: np.ndarray, interval_s: float) -> float:
    """Share of rows an interval after the last but one, not after the last: two nodes under one name.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Check-ins [s].
    interval_s : float
        Interval stated or had at first [s].
    """
    if len(time) < LEAST_PAIRS or not interval_s > 0:
        return 0.0
    single = np.diff(time)[1:] / interval_s
    double = (time[2:] - time[:-2]) / interval_s
    return float(
        np.mean(
            (np.abs(double - 1) < FITS_PAIR) & (np.abs(single - 1) > 2 * FITS_PAIR) & (np.abs(single - 0.5) > FITS_PAIR)
        )
    )
