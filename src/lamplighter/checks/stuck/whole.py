"""What is known of all of a node's readings together, from the summaries of its blocks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checks.stuck.longest import EXACT
from lamplighter.checks.stuck.sketch import Spread, together
from lamplighter.checks.stuck.summary import LITTLE, RESOLUTION_SHARE, Summary
from lamplighter.settings.stuck import StuckSettings

TWENTIETHS = (0.05, 0.95)
"""The usual range is that without the lowest and the highest twentieth, which may be wild."""
HUNDREDTHS = (0.01, 0.99)


@dataclass(frozen=True, slots=True)
class Whole:
    """What is known of all of a node's readings together.

    Attributes
    ----------
    readings : int
        How many there are.
    spread : Spread
        Their distribution.
    first, last : float
        Times of the first and the last [s]; NaN without any.
    interval, longest_step : float
        Most common spacing, and what a silence counts for at most [s].
    limits : (float, float)
        Lowest and highest reading.
    usual, nearly_all : float
        Range without the lowest and the highest twentieth, and hundredth; the latter is never 0.
    steps : Spread
        Sizes of the steps that are not zero.
    step : float
        Resolution: the smallest usual step; 0 when it never moves.
    """

    readings: int
    spread: Spread
    first: float
    last: float
    interval: float
    longest_step: float
    limits: tuple[float, float]
    usual: float
    nearly_all: float
    steps: Spread
    step: float


def whole_of(summary: Summary, interval: float, s: StuckSettings) -> Whole:
    """Put together what is known of all readings."""
    spread = readings_without(summary, np.zeros(len(summary.readings), dtype=bool))
    low, high = (float(spread.value[0]), float(spread.value[-1])) if len(spread.value) else (math.nan, math.nan)
    steps = together(summary.step_sketch, summary.steps)
    interval = interval if math.isfinite(interval) and interval > 0 else 1.0
    exact = np.flatnonzero(summary.run_kind == EXACT)
    return Whole(
        readings=int(summary.readings.sum()),
        spread=spread,
        first=float(summary.run_begin[exact[0]]) if len(exact) else math.nan,
        last=float(summary.run_end[exact[-1]]) if len(exact) else math.nan,
        interval=interval,
        longest_step=s.gap_intervals * interval,
        limits=(low, high),
        usual=spread.range(*TWENTIETHS),
        nearly_all=spread.range(*HUNDREDTHS) or high - low or 1.0,
        steps=steps,
        step=steps.at(RESOLUTION_SHARE) if len(steps.value) else 0.0,
    )


def readings_without(summary: Summary, left_out: np.ndarray) -> Spread:
    """Put together the readings of all blocks without the longest run of some of them."""
    sizes = np.where(left_out, 0, summary.peak_length)
    return together(summary.reading_sketch, summary.readings - summary.peak_length, summary.peak_value, sizes)


def usual_levels(summary: Summary, whole: Whole, begin: float, end: float, count: int) -> float:
    """Usual range of the readings outside the longest run, in steps of the resolution; NaN when it never moves."""
    if whole.step == 0:
        return math.nan
    if count < LITTLE * whole.readings:
        return whole.usual / whole.step
    inside = (summary.peak_begin >= begin) & (summary.peak_begin <= end)
    outside = readings_without(summary, inside)
    return outside.range(*TWENTIETHS) / whole.step if len(outside.value) else math.nan
