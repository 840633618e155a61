"""Where one battery ends and the next begins: logged replacements and sharp, lasting rises of the voltage.

A swap is a rise between two check-ins that lasts for days, stands out of the node's own day-to-day movement, and leads
back to a level that the life before knew. A warming day, a battery that recovers at rest, or one that climbs out of
passivation rises over many check-ins; a cold snap or a disturbance ends as it began.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.observe import Track
from lamplighter.settings.battery import BatterySettings


@dataclass(frozen=True, slots=True)
class Swap:
    """A battery put in at ``time`` [s]; ``rise`` [V] with ``error``, NaN when only the log or register tells of it."""

    time: float
    rise: float
    error: float
    origin: str
    """found, logged or register"""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Voltages of consecutive check-ins around a bin, taken to one temperature: time [s], volts [V].

    change : their usual change over some check-ins [V].
    """

    time: np.ndarray
    volts: np.ndarray
    change: float


Look = Callable[[int, float, float], Surroundings]
"""From a bin, and the first and the last instant [s], to the voltages around it, both included."""


def find_swaps(track: Track, noise: float, first: float, look: Look, settings: BatterySettings) -> list[Swap]:
    """Return the swaps that the voltage shows, oldest first.

    The track tells of rises, the check-ins around each whether it is a swap and when it was; ``first`` is the first of
    all [s], ``noise`` the scatter of single voltages [V].
    """
    if len(track) < 4:
        return []
    before, after, width = side_medians(track, settings.swap_window_days)
    rise = after - before
    warm = np.isfinite(track.temperature).any()
    threshold = rise_threshold(rise, track.volts, settings) * (1.0 if warm else settings.swap_blind_factor)
    swaps: list[Swap] = []
    for i in local_peaks(rise, threshold, width):
        near = look(i, *reach_of(track, i, settings))
        error = float(1.5 * max(noise, 1e-6) / np.sqrt(CONTRAST))
        swap = sharpened(near, track, i, float(rise[i]), error, settings)
        swap = swap or climbed(near, track, i, float(rise[i]), threshold, error, settings)
        if swap is None or (swaps and swap.time - swaps[-1].time < settings.swap_window_days * DAY_S):
            continue
        start = swaps[-1].time if swaps else -np.inf
        if fresh_enough(track, swap, first, settings) and leads_back(track, swap, start):
            swaps += [] if ends_a_dip(near, track, swap, settings) else [swap]
    return swaps


def reach_of(track: Track, i: int, settings: BatterySettings) -> tuple[float, float]:
    """Return from when to when check-ins are looked at to judge a rise at a bin [s].

    The rise is sought within the window about it, its level after it within as much again, a dip that it ends before
    it. Bins beyond the window, each of at least one check-in, give the contrasts at its ends.
    """
    reach = settings.swap_window_days + 1.0
    since = track.time[i] - (reach + settings.dip_days + 1.0) * DAY_S
    until = track.time[i] + 2.0 * reach * DAY_S
    a, b = np.searchsorted(track.time, [track.time[i] - reach * DAY_S, track.time[i] + reach * DAY_S])
    since = min(since, track.time[max(a - 4 * CONTRAST, 0)] - DAY_S)
    return since, max(until, track.time[min(b + 4 * CONTRAST, len(track) - 1)] + DAY_S)


def fresh_enough(track: Track, swap: Swap, first: float, settings: BatterySettings) -> bool:
    """Whether a rise leads to the level of a fresh battery, and enough is known of what came before it.

    A worn battery that recovers after a rest rises too, but not so far; at the beginning of a record only a rise that
    no weather makes can be told from a warming day.
    """
    after = track.time >= swap.time
    level = float(np.median(track.volts[after][:LEVEL_BINS])) if after.any() else np.inf
    known = swap.time - first >= settings.swap_memory_days * DAY_S
    certain = swap.rise > settings.swap_certain_share * float(np.median(track.volts))
    return (known or certain) and level >= settings.swap_level_share * float(np.quantile(track.volts, 0.98))


LEVEL_BINS = 12
"""Bins after a rise from which its level is taken."""
CONTRAST = 4
"""Check-ins compared on either side of a gap."""


def contrasts(values: np.ndarray, k: int) -> np.ndarray:
    """Return the mean of the k values from each place less that of the k before; shape (n - 2 k + 1,), first at k."""
    if len(values) < 2 * k + 1:
        return np.zeros(0)
    total = np.cumsum(np.concatenate([[0.0], values]))
    mean = (total[k:] - total[:-k]) / k
    return mean[k:] - mean[:-k]


def side_medians(track: Track, window_days: float) -> tuple[np.ndarray, np.ndarray, int]:
    """Medians of the bins before and from each bin, over a window; shapes (n_bins,); and the window in bins."""
    spacing = np.median(np.diff(track.time)) / DAY_S
    width = max(2, round(window_days / max(spacing, 1e-9)))
    padded = np.concatenate([np.full(width, np.nan), track.volts, np.full(width, np.nan)])
    # Sorted, unknown ones stand last; several times as fast as a median along short rows.
    windows = np.sort(sliding_window_view(padded, width), axis=1)
    n, row = len(track), np.arange(len(windows))
    known = np.isfinite(windows).sum(axis=1)
    middle = 0.5 * (windows[row, np.maximum(known - 1, 0) // 2] + windows[row, np.minimum(known // 2, width - 1)])
    middle[known < max(1, width // 3)] = np.nan
    return middle[:n], middle[width : width + n], width


def rise_threshold(rise: np.ndarray, volts: np.ndarray, settings: BatterySettings) -> float:
    """Return the rise [V] that is beyond the node's own movement and practically large."""
    known = rise[np.isfinite(rise)]
    if not len(known):
        return np.inf
    own = 1.4826 * np.median(np.abs(known - np.median(known)))
    return max(settings.swap_min_share * float(np.median(volts)), settings.swap_min_sigma * float(own))


def local_peaks(values: np.ndarray, threshold: float, width: int) -> list[int]:
    """Return the positions of the highest value above a threshold in each neighbourhood, in order."""
    above = np.flatnonzero(np.nan_to_num(values, nan=-np.inf) > threshold)
    peaks = []
    for run in np.split(above, np.flatnonzero(np.diff(above) > width) + 1):
        if len(run):
            peaks.append(int(run[np.argmax(values[run])]))
    return peaks


def sharpened(
    near: Surroundings, track: Track, i: int, rise: float, error: float, settings: BatterySettings
) -> Swap | None:
    """Find the check-in at which a rise happens; None when it does not come at once or does not last.

    Either most of the rise comes between two check-ins, or a sudden change of either sign begins a climb to a level
    that the weeks before did not know: a fresh battery climbs out of passivation for days.
    """
    reach = settings.swap_window_days * DAY_S
    a, b = np.searchsorted(near.time, [track.time[i] - reach, track.time[i] + reach])
    a, b = max(int(a) - 2 * CONTRAST, CONTRAST), min(int(b) + 2 * CONTRAST, len(near.time) - CONTRAST)
    if b - a < 2:
        return None
    change = contrasts(near.volts, CONTRAST)[a - CONTRAST : b - CONTRAST]
    for sudden, share in ((change, settings.swap_sharp_share), (np.abs(change), settings.swap_begin_share)):
        j = a + int(np.argmax(sudden))
        j = j - CONTRAST + 1 + int(np.argmax(np.abs(np.diff(near.volts[j - CONTRAST : j + CONTRAST]))))
        size = float(sudden.max())
        if size < max(share * rise, settings.swap_sudden_sigma * near.change):
            continue
        lasting = level_after(near, j, reach) - float(np.median(near.volts[max(j - CONTRAST, 0) : j]))
        if lasting < settings.swap_sharp_share * rise:
            continue
        large = rise > settings.swap_certain_share * float(np.median(track.volts))
        told = large or bool(np.isfinite(track.temperature).any())
        if (sudden is change and told) or is_new_level(track, near.time[j], rise, settings):
            return Swap(float(near.time[j]), rise, error, "found")
    return None


def climbed(
    near: Surroundings,
    track: Track,
    i: int,
    rise: float,
    threshold: float,
    error: float,
    settings: BatterySettings,
) -> Swap | None:
    """Find a swap whose battery starts no higher than the old one and climbs out of passivation over days.

    Only with a known temperature, for a rise twice as large as need be, that stays for weeks at a new level after a
    falling one.
    """
    if rise < 2.0 * threshold or not np.isfinite(track.temperature).any():
        return None
    base = float(np.median(track.volts[max(i - 8, 0) : max(i - 3, 1)]))
    begin = max(i - 4, 1) + int(np.argmax(track.volts[max(i - 4, 1) : i + 4] > base + 0.12 * rise))
    time = float(track.time[begin]) - 0.5 * DAY_S
    later = (track.time > time + 5 * DAY_S) & (track.time < time + 16 * DAY_S)
    if (
        later.sum() < 5
        or np.min(track.volts[later]) < base + 0.6 * rise
        or not is_new_level(track, time, rise, settings)
    ):
        return None
    past = (track.time < time) & (track.time > time - 21 * DAY_S)
    falling = past.sum() >= 5 and np.polyfit(track.time[past] / DAY_S, track.volts[past], 1)[0] < 0
    first = int(np.searchsorted(near.time, time))
    if not falling or first >= len(near.time):
        return None
    return Swap(float(near.time[first]), rise, error, "found")


def level_after(near: Surroundings, j: int, reach: float) -> float:
    """Return the level of the later half of the days after a check-in [V]."""
    b = int(np.searchsorted(near.time, near.time[j] + reach))
    return float(np.median(near.volts[j + (b - j) // 2 : max(b, j + 2)]))


def is_new_level(track: Track, time: float, rise: float, settings: BatterySettings) -> bool:
    """Whether the level a few days after a rise lies above all but the highest of the weeks before."""
    before = (track.time < time) & (track.time > time - settings.swap_memory_days * DAY_S)
    after = (track.time > time + 1.0 * DAY_S) & (track.time < time + 7.0 * DAY_S)
    if not before.any() or not after.any():
        return False
    return bool(np.median(track.volts[after]) - np.quantile(track.volts[before], 0.9) > 0.4 * rise)


def leads_back(track: Track, swap: Swap, start: float) -> bool:
    """Whether the level after the rise is one that the life before knew in its better half."""
    life = (track.time >= start) & (track.time < swap.time)
    after = track.volts[track.time >= swap.time][:6]
    return bool(life.any() and len(after) and np.median(after) >= np.median(track.volts[life]) - 0.25 * swap.rise)


def ends_a_dip(near: Surroundings, track: Track, swap: Swap, settings: BatterySettings) -> bool:
    """Whether the rise ends a short low that began as suddenly: a disturbance, not a dying battery."""
    before = (track.time < swap.time) & (track.time > swap.time - 3 * settings.dip_days * DAY_S)
    t, v = track.time[before], track.volts[before]
    if len(v) < 4:
        return False
    low = np.median(v[-2:])
    high = np.flatnonzero(v > low + 0.6 * swap.rise)
    if not len(high) or swap.time - t[high[-1]] > settings.dip_days * DAY_S:
        return False
    a, b = np.searchsorted(near.time, [t[high[-1]] - DAY_S, min(t[high[-1]] + 2 * DAY_S, swap.time - 60)])
    r = near.volts[a:b]
    if len(r) < 8:
        return False
    middle = np.median(sliding_window_view(r, 3), axis=1)
    return bool(np.max(middle[:-3] - middle[3:]) > 0.6 * swap.rise)


def merge_swaps(
    found: list[Swap], logged: list[float], installed: float | None, settings: BatterySettings
) -> list[Swap]:
    """Return one list of swaps: a logged replacement takes the instant of the rise near it."""
    near = settings.log_match_days * DAY_S
    out = list(found)
    for origin, times in (("logged", logged), ("register", [installed] if installed is not None else [])):
        for t in times:
            match = [i for i, s in enumerate(out) if abs(s.time - t) <= near]
            if match:
                i = min(match, key=lambda i: abs(out[i].time - t))
                out[i] = Swap(
                    out[i].time, out[i].rise, out[i].error, origin if out[i].origin == "found" else out[i].origin
                )
            else:
                out.append(Swap(t, float("nan"), float("nan"), origin))
    return sorted(out, key=lambda s: s.time)
