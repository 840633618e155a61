"""When a node means to check in: interval, interval changes, phase, crystal drift, jitter, fast sampling."""

from __future__ import annotations

import numpy as np

FAST_RATIO = 6
"""Check-ins in one interval while an alarm threshold is crossed; a common ratio, common practice, no source."""


def slots(
    changes: tuple[tuple[float, float], ...], end: float, phase: float, crystal_ppm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Regular check-in times of a node whose interval changes now and then.

    Parameters
    ----------
    changes : tuple of (since, interval)
        Oldest first [s, s].
    phase : float
        Where in the interval the node checks in [0..1].
    crystal_ppm : float
        How slow the node's clock runs [parts per million].

    Returns
    -------
    time, interval : ndarray, shape (n,)
        [s, s]
    """
    times, intervals = [], []
    for place, (since, interval) in enumerate(changes):
        until = changes[place + 1][0] if place + 1 < len(changes) else end
        step = interval * (1 + crystal_ppm * 1e-6)
        at = np.arange(since + phase * interval, until, step)
        times.append(at)
        intervals.append(np.full(len(at), interval))
    return np.concatenate(times), np.concatenate(intervals)


def with_fast(time: np.ndarray, interval: np.ndarray, crossed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Add the extra check-ins of intervals that begin beyond the alarm threshold.

    Returns
    -------
    time : ndarray, shape (m,)
        Sorted [s].
    extra : ndarray of bool, shape (m,)
        Whether a check-in is one of the added ones.
    """
    steps = np.arange(1, FAST_RATIO) / FAST_RATIO
    added = (time[crossed][:, None] + steps * interval[crossed][:, None]).ravel()
    both = np.concatenate([time, added])
    extra = np.concatenate([np.zeros(len(time), bool), np.ones(len(added), bool)])
    order = np.argsort(both, kind="stable")
    return both[order], extra[order]
