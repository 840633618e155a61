"""Intervals for shares, differences of shares, and counts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its two-sided interval."""

    value: float
    low: float
    high: float


def normal_quantile(confidence: float) -> float:
    """Return the standard normal quantile of a two-sided interval of that confidence."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, not {confidence}")
    return float(special.ndtri(0.5 + confidence / 2))


def wilson(successes: float, trials: float, confidence: float = 0.95) -> Interval:
    """Share of successes with Wilson's score interval.

    Parameters
    ----------
    successes, trials : float
        Counts, 0 <= successes <= trials; fractions are allowed (an effective sample size).
    confidence : float
        Two-sided coverage.

    Returns
    -------
    Interval
        NaN throughout when there was no trial.

    Raises
    ------
    ValueError
        When the counts are negative or there are more successes than trials.

    References
    ----------
    E. B. Wilson, JASA 22 (1927) 209-212; R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, method 3.
    """
    if not 0 <= successes <= trials:
        raise ValueError(f"{successes} successes of {trials} trials")
    if trials == 0:
        return Interval(math.nan, math.nan, math.nan)
    low, high = wilson_bounds(np.array([successes]), np.array([trials]), confidence)
    return Interval(successes / trials, float(low[0]), float(high[0]))


def wilson_bounds(successes: np.ndarray, trials: np.ndarray, confidence: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Wilson's limits for arrays of counts, shape (n,); NaN where there was no trial."""
    z = normal_quantile(confidence)
    n = np.where(np.asarray(trials, dtype=float) > 0, trials, np.nan)
    share = successes / n
    centre = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    # At the ends the limit is exactly 0 or 1; rounding must not leave a crumb.
    low = np.where(share == 0, 0.0, np.clip(centre - half, 0.0, 1.0))
    high = np.where(share == 1, 1.0, np.clip(centre + half, 0.0, 1.0))
    return low, high


def newcombe_difference(
    successes_a: float, trials_a: float, successes_b: float, trials_b: float, confidence: float = 0.95
) -> Interval:
    """Difference of two independent shares, a minus b, with Newcombe's hybrid score interval.

    References
    ----------
    R. G. Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10.
    """
    a, b = wilson(successes_a, trials_a, confidence), wilson(successes_b, trials_b, confidence)
    down = math.hypot(a.value - a.low, b.high - b.value)
    up = math.hypot(a.high - a.value, b.value - b.low)
    difference = a.value - b.value
    return Interval(difference, difference - down, difference + up)


def poisson_mean(count: float, confidence: float = 0.95) -> Interval:
    """Mean of a Poisson count with its exact interval.

    Raises
    ------
    ValueError
        When the count is negative.

    References
    ----------
    F. Garwood, Biometrika 28 (1936) 437-442.
    """
    if count < 0:
        raise ValueError(f"a count cannot be {count}")
    tail = (1 - confidence) / 2
    low = float(special.gammaincinv(count, tail)) if count > 0 else 0.0
    return Interval(float(count), low, float(special.gammainccinv(count + 1, tail)))


def two_share_p(successes_a: float, trials_a: float, successes_b: float, trials_b: float) -> float:
    """Two-sided p-value that two shares are equal (pooled score test, no continuity correction)."""
    n = trials_a + trials_b
    if trials_a <= 0 or trials_b <= 0:
        return math.nan
    pooled = (successes_a + successes_b) / n
    variance = pooled * (1 - pooled) * (1 / trials_a + 1 / trials_b)
    if variance <= 0:
        return 1.0
    z = (successes_a / trials_a - successes_b / trials_b) / math.sqrt(variance)
    return float(2 * special.ndtr(-abs(z)))
