"""Classical tests of a single change of level; they take the values for independent."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special


@dataclass(frozen=True, slots=True)
class Split:
    """The best single change of level in a sequence.

    Attributes
    ----------
    index : int
        Number of values before the change.
    statistic, p : float
        Size of the test statistic and its p-value for independent values.
    before, after : float
        Means.
    """

    index: int
    statistic: float
    p: float
    before: float
    after: float


def pettitt(y: np.ndarray) -> Split:
    """Pettitt's rank test of one change of level at an unknown place.

    Parameters
    ----------
    y : ndarray, shape (n,)
        In order of time, no NaN.

    Notes
    -----
    p = 2 exp(-6 K^2 / (n^3 + n^2)), good for p below 0.5, for independent values.

    References
    ----------
    A. N. Pettitt, Applied Statistics 28 (1979) 126-135.
    """
    y = np.asarray(y, dtype=float)
    n = len(y)
    if n < 2:
        return Split(0, math.nan, math.nan, math.nan, math.nan)
    from scipy.stats import rankdata  # slow to load, and seldom needed

    u = (2 * np.cumsum(rankdata(y)) - np.arange(1, n + 1) * (n + 1))[:-1]
    k = int(np.argmax(np.abs(u))) + 1
    size = float(abs(u[k - 1]))
    p = min(1.0, 2 * math.exp(-6 * size**2 / (n**3 + n**2)))
    return Split(k, size, p, float(y[:k].mean()), float(y[k:].mean()))


def best_split(y: np.ndarray) -> Split:
    """Place one change of level by least squares; the statistic is F with n - 2 degrees of freedom.

    The p-value ignores that the place was searched for.
    """
    y = np.asarray(y, dtype=float)
    n = len(y)
    if n < 3:
        return Split(0, math.nan, math.nan, math.nan, math.nan)
    centred = y - y.mean()
    k = np.arange(1, n)
    gain = np.cumsum(centred)[:-1] ** 2 * n / (k * (n - k))
    best = int(np.argmax(gain))
    rest = max(float(centred @ centred) - float(gain[best]), 0.0)
    f = float(gain[best]) / (rest / (n - 2)) if rest > 0 else math.inf
    cut = best + 1
    return Split(cut, f, float(special.fdtrc(1, n - 2, f)), float(y[:cut].mean()), float(y[cut:].mean()))


def poisson_split(counts: np.ndarray, exposure: np.ndarray | None = None) -> Split:
    """Place one change in the rate of counts by likelihood; the statistic is the gain in log-likelihood.

    Parameters
    ----------
    counts, exposure : ndarray, shape (n,)
        Counts and what they are out of (time, chances); exposure 1 each when left out.

    Notes
    -----
    The p-value is Bonferroni's over all places: an upper bound.
    """
    counts = np.asarray(counts, dtype=float)
    exposure = np.ones(len(counts)) if exposure is None else np.asarray(exposure, dtype=float)
    if len(counts) < 2 or exposure.sum() <= 0:
        return Split(0, math.nan, math.nan, math.nan, math.nan)
    a, e = np.cumsum(counts)[:-1], np.cumsum(exposure)[:-1]
    b, f = counts.sum() - a, exposure.sum() - e
    whole = special.xlogy(counts.sum(), counts.sum() / exposure.sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = np.where((e > 0) & (f > 0), special.xlogy(a, a / e) + special.xlogy(b, b / f), whole)
    k = int(np.argmax(parts))
    gain = float(parts[k] - whole)
    p = min(1.0, (len(counts) - 1) * float(special.chdtrc(1, 2 * max(gain, 0.0))))
    return Split(k + 1, gain, p, float(a[k] / e[k]), float(b[k] / f[k]))


def cusum(y: np.ndarray, target: float, slack: float) -> tuple[np.ndarray, np.ndarray]:
    """Tabular cumulative sums above and below a target, shape (n,) each.

    References
    ----------
    E. S. Page, Biometrika 41 (1954) 100-115; D. C. Montgomery, Introduction to Statistical Quality Control, 9.1.
    """
    up, down = np.zeros(len(y)), np.zeros(len(y))
    high = low = 0.0
    for k, value in enumerate(np.asarray(y, dtype=float)):
        high = max(0.0, high + value - target - slack)
        low = max(0.0, low + target - slack - value)
        up[k], down[k] = high, low
    return up, down
