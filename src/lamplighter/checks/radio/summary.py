"""What the radio check keeps of one block: daily levels, and how RSSI goes with the hour of the day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S, NodeHistory
from lamplighter.settings import Settings
from lamplighter.stats.order import quantile, quantiles_within, stretches

HOURS = 24
HOUR_S = DAY_S / HOURS
WEEK_D = 7
LEAST_HOUR_ROWS = 5
"""Rows from which the mean of an hour of the day is learned."""
PRIOR_ROWS = 0.5
"""Rows for which it counts that hours do not differ: they usually do, about as much as single rows scatter."""
LEAST_TOLD = 0.9
"""Share of a block's rows that must lie at hours with so many, else its levels are left as they are: a short block."""
NEAR_DB = 15.0
"""Rows are drawn in to this near the middle while the hours are learned."""


@dataclass(frozen=True, slots=True)
class Summary:
    """RSSI of the blocks of one node, in order of time.

    Attributes
    ----------
    day, count, level, low : ndarray, shape (n_days,)
        By UTC day with a valid RSSI: how many there are, their median with the block's daily pattern taken out, and
        their 10th percentile [dBm].
    days : ndarray, shape (n_blocks,)
        How many of the days each block has.
    last : ndarray, shape (n_blocks,)
        Last valid RSSI [s]; NaN without any.
    hour_rows, hour_mean : ndarray, shape (n_blocks * HOURS,)
        Rows from which the pattern was learned, by block and hour of the day, and the pattern that was taken out [dB];
        both zero at hours of which nothing was learned.
    """

    day: np.ndarray
    count: np.ndarray
    level: np.ndarray
    low: np.ndarray
    days: np.ndarray
    last: np.ndarray
    hour_rows: np.ndarray
    hour_mean: np.ndarray


def summarise(block: NodeHistory, settings: Settings) -> Summary:
    """Condense the RSSI of one block."""
    s = settings.radio
    valid = (block.rssi_dbm > s.lowest_dbm) & (block.rssi_dbm < s.highest_dbm)
    time, rssi = block.time[valid], block.rssi_dbm[valid]
    hours = np.floor(time / HOUR_S).astype(np.int64)
    day = hours // HOURS
    hour = hours - HOURS * day
    hour_rows, hour_mean = daily_pattern(day, hour, rssi)
    own = int(np.count_nonzero(valid[: block.lead]))
    time, rssi, day, hour = time[own:], rssi[own:], day[own:], hour[own:]
    first, count = stretches(day)
    return Summary(
        day=day[first],
        count=count,
        level=quantiles_within(rssi - hour_mean.take(hour), count, (0.5,))[0],
        low=quantiles_within(rssi, count, (0.1,))[0],
        days=np.array([len(first)]),
        last=time[-1:] if len(time) else np.full(1, np.nan),
        hour_rows=hour_rows,
        hour_mean=hour_mean,
    )


def daily_pattern(day: np.ndarray, hour: np.ndarray, rssi: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return rows and deviation of RSSI by hour of the day from the mean over all known hours, shape (HOURS,).

    A day of which only the nights arrived must not look weaker than the others. Hours are compared within weeks: those
    that arrived only at one end of a season would else take the season for the hour.
    """
    nothing = np.zeros(HOURS, dtype=np.int64), np.zeros(HOURS)
    count = np.bincount(hour, minlength=HOURS)
    known = count >= LEAST_HOUR_ROWS
    if known.sum() < 2 or count[known].sum() < LEAST_TOLD * len(rssi):
        return nothing
    middle = quantile(rssi, 0.5)
    near = np.clip(rssi, middle - NEAR_DB, middle + NEAR_DB)
    week = day // WEEK_D
    place = (week - week[0]) * HOURS + hour
    size = (int(week[-1] - week[0]) + 1) * HOURS
    rows, sums = np.bincount(place, minlength=size), np.bincount(place, weights=near - middle, minlength=size)
    pattern = compared(rows.reshape(-1, HOURS), sums.reshape(-1, HOURS))
    return np.where(known, count, 0), np.where(known, pattern - pattern[known].mean(), 0.0)


def compared(rows: np.ndarray, sums: np.ndarray) -> np.ndarray:
    """Return how RSSI goes with the hour when each group of rows has a level of its own, shape (HOURS,) [dB].

    Least squares for hours and levels together; hours that few rows compare with the others are drawn toward them.

    Parameters
    ----------
    rows, sums : ndarray, shape (n_groups, HOURS)
        Number of rows and sum of their RSSI.
    """
    total = np.maximum(rows.sum(axis=1, keepdims=True), 1)
    centred = sums - rows * sums.sum(axis=1, keepdims=True) / total
    matrix = np.diag(rows.sum(axis=0) + PRIOR_ROWS) - rows.T @ (rows / total)
    return np.linalg.solve(matrix, centred.sum(axis=0))


def missed_hours(summary: Summary) -> np.ndarray:
    """How much each block's levels lie above those of check-ins at all hours, shape (n_blocks,) [dB].

    A block's pattern is zero in the middle of the hours it knows: one of which only the nights arrived would else
    look stronger or weaker than the others. The hours are compared within blocks, since the level moves between them.
    """
    rows, mean = summary.hour_rows.reshape(-1, HOURS), summary.hour_mean.reshape(-1, HOURS)
    known = rows > 0
    learned = known.any(axis=1)
    if (known[learned] == known.any(axis=0)).all():
        return np.zeros(len(rows))
    pattern = compared(rows, rows * mean)
    middle = pattern[known.any(axis=0)].mean()
    return np.where(learned, (known @ pattern) / np.maximum(known.sum(axis=1), 1) - middle, 0.0)
