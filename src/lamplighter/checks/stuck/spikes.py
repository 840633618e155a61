"""Single wild readings, and whether they come with a low battery."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.order import quantile

WEEKS_S = 28 * 86_400.0
"""The last weeks, over which spikes are counted [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spikes:
    """Single readings far from both neighbours.

    Attributes
    ----------
    recent, recent_of : int
        Spikes and check-ins in the last weeks.
    low, low_of, usual, usual_of : int
        Spikes and check-ins with a low battery, and with a usual one, in the whole record.
    first, last : float
        Times of the first and the last [s since 1970-01-01 UTC]; NaN without any.
    """

    recent: int = 0
    recent_of: int = 0
    low: int = 0
    low_of: int = 0
    usual: int = 0
    usual_of: int = 0
    first: float = float("nan")
    last: float = float("nan")


def find_spikes(value: np.ndarray, usual: float, scales: float) -> np.ndarray:
    """Whether each reading stands out from the two on either side by many robust standard deviations, shape (n,).

    ``usual`` is the usual range of the readings.
    """
    found = np.zeros(len(value), dtype=bool)
    if len(value) < 50:
        return found
    before, after = (value[:-4], value[1:-3]), (value[3:-1], value[4:])
    low, high = np.minimum(*before), np.maximum(*before)
    low_after, high_after = np.minimum(*after), np.maximum(*after)
    # The middle two of the four are the greater of the lower ones and the lower of the greater ones.
    centre = (np.maximum(low, low_after) + np.minimum(high, high_after)) / 2
    spread = np.maximum(high, high_after) - np.minimum(low, low_after)
    off = np.abs(value[2:-2] - centre)
    steps = np.diff(value)
    scale = 1.4826 * quantile(np.abs(steps - quantile(steps, 0.5)), 0.5)
    found[2:-2] = (off > scales * max(scale, 0.02 * usual)) & (off > 3 * spread)
    return found


def measure_spikes(
    time: np.ndarray,
    value: np.ndarray,
    volts: np.ndarray,
    cutoff_v: float | None,
    usual_v: float,
    usual_range: float,
    s: StuckSettings,
) -> Spikes:
    """Count spikes, apart for a low battery (below the cut-off, else a share of the usual voltage) and a usual one."""
    found = find_spikes(value, usual_range, s.spike_scales)
    if not len(time):
        return Spikes()
    recent = time > time[-1] - WEEKS_S
    low = volts < (cutoff_v if cutoff_v is not None else s.low_battery_share * usual_v)
    at = time[found]
    return Spikes(
        recent=int((found & recent).sum()),
        recent_of=int(recent.sum()),
        low=int((found & low).sum()),
        low_of=int(low.sum()),
        usual=int((found & ~low).sum()),
        usual_of=int((~low).sum()),
        first=float(at[0]) if len(at) else float("nan"),
        last=float(at[-1]) if len(at) else float("nan"),
    )
