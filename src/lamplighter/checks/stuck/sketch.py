"""Distributions kept of a block as equally spaced quantiles, and put together for all blocks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

SHARES = np.linspace(0.0, 1.0, 101)
"""Quantiles kept of a block: those asked for later, 1, 2, 5, 90, 95 and 99 %, are among them."""
MASS = np.convolve(np.diff(SHARES), [0.5, 0.5])
"""Share of the values that each quantile stands for."""


def sketch(values: np.ndarray) -> np.ndarray:
    """Return the quantiles kept of some values, shape (n_shares,); NaN without any."""
    if not len(values):
        return np.full(len(SHARES), np.nan)
    return np.interp(SHARES * (len(values) - 1), np.arange(len(values)), np.sort(values))


@dataclass(frozen=True, slots=True)
class Spread:
    """A distribution: values in order, and the share of everything below the middle of each; both may be empty."""

    value: np.ndarray
    mass: np.ndarray
    below: np.ndarray

    def at(self, share: float) -> float:
        """Return a quantile; NaN without values."""
        return float(np.interp(share, self.below, self.value)) if len(self.value) else math.nan

    def range(self, low: float, high: float) -> float:
        """Return the distance of two quantiles; 0 without values."""
        return self.at(high) - self.at(low) if len(self.value) else 0.0

    def share_below(self, value: float) -> float:
        """Return the share of values less than one; NaN without values or without that one."""
        if not len(self.value) or not math.isfinite(value):
            return math.nan
        return float(self.mass[: np.searchsorted(self.value, value)].sum())

    def share_within(self, low: float, high: float) -> float:
        """Return the share of values between two, both included; 0 without values."""
        return float(self.mass[np.searchsorted(self.value, low) : np.searchsorted(self.value, high, "right")].sum())


def together(
    sketches: np.ndarray, counts: np.ndarray, points: np.ndarray | None = None, sizes: np.ndarray | None = None
) -> Spread:
    """Put the sketches of blocks together.

    Parameters
    ----------
    sketches : ndarray, shape (n_blocks * n_shares,)
    counts : ndarray, shape (n_blocks,)
        How many values each stands for.
    points, sizes : ndarray, shape (n_points,)
        Values that came so often besides.
    """
    value, mass = np.reshape(sketches, (-1, len(SHARES))), counts[:, None] * MASS
    value, mass = value[counts > 0].ravel(), mass[counts > 0].ravel()
    if points is not None:
        value, mass = np.concatenate([value, points[sizes > 0]]), np.concatenate([mass, sizes[sizes > 0]])
    order = np.argsort(value, kind="stable")
    value, mass = value[order], mass[order] / max(float(mass.sum()), 1.0)
    return Spread(value, mass, np.cumsum(mass) - mass / 2)
