"""Batteries that a charger keeps up: no end is forecast, the weekly energy balance is judged instead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.observe import Track
from lamplighter.settings.battery import BatterySettings

WEEK_S = 7 * DAY_S


@dataclass(frozen=True, slots=True)
class Balance:
    """Nightly voltage by week: weeks [s], level [V], and the change a week over the last ones with its error [V]."""

    week: np.ndarray
    low: np.ndarray
    per_week: float
    error: float
    falling: int


def is_charged(track: Track, noise: float, settings: BatterySettings) -> bool:
    """Whether the voltage swings daily beyond noise and rises again and again without a swap: a charger is at work."""
    if len(track) < 14:
        return False
    days, group = np.unique(np.floor(track.time / DAY_S).astype(np.int64), return_inverse=True)
    n = len(days)
    high = np.full(n, -np.inf)
    low = np.full(n, np.inf)
    np.maximum.at(high, group, track.volts + 0.5 * track.swing)
    np.minimum.at(low, group, track.volts - 0.5 * track.swing)
    level = np.bincount(group, weights=track.volts) / np.bincount(group)
    swing = float(np.median(high - low)) - 2.563 * noise
    smooth = np.convolve(level, np.ones(3) / 3, mode="valid")
    moves = np.diff(smooth)
    up, down = moves[moves > 0].sum(), -moves[moves < 0].sum()
    blind = 1.0 if np.isfinite(track.temperature).any() else settings.solar_blind_factor
    wide = settings.solar_swing_share * float(np.median(level)) * blind
    return bool(swing > wide and up > 0.6 * down and up > 2 * wide)


def weekly_balance(track: Track, weeks: int = 8) -> Balance:
    """Return the median nightly voltage of each week and its recent slope (median of pair slopes)."""
    week = np.unique(np.floor(track.time / WEEK_S).astype(np.int64))
    days, day_group = np.unique(np.floor(track.time / DAY_S).astype(np.int64), return_inverse=True)
    night = np.full(len(days), np.inf)
    np.minimum.at(night, day_group, track.volts - 0.5 * track.swing)
    of_day = np.floor(days * DAY_S / WEEK_S).astype(np.int64)
    low = np.array([np.median(night[of_day == w]) for w in week])
    recent = low[-weeks:]
    if len(recent) < 3:
        return Balance(week * WEEK_S, low, float("nan"), float("nan"), 0)
    i, j = np.triu_indices(len(recent), 1)
    slopes = (recent[j] - recent[i]) / (j - i)
    slope = float(np.median(slopes))
    line = slope * np.arange(len(recent))
    rest = recent - line - np.median(recent - line)
    error = float(1.4826 * np.median(np.abs(rest)) / np.sqrt(len(recent) ** 3 / 12.0) + 1e-9)
    fall = np.diff(low) < 0
    falling = int(len(fall) - (np.flatnonzero(~fall)[-1] + 1 if (~fall).any() else 0))
    return Balance(week * WEEK_S, low, slope, error, falling)
