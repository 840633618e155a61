"""What the last weeks of a record tell otherwise than the whole: their response to temperature, and sudden steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.observe import Temperature, Track, high_passed
from lamplighter.checks.battery.season import LEAST_SCATTER_C, ODD_DAY
from lamplighter.settings.battery import BatterySettings

SILENT_BINS, STEP_BINS, LEAST_STEP_BINS, STEP_SIGMA = 1.8, 12, 2, 4.0
"""A silence of so many usual spacings; bins compared on either side of it, at most and at least; and how far a step
must stand out of the scatter of the bins."""
SHORT_SILENCE_D = 3.0
"""In a silence as short as this no battery steepens: its step is told before the slope after it is known."""
STILL_SHARE = 0.3
"""With more bins than this share equal to the one before, the voltage is coarse, and its scatter that of rounding."""
PRESENT_ALIKE = 2.0
"""Daily residuals of the voltage hold half as much evidence as independent ones."""


@dataclass(frozen=True, slots=True)
class Present:
    """How the response of the present weeks differs from the node's own over its whole record.

    slope, error : the difference and its standard error [V/degC]; middle, low, high : usual temperature of these weeks
    and the range in which the difference was seen [degC].
    """

    slope: float
    error: float
    middle: float
    low: float
    high: float

    def shift(self, temperature: np.ndarray) -> np.ndarray:
        """Return the voltage at temperatures beyond the fitted response [V]; it is not carried on beyond its range."""
        return self.slope * (np.clip(temperature, self.low, self.high) - self.middle)

    def doubt(self, temperature: np.ndarray) -> np.ndarray:
        """Return the standard error of the response at temperatures, against that at the usual one [V]."""
        return self.error * np.abs(temperature - self.middle)


def present_response(track: Track, fit: Temperature, settings: BatterySettings) -> Present | None:
    """Fit what the whole record's response to temperature leaves in the last weeks; None where too little is known.

    Inner resistance grows toward the end of a battery and in the cold, so that its last weeks answer to temperature
    otherwise than its whole life. Decline is taken out by a moving mean; an odd week is clipped, since it would carry
    the slope of another range; a prior as wide as the response itself holds what the weeks cannot tell.
    """
    recent = track.time >= track.time[-1] - settings.response_days * DAY_S
    felt, volts = track.temperature[recent], track.volts[recent]
    if len(felt) < 10 or not np.isfinite(felt).all():
        return None
    middle = float(np.median(felt))
    usual = max(1.4826 * float(np.median(np.abs(felt - middle))), LEAST_SCATTER_C)
    low, high = middle - ODD_DAY * usual, middle + ODD_DAY * usual
    width = max(round(9.0 * DAY_S / float(np.median(np.diff(track.time[recent])))), 5) | 1
    plain = ((felt >= low) & (felt <= high)).astype(float)
    x, y = high_passed(np.clip(felt, low, high), width) * plain, high_passed(volts, width) * plain
    limit = 3.0 * 1.4826 * float(np.median(np.abs(y))) + 1e-6
    y = np.clip(y, -limit, limit)
    prior = 1.0 / (settings.response_growth * (abs(fit.slope) + abs(fit.extra)) + 1e-6) ** 2
    variance = float(np.mean(y**2)) + 1e-12
    for _ in range(2):
        information = float(x @ x) / (PRESENT_ALIKE * variance)
        slope = float(x @ y) / (PRESENT_ALIKE * variance) / (information + prior)
        variance = float(np.mean((y - slope * x) ** 2)) + 1e-12
    return Present(slope, float(1.0 / np.sqrt(information + prior)), middle, low, high)


def aligned(time: np.ndarray, volts: np.ndarray, noise: float) -> np.ndarray:
    """Return voltages whose past is moved to the level after each sudden step down across a silence, shape (n,).

    Charge leaves a battery steadily. A fall between two check-ins with silence between them that neither side's slope
    explains is another load or another reading of the same battery: its level counts, its fall is no decline. Until
    the slope after a long silence is known too, all of the fall is taken for decline: the battery may have steepened.
    """
    spacing, moves = np.diff(time), np.abs(np.diff(volts))
    usual = float(np.median(spacing)) if len(spacing) else np.inf
    moved = moves[moves > 1e-9]
    if len(moved) and len(moved) < (1 - STILL_SHARE) * len(moves):
        noise = max(noise, float(np.median(moved)))
    out = volts
    for i in np.flatnonzero(spacing > SILENT_BINS * usual) + 1:
        before, after = slice(max(i - STEP_BINS, 0), i), slice(i, min(i + STEP_BINS, len(time)))
        told = len(time) - i >= STEP_BINS // 2
        early = spacing[i - 1] <= SHORT_SILENCE_D * DAY_S and len(time) - i >= LEAST_STEP_BINS
        if i < STEP_BINS // 2 or not (told or early):
            continue
        fall = -side_slope(time[before], out[before])
        if told:
            fall = max(fall, -side_slope(time[after], out[after]))
        gap = float(np.mean(time[after]) - np.mean(time[before])) / DAY_S
        step = float(np.mean(out[before]) - np.mean(out[after])) - max(fall, 0.0) * gap
        if step > STEP_SIGMA * max(noise, 1e-4):
            out = np.where(np.arange(len(out)) < i, out - step, out)
    return out


def side_slope(time: np.ndarray, volts: np.ndarray) -> float:
    """Return the least-squares slope of some bins [V/day]."""
    day = (time - time.mean()) / DAY_S
    return float(day @ volts / max(float(day @ day), 1e-9))
