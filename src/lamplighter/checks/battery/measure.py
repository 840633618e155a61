"""Measures one node's battery: no thresholds on what is said, only on what is seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import BAD, DAY_S, NodeHistory, day_of
from lamplighter.checks.battery.lives import Swap, find_swaps, merge_swaps
from lamplighter.checks.battery.observe import Temperature, Track, observe, readjusted
from lamplighter.settings import Settings
from lamplighter.stats.order import ranked_within, stretches


@dataclass(frozen=True, slots=True)
class BatteryMeasures:
    """What one node's battery shows.

    Attributes
    ----------
    track : Track or None
        Voltage by bin, adjusted with the node's own ``temperature``; None when no voltage was ever sent.
    temperature : Temperature
        The node's own response to temperature, before it is drawn toward its class.
    rate : array, shape (n_bins,)
        Check-ins sent a day at each bin, from their spacing; lost ones were sent as well.
    invalid : array, shape (n_bins,)
        Share of check-ins of the bin's day with a reading of bad quality or none.
    swaps : tuple of Swap
        Replacements found, logged, or in the register, oldest first.
    noise : float
        Scatter of single voltages [V].
    days : int
        Days with a voltage.
    voltages : int
        Check-ins with a credible voltage.
    first, last : float
        First and last check-in with a voltage [s].
    """

    track: Track | None
    temperature: Temperature
    rate: np.ndarray
    invalid: np.ndarray
    swaps: tuple[Swap, ...]
    noise: float
    days: int
    voltages: int
    first: float
    last: float


NOTHING = BatteryMeasures(None, Temperature(), np.zeros(0), np.zeros(0), (), 0.0, 0, 0, float("nan"), float("nan"))


def measure(history: NodeHistory, settings: Settings) -> BatteryMeasures:
    """Measure one node's battery.

    Parameters
    ----------
    history : NodeHistory
    settings : Settings

    Returns
    -------
    BatteryMeasures
        Small and picklable; at most one bin a quarter day for short records, one a day for others.
    """
    seen = observe(history, settings.battery)
    if seen is None:
        return NOTHING
    raw, track, fit = seen.raw, seen.track, seen.usual
    logged = [w.time for w in history.worklog if w.action == "battery replaced"]
    swaps = merge_swaps(
        find_swaps(raw, track, settings.battery), logged, history.entry.battery_installed, settings.battery
    )
    return BatteryMeasures(
        track=readjusted(track, seen.every, fit, settings.battery),
        temperature=fit,
        rate=check_in_rate(history, track),
        invalid=invalid_share(history, track),
        swaps=tuple(swaps),
        noise=raw.noise,
        days=len(np.unique(day_of(track.time))),
        voltages=len(raw.time),
        first=float(raw.time[0]),
        last=float(raw.time[-1]),
    )


def check_in_rate(history: NodeHistory, track: Track, window_days: int = 7) -> np.ndarray:
    """Return check-ins sent a day around each bin: a day over the median spacing, smoothed over a week."""
    if len(history) < 3:
        return np.ones(len(track))
    first, size = stretches(history.day[1:])
    days, middle = history.day[1:][first], ranked_within(np.diff(history.time), size, size // 2)
    half = window_days // 2
    padded = np.pad(middle, half, mode="edge")
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(padded, window_days), axis=1)
    return DAY_S / np.maximum(np.interp(track.time / DAY_S, days + 0.5, smooth), 1.0)


def invalid_share(history: NodeHistory, track: Track) -> np.ndarray:
    """Return the share of check-ins on each bin's day that carry no usable reading; 0 for nodes that never have one."""
    bad = (history.quality == BAD) | ~np.isfinite(history.reading)
    if bad.all() or not bad.any():
        return np.zeros(len(track))
    first, size = stretches(history.day)
    days, share = history.day[first], np.add.reduceat(bad, first, dtype=np.int64) / size
    place = np.searchsorted(days, day_of(track.time))
    return share[np.minimum(place, len(days) - 1)]
