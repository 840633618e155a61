"""False discovery control: how many of many tests are called."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

ROUNDING = 1e-9
"""A p-value this far outside 0 to 1 was put there by rounding and is drawn in."""


@dataclass(frozen=True, slots=True)
class Discoveries:
    """Which of many tests are called at a false discovery rate.

    Attributes
    ----------
    called : ndarray of bool, shape (n,)
    adjusted : ndarray of float, shape (n,)
        Smallest false discovery rate at which each test would be called; NaN where p is NaN.
    cutoff : float
        Largest p-value called; 0 when none is.
    """

    called: np.ndarray
    adjusted: np.ndarray
    cutoff: float


def benjamini_hochberg(p: np.ndarray, rate: float = 0.05, tests: int | None = None) -> Discoveries:
    """Call tests so that the expected share of false ones among those called stays below a rate.

    Parameters
    ----------
    p : ndarray of float, shape (n,)
        p-values; NaN means not tested: never called, and not counted.
    rate : float
        Expected share of false calls among the calls.
    tests : int, optional
        How many tests were made in all, when some that failed are not listed in ``p``.

    Raises
    ------
    ValueError
        When a p-value lies outside 0 to 1 by more than rounding, or ``tests`` is less than the number of p-values.

    References
    ----------
    Y. Benjamini, Y. Hochberg, J. Royal Statistical Society B 57 (1995) 289-300.
    """
    p = np.asarray(p, dtype=float)
    tested = ~np.isnan(p)
    if ((p[tested] < -ROUNDING) | (p[tested] > 1 + ROUNDING)).any():
        raise ValueError("p-values must lie between 0 and 1")
    p = np.clip(p, 0.0, 1.0)
    values = p[tested]
    n = len(values) if tests is None else tests
    if n < len(values):
        raise ValueError(f"{len(values)} p-values from only {n} tests")
    adjusted = np.full(p.shape, np.nan)
    if len(values):
        order = np.argsort(values, kind="stable")
        scaled = values[order] * n / np.arange(1, len(values) + 1)
        stepped = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
        back = np.empty_like(stepped)
        back[order] = stepped
        adjusted[tested] = back
    called = np.nan_to_num(adjusted, nan=np.inf) <= rate
    return Discoveries(called, adjusted, float(p[called].max()) if called.any() else 0.0)
