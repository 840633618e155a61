"""Rows that are no check-ins of their own, and rows that are another node's."""

from __future__ import annotations

import math

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.checks.arrivals.counter import repeats

RETRY = 0.02
"""A row closer to the one before than this share of the interval is the same check-in sent again."""
RETRY_S = 10.0
"""... but no further than this [s]."""
FITS_PAIR = 0.03
LEAST_PAIRS = 50
"""Fewer rows than this do not tell whether they are two nodes'."""
DOUBLED = 0.3
"""Share of rows that look like a second node's from which counts are not believed."""


def first_sendings(history: NodeHistory) -> np.ndarray:
    """Mark rows that do not repeat the row just before, by its time or its counter, shape (n,)."""
    spacing = np.diff(history.time)
    limit = 0.0
    if (spacing <= RETRY_S).any():
        interval_s = history.entry.interval_s or history.typical_interval_s
        limit = min(RETRY * interval_s, RETRY_S) if math.isfinite(interval_s) else 0.0
    return np.concatenate([[True], spacing > limit])[: len(history)] & ~repeats(history.sequence)


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
