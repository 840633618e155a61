"""What a node's lost check-ins go with: signal, voltage, temperature, hour of the day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
from scipy import special

from lamplighter.stats.order import quantiles
from lamplighter.stats.proportions import two_share_p

HOUR_S = 3_600.0
MOST_MISSED = 6
"""Longer gaps are silences with causes of their own and say nothing of single losses."""
LEAST_LOST = 20
PEAK_H = 3


@dataclass(frozen=True)
class Contrast:
    """Share lost where a quantity is in its lowest and in its highest quarter; NaN where it cannot be told.

    ``p`` is the two-sided p-value that the shares are equal, with losses taken in bursts counted as one.
    """

    low: float
    high: float
    p: float


@dataclass(frozen=True)
class LossPattern:
    """What losses go with.

    Attributes
    ----------
    rssi, battery, temperature : Contrast
    hours : ndarray, shape (24,)
        Share lost by hour of the local day; NaN where none was due.
    peak_hour : int
        First of the three hours in a row that lose most; -1 when it cannot be told.
    peak_ratio : float
        Share lost in those hours over the share lost in the others.
    peak_p : float
        p-value that those hours are like the others, corrected for having been chosen.
    """

    rssi: Contrast
    battery: Contrast
    temperature: Contrast
    hours: np.ndarray
    peak_hour: int
    peak_ratio: float
    peak_p: float


def local_hour(time: np.ndarray, zone: str) -> np.ndarray:
    """Hour of the local day, 0 to 23, shape (n,)."""
    if zone == "UTC" or not len(time):
        return hour_of(time)
    hours = np.floor(time / HOUR_S).astype(np.int64)
    unique, back = np.unique(hours // 6, return_inverse=True)
    place = ZoneInfo(zone)
    offset = np.array(
        [
            place.utcoffset(datetime.fromtimestamp(h * 6 * HOUR_S, UTC).astimezone(place)).total_seconds()
            for h in unique.tolist()
        ]
    )
    return hour_of(time + offset[back])


def hour_of(time: np.ndarray) -> np.ndarray:
    """Hour of the day in seconds since some midnight, shape (n,)."""
    return np.floor(time / HOUR_S).astype(np.int64) % 24


def contrast(values: np.ndarray, lost: np.ndarray) -> Contrast:
    """Compare the share of rows followed by a loss between the lowest and highest quarter of a quantity."""
    known = np.isfinite(values)
    v, y = (values, lost) if known.all() else (values[known], lost[known])
    if y.sum() < LEAST_LOST:
        return Contrast(np.nan, np.nan, np.nan)
    lower, upper = quantiles(v, 0.25, 0.75)
    if lower == upper:
        return Contrast(np.nan, np.nan, np.nan)
    (a, of_a), (b, of_b) = ((np.count_nonzero(y & part), np.count_nonzero(part)) for part in (v <= lower, v >= upper))
    return Contrast(a / of_a, b / of_b, two_share_p(a, of_a, b, of_b))


def by_hour(received_hour: np.ndarray, missed_hour: np.ndarray) -> tuple[np.ndarray, int, float, float]:
    """Share lost by hour of the day, and the three hours in a row that lose most, with ratio and p-value."""
    got, lost = np.bincount(received_hour, minlength=24), np.bincount(missed_hour, minlength=24)
    due = got + lost
    share = np.divide(lost, due, out=np.full(24, np.nan), where=due > 0)
    if lost.sum() < LEAST_LOST:
        return share, -1, np.nan, np.nan
    around = np.arange(24)[:, None] + np.arange(PEAK_H)
    lost_in, due_in = lost[around % 24].sum(1), due[around % 24].sum(1)
    lost_out, due_out = lost.sum() - lost_in, due.sum() - due_in
    rate_in, rate_out = (lost_in + 0.5) / (due_in + 1), (lost_out + 0.5) / (due_out + 1)
    peak = int(np.argmax(rate_in / rate_out))
    # So many lost or more, of those due in these hours (the upper tail of a binomial distribution).
    p = min(1.0, 24 * at_least(int(lost_in[peak]), max(int(due_in[peak]), 1), min(float(rate_out[peak]), 1.0)))
    return share, peak, float(rate_in[peak] / rate_out[peak]), p


def at_least(k: int, n: int, p: float) -> float:
    """Probability of at least k successes in n independent trials."""
    return 1.0 if k <= 0 else float(special.bdtrc(k - 1, n, p))


def loss_pattern(
    time: np.ndarray,
    steps: np.ndarray,
    rssi: np.ndarray,
    battery: np.ndarray,
    temperature: np.ndarray,
    missed_time: np.ndarray,
    zone: str,
) -> LossPattern:
    """Describe what losses go with; arrays by row, ``steps`` between rows, ``missed_time`` of short gaps only."""
    lost = (steps >= 2) & (steps <= MOST_MISSED + 1)
    hours, peak, ratio, p = by_hour(local_hour(time, zone), local_hour(missed_time, zone))
    return LossPattern(
        contrast(rssi[:-1], lost), contrast(battery[:-1], lost), contrast(temperature[:-1], lost), hours, peak, ratio, p
    )
