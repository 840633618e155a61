"""Measures one node's battery: no thresholds on what is said, only on what is seen."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from lamplighter.checkins import COMPRESSED, DAY_S, Daily, day_of
from lamplighter.checks.battery.course import is_short, put_together, surroundings
from lamplighter.checks.battery.lives import Surroundings, Swap, find_swaps, merge_swaps
from lamplighter.checks.battery.observe import QUARTER_DAY_S, Temperature, Track, readjusted
from lamplighter.checks.battery.summary import Summary, condensed
from lamplighter.record import Record, between
from lamplighter.settings import Settings
from lamplighter.settings.battery import BatterySettings


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
        First and last check-in with a credible voltage [s].
    heard : float
        Last check-in, with or without a voltage [s].
    lost_after : float
        Time without a voltage after which the node no longer sends any [s].
    amiss : float
        Middle of the voltages since ``last``, none of them credible [V]; NaN without any.
    rescaled : tuple of (float, float)
        First and last of the voltages that came in another unit [s]; empty when none did.
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
    heard: float = float("nan")
    lost_after: float = float("inf")
    amiss: float = float("nan")
    rescaled: tuple[float, ...] = ()

    @property
    def lost(self) -> bool:
        """Whether the node goes on checking in, but has long sent no credible voltage."""
        return self.heard - self.last > self.lost_after


NOTHING = BatteryMeasures(None, Temperature(), np.zeros(0), np.zeros(0), (), 0.0, 0, 0, float("nan"), float("nan"))


def measure(summary: Summary, record: Record, settings: Settings) -> BatteryMeasures:
    """Measure one node's battery.

    Parameters
    ----------
    summary : Summary
        Of all blocks.
    record : Record
    settings : Settings

    Returns
    -------
    BatteryMeasures
        Small and picklable; at most one bin a quarter day for short records, one a day for others.
    """
    rows, opened = record.rows, record.open.own
    if is_short(summary, settings.battery):
        # So few rows are read at once, as one block.
        known = np.isfinite(summary.first)
        whole = record.rows(summary.first[known][0], summary.last[known][-1])
        summary = replace(summary, **condensed(whole, QUARTER_DAY_S, settings.battery))
        # Its own response is then the record's.
        rows, opened = partial(between, whole), None
    course = put_together(summary, settings.battery, opened)
    if course is None:
        return NOTHING
    track, fit = course.track, course.usual
    logged = [w.time for w in record.worklog if w.action == "battery replaced"]

    def look(i: int, since: float, until: float) -> Surroundings:
        return surroundings(rows(since, until), course, i, settings.battery)

    found = find_swaps(track, course.noise, course.first, look, settings.battery)
    return BatteryMeasures(
        track=readjusted(track, course.every, fit, settings.battery),
        temperature=fit,
        rate=check_in_rate(summary, record.daily, track),
        invalid=invalid_share(summary, record.daily, track),
        swaps=tuple(merge_swaps(found, logged, record.entry.battery_installed, settings.battery)),
        noise=course.noise,
        days=len(np.unique(day_of(track.time))),
        voltages=int(track.count.sum()),
        first=course.first,
        last=course.last,
        heard=record.last,
        lost_after=lost_after(track, record, settings.battery),
        amiss=amiss(record, course.last),
        rescaled=tuple(float(t) for t in track.time[course.factor != 1.0][[0, -1]]) if course.rescaled else (),
    )


def lost_after(track: Track, record: Record, settings: BatterySettings) -> float:
    """Return the time without a voltage after which it is no longer sent [s], longer for voltages that are seldom sent.

    Where values are stored only when they change, a steady voltage is absent as long as it ever was, and longer.
    """
    spacing = np.diff(track.time)
    usual = settings.voltage_lost_spacings * float(np.median(spacing)) if len(spacing) else 0.0
    longest = 2.0 * float(spacing.max()) if len(spacing) and COMPRESSED in record.traits else 0.0
    return max(settings.voltage_lost_days * DAY_S, usual, longest)


def amiss(record: Record, last: float) -> float:
    """Return the middle of the voltages after the last credible one [V], as far as the open block knows."""
    volts = record.open.battery_v[record.open.time > last]
    volts = volts[np.isfinite(volts)]
    return float(np.median(volts)) if len(volts) else float("nan")


def check_in_rate(summary: Summary, daily: Daily, track: Track, window_days: int = 7) -> np.ndarray:
    """Return check-ins sent a day around each bin: a day over the median spacing, smoothed over a week."""
    known = np.isfinite(summary.spacing)
    if daily.count.sum() < 3 or not known.any():
        return np.ones(len(track))
    half = window_days // 2
    padded = np.pad(summary.spacing[known], half, mode="edge")
    smooth = np.sort(np.lib.stride_tricks.sliding_window_view(padded, window_days), axis=1)[:, half]
    return DAY_S / np.maximum(np.interp(track.time / DAY_S, daily.day[known] + 0.5, smooth), 1.0)


def invalid_share(summary: Summary, daily: Daily, track: Track) -> np.ndarray:
    """Return the share of check-ins on each bin's day that carry no usable reading; 0 for nodes that never have one."""
    if summary.bad.sum() in (0, daily.count.sum()):
        return np.zeros(len(track))
    place = np.searchsorted(daily.day, day_of(track.time))
    return (summary.bad / daily.count)[np.minimum(place, len(daily.day) - 1)]
