"""Fewer points for a line than days in the record, without losing its extremes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np

How = Literal["pick", "sum", "low", "high"]


def stride(n: int, most: int) -> int:
    """Return how many days one drawn point stands for."""
    return max(1, -(-n // most))


def thinned(values: Sequence[Any], step: int, how: How = "pick") -> np.ndarray:
    """Return one value for each block of ``step`` days, counted from the last day backwards.

    Parameters
    ----------
    values : sequence, shape (n,)
        None or NaN where there is none.
    step : int
        Days in a block; 1 leaves the values alone.
    how : {"pick", "sum", "low", "high"}
        Last value of the block, its sum, its smallest or its largest value.

    Returns
    -------
    ndarray, shape (ceil(n / step),)
    """
    array = np.asarray(values, dtype=float)
    if step == 1:
        return array
    if how == "pick":
        return array[::-1][::step][::-1]
    pad = -len(array) % step
    blocks = np.concatenate([np.full(pad, np.nan), array]).reshape(-1, step)
    empty = ~np.isfinite(blocks).any(axis=1)
    if how == "sum":
        return np.where(empty, np.nan, np.nansum(blocks, axis=1))
    fill = np.inf if how == "low" else -np.inf
    filled = np.where(np.isfinite(blocks), blocks, fill)
    best = filled.min(axis=1) if how == "low" else filled.max(axis=1)
    return np.where(empty, np.nan, best)
