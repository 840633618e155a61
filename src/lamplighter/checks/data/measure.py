"""Measures what a node's record says about how it was set up."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import BAD, DAY_S, NodeHistory
from lamplighter.checks.data.identity import Split, find_split
from lamplighter.checks.data.scale import ScaleStep, find_scale_step
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
        99.9 % quantile of all readings [% of span].
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


def measure(history: NodeHistory, settings: Settings) -> DataMeasures:
    """Measure one node's set-up."""
    s = settings.data
    recent = history.time > history.time[-1] - s.recent_days * DAY_S
    with_value = recent & np.isfinite(history.reading) & ~low_battery(history, settings.stuck.low_battery_share)
    outside = outside_range(history, with_value, s.span_outside_pct)
    spacing_s, spacing_n = spacings(history.time[history.time > history.time[-1] - s.fast_days * DAY_S])
    return DataMeasures(
        rows=len(history),
        first=float(history.time[0]),
        last=float(history.time[-1]),
        split=find_split(history, s) if len(history) >= s.min_rows else Split(),
        scale=find_scale_step(history, s) if len(history) >= s.min_rows else None,
        recent=int(with_value.sum()),
        outside_share=outside[0],
        outside_pct=outside[1],
        highest_pct=outside[2],
        bad_share=float((history.quality[recent] == BAD).mean()),
        spacing_s=spacing_s,
        spacing_n=spacing_n,
    )


def spacings(time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Count the spacings of check-ins in classes 2 % wide; shape (k,) each, shortest first."""
    spacing = np.diff(time)
    classes = np.round(np.log(spacing[spacing > 0]) / np.log(1.02)).astype(np.int64)
    values, counts = np.unique(classes, return_counts=True)
    return np.exp(values * np.log(1.02)), counts


def low_battery(history: NodeHistory, share: float) -> np.ndarray:
    """Whether each check-in was sent with a low battery, whose readings prove nothing; shape (n,)."""
    volts = history.battery_v[np.isfinite(history.battery_v)]
    if len(volts) == 0:
        return np.zeros(len(history), dtype=bool)
    cutoff = history.entry.cutoff_v
    return history.battery_v < (cutoff if cutoff is not None else share * quantile(volts, 0.9))


def outside_range(history: NodeHistory, recent: np.ndarray, slack_pct: float) -> tuple[float, float, float]:
    """Share of recent readings outside the range, how far outside they are, and the highest reading; in % of span."""
    entry = history.entry
    if entry.span is None or not recent.any():
        return math.nan, math.nan, math.nan
    share = 100 * (history.good_reading - entry.lrl) / entry.span
    now = share[recent & np.isfinite(share)]
    if len(now) == 0:
        return math.nan, math.nan, math.nan
    beyond = np.maximum(now - 100, -now)
    far = beyond > slack_pct
    middle = float(np.median(beyond[far])) if far.any() else 0.0
    return float(far.mean()), middle, quantile(share[np.isfinite(share)], 0.999)
