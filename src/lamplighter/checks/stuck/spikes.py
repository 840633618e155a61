"""Single wild readings, and whether they come with a low battery."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.settings.stuck import StuckSettings

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


def find_spikes(value: np.ndarray, scales: float) -> np.ndarray:
    """Whether each reading stands out from the two on either side by many robust standard deviations, shape (n,)."""
    found = np.zeros(len(value), dtype=bool)
    if len(value) < 50:
        return found
    near = np.stack([value[:-4], value[1:-3], value[3:-1], value[4:]])
    near.sort(axis=0)
    centre, spread = (near[1] + near[2]) / 2, near[3] - near[0]
    off = np.abs(value[2:-2] - centre)
    steps = np.diff(value)
    scale = 1.4826 * np.median(np.abs(steps - np.median(steps)))
    usual = float(np.ptp(np.quantile(value, (0.05, 0.95))))
    found[2:-2] = (off > scales * max(scale, 0.02 * usual)) & (off > 3 * spread)
    return found


def measure_spikes(
    time: np.ndarray,
    value: np.ndarray,
    volts: np.ndarray,
    cutoff_v: float | None,
    usual_v: float,
    s: StuckSettings,
) -> Spikes:
    """Count spikes, apart for a low battery (below the cut-off, else a share of the usual voltage) and a usual one."""
    found = find_spikes(value, s.spike_scales)
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
