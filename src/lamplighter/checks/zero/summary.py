"""What the zero check keeps of one block: its rests at zero by day, its resolution, its readings below the range."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import NodeHistory, day_of
from lamplighter.checks.zero.rests import Rests, find_rests, quiet_readings
from lamplighter.settings import Settings
from lamplighter.stats.order import quantile

FINEST_SHARE = 0.02
"""Quantile of the steps of a reading that are not zero which is taken for its resolution: a few may be rounding."""


@dataclass(frozen=True, slots=True)
class Summary:
    """Rests at zero of the blocks of one node, in order of time; nothing where the range is not known.

    Attributes
    ----------
    time, error, temperature, resting, passing : ndarray, shape (n_days,)
        As of :class:`lamplighter.checks.zero.rests.Rests`.
    steps : ndarray, shape (n_blocks,)
        Steps of the reading that are not zero: how many ...
    grain : ndarray, shape (n_blocks,)
        ... and the smallest of them but for a few [% of span].
    below : ndarray, shape (n_blocks,)
        Readings below the range by more than the tolerance.
    below_middle, below_since : ndarray, shape (n_blocks,)
        Their median [% of span] and the first [s]; NaN without any.
    below_levels : ndarray, shape (n,)
        Different values among them, by block, no more than there must be to judge them [% of span].
    """

    time: np.ndarray
    error: np.ndarray
    temperature: np.ndarray
    resting: np.ndarray
    passing: np.ndarray
    steps: np.ndarray
    grain: np.ndarray
    below: np.ndarray
    below_middle: np.ndarray
    below_since: np.ndarray
    below_levels: np.ndarray

    @property
    def rests(self) -> Rests:
        """All days with a rest."""
        return Rests(self.time, self.error, self.temperature, self.resting, self.passing)


def summarise(block: NodeHistory, settings: Settings) -> Summary:
    """Condense the readings of one block."""
    s, entry = settings.zero, block.entry
    if entry.span is None:
        return Summary(*[np.zeros(0)] * 5, *[np.zeros(1, np.int64), np.zeros(1)] * 2, np.zeros(1), np.zeros(0))
    # Of the lead-in the last reading is enough: a reading is quiet when it is near a neighbour.
    before = np.flatnonzero(np.isfinite(block.good_reading[: block.lead]))[-1:]
    since = int(before[0]) if len(before) else block.lead
    reading = block.good_reading[since:]
    known = np.isfinite(reading)
    time, reading, temperature = block.time[since:][known], reading[known], block.temperature_c[since:][known]
    # Without minus zeros, which processors sort differently.
    share = 100 * (reading - zero_of(entry.lrl, entry.span)) / entry.span + 0.0
    step = np.abs(np.diff(share))
    moved = step[step > 0]
    quiet = quiet_readings(step, s.quiet_pct_span)
    own = slice(len(before), None)
    rests = find_rests(day_of(time[own]), time[own], share[own], temperature[own], quiet[own], s)
    tolerance = entry.zero_tolerance_pct_span or s.tolerance_pct_span
    middle, first, levels, count = below_range(
        time[own], reading[own], entry.lrl, entry.span, tolerance, s.negative_levels
    )
    return Summary(
        time=rests.time,
        error=rests.error,
        temperature=rests.temperature,
        resting=rests.resting,
        passing=rests.passing,
        steps=np.array([len(moved)]),
        grain=np.array([quantile(moved, FINEST_SHARE) if len(moved) else 0.0]),
        below=np.array([count]),
        below_middle=np.array([middle]),
        below_since=np.array([first]),
        below_levels=levels,
    )


def zero_of(lrl: float, span: float) -> float:
    """Return the reading at which a vented or empty instrument stands: zero, or the lower limit of a live zero."""
    return 0.0 if lrl <= 0 <= lrl + span else lrl


def below_range(
    time: np.ndarray, reading: np.ndarray, lrl: float, span: float, tolerance: float, most: int
) -> tuple[float, float, np.ndarray, int]:
    """Return median, first instant, some different values and number of the readings below the range, in % of span."""
    share = 100 * (reading - lrl) / span
    below = share < -tolerance
    if not below.any():
        return np.nan, np.nan, np.zeros(0), 0
    values = share[below]
    return float(np.median(values)), float(time[np.argmax(below)]), np.unique(values)[:most], len(values)
