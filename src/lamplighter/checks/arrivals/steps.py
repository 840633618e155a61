"""How many intervals passed from one row to the next."""

from __future__ import annotations

import numpy as np

LATE = 0.3
"""Deviation, as a share of the interval, from which a late row could be taken for the next one ..."""
LATE_SHARE = 0.005
"""... and the share of such rows that makes it worth telling late rows from lost ones."""
OPPOSED = -0.2
"""Correlation of one deviation with the next below which rows are late on a steady schedule."""
FOLLOW = 0.1
"""How quickly the tracked schedule follows the rows."""
FEW = 3
"""Spacings from which on something is taken from them."""


def steps_between(spacing: np.ndarray, interval: np.ndarray) -> np.ndarray:
    """Intervals that passed between rows, at least 1 each, shape (n,).

    Rounding each spacing alone counts a row that was late on its way as a lost one when the next is
    on time. Where one deviation is undone by the next, the schedule is steady, and is tracked instead.
    """
    ratio = spacing / interval
    steps = np.maximum(np.rint(ratio), 1)
    off = ratio - steps
    size = np.abs(off)
    near = size < 0.5
    if np.count_nonzero(near & (size > LATE)) < LATE_SHARE * np.count_nonzero(near):
        return steps.astype(np.int64)
    pair = near[1:] & near[:-1]
    if np.count_nonzero(pair) < 10 * FEW:
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
