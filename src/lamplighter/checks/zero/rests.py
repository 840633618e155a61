"""Finds the days on which a process rests at zero, and what the transmitter reads then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.settings.zero import ZeroSettings
from lamplighter.stats.order import ranked_within, stretches

LEAST_AT_REST = 2
"""Quiet readings at a day's rest, at least: quiet means that two are alike."""
ABOUT_REST, JUST_ABOVE, STILL_ABOVE = 6, 2, 10
"""In widths of a rest: readings this near are about it; those between the other two lie just above it."""


@dataclass(frozen=True, slots=True)
class Rests:
    """Days on which the process rested at zero, all arrays of shape (n_days,).

    Attributes
    ----------
    time : ndarray
        Middle of the rest [s since 1970-01-01 UTC].
    error : ndarray
        Reading at rest [% of span].
    temperature : ndarray
        Temperature at rest [degC]; NaN when not known.
    resting, passing : ndarray of int
        The day's readings at the rest, and just above it: a process that lingers there has no rest.
    """

    time: np.ndarray
    error: np.ndarray
    temperature: np.ndarray
    resting: np.ndarray
    passing: np.ndarray

    def only(self, some: np.ndarray) -> Rests:
        """Return some of the days, a mask of shape (n_days,)."""
        return Rests(self.time[some], self.error[some], self.temperature[some], self.resting[some], self.passing[some])

    @property
    def lingering(self) -> float:
        """Readings just above the rest for each one at it."""
        return float(self.passing.sum()) / max(float(self.resting.sum()), 1.0)


def find_rests(
    days: np.ndarray,
    time: np.ndarray,
    share: np.ndarray,
    temperature: np.ndarray,
    quiet: np.ndarray,
    s: ZeroSettings,
) -> Rests:
    """Find the days with a rest at zero among some readings.

    The lowest level at which quiet readings near zero gather on a day is the day's rest. It takes two of them, and
    of the readings within a few times the width of a rest most must lie within it: those of a running process spread.

    Parameters
    ----------
    days, time : ndarray, shape (n,)
        UTC day and instant [s] of each reading.
    share : ndarray, shape (n,)
        Readings [% of span above the zero].
    temperature : ndarray, shape (n,)
    quiet : ndarray of bool, shape (n,)
        Whether each differs little from the one before or after.
    s : ZeroSettings
    """
    low = np.flatnonzero(quiet & (np.abs(share) <= s.rest_band_pct_span))
    near = low[np.abs(share[low] - by_day(days[low], share[low], 0.2)) <= s.cluster_pct_span]
    if len(near) == 0:
        return Rests(*[np.zeros(0)] * 3, *[np.zeros(0, np.int64)] * 2)
    first, count = stretches(days[near])
    error = quantile_of_day(share[near], count, 0.5)
    rested = days[near][first]
    # The rest of each reading's day, by a table of days; NaN on days without one.
    rest_of = np.full(int(days[-1] - days[0]) + 1, np.nan)
    rest_of[rested - days[0]] = error
    above = share - rest_of[days - days[0]]

    def counted(rows: np.ndarray) -> np.ndarray:
        return np.bincount(days[rows] - days[0], minlength=len(rest_of))[rested - days[0]]

    off = np.abs(above)
    resting = counted(off <= s.cluster_pct_span)
    about = counted(off <= ABOUT_REST * s.cluster_pct_span)
    passing = counted((above > JUST_ABOVE * s.cluster_pct_span) & (above <= STILL_ABOVE * s.cluster_pct_span))
    middle = np.add.reduceat(time[near], first) / count
    rests = Rests(middle, error, means(temperature[near], first), resting, passing)
    return rests.only((count >= LEAST_AT_REST) & (resting >= s.rest_gathered * about))


def quiet_readings(step: np.ndarray, most: float) -> np.ndarray:
    """Whether each reading differs by little from one neighbour at least, from their steps, shape (n + 1,)."""
    still = step <= most
    return np.concatenate([still, [False]]) | np.concatenate([[False], still])


def by_day(days: np.ndarray, values: np.ndarray, share: float) -> np.ndarray:
    """Return each row's day's quantile (an order statistic), shape of ``values``; days must be sorted."""
    if len(days) == 0:
        return np.zeros(0)
    _, size = stretches(days)
    return np.repeat(quantile_of_day(values, size, share), size)


def quantile_of_day(values: np.ndarray, size: np.ndarray, share: float) -> np.ndarray:
    """Return the quantile (an order statistic) of each day's values, from how many each day has."""
    return ranked_within(values, size, np.floor(share * (size - 1) + 0.5).astype(np.int64))


def means(values: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Mean of the known values of each group, NaN without any."""
    known = np.isfinite(values)
    total = np.add.reduceat(np.where(known, values, 0.0), first)
    count = np.add.reduceat(known.astype(float), first)
    return np.divide(total, count, out=np.full(len(first), np.nan), where=count > 0)


def steady(rests: Rests, s: ZeroSettings) -> Rests:
    """Leave out days lifted off the zero, and days on the floor that a drift has reached.

    The process can only lift a reading off its zero: a day far above the lower quartile of the days before it and of
    those after it was no rest. A step of the zero lies above one of them only.
    """
    before, after = running_quartiles(rests.error, s.lifted_days)
    kept = rests.error - np.maximum(before, after) <= s.outlier_pct_span
    return rests.only(kept & ~on_floor(rests.error, s))


def running_quartiles(values: np.ndarray, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the lower quartile of the values up to each place and from it on, within a width; shape of ``values``."""
    if len(values) == 0:
        return values, values
    width = min(width, len(values))
    beyond = np.full(width - 1, np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(np.concatenate([beyond, values, beyond]), width)
    place = (width - 1) // 4
    quartile = np.partition(windows, place, axis=1)[:, place]
    before, after = quartile[: len(values)].copy(), quartile[width - 1 :].copy()
    # Windows with fewer values than the quartile's place would answer with the padding.
    few = np.arange(len(values))
    before[few < place] = np.minimum.accumulate(values)[few < place]
    last = len(values) - 1 - few
    after[last < place] = np.minimum.accumulate(values[::-1])[::-1][last < place]
    return before, after


def on_floor(error: np.ndarray, s: ZeroSettings) -> np.ndarray:
    """Days on which the reading lay on the lowest value it can give, when it crept there: its true error is beyond.

    A zero that jumped there keeps its days, since they alone show the jump.
    """
    none = np.zeros(len(error), dtype=bool)
    if len(error) < 3 * s.min_rest_days:
        return none
    floor = float(error.min())
    at = error == floor
    first = int(np.argmax(at))
    crept = (
        first >= s.min_rest_days and float(np.median(error[first - s.min_rest_days : first])) - floor < s.floor_pct_span
    )
    hard = at[first:].mean() > 0.5 and floor < -s.floor_pct_span
    return at if crept and hard else none
