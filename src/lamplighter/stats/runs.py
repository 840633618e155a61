"""Runs of equal values: finding them, and how likely runs of a length are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

EXACT_UP_TO = 4_000
"""Longest series for which the recursion is run in full; beyond it Feller's root gives the same to eight digits."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs of equal neighbours, all arrays of shape (n_runs,), in order."""

    start: np.ndarray
    """Index of the first member."""
    length: np.ndarray
    """Number of members."""

    @property
    def last(self) -> np.ndarray:
        """Index of the last member."""
        return self.start + self.length - 1


def encode_runs(*columns: np.ndarray) -> Runs:
    """Split a series into runs in which every column stays exactly equal.

    Parameters
    ----------
    *columns : ndarray, shape (n,)
        One or more columns of equal length; a NaN equals nothing, not even another NaN.

    Returns
    -------
    Runs
        Lengths add up to n; empty for an empty series.
    """
    n = len(columns[0])
    if n == 0:
        empty = np.zeros(0, dtype=np.int64)
        return Runs(empty, empty)
    changed = np.zeros(n - 1, dtype=bool)
    for column in columns:
        changed |= ~(column[1:] == column[:-1])
    start = np.concatenate([[0], np.flatnonzero(changed) + 1])
    return Runs(start, np.diff(start, append=n))


def watched_until(time: np.ndarray, longest_step: float) -> np.ndarray:
    """Return how long the series was watched until each member [units of time], shape (n,).

    Steps between members count up to ``longest_step``: a gap proves nothing about what happened in it.
    """
    watched = np.zeros(len(time))
    np.cumsum(np.minimum(np.diff(time), longest_step), out=watched[1:])
    return watched


def run_durations(runs: Runs, watched: np.ndarray, own_step: float) -> np.ndarray:
    """Return how long each run was watched [units of time], shape (n_runs,).

    Every run gets ``own_step`` on top of what was ``watched`` between its members, the time its last one stands for.
    """
    return watched[runs.last] - watched[runs.start] + own_step


def run_probability(n: int, length: int, p: float) -> float:
    """Probability that n independent trials hold at least one run of successes of a length or more.

    Parameters
    ----------
    n : int
        Number of trials.
    length : int
        Length of the run, at least 1.
    p : float
        Probability of a success [0..1].

    Returns
    -------
    float

    Notes
    -----
    The probability of no such run obeys N(m) = N(m-1) - (1-p) p^k N(m-k-1), N(m<k) = 1, N(k) = 1 - p^k, the
    Markov chain of the current run embedded in one line (Schilling, College Math. J. 21, 1990, 196-207). Long
    series use the leading root of Feller, An Introduction to Probability Theory, vol. 1, ch. XIII.7.

    Raises
    ------
    ValueError
        When the length is below 1 or the probability outside 0 to 1.
    """
    if length < 1 or not 0 <= p <= 1:
        raise ValueError(f"length {length} must be at least 1 and p {p} within 0 to 1")
    if n < length or p == 0:
        return 0.0
    if p == 1:
        return 1.0
    if n <= max(EXACT_UP_TO, 4 * length):
        return _recursion(n, length, p)
    return _feller(n, length, p)


def _recursion(n: int, length: int, p: float) -> float:
    """Sum of the chances that the first run is completed at each trial, so that tiny answers keep their digits."""
    step = (1 - p) * p**length
    none = np.ones(n + 1)
    done = p**length
    none[length] = 1 - done
    for m in range(length + 1, n + 1):
        done += step * none[m - length - 1]
        none[m] = 1 - done
    return float(min(done, 1.0))


def _feller(n: int, length: int, p: float) -> float:
    """Leading term for long series: no run has probability (1 - p x) / ((k + 1 - k x) q) x^-(n+1)."""
    q, k = 1 - p, length
    step = q * p**k
    if step < 1e-17:
        return float(-np.expm1(-(n - k + 1 / q) * step))
    x = 1.0
    for _ in range(200):
        x, before = 1 + step * x ** (k + 1), x
        if abs(x - before) < 1e-16 or not np.isfinite(x) or x * p >= 1:
            break
    if not np.isfinite(x) or x * p >= 1 or abs(1 - x + step * x ** (k + 1)) > 1e-12:
        peak = (k + 1.0) ** (-1 / k) * step ** (-1 / k) if k else 1 / p
        from scipy.optimize import brentq  # slow to load, and seldom needed

        x = brentq(lambda y: 1 - y + step * y ** (k + 1), 1.0, min(peak, 1 / p) * (1 - 1e-9))
    log_none = np.log1p(-p * x) - np.log((k + 1 - k * x) * q) - (n + 1) * np.log(x)
    return float(min(1.0, max(0.0, -np.expm1(log_none))))


def longest_run_distribution(n: int, p: float) -> np.ndarray:
    """Probability that the longest run of successes in n trials is at most 0, 1, ... n, shape (n + 1,)."""
    return np.array([1 - run_probability(n, k + 1, p) for k in range(n)] + [1.0])


def longest_run_moments(n: int, p: float) -> tuple[float, float]:
    """Mean and variance of the longest run of successes in n trials."""
    above = 1 - longest_run_distribution(n, p)
    mean = float(above.sum())
    return mean, float(((2 * np.arange(n + 1) + 1) * above).sum() - mean**2)


def tail_probability(
    reference: np.ndarray,
    value: float,
    *,
    tails: tuple[int, ...],
    shape: float,
    prior: float,
    share: float = 1.0,
) -> float:
    """Probability that the longest of as many new runs as the reference holds reaches a value.

    Parameters
    ----------
    reference : ndarray, shape (n,)
        Lengths or durations of the ordinary runs, all positive, any order.
    value : float
        Length or duration asked about, in the same unit.
    tails : tuple of int
        How many of the longest reference runs describe the tail: few see its end, many are steadier. The smallest
        probability counts, times the number of tails tried.
    shape : float
        Shape of the Weibull tail: 1 is a constant chance of ending, less is heavier; towards 0 it becomes a power law.
    prior : float
        One run more is added to the tail, this many times the threshold, so that equal runs are not taken for a wall.
    share : float
        Share of those new runs that had the chance, for a run that was picked out beforehand; one tail run at least.

    Returns
    -------
    float
        1 when the reference is empty or its tail reaches the value.

    Notes
    -----
    Over a threshold u the excesses (x/u)^shape - 1 of the k longest runs are taken as exponential: a chance of
    ending that falls with age covers idle and running states alike. Their unknown mean is integrated out: with sum
    S of the excesses, a new one exceeds z with (1 + z/S)^-k (the Bayesian prediction of an exponential variable).
    """
    if len(reference) == 0 or value <= 0:
        return 1.0
    return min(1.0, len(tails) * min(_tail(reference, value, most, shape, prior, share) for most in tails))


def _tail(reference: np.ndarray, value: float, most: int, shape: float, prior: float, share: float) -> float:
    n = len(reference)
    k = int(min(most, max(1, n // 2)))
    top = np.partition(reference, n - k - 1)[n - k - 1 :] if n > k else np.concatenate([[reference.min()], reference])
    threshold = float(top[0])
    if value <= threshold:
        return 1.0
    excess = float(((top[1:] / threshold) ** shape - 1).sum()) + prior**shape - 1
    one = (1 + ((value / threshold) ** shape - 1) / excess) ** -(k + 1)
    return float(-np.expm1(max(1.0, share * k) * np.log1p(-min(one, 1 - 1e-16))))
