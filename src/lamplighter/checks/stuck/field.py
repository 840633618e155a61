"""A node's longest runs with all that is needed to judge one among them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checks.stuck.longest import CREEP
from lamplighter.checks.stuck.summary import Summary
from lamplighter.checks.stuck.tables import Table, runs_of
from lamplighter.checks.stuck.whole import Whole
from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.order import largest

LONG_RUNS = 600
"""Longest runs kept to compare one with."""
ZERO_SHARE = 0.02
"""Share of the largest reading that counts as zero: zero errors and temperature move a zero a little."""
LEVEL_RUNS = 80
"""Longest runs from which the levels are learnt at which the process rests."""


def creeping(summary: Summary, whole: Whole, s: StuckSettings) -> Table:
    """Return the longest runs within two resolution steps, flicker between them included, longest first.

    They are taken from the grid that holds the longer ones.
    """
    tables = [runs_of(summary, kind, whole) for kind in CREEP]
    tables = [table.chosen(largest(table.watched, LONG_RUNS)) for table in tables]
    return max(tables, key=lambda table: float(table.watched[1 : 1 + max(s.tail_runs)].sum()))


@dataclass(frozen=True, slots=True)
class Field:
    """The longest runs with what is needed to judge one among them, longest first, shape (n_long,)."""

    whole: Whole
    runs: Table
    first: float
    last: float
    band: float
    shift: float
    """Width of the classes within which a reading counts as still, 0 for equal readings; and where they lie."""
    near: float
    """Readings this close are the same level."""
    at_rest: np.ndarray
    rests: np.ndarray
    jumped: np.ndarray
    slack: float
    watched_in_all: float
    creep: Table | None


def field_of(
    table: Table,
    whole: Whole,
    watched_in_all: float,
    s: StuckSettings,
    band: float = 0.0,
    shift: float = 0.0,
    creep: Table | None = None,
) -> Field:
    """Pick the longest runs and find what is needed to judge one among them."""
    runs = table.chosen(largest(table.watched, LONG_RUNS))
    near = 2 * max(whole.step, band)
    low, high = whole.limits
    return Field(
        whole=whole,
        runs=runs,
        first=float(table.begin[0]),
        last=float(table.end[-1]),
        band=band,
        shift=shift,
        near=near,
        at_rest=near_any(runs.level, _rest_levels(runs.watched, runs.level, near, s), near),
        rests=(runs.watched >= s.rest_hours * 3600) & (runs.count >= s.rest_check_ins),
        jumped=runs.leave > max(near / 2, whole.step),
        slack=near + ZERO_SHARE * max(abs(high), abs(low)),
        watched_in_all=watched_in_all,
        creep=creep,
    )


def _rest_levels(watched: np.ndarray, level: np.ndarray, near: float, s: StuckSettings) -> np.ndarray:
    """Levels at which the longest runs crowd, shape (n,): where a process rests that rests nowhere else."""
    top = np.arange(min(LEVEL_RUNS, len(watched)))
    top = top[watched[top] >= s.rest_hours * 3600]
    if len(top) == 0:
        return np.zeros(0)
    values = np.sort(level[top])
    counts = np.searchsorted(values, values + near, "right") - np.searchsorted(values, values - near, "left")
    return np.unique(values[counts > max(s.rest_recurrences, s.rest_crowd * len(values))])


def near_any(values: np.ndarray, level: float | np.ndarray, tolerance: float) -> np.ndarray:
    """Whether each value lies within a tolerance of one of some sorted levels."""
    levels = np.atleast_1d(level)
    if len(levels) == 0:
        return np.zeros(np.shape(values), dtype=bool)
    place = np.clip(np.searchsorted(levels, values), 1, len(levels)) - 1
    other = np.minimum(place + 1, len(levels) - 1)
    return np.minimum(np.abs(values - levels[place]), np.abs(values - levels[other])) <= tolerance
