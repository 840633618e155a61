"""Measures a node's zero error over time: level, drift, steps, temperature, each with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import DAY_S, day_of
from lamplighter.checks.zero.rests import Rests, steady
from lamplighter.checks.zero.summary import Summary, zero_of
from lamplighter.record import Record
from lamplighter.settings import Settings
from lamplighter.settings.zero import ZeroSettings
from lamplighter.stats.changes import Change, Explanation, Scales, Slope, explain, step_column
from lamplighter.stats.order import weighted_median
from lamplighter.stats.trend import trend

YEAR_S = 365.25 * DAY_S
RESETS = ("zeroed", "recalibrated")


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroMeasures:
    """What was measured about one node's zero.

    Attributes
    ----------
    span : float
        Span of the register [unit]; NaN when not known.
    days_seen : int
        Days with any reading.
    time, error : ndarray, shape (n_days,)
        Rests at zero: time [s since 1970-01-01 UTC], error [% of span].
    grain : float
        Resolution of the reading [% of span]: nothing is known more closely.
    passing : float
        Readings just above the rest, for each one at it.
    scatter : float
        Usual change of the rest from one day to the next, as a standard deviation [% of span].
    explained : Explanation or None
        Steps and drifts, with times in years after the day of the first rest began; the drift at the end
        [% of span per year] was fitted together with the steps and with temperature or season.
    temperature_used : bool
    reset : float
        When the zero was last set by the work log [s since 1970-01-01 UTC]; NaN when not known.
    below_s : float
        Time for which the reading lay below its range by more than the tolerance [s].
    below_pct, below_since : float
        Median of these readings [% of span] and the first time.
    below_levels : int
        Different values among them, counted no further than it takes to judge them.
    day, middle : ndarray
        Daily median reading [% of span] for the comparison with a peer, by day since 1970-01-01.
    """

    span: float
    days_seen: int
    time: np.ndarray
    error: np.ndarray
    grain: float
    passing: float
    scatter: float
    explained: Explanation | None
    temperature_used: bool
    reset: float
    below_s: float
    below_pct: float
    below_since: float
    below_levels: int
    day: np.ndarray
    middle: np.ndarray


def measure(summary: Summary, record: Record, settings: Settings) -> ZeroMeasures:
    """Measure one node's zero."""
    s, entry = settings.zero, record.entry
    resets = tuple(w.time for w in record.worklog if w.action in RESETS)
    reset = resets[-1] if resets else math.nan
    if entry.span is None:
        return unknown_span(len(record.daily.day), reset)
    rests = steady(summary.rests, s)
    tolerance = entry.zero_tolerance_pct_span or s.tolerance_pct_span
    explained, warm = analyse(rests, resets, tolerance, s)
    some = summary.below > 0
    interval = record.typical_interval_s if some.any() else 0.0
    middle = record.daily.reading_median
    return ZeroMeasures(
        span=entry.span,
        days_seen=int(np.isfinite(middle).sum()),
        time=rests.time,
        error=rests.error,
        grain=weighted_median(summary.grain, summary.steps) if summary.steps.any() else 0.0,
        passing=rests.lingering,
        scatter=1.4826 / math.sqrt(2) * float(np.median(np.abs(np.diff(rests.error)))) if len(rests.error) > 1 else 0.0,
        explained=explained,
        temperature_used=warm,
        reset=reset,
        below_s=float(summary.below.sum()) * (interval if math.isfinite(interval) else 0.0),
        below_pct=weighted_median(summary.below_middle[some], summary.below[some]) if some.any() else math.nan,
        below_since=float(summary.below_since[some][0]) if some.any() else math.nan,
        below_levels=len(np.unique(summary.below_levels)),
        day=record.daily.day.astype(np.int32),
        middle=(100 * (middle - zero_of(entry.lrl, entry.span)) / entry.span).astype(np.float32),
    )


def unknown_span(days_seen: int, reset: float) -> ZeroMeasures:
    """Return the measures of a node whose range the register does not give: none."""
    none = np.zeros(0)
    return ZeroMeasures(
        span=math.nan,
        days_seen=days_seen,
        time=none,
        error=none,
        grain=0.0,
        passing=0.0,
        scatter=0.0,
        explained=None,
        temperature_used=False,
        reset=reset,
        below_s=0.0,
        below_pct=math.nan,
        below_since=math.nan,
        below_levels=0,
        day=none,
        middle=none,
    )


def analyse(
    rests: Rests, resets: tuple[float, ...], tolerance: float, s: ZeroSettings
) -> tuple[Explanation | None, bool]:
    """Explain the zero error by steps, drift and temperature, or the season where there is none, all together.

    In less than a year a season and a drift look much alike: a rate taken after the season would be what the
    season left of it.
    """
    if len(rests.time) < s.min_rest_days or rests.time[-1] - rests.time[0] < s.min_span_days * DAY_S:
        return None, False
    # By the day, since rests come one a day: nodes that rest on the same days share the transforms of the noise.
    years = (day_of(rests.time) - day_of(rests.time[:1])) * (DAY_S / YEAR_S)
    others, sizes, warm = companions(rests, s)
    scales = Scales(
        step=s.usual_step_tolerances * tolerance,
        slope=s.usual_drift_tolerances * tolerance,
        odds=s.change_odds,
        margin=7 / 365.25,
        bend_margin=s.bend_days / 365.25,
        most=s.most_changes,
    )
    known = tuple(years[np.searchsorted(rests.time, [r for r in resets if r <= rests.time[-1]])].tolist())
    explained = explain(years, rests.error, scales, others, sizes, known)
    if warm and explained is not None and not bends_of(explained):
        # A season, unlike temperature, needs its usual size to be told from a drift: its slope stays as explained.
        explained = replace(explained, slope=slope_beside(explained, years, rests.error, others, known))
    return slim(explained), warm


def slope_beside(
    explained: Explanation, years: np.ndarray, error: np.ndarray, others: np.ndarray, known: tuple[float, ...]
) -> Slope:
    """Return the slope of a zero without a beginning of drift, fitted beside temperature and its steps."""
    steps = [k for k in (*known, *(c.time for c in explained.changes)) if years[0] < k <= years[-1]]
    beside = np.column_stack([others, *(step_column(years, k) for k in steps)])
    # The steps are taken out so that they do not pass for outliers, and fitted so that they are not held for known.
    line = trend(years, error - explained.fitted, others=beside)
    return Slope(line.slope, line.low, line.high, line.p) if math.isfinite(line.slope) else explained.slope


def slim(explained: Explanation | None) -> Explanation | None:
    """Leave out the effect of temperature on every day, which no judgement needs."""
    return None if explained is None else replace(explained, others=np.zeros(0))


def companions(rests: Rests, s: ZeroSettings) -> tuple[np.ndarray, np.ndarray, bool]:
    """Columns that move a zero besides its own drift, their usual effects, and whether temperature is among them."""
    known = np.isfinite(rests.temperature)
    if known.mean() > 0.8 and np.ptp(rests.temperature[known]) > 2:
        at = np.flatnonzero(known)
        filled = np.interp(np.arange(len(known)), at, rests.temperature[at])
        return filled[:, None], np.array([s.thermal_pct_span_per_c]), True
    phase = 2 * np.pi * rests.time / YEAR_S
    return np.column_stack([np.sin(phase), np.cos(phase)]), np.full(2, s.season_pct_span), False


def bends_of(explained: Explanation | None) -> list[Change]:
    """Return the changes of slope found, in order of time."""
    return [c for c in explained.changes if c.kind == "bend"] if explained else []
