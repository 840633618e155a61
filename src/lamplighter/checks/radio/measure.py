"""What one node's RSSI says: level, margin, trend and steps with their uncertainty; no judgement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S, NodeHistory, day_of
from lamplighter.settings import Settings
from lamplighter.settings.radio import RadioSettings
from lamplighter.stats.changes import Explanation, Scales, explain
from lamplighter.stats.order import quantile, quantiles_within, stretches

YEAR_D = 365.25
RESETS = ("antenna changed", "moved")
LEAST_TEMPERATURE = 0.8
"""Share of the days whose temperature must be known for it to count."""
TEMPERATURE_HOLDS_D = 7
"""Days for which a known temperature may stand for unknown ones at either end."""
LEAST_HOUR_ROWS = 5
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


def measure(history: NodeHistory, settings: Settings) -> RadioMeasure:
    """Measure one node's radio.

    Parameters
    ----------
    history : NodeHistory
    settings : Settings

    Returns
    -------
    RadioMeasure
    """
    s = settings.radio
    valid = (history.rssi_dbm > s.lowest_dbm) & (history.rssi_dbm < s.highest_dbm)
    time, rssi = history.time[valid], history.rssi_dbm[valid]
    resets = tuple(w.time for w in history.worklog if w.action in RESETS)
    if not len(time):
        nothing = np.zeros(0)
        nan = math.nan
        return RadioMeasure(0, nothing, nothing, nothing, None, nothing, nothing, None, nan, nan, nan, resets, nan)
    flat = rssi - daily_pattern(time, rssi)
    day, count, level, low = daily_quantiles(time, flat, rssi)
    enough = count >= max(1.0, s.least_rows_share * float(np.median(count)))
    day, level, low = day[enough], level[enough], low[enough]
    late = day > day[-1] - s.history_days
    day, level, low = day[late], level[late], low[late]
    recent = day > day[-1] - s.recent_days
    temperature = temperature_of(history, day)
    found, seasonal, fitted = explained(day, level, temperature, resets, s)
    return RadioMeasure(
        int(valid.sum()), day, level, low, temperature, seasonal, fitted, found, float(np.median(level[recent])),
        float(np.median(low[recent])), float(np.median(level - low)), resets, float(time[-1]),
    )  # fmt: skip


def daily_quantiles(time: np.ndarray, flat: np.ndarray, raw: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return days, number of rows, median of one quantity and 10th percentile of another by day."""
    day = day_of(time)
    first, count = stretches(day)
    return day[first], count, quantiles_within(flat, count, (0.5,))[0], quantiles_within(raw, count, (0.1,))[0]


def daily_pattern(time: np.ndarray, rssi: np.ndarray) -> np.ndarray:
    """Mean deviation of RSSI at each row's hour of the day from the mean over all hours, shape (n,) [dB].

    A day of which only the nights arrived must not look weaker than the others.
    """
    hour = np.floor(time / 3600).astype(np.int64) % 24
    middle = quantile(rssi, 0.5)
    near = np.clip(rssi, middle - 15, middle + 15)
    count = np.bincount(hour, minlength=24)
    mean = np.bincount(hour, weights=near, minlength=24) / np.maximum(count, 1)
    known = count >= LEAST_HOUR_ROWS
    if known.sum() < 2:
        return np.zeros(len(rssi))
    return np.where(known, mean - mean[known].mean(), 0.0)[hour]


def temperature_of(history: NodeHistory, day: np.ndarray) -> np.ndarray | None:
    """Median temperature on given days, filled between known days; None when too little of those days is known.

    Days before the first or after the last known one take its value for a week at most: a sensor that was
    dead for a season is no season of one temperature.
    """
    d = history.daily
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
