"""Finds a reading whose scale jumps by the ratio of two units."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S, NodeHistory
from lamplighter.checks.data.cuts import cuts
from lamplighter.checks.data.units import LOG_RATIOS, RATIO_NAMES, ROUNDING
from lamplighter.record import LEAD_D
from lamplighter.settings.data import DataSettings
from lamplighter.stats.order import largest, quantile

HALF_LEAD_D = LEAD_D / 2
"""A change later than this before the end of a quarter is looked for in the next one, which knows days after it."""
STRICT = 3.0
"""How much closer all must agree where the resolution stayed, as it does when the host rounds after it converts."""
NEAREST = 1500
"""Check-ins on either side, at most, from which steps and resolution are taken."""
LEAST_VALUES = 20
"""Fewer different values than these do not show the resolution."""
SLACK = 1.5
"""What scores up to this is kept of a quarter: its weeks before or after may be cut short, and more of them may show
that it is a change of unit after all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleStep:
    """A change of scale.

    Attributes
    ----------
    time : float
        First check-in after it [s since 1970-01-01 UTC].
    factor : float
        What the reading was multiplied by, as measured from the jump.
    units : str
        The units whose ratio it is.
    ratio : float
        Their ratio, or its inverse.
    instant, near, level, extent, motion, grain : float
        Logarithm of the measured factor over the ratio: at the jump; between the middle readings of the check-ins
        before and after; of the days before and after; between the highest readings of the weeks before and after;
        between the sizes of small steps; between the resolutions.
    stir : float
        Usual step of the process around the jump [log ratio].
    usual : bool
        Whether the process often jumps so far.
    """

    time: float
    factor: float
    units: str
    ratio: float
    stir: float
    instant: float
    near: float
    level: float
    extent: float
    motion: float
    grain: float
    usual: bool = False

    @property
    def jump(self) -> float:
        """The jump itself [log ratio]."""
        return math.log(self.factor)

    def score(self, s: DataSettings) -> float:
        """Return the distance from a perfect change of unit; up to 1 each measure is within its tolerance.

        A resolution that changed by the ratio needs two of jump, check-ins, days and weeks to agree with it, and one
        that lasts. Without that the small steps, the jump and the levels must all agree, over days and weeks where
        such a jump is usual, and closely where the resolution is known to have stayed. A process that leaps about at
        every check-in hides any ratio.
        """
        grain, motion = abs(self.grain) / s.scale_grain, abs(self.motion) / s.scale_motion
        near, level = abs(self.near) / s.scale_level, abs(self.level) / s.scale_level
        extent, instant = abs(self.extent) / s.scale_extent, abs(self.instant) / (s.scale_instant + self.stir)
        lasting = min(level, extent, abs(self.motion) / s.scale_level)
        strict = STRICT if abs(self.grain + math.log(self.ratio)) < abs(self.grain) / 3 else 1.0
        if self.stir > s.scale_stir:
            return math.inf
        settled = max(grain, lasting, sorted((instant, near, level, extent))[1])
        levels = max(level, extent)
        if not self.usual:
            levels = min(levels, max(near, min(level, extent)))
        return min(settled, strict * max(motion, levels, instant))


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """What is kept of a quarter about changes of scale.

    Attributes
    ----------
    since : float
        Changes from here on are looked for in this quarter, and those before it in the quarter before; infinite where
        the quarter has too few readings [s since 1970-01-01 UTC].
    seen_since : float
        First check-in that was looked at [s since 1970-01-01 UTC].
    jumps : ndarray, shape (k,)
        The largest jumps between its readings [log ratio].
    found : tuple of ScaleStep
        Changes that may come near a ratio of units.
    """

    since: float
    seen_since: float
    jumps: np.ndarray
    found: tuple[ScaleStep, ...]


def find_scale_steps(quarter: NodeHistory, s: DataSettings) -> Steps:
    """Look for changes of scale in a quarter.

    One step between two check-ins must equal a ratio of units; the readings before and after must differ by it, the
    highest of the weeks before and after as well, and the small steps must have grown by it: a process that truly
    rose keeps its ripple, one that switches between two states keeps both.

    Changes from :data:`HALF_LEAD_D` before the quarter on are looked for, so that each is seen with days on either
    side in this quarter or in the next one.
    """
    since = float(quarter.time[quarter.lead]) - HALF_LEAD_D * DAY_S
    time, value, lead = readings(quarter)
    log = np.log(value)
    size = np.abs(np.diff(log))
    own = size[max(lead - 1, 0) :]
    jumps = own[largest(own, s.scale_usual_jumps + 1)]
    seen_since = float(quarter.time[0])
    if len(value) < 4 * s.scale_check_ins:
        return Steps(since=math.inf, seen_since=seen_since, jumps=jumps, found=())
    first = max(int(np.searchsorted(time, since)), 1)
    found = [
        step
        for cut, changed in cuts(time, value, log, first, SLACK, s)
        for step in measured(time, value, cut, changed, s)
    ]
    near = tuple(step for step in found if step.score(s) <= SLACK)
    return Steps(since=since, seen_since=seen_since, jumps=jumps, found=near)


def readings(history: NodeHistory) -> tuple[np.ndarray, np.ndarray, int]:
    """Return times and values of the readings that have a logarithm, and how many of them belong to the lead-in."""
    value = history.good_reading
    known = np.isfinite(value) & (value > 0)
    return history.time[known], value[known], int(np.count_nonzero(known[: history.lead]))


def again(history: NodeHistory, step: ScaleStep, s: DataSettings) -> list[ScaleStep]:
    """Measure a change of scale anew, from rows that reach further."""
    time, value, _ = readings(history)
    cut = int(np.searchsorted(time, step.time))
    return measured(time, value, cut, True, s) if 0 < cut < len(time) else []


def measured(time: np.ndarray, value: np.ndarray, cut: int, changed: bool, s: DataSettings) -> list[ScaleStep]:
    """Measure a change of scale at a check-in, against the ratios nearest to the jump and to the change of grain.

    What costs little is measured first; ratios that it rules out are left there, and so is the resolution where it
    is known not to have ``changed`` and the levels rule the jump out.
    """
    short = value[max(cut - s.scale_check_ins, 0) : cut], value[cut : cut + s.scale_check_ins]
    days = _around(time, value, cut, s.scale_days * DAY_S)
    weeks = _around(time, value, cut, s.scale_weeks * 7 * DAY_S)
    if min(map(len, (*short, *days, *weeks))) < s.scale_check_ins // 2:
        return []
    stir = float(np.median(np.abs(np.concatenate([np.diff(np.log(part)) for part in short]))))
    if stir > s.scale_stir:
        return []
    jump = math.log(value[cut] / value[cut - 1])
    sizes = {
        "instant": jump,
        "near": _log_ratio(quantile(short[1], 0.5), quantile(short[0], 0.5)),
        "level": _log_ratio(quantile(days[1], 0.5), quantile(days[0], 0.5)),
        "grain": math.inf,
    }
    if not (changed or _possible(sizes, nearest_ratio(jump)[1], stir, s)):
        return []
    sizes["grain"] = _log_ratio(resolution(weeks[1][:NEAREST]), resolution(weeks[0][-NEAREST:]))
    likely = {nearest_ratio(size) for size in (jump, sizes["grain"]) if math.isfinite(size)}
    names = [(units, ratio) for units, ratio in sorted(likely) if _possible(sizes, ratio, stir, s)]
    if not names:
        return []
    sizes["extent"] = _log_ratio(quantile(weeks[1], 0.95), quantile(weeks[0], 0.95))
    sizes["motion"] = _log_ratio(_motion(weeks[1][:NEAREST]), _motion(weeks[0][-NEAREST:]))
    return [
        ScaleStep(
            time=float(time[cut]),
            factor=math.exp(jump),
            units=units,
            ratio=math.exp(ratio),
            stir=stir,
            **{name: size - ratio for name, size in sizes.items()},
        )
        for units, ratio in names
    ]


def _possible(sizes: dict[str, float], ratio: float, stir: float, s: DataSettings) -> bool:
    """Whether a change may come near its tolerances whatever extent and motion are; see :meth:`ScaleStep.score`."""
    if abs(sizes["grain"] - ratio) <= SLACK * s.scale_grain:
        return True
    levels = min(abs(sizes["near"] - ratio), abs(sizes["level"] - ratio))
    return levels <= SLACK * s.scale_level and abs(sizes["instant"] - ratio) <= SLACK * (s.scale_instant + stir)


def nearest_ratio(size: float) -> tuple[str, float]:
    """Return the units whose ratio is nearest to a logarithm, and the logarithm of their ratio with its sign."""
    nearest = int(np.argmin(np.abs(LOG_RATIOS - abs(size))))
    return RATIO_NAMES[nearest], math.copysign(float(LOG_RATIOS[nearest]), size)


def _around(time: np.ndarray, value: np.ndarray, cut: int, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the values within a time before and after a place."""
    first, last = np.searchsorted(time, time[cut] + np.array([-reach, reach]))
    return value[first:cut], value[cut:last]


def _motion(value: np.ndarray) -> float:
    """Usual size of a process's small steps: root mean square of the smaller nine tenths."""
    steps = np.sort(np.abs(np.diff(value)))
    steps = steps[: max(int(0.9 * len(steps)), 1)]
    return float(np.sqrt(np.mean(steps**2))) if len(steps) else 0.0


def resolution(value: np.ndarray) -> float:
    """Return the spacing of the different values of a reading; 0 where there are too few to know."""
    spacing = np.diff(np.sort(value))
    spacing = spacing[spacing > value.max() * ROUNDING]
    return quantile(spacing, 0.2) if len(spacing) >= LEAST_VALUES else 0.0


def _log_ratio(a: float, b: float) -> float:
    return math.log(a / b) if a > 0 and b > 0 else math.inf
