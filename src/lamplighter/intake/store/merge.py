"""Stored and new check-ins of some nodes made one: overlaps found, late rows put in their place."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lamplighter.checkins import MEASURES
from lamplighter.intake.store.parts import SCHEMA
from lamplighter.intake.store.spill import ORIGIN


def merge(rows: pd.DataFrame) -> tuple[pd.DataFrame, dict[int, int]]:
    """Merge rows of one node and instant into one check-in.

    Parameters
    ----------
    rows : DataFrame
        Stored rows first, then new ones in the order they were read; columns of the check-in table and ``origin``.

    Returns
    -------
    table : DataFrame
        Sorted by node and time, one row an instant. Where rows of one instant differ, the first one's values
        stand and only what it lacks is taken from the later ones.
    duplicates : dict of int to int
        New rows of each origin that were there already.
    """
    ordered = rows.sort_values(["node", "time"], kind="stable", ignore_index=True)
    node, time = ordered["node"].to_numpy(dtype=object), ordered["time"].dt.as_unit("us").astype("int64").to_numpy()
    first = np.concatenate([[True], (node[1:] != node[:-1]) | (time[1:] != time[:-1])])
    origins, counts = np.unique(ordered[ORIGIN].to_numpy()[~first], return_counts=True)
    table = ordered if first.all() else _filled(ordered, first)
    return table[SCHEMA.names], {int(o): int(c) for o, c in zip(origins, counts, strict=True) if o >= 0}


def _filled(ordered: pd.DataFrame, first: np.ndarray) -> pd.DataFrame:
    """One row a group, what the first row lacks taken from the next that has it."""
    kept = ordered[first].reset_index(drop=True)
    group = np.cumsum(first) - 1
    for name in (*MEASURES, "sequence"):
        values = ordered[name].to_numpy()
        there = np.flatnonzero(np.isfinite(values))
        has, at = np.unique(group[there], return_index=True)
        column = np.full(len(kept), np.nan)
        column[has] = values[there[at]]
        kept[name] = column
    return kept
