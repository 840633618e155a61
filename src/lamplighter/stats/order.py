"""Order statistics: quantiles of one array or of many stretches of it, made for speed."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from lamplighter.stats.runs import encode_runs

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
    return quantiles(values, share)[0]


def quantiles(values: np.ndarray, *shares: float) -> list[float]:
    """Return some quantiles; see :func:`quantile`."""
    return [_between(_split(values, int(share * (len(values) - 1))), share) for share in shares]


def _split(values: np.ndarray, place: int) -> np.ndarray:
    """Return the values with the order statistics of a place and of the next one where sorting would put them.

    NumPy splits at one place several times faster than at two, and than it sorts.
    """
    ordered = np.partition(values, place)
    if place + 1 < len(ordered):
        after = place + 1 + int(np.argmin(ordered[place + 1 :]))
        ordered[place + 1], ordered[after] = ordered[after], ordered[place + 1]
    return ordered


def _between(ordered: np.ndarray, share: float) -> float:
    """Return a quantile from the two order statistics about it."""
    last = len(ordered) - 1
    place = share * last
    low = int(place)
    a, b, part = float(ordered[low]), float(ordered[min(low + 1, last)]), place - low
    return b - (b - a) * (1 - part) if part >= 0.5 else a + (b - a) * part


def stretches(group: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where each stretch of equal neighbours begins and how long it is, shape (k,)."""
    runs = encode_runs(group)
    return runs.start, runs.length


def quantiles_within(values: np.ndarray, size: np.ndarray, shares: tuple[float, ...]) -> np.ndarray:
    """Quantiles within consecutive stretches, linear between order statistics.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Neither NaN nor infinite.
    size : ndarray of int, shape (k,)
        Lengths of the stretches, n in all.
    shares : tuple of float

    Returns
    -------
    ndarray, shape (len(shares), k)
        NaN where a stretch is empty.
    """
    pick, some = _ordered_within(values, size), size > 0
    out = np.full((len(shares), len(size)), np.nan)
    most = size[some] - 1
    for row, share in enumerate(shares):
        place = share * most
        low = place.astype(np.int64)
        a, b = pick(some, low), pick(some, np.minimum(low + 1, most))
        # Written so that equal neighbours give exactly their common value.
        out[row, some] = a + (place - low) * (b - a)
    return out


def ranked_within(values: np.ndarray, size: np.ndarray, rank: np.ndarray) -> np.ndarray:
    """Order statistic of each of some consecutive stretches, none empty, by its rank from 0 on, shape (k,)."""
    return _ordered_within(values, size)(np.ones(len(size), dtype=bool), rank)


def _ordered_within(values: np.ndarray, size: np.ndarray) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """Sort values within stretches; return what picks an order statistic of each of some stretches.

    They are sorted as rows of a table, unless it would be mostly empty.
    """
    widest = int(size.max(initial=0))
    if len(size) * widest > SPARSE * len(values):
        ordered = values[np.lexsort((values, np.repeat(np.arange(len(size)), size)))]
        first = np.cumsum(size) - size
        return lambda some, rank: ordered[first[some] + rank]
    table = np.full((len(size), widest), np.inf)
    table[np.arange(widest) < size[:, None]] = values
    table.sort(axis=1)
    return lambda some, rank: table[np.flatnonzero(some), rank]


def weighted_median(values: np.ndarray, weight: np.ndarray) -> float:
    """Return the smallest value up to which lies at least half of the weight.

    Parameters
    ----------
    values, weight : ndarray, shape (n,)
        Values that are NaN or weigh nothing do not count; the answer is NaN when none does.
    """
    some = np.isfinite(values) & (weight > 0)
    values, weight = values[some], weight[some]
    if not len(values):
        return math.nan
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def largest(values: np.ndarray, count: int) -> np.ndarray:
    """Return the places of the largest values, largest first, equal ones in order, shape (count,) or fewer."""
    if len(values) > count:
        least = np.partition(values, len(values) - count)[len(values) - count]
        places = np.flatnonzero(values >= least)
    else:
        places = np.arange(len(values))
    return places[np.argsort(-values[places], kind="stable")[:count]]


def crowded(values: np.ndarray, width: float = 0.02, times: np.ndarray | None = None) -> float:
    """Return the middle of the values that crowd most: the median of the fullest of classes of equal ratios.

    The classes beside the fullest count with it, so that a crowd that straddles an edge is not cut.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Positive; at least one.
    width : float
        Width of a class, as a share of the value.
    times : ndarray of int, shape (n,), optional
        How often each value counts; once when not given.
    """
    if times is None:
        distinct, counts = np.unique(values, return_counts=True)
    else:
        distinct, place = np.unique(values, return_inverse=True)
        counts = np.bincount(place, weights=times).astype(np.int64)
    classes = np.round(np.log(distinct) / math.log1p(width)).astype(np.int64)
    first, _ = stretches(classes)
    names, sizes = classes[first], np.add.reduceat(counts, first)
    beside = np.diff(names) == 1
    near = sizes.copy()
    near[:-1] += np.where(beside, sizes[1:], 0)
    near[1:] += np.where(beside, sizes[:-1], 0)
    inside = np.abs(classes - names[np.argmax(near)]) <= 1
    total = np.cumsum(counts[inside])
    middle = np.searchsorted(total, [(total[-1] - 1) // 2, total[-1] // 2], side="right")
    return float(distinct[inside][middle].mean())
