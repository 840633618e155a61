"""What one node's RSSI says: level, margin, trend and steps with their uncertainty; no judgement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S, Daily
from lamplighter.checks.radio.summary import Summary, missed_hours
from lamplighter.record import Record
from lamplighter.settings import Settings
from lamplighter.settings.radio import RadioSettings
from lamplighter.stats.changes import Explanation, Scales, explain

YEAR_D = 365.25
RESETS = ("antenna changed", "moved")
LEAST_TEMPERATURE = 0.8
"""Share of the days whose temperature must be known for it to count."""
TEMPERATURE_HOLDS_D = 7
"""Days for which a known temperature may stand for unknown ones at either end."""
LEAST_SEASON_D = 60.0
SHARED = 1.0
"""How much of the fleet's common weather a node usually feels, more or less than none."""
SECOND_HARMONIC = 0.4
"""Usual size of the half-yearly swing, as a share of the yearly one."""


@dataclass(frozen=True)
class RadioMeasure:
    """RSSI of one node.

    Attributes
    ----------
    rows : int
        Check-ins with a valid RSSI.
    day, level, low : ndarray, shape (d,)
        By UTC day: median with the daily pattern taken out, and 10th percentile [dBm].
    temperature : ndarray, shape (d,), or None
        Daily median temperature [degC], where known well enough.
    seasonal : ndarray, shape (d,)
        Effect of season and temperature on the daily median [dB], mean zero; zeros when nothing was fitted.
    fitted : ndarray, shape (d,)
        Level with trend and steps, season taken out [dBm]; NaN when nothing was fitted.
    found : Explanation or None
        Without its arrays; times in years since 1970-01-01, slopes in dB a year.
    recent_median, recent_low : float
        Median and 10th percentile over the last days [dBm].
    spread_db : float
        Median less 10th percentile within days [dB].
    resets : tuple of float
        Times of work that moved the level [s].
    last : float
        Last valid RSSI [s].
    """

    rows: int
    day: np.ndarray
    level: np.ndarray
    low: np.ndarray
    temperature: np.ndarray | None
    seasonal: np.ndarray
    fitted: np.ndarray
    found: Explanation | None
    recent_median: float
    recent_low: float
    spread_db: float
    resets: tuple[float, ...]
    last: float


def measure(summary: Summary, record: Record, settings: Settings) -> RadioMeasure:
    """Measure one node's radio.

    Parameters
    ----------
    summary : Summary
    record : Record
    settings : Settings

    Returns
    -------
    RadioMeasure
    """
    s = settings.radio
    resets = tuple(w.time for w in record.worklog if w.action in RESETS)
    if not len(summary.day):
        nothing = np.zeros(0)
        nan = math.nan
        return RadioMeasure(0, nothing, nothing, nothing, None, nothing, nothing, None, nan, nan, nan, resets, nan)
    level = summary.level - np.repeat(missed_hours(summary), summary.days)
    kept = summary.count >= max(1.0, s.least_rows_share * float(np.median(summary.count)))
    kept &= summary.day > summary.day[kept][-1] - s.history_days
    day, level, low = summary.day[kept], level[kept], summary.low[kept]
    recent = day > day[-1] - s.recent_days
    temperature = temperature_of(record.daily, day)
    found, seasonal, fitted = explained(day, level, temperature, resets, s)
    return RadioMeasure(
        int(summary.count.sum()), day, level, low, temperature, seasonal, fitted, found,
        float(np.median(level[recent])), float(np.median(low[recent])), float(np.median(level - low)), resets,
        float(summary.last[np.isfinite(summary.last)][-1]),
    )  # fmt: skip


def temperature_of(d: Daily, day: np.ndarray) -> np.ndarray | None:
    """Median temperature on given days, filled between known days; None when too little of those days is known.

    Days before the first or after the last known one take its value for a week at most: a sensor that was
    dead for a season is no season of one temperature.
    """
    known = np.isfinite(d.temperature_median)
    if (known & np.isin(d.day, day)).sum() < LEAST_TEMPERATURE * len(day):
        return None
    first, last = d.day[known][[0, -1]]
    if max(first - day[0], day[-1] - last) > TEMPERATURE_HOLDS_D:
        return None
    return np.interp(day, d.day[known], d.temperature_median[known])


def weather_columns(day: np.ndarray, temperature: np.ndarray | None, s: RadioSettings) -> tuple[np.ndarray, np.ndarray]:
    """Columns for season and temperature, and their usual effects [dB], shapes (d, k) and (k,)."""
    columns, usual = [], []
    if day[-1] - day[0] >= LEAST_SEASON_D:
        for harmonic, size in ((1, s.season_db), (2, SECOND_HARMONIC * s.season_db)):
            angle = 2 * np.pi * harmonic * day / YEAR_D
            columns += [np.cos(angle), np.sin(angle)]
            usual += [size, size]
    if temperature is not None and np.ptp(temperature) > 1:
        columns.append((temperature - temperature.mean()) / 10)
        usual.append(s.temperature_db)
    return (np.column_stack(columns) if columns else np.zeros((len(day), 0))), np.array(usual)


def explained(
    day: np.ndarray,
    level: np.ndarray,
    temperature: np.ndarray | None,
    resets: tuple[float, ...],
    s: RadioSettings,
    common: np.ndarray | None = None,
) -> tuple[Explanation | None, np.ndarray, np.ndarray]:
    """Explain daily levels by season, temperature, shared weather, steps and slopes.

    Returns
    -------
    found : Explanation or None
    seasonal, fitted : ndarray, shape (d,)
        Effect of all but steps and slopes; level with steps and slopes.
    """
    zeros, unknown = np.zeros(len(day)), np.full(len(day), np.nan)
    if len(day) < s.least_days:
        return None, zeros, unknown
    columns, usual = weather_columns(day.astype(float), temperature, s)
    if common is not None:
        columns, usual = np.column_stack([columns, common]), np.append(usual, SHARED)
    scales = Scales(
        step=s.usual_step_db, slope=s.usual_slope_db, odds=s.change_odds, margin=s.step_margin_days / YEAR_D,
        bend_margin=s.trend_margin_days / YEAR_D, wander=s.usual_wander_db,
    )  # fmt: skip
    known = tuple(r / DAY_S / YEAR_D for r in resets)
    found = explain(day / YEAR_D, level, scales, columns, usual, known)
    if found is None:
        return None, zeros, unknown
    return found.bare(), found.others, found.fitted
