"""What a node's lost check-ins go with: signal, voltage, temperature, hour of the day."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
from scipy import special

from lamplighter.stats.proportions import two_share_p

HOUR_S = 3_600.0
SLOT_S = 6 * HOUR_S
"""Local time is looked up once for so long [s]: for some hours after clocks change, hours count as before."""
PAGE = 512
"""Slots looked up at a time and remembered: four months."""
MOST_MISSED = 6
"""Longer gaps are silences with causes of their own and say nothing of single losses."""
LEAST_LOST = 20
PEAK_H = 3


@dataclass(frozen=True)
class Scale:
    """Classes of a quantity: their width, the middle of the first, and the number of the last; all in its unit.

    What lies beyond counts with the first or the last.
    """

    width: float
    low: float
    most: int


CLASSES = (Scale(1.0, -200.0, 250), Scale(0.005, 0.0, 12_000), Scale(0.5, -100.0, 600))
"""RSSI [dBm] as receivers tell it; battery [V] fine enough for the flat course of a lithium cell, up to 60 V;
temperature [degC]."""


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


def by_local_hour(time: np.ndarray, zone: str) -> np.ndarray:
    """Count instants by hour of the local day, shape (24,)."""
    if not len(time):
        return np.zeros(24, np.int32)
    hour = (time if zone == "UTC" else time + offset(time, zone)) / HOUR_S
    hour = np.floor(hour, out=hour).astype(np.int64)
    first = int(hour.min())
    counts = np.bincount(hour - first)
    return np.bincount((first + np.arange(len(counts))) % 24, weights=counts, minlength=24).astype(np.int32)


def offset(time: np.ndarray, zone: str) -> np.ndarray:
    """Offset of local time from UTC at each instant [s], shape (n,)."""
    slot = np.floor(time / SLOT_S).astype(np.int64)
    page, last = int(slot.min()) // PAGE, int(slot.max()) // PAGE
    known = np.concatenate([_offsets(zone, p) for p in range(page, last + 1)])
    return known[slot - page * PAGE]


@cache
def _offsets(zone: str, page: int) -> np.ndarray:
    """Offsets of local time from UTC [s], shape (PAGE,): clocks change on the hour, but in no zone twice in a slot."""
    place = ZoneInfo(zone)
    moments = (datetime.fromtimestamp((page * PAGE + k) * SLOT_S, UTC).astimezone(place) for k in range(PAGE))
    return np.array([moment.utcoffset().total_seconds() for moment in moments])


def histogram(values: Sequence[np.ndarray], lost: np.ndarray) -> tuple[np.ndarray, ...]:
    """Count rows, and those followed by a loss, in narrow classes of each quantity.

    Parameters
    ----------
    values : sequence of ndarray, shape (n,)
        Signal, voltage, temperature of each row; NaN where missing.
    lost : ndarray of int, shape (l,)
        Rows that are followed by a loss, by number.

    Returns
    -------
    quantity, place, rows, lost : ndarray, shape (k,)
        Which quantity, which of its classes, and the counts there; classes without rows are left out.
    """
    parts = []
    for quantity, (column, scale) in enumerate(zip(values, CLASSES, strict=True)):
        known = np.isfinite(column)
        full = known.all()
        near = (column if full else column[known]) * (1 / scale.width)
        near += 0.5 - scale.low / scale.width
        place = np.clip(near, 0, scale.most, out=near).astype(np.intp)
        rows = np.bincount(place)
        after = lost if full else (np.cumsum(known) - 1)[lost[known[lost]]]
        gone = np.bincount(place[after], minlength=len(rows))
        some = np.flatnonzero(rows)
        parts.append((np.full(len(some), quantity), some, rows[some], gone[some]))
    quantity, place, rows, gone = (np.concatenate(column) for column in zip(*parts, strict=True))
    return quantity.astype(np.int8), *(column.astype(np.int32) for column in (place, rows, gone))


def contrast(place: np.ndarray, rows: np.ndarray, lost: np.ndarray) -> Contrast:
    """Compare the share of rows followed by a loss between the lowest and highest quarter of a quantity.

    The quarters are those of all rows together, of whichever part of the record: what happens as a battery runs down
    over years, or in winter, is to be seen.

    Parameters
    ----------
    place, rows, lost : ndarray, shape (k,)
        Classes, in any order and perhaps several times, and the rows and losses in each.
    """
    if lost.sum() < LEAST_LOST:
        return Contrast(np.nan, np.nan, np.nan)
    n, y = np.bincount(place, weights=rows), np.bincount(place, weights=lost)
    upto = np.cumsum(n)
    lower, upper = np.searchsorted(
        upto, [math.floor(0.25 * (upto[-1] - 1)), math.ceil(0.75 * (upto[-1] - 1))], side="right"
    )
    if lower == upper:
        return Contrast(np.nan, np.nan, np.nan)
    (a, of_a), (b, of_b) = ((int(y[part].sum()), int(n[part].sum())) for part in (slice(lower + 1), slice(upper, None)))
    return Contrast(a / of_a, b / of_b, two_share_p(a, of_a, b, of_b))


def by_hour(got: np.ndarray, lost: np.ndarray) -> tuple[np.ndarray, int, float, float]:
    """Share lost by hour of the day, and the three hours in a row that lose most, with ratio and p-value.

    Parameters
    ----------
    got, lost : ndarray of int, shape (24,)
        Check-ins received and missed.
    """
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


def loss_pattern(classes: tuple[np.ndarray, ...], got: np.ndarray, lost: np.ndarray) -> LossPattern:
    """Describe what losses go with.

    Parameters
    ----------
    classes : tuple of ndarray
        As of :func:`histogram`, in any order.
    got, lost : ndarray of int, shape (24,)
        Check-ins received, and missed in short gaps, by hour of the local day.
    """
    which = [classes[0] == quantity for quantity in range(len(CLASSES))]
    return LossPattern(*(contrast(*(column[own] for column in classes[1:])) for own in which), *by_hour(got, lost))
