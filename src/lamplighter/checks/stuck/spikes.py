"""Single wild readings, and whether they come with a low battery."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.order import quantile

LEAST = 50
"""Fewer readings do not show what is usual."""
STILL_SHARE = 0.02
"""A reading that hardly moves is taken to move by this share of its usual range."""
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


def standing_out(value: np.ndarray) -> np.ndarray:
    """How far each reading stands out from the two on either side, which agree far better, shape (n,); else 0."""
    found = np.zeros(len(value))
    if len(value) < LEAST:
        return found
    before, after = (value[:-4], value[1:-3]), (value[3:-1], value[4:])
    low, high = np.minimum(*before), np.maximum(*before)
    low_after, high_after = np.minimum(*after), np.maximum(*after)
    # The middle two of the four are the greater of the lower ones and the lower of the greater ones.
    centre = (np.maximum(low, low_after) + np.minimum(high, high_after)) / 2
    spread = np.maximum(high, high_after) - np.minimum(low, low_after)
    off = np.abs(value[2:-2] - centre)
    found[2:-2] = np.where(off > 3 * spread, off, 0.0)
    return found


def usual_step(value: np.ndarray) -> float:
    """Robust standard deviation of the steps from one reading to the next; 0 for too few."""
    if len(value) < LEAST:
        return 0.0
    steps = np.diff(value)
    return 1.4826 * quantile(np.abs(steps - quantile(steps, 0.5)), 0.5)


def far(step: float, usual: float, s: StuckSettings) -> float:
    """How far a spike stands out at least, among readings of a usual step and a usual range."""
    return s.spike_scales * max(step, STILL_SHARE * usual)


def measure_spikes(
    time: np.ndarray, volts: np.ndarray, below_v: float, recent: tuple[float, int], low_of: int, of: int
) -> Spikes:
    """Count spikes, apart for a low battery and a usual one.

    Parameters
    ----------
    time, volts : ndarray, shape (n_spikes,)
        Times and battery voltages of the spikes.
    below_v : float
        Below this voltage a battery is low [V].
    recent : (float, int)
        When the last weeks began [s], and the check-ins since.
    low_of, of : int
        Check-ins with a low battery, and all.
    """
    low = volts < below_v
    return Spikes(
        recent=int((time >= recent[0]).sum()),
        recent_of=recent[1],
        low=int(low.sum()),
        low_of=low_of,
        usual=int((~low).sum()),
        usual_of=of - low_of,
        first=float(time[0]) if len(time) else float("nan"),
        last=float(time[-1]) if len(time) else float("nan"),
    )
