"""Random signals in time: correlated noise, on-off states and passing regimes."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from lamplighter.simulate.options import HOUR_S


def correlated(
    rng: np.random.Generator, grid: np.ndarray, tau_s: float, sigma: float, tail_df: float | None = None
) -> np.ndarray:
    """First-order autoregressive noise on an even grid.

    Parameters
    ----------
    grid : ndarray, shape (n,)
        Even times [s].
    tau_s : float
        Correlation time [s].
    sigma : float
        Standard deviation.
    tail_df : float, optional
        Degrees of freedom of Student innovations; default: Gaussian.
    """
    n = len(grid)
    phi = float(np.exp(-(grid[1] - grid[0]) / tau_s)) if n > 1 else 0.0
    shocks = (
        rng.standard_normal(n) if tail_df is None else rng.standard_t(tail_df, n) * np.sqrt((tail_df - 2) / tail_df)
    )
    shocks *= sigma * np.sqrt(1 - phi**2)
    shocks[:1] *= 1 / np.sqrt(1 - phi**2) if phi < 1 else 1.0
    return lfilter([1.0], [1.0, -phi], shocks)


def on_off(
    rng: np.random.Generator, start: float, end: float, mean_off_s: float, mean_on_s: float, pareto: float | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return starts and ends of the on-periods of a two-state process.

    Durations are exponential, or Pareto with the given exponent for long-tailed on-periods.
    """
    n = int((end - start) / (mean_off_s + mean_on_s) * 1.5) + 12
    off = rng.exponential(mean_off_s, n)
    on = rng.exponential(mean_on_s, n)
    if pareto is not None:
        on = (rng.pareto(pareto, n) + 1) * mean_on_s * (pareto - 1) / pareto
    begins = start + np.cumsum(off) + np.concatenate([[0.0], np.cumsum(on)[:-1]])
    keep = begins < end
    return begins[keep], begins[keep] + on[keep]


def inside(time: np.ndarray, begins: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Whether each time lies in one of the sorted, disjoint periods, shape of ``time``."""
    if len(begins) == 0:
        return np.zeros(len(time), dtype=bool)
    place = np.searchsorted(begins, time, side="right") - 1
    return (place >= 0) & (time < ends[np.maximum(place, 0)])


def regimes(
    rng: np.random.Generator, grid: np.ndarray, mean_gap_s: float, mean_stay_s: float, size: float
) -> np.ndarray:
    """Levels that come for a while and go again: zero, then a random level, then zero."""
    begins, ends = on_off(rng, float(grid[0]), float(grid[-1]), mean_gap_s, mean_stay_s)
    levels = rng.normal(0.0, size, len(begins))
    out = np.zeros(len(grid))
    for begin, end, level in zip(begins, ends, levels, strict=True):
        a, b = np.searchsorted(grid, (begin, end))
        out[a:b] = level
    return out


def hourly(start: float, end: float) -> np.ndarray:
    """Hourly grid that covers a span [s]."""
    return np.arange(start, end + 2 * HOUR_S, HOUR_S)
