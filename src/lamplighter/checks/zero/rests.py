"""Finds the days on which a process rests at zero, and what the transmitter reads then."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import NodeHistory, day_of
from lamplighter.settings.zero import ZeroSettings
from lamplighter.stats.order import ranked_within, stretches


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
    count : ndarray
        Check-ins at rest.
    days_seen : int
        Days with any reading.
    passing : float
        Readings just above the rest, for each one at it, on these days: a process that lingers there has no rest.
    """

    time: np.ndarray
    error: np.ndarray
    temperature: np.ndarray
    count: np.ndarray
    days_seen: int
    passing: float = 0.0


def find_rests(history: NodeHistory, lrl: float, span: float, s: ZeroSettings) -> Rests:
    """Find the rests at zero of one node.

    A check-in is quiet when its reading differs little from the one before or after. The lowest level at which
    quiet readings near zero gather on a day is the day's rest; days far from those around them are left out.

    Parameters
    ----------
    history : NodeHistory
    lrl, span : float
        Lower range limit and span [unit of the reading]; zero is zero of the unit when the range holds it.
    s : ZeroSettings
    """
    usable = np.isfinite(history.good_reading)
    time, temperature = history.time[usable], history.temperature_c[usable]
    share = 100 * (history.good_reading[usable] - zero_of(lrl, span)) / span
    days = history.day[usable]
    seen = len(stretches(days)[0])
    every = days, share
    quiet = quiet_readings(share, s.quiet_pct_span) & (np.abs(share) <= s.rest_band_pct_span)
    time, share, temperature, days = (a[quiet] for a in (time, share, temperature, days))
    low = by_day(days, share, 0.2)
    near = np.abs(share - low) <= s.cluster_pct_span
    time, share, temperature, days = (a[near] for a in (time, share, temperature, days))
    if len(days) == 0:
        none = np.zeros(0)
        return Rests(none, none, none, none, seen)
    first = np.flatnonzero(np.diff(days, prepend=days[0] - 1))
    count = np.diff(first, append=len(days))
    rests = Rests(
        time=np.add.reduceat(time, first) / count,
        error=by_day(days, share, 0.5)[first],
        temperature=means(temperature, first),
        count=count,
        days_seen=seen,
    )
    kept = steady(rests, gathered_days(rests, *every, s), s)
    return replace(kept, passing=passing(kept, *every, s))


def gathered_days(rests: Rests, days: np.ndarray, share: np.ndarray, s: ZeroSettings) -> np.ndarray:
    """Whether each day's readings near its rest gather at it, shape (n_days,); those of a running process spread.

    Of the readings within a few times the width of a rest most must lie within it.
    """
    off = np.abs(off_rest(rests, days, share))
    own = day_of(rests.time) - days[0]
    at = np.bincount((days - days[0])[off <= s.cluster_pct_span], minlength=own[-1] + 1)[own]
    about = np.bincount((days - days[0])[off <= 6 * s.cluster_pct_span], minlength=own[-1] + 1)[own]
    return at >= s.rest_gathered * about


def off_rest(rests: Rests, days: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Return how far each reading lies above its day's rest; NaN on days without one; days must be sorted."""
    error = np.full(days[-1] - days[0] + 1, np.nan)
    error[day_of(rests.time) - days[0]] = rests.error
    return share - error[days - days[0]]


def passing(rests: Rests, days: np.ndarray, share: np.ndarray, s: ZeroSettings) -> float:
    """Count the readings just above the rest for each one at it, on the days with a rest."""
    if len(rests.time) == 0:
        return 0.0
    above = off_rest(rests, days, share)
    at = np.abs(above) <= s.cluster_pct_span
    just = (above > 2 * s.cluster_pct_span) & (above <= 10 * s.cluster_pct_span)
    return float(just.sum()) / max(float(at.sum()), 1.0)


def zero_of(lrl: float, span: float) -> float:
    """Return the reading at which a vented or empty instrument stands: zero, or the lower limit of a live zero."""
    return 0.0 if lrl <= 0 <= lrl + span else lrl


def quiet_readings(share: np.ndarray, most: float) -> np.ndarray:
    """Whether each reading differs by little from one neighbour at least, shape (n,)."""
    still = np.abs(np.diff(share)) <= most
    return np.concatenate([still, [False]]) | np.concatenate([[False], still])


def by_day(days: np.ndarray, values: np.ndarray, share: float) -> np.ndarray:
    """Return each row's day's quantile (an order statistic), shape of ``values``; days must be sorted."""
    if len(days) == 0:
        return np.zeros(0)
    _, size = stretches(days)
    return np.repeat(ranked_within(values, size, np.floor(share * (size - 1) + 0.5).astype(np.int64)), size)


def means(values: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Mean of the known values of each group, NaN without any."""
    known = np.isfinite(values)
    total = np.add.reduceat(np.where(known, values, 0.0), first)
    count = np.add.reduceat(known.astype(float), first)
    return np.divide(total, count, out=np.full(len(first), np.nan), where=count > 0)


def steady(rests: Rests, gathered: np.ndarray, s: ZeroSettings) -> Rests:
    """Leave out days without a true rest, days lifted off the zero, and days on the floor that a drift has reached.

    The process can only lift a reading off its zero: a day far above the lower quartile of the days before it and of
    those after it was no rest. A step of the zero lies above one of them only.
    """
    true = gathered & (rests.count >= 2)
    columns = (getattr(rests, name)[true] for name in ("time", "error", "temperature", "count"))
    rests = Rests(*columns, days_seen=rests.days_seen)
    before, after = running_quartiles(rests.error, s.lifted_days)
    kept = rests.error - np.maximum(before, after) <= s.outlier_pct_span
    kept &= ~on_floor(rests.error, s)
    columns = (getattr(rests, name)[kept] for name in ("time", "error", "temperature", "count"))
    return Rests(*columns, days_seen=rests.days_seen)


def running_quartiles(values: np.ndarray, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the lower quartile of the values up to each place and from it on, within a width; shape of ``values``."""
    if len(values) == 0:
        return values, values
    width = min(width, len(values))
    padded = np.concatenate([np.full(width - 1, np.inf), values])
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    place = (width - 1) // 4
    before = np.partition(windows, place, axis=1)[:, place]
    padded = np.concatenate([values, np.full(width - 1, np.inf)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    after = np.partition(windows, place, axis=1)[:, place]
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
