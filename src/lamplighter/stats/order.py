"""Order statistics: quantiles of one array or of many stretches of it, made for speed."""

from __future__ import annotations

import numpy as np

SPARSE = 4
"""Stretches are sorted as rows of a table unless it would be this many times as large as the values."""


def quantile(values: np.ndarray, share: float) -> float:
    """Return one quantile, linear between order statistics as :func:`numpy.quantile`.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At least one, no NaN.
    share : float
        Between 0 and 1.
    """
    place = share * (len(values) - 1)
    low = int(place)
    high = min(low + 1, len(values) - 1)
    ordered = np.partition(values, (low, high))
    a, b, part = float(ordered[low]), float(ordered[high]), place - low
    return b - (b - a) * (1 - part) if part >= 0.5 else a + (b - a) * part


def sorted_within(values: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Sort values within consecutive stretches.

    Parameters
    ----------
    values : ndarray, shape (n,)
        No infinite ones.
    size : ndarray of int, shape (k,)
        Lengths of the stretches, n in all.

    Returns
    -------
    ndarray, shape (n,)
    """
    widest = int(size.max(initial=0))
    if len(size) * widest > SPARSE * len(values):
        return values[np.lexsort((values, np.repeat(np.arange(len(size)), size)))]
    filled = np.arange(widest) < size[:, None]
    table = np.full(filled.shape, np.inf)
    table[filled] = values
    table.sort(axis=1)
    return table[filled]


def largest(values: np.ndarray, count: int) -> np.ndarray:
    """Return the places of the largest values, largest first, equal ones in order, shape (count,) or fewer."""
    if len(values) > count:
        least = np.partition(values, len(values) - count)[len(values) - count]
        places = np.flatnonzero(values >= least)
    else:
        places = np.arange(len(values))
    return places[np.argsort(-values[places], kind="stable")[:count]]
