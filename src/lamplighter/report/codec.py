"""Numbers to compact text and back to the browser: whole-number differences, gzip, base64."""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Sequence
from typing import Any

import numpy as np

DAY_S = 86_400


def deltas(values: Sequence[float | None] | np.ndarray, places: int) -> dict[str, Any]:
    """Return values as differences of whole numbers.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        None or NaN where there is none.
    places : int
        Decimals kept.

    Returns
    -------
    dict
        ``k`` decimals; ``v`` the first value and then differences between values that are there, null elsewhere.
    """
    whole = np.round(np.asarray(values, dtype=float) * 10**places)
    there = np.isfinite(whole)
    steps = np.diff(whole[there], prepend=0.0).astype(np.int64)
    if there.all():
        return {"k": places, "v": steps.tolist()}
    out: list[int | None] = [None] * len(whole)
    for place, step in zip(np.flatnonzero(there).tolist(), steps.tolist(), strict=True):
        out[place] = step
    return {"k": places, "v": out}


def days(times: Sequence[float] | np.ndarray) -> dict[str, Any]:
    """Return day starts [s] as a first day number and either a fixed step with a count, or differences."""
    number = np.round(np.asarray(times, dtype=float) / DAY_S).astype(np.int64)
    if not len(number):
        return {"a": 0, "s": 1, "n": 0}
    step = np.diff(number)
    if len(step) and (step == step[0]).all():
        return {"a": int(number[0]), "s": int(step[0]), "n": len(number)}
    return {"a": int(number[0]), "d": step.tolist()}


def packed(data: Any) -> str:
    """Return data as JSON, gzip and base64; the same data give the same text."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return base64.b64encode(gzip.compress(text.encode("utf-8"), 6, mtime=0)).decode("ascii")
