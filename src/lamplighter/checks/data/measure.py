"""Measures what a node's record says about how it was set up."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import BAD, DAY_S, NodeHistory
from lamplighter.checks.data.identity import Split
from lamplighter.checks.data.join import best_step, join_splits
from lamplighter.checks.data.scale import ScaleStep
from lamplighter.checks.data.summary import Summary
from lamplighter.fleet import RegisterEntry
from lamplighter.record import Record
from lamplighter.settings import Settings
from lamplighter.stats.order import quantile


@dataclass(frozen=True, slots=True, kw_only=True)
class DataMeasures:
    """What was measured about one node's set-up.

    Attributes
    ----------
    rows : int
        Check-ins.
    first, last : float
        First and last of them [s since 1970-01-01 UTC].
    split : Split
        Whether the record falls into two.
    scale : ScaleStep or None
        The change of scale nearest to a ratio of units; None where none can be within its tolerances.
    recent : int
        Readings in the last weeks of the node's record, those with a low battery left out.
    outside_share : float
        Share of them outside the range of the register by more than sensors go; NaN without a range.
    outside_pct : float
        Median distance of these from the range [% of span].
    highest_pct : float
        99.9 % quantile of the readings of the half-year in which it is highest [% of span].
    bad_share : float
        Share of the last weeks' readings of bad quality.
    spacing_s, spacing_n : ndarray, shape (k,)
        Spacings of the last months' check-ins in classes 2 % wide [s], and how many there are of each.
    """

    rows: int
    first: float
    last: float
    split: Split
    scale: ScaleStep | None
    recent: int
    outside_share: float
    outside_pct: float
    highest_pct: float
    bad_share: float
    spacing_s: np.ndarray
    spacing_n: np.ndarray


def measure(summary: Summary, record: Record, settings: Settings) -> DataMeasures:
    """Measure one node's set-up."""
    s = settings.data
    lately = record.rows(max(record.last - max(s.fast_days, s.recent_days) * DAY_S, record.first))
    recent = lately.time > record.last - s.recent_days * DAY_S
    low = low_battery(lately, record.daily.battery_median, settings.stuck.low_battery_share)
    with_value = recent & np.isfinite(lately.reading) & ~low
    outside = outside_range(lately, with_value, s.span_outside_pct)
    spacing_s, spacing_n = spacings(lately.time[lately.time > record.last - s.fast_days * DAY_S])
    enough = record.check_ins >= s.min_rows
    return DataMeasures(
        rows=record.check_ins,
        first=record.first,
        last=record.last,
        split=join_splits(summary) if enough else Split(),
        scale=best_step(summary, record, s) if enough else None,
        recent=int(with_value.sum()),
        outside_share=outside[0],
        outside_pct=outside[1],
        highest_pct=float(in_span(np.nanmax(summary.highest), record.entry)) if np.isfinite(outside[0]) else math.nan,
        bad_share=float((lately.quality[recent] == BAD).mean()),
        spacing_s=spacing_s,
        spacing_n=spacing_n,
    )


def spacings(time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Count the spacings of check-ins in classes 2 % wide; shape (k,) each, shortest first."""
    spacing = np.diff(time)
    classes = np.round(np.log(spacing[spacing > 0]) / np.log(1.02)).astype(np.int64)
    values, counts = np.unique(classes, return_counts=True)
    return np.exp(values * np.log(1.02)), counts


def low_battery(history: NodeHistory, daily: np.ndarray, share: float) -> np.ndarray:
    """Whether each check-in was sent with a low battery, whose readings prove nothing; shape (n,).

    ``daily`` are the middle voltages of the days of the whole record, by which the usual one is told.
    """
    volts = daily[np.isfinite(daily)]
    if len(volts) == 0:
        return np.zeros(len(history), dtype=bool)
    cutoff = history.entry.cutoff_v
    return history.battery_v < (cutoff if cutoff is not None else share * quantile(volts, 0.9))


def in_span(value: np.ndarray, entry: RegisterEntry) -> np.ndarray:
    """Return readings in % of the span of the register, which must have one."""
    return 100 * (value - entry.lrl) / entry.span


def outside_range(history: NodeHistory, recent: np.ndarray, slack_pct: float) -> tuple[float, float]:
    """Share of recent readings outside the range, and how far outside they are [% of span]."""
    if history.entry.span is None:
        return math.nan, math.nan
    now = history.good_reading[recent]
    now = in_span(now[np.isfinite(now)], history.entry)
    if len(now) == 0:
        return math.nan, math.nan
    beyond = np.maximum(now - 100, -now)
    far = beyond > slack_pct
    return float(far.mean()), float(np.median(beyond[far])) if far.any() else 0.0
