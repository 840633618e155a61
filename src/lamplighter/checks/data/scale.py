"""Finds a reading whose scale jumps by the ratio of two units."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import DAY_S, NodeHistory
from lamplighter.checks.data.cuts import Cut, from_a_ratio, look_closely, propose
from lamplighter.checks.data.units import LOG_RATIOS, RATIO_NAMES, ROUNDING
from lamplighter.record import LEAD_D
from lamplighter.settings.data import DataSettings
from lamplighter.stats.order import largest, quantile

HALF_LEAD_D = LEAD_D / 2
"""A change later than this before the end of a half-year is looked for in the next one, which knows days after it."""
STRICT = 3.0
"""How much closer all must agree where the resolution stayed, as it does when the host rounds after it converts."""
NEAREST = 1500
"""Check-ins on either side, at most, from which steps and resolution are taken."""
LEAST_VALUES = 20
"""Fewer different values than these do not show the resolution."""
USUAL_SHARE = 0.7
"""Other jumps from this share of a jump's size on are as large."""
SLACK = 1.5
"""What scores up to this is kept of a half-year: its weeks before or after may be cut short, and more of them may show
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
    def grain_stayed(self) -> bool:
        """Whether the resolution is known to have stayed as it was."""
        return abs(self.grain + math.log(self.ratio)) < abs(self.grain) / 3

    def score(self, s: DataSettings) -> float:
        """Return the distance from a perfect change of unit; up to 1 each measure is within its tolerance.

        A resolution that changed by the ratio needs two of jump, check-ins, days and weeks to agree with it, and one
        that lasts. Without that the small steps, the jump and the levels must all agree, over days and weeks where
        such a jump is usual, and closely where the resolution is known to have stayed, or cannot be told and such jumps
        are usual: of many one may be like a unit by chance. A process that leaps about at every check-in hides any
        ratio.
        """
        grain, motion = abs(self.grain) / s.scale_grain, abs(self.motion) / s.scale_motion
        near, level = abs(self.near) / s.scale_level, abs(self.level) / s.scale_level
        extent, instant = abs(self.extent) / s.scale_extent, abs(self.instant) / (s.scale_instant + self.stir)
        lasting = min(level, extent, abs(self.motion) / s.scale_level)
        strict = STRICT if self.grain_stayed or (self.usual and math.isinf(self.grain)) else 1.0
        if self.stir > s.scale_stir:
            return math.inf
        settled = max(grain, lasting, sorted((instant, near, level, extent))[1])
        levels = max(level, extent)
        if not self.usual:
            levels = min(levels, max(near, min(level, extent)))
        return min(settled, strict * max(motion, levels, instant))


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """What is kept of a half-year about changes of scale.

    Attributes
    ----------
    since : float
        Changes from here on are looked for in this half-year, and those before it in the one before; infinite where
        it has too few readings [s since 1970-01-01 UTC].
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


def find_scale_steps(half: NodeHistory, s: DataSettings) -> Steps:
    """Look for changes of scale in a half-year.

    One step between two check-ins must equal a ratio of units; the readings before and after must differ by it, the
    highest of the weeks before and after as well, and the small steps must have grown by it: a process that truly
    rose keeps its ripple, one that switches between two states keeps both.

    Changes from :data:`HALF_LEAD_D` before the half-year on are looked for, so that each is seen with days on either
    side in this half-year or in the next one.
    """
    since = float(half.time[half.lead]) - HALF_LEAD_D * DAY_S
    time, value, lead = readings(half)
    log = np.log(value)
    size = np.abs(np.diff(log))
    own = size[max(lead - 1, 0) :]
    jumps = own[largest(own, s.scale_usual_jumps + 1)]
    seen_since = float(half.time[0])
    if len(value) < 4 * s.scale_check_ins:
        return Steps(since=math.inf, seen_since=seen_since, jumps=jumps, found=())
    first = max(int(np.searchsorted(time, since)), 1)
    found: list[ScaleStep] = []
    for cut in propose(time, value, log, size, first, usual_jump(jumps, s), SLACK, s):
        found += [step for step in measured(time, value, cut, s) if may_be_one(step, s)]
    return Steps(since=since, seen_since=seen_since, jumps=jumps, found=tuple(found))


def may_be_one(step: ScaleStep, s: DataSettings) -> bool:
    """Whether a change may turn out to be one of unit once all weeks on either side of it are known."""
    return step.score(s) <= SLACK or lacks_grain(step, s)


def lacks_grain(step: ScaleStep, s: DataSettings) -> bool:
    """Whether a jump beyond all others misses but the resolution: few days show none, or a multiple of it."""
    return not (step.usual or step.grain_stayed) and replace(step, grain=0.0).score(s) <= 1


def readings(history: NodeHistory) -> tuple[np.ndarray, np.ndarray, int]:
    """Return times and values of the readings that have a logarithm, and how many of them belong to the lead-in."""
    value = history.good_reading
    known = (value > 0) & (value < np.inf)
    if known.all():
        return history.time, value, history.lead
    place = np.flatnonzero(known)
    return history.time[place], value[place], int(np.searchsorted(place, history.lead))


def usual_jump(jumps: np.ndarray, s: DataSettings) -> float:
    """Return the size up to which jumps are usual, from the largest ones: some others are as large [log ratio]."""
    ordered = np.sort(jumps)[::-1]
    return float(ordered[s.scale_usual_jumps]) / USUAL_SHARE if len(ordered) > s.scale_usual_jumps else 0.0


def again(history: NodeHistory, step: ScaleStep, s: DataSettings) -> list[ScaleStep]:
    """Measure a change of scale anew, from rows that reach further."""
    time, value, _ = readings(history)
    place = int(np.searchsorted(time, step.time))
    if not 0 < place < len(time):
        return []
    log, changed = np.log(value), np.ones(1, dtype=bool)
    usual = math.inf if step.usual else 0.0
    (*cuts,) = look_closely(log, np.abs(np.diff(log)), np.array([place]), changed, usual, SLACK, s)
    return [found for cut in cuts for found in measured(time, value, cut, s)]


def measured(time: np.ndarray, value: np.ndarray, cut: Cut, s: DataSettings) -> list[ScaleStep]:
    """Measure a change of scale at a check-in, against the ratios nearest to the jump and to the change of grain.

    What costs little is measured first; ratios that it rules out are left there, and so is the resolution where it
    is known not to have changed and the levels rule the jump out.
    """
    place = cut.place
    days = _around(time, value, place, s.scale_days * DAY_S)
    if min(map(len, days)) < s.scale_check_ins // 2:
        return []
    jump = math.log(value[place] / value[place - 1])
    sizes = {
        "instant": jump,
        "near": cut.near,
        "level": _log_ratio(quantile(days[1], 0.5), quantile(days[0], 0.5)),
        "grain": math.inf,
    }
    if not (_alike(sizes, cut, s) if cut.changed else _possible(sizes, nearest_ratio(jump)[1], cut, s)):
        return []
    weeks = _around(time, value, place, s.scale_weeks * 7 * DAY_S)
    sizes["grain"] = _log_ratio(resolution(weeks[1][:NEAREST]), resolution(weeks[0][-NEAREST:]))
    likely = {nearest_ratio(size) for size in (jump, sizes["grain"]) if math.isfinite(size)}
    names = [(units, ratio) for units, ratio in sorted(likely) if _possible(sizes, ratio, cut, s)]
    if not names:
        return []
    sizes["extent"] = _log_ratio(quantile(weeks[1], 0.95), quantile(weeks[0], 0.95))
    sizes["motion"] = _log_ratio(_motion(weeks[1][:NEAREST]), _motion(weeks[0][-NEAREST:]))
    return [
        ScaleStep(
            time=float(time[place]),
            factor=math.exp(jump),
            units=units,
            ratio=math.exp(ratio),
            stir=cut.stir,
            usual=cut.usual,
            **{name: size - ratio for name, size in sizes.items()},
        )
        for units, ratio in names
    ]


def _alike(sizes: dict[str, float], cut: Cut, s: DataSettings) -> bool:
    """Whether the jump or the levels come near any ratio; a change of resolution alone is none of scale."""
    instant, near, level = from_a_ratio(np.abs([sizes[name] for name in ("instant", "near", "level")])).tolist()
    return min(near, level) <= SLACK * s.scale_level or instant <= SLACK * (s.scale_instant + cut.stir)


def _possible(sizes: dict[str, float], ratio: float, cut: Cut, s: DataSettings) -> bool:
    """Whether a change may come near its tolerances whatever extent and motion are; see :meth:`ScaleStep.score`."""
    if abs(sizes["grain"] - ratio) <= SLACK * s.scale_grain:
        return True
    near, level = abs(sizes["near"] - ratio), abs(sizes["level"] - ratio)
    levels = level if cut.usual else min(near, level)
    return levels <= SLACK * s.scale_level and abs(sizes["instant"] - ratio) <= SLACK * (s.scale_instant + cut.stir)


def nearest_ratio(size: float) -> tuple[str, float]:
    """Return the units whose ratio is nearest to a logarithm, and the logarithm of their ratio with its sign."""
    nearest = int(np.argmin(np.abs(LOG_RATIOS - abs(size))))
    return RATIO_NAMES[nearest], math.copysign(float(LOG_RATIOS[nearest]), size)


def _around(time: np.ndarray, value: np.ndarray, cut: int, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the values within a time before and after a place."""
    first, last = time.searchsorted([time[cut] - reach, time[cut] + reach])
    return value[first:cut], value[cut:last]


def _motion(value: np.ndarray) -> float:
    """Usual size of a process's small steps: root mean square of the smaller nine tenths."""
    steps = np.sort(np.abs(np.diff(value)))
    steps = steps[: max(int(0.9 * len(steps)), 1)]
    return float(np.sqrt(np.mean(steps**2))) if len(steps) else 0.0


def resolution(value: np.ndarray) -> float:
    """Return the spacing of the different values of a reading; 0 where there are too few to know."""
    ordered = np.sort(value)
    spacing = np.diff(ordered)
    spacing = spacing[spacing > ordered[-1] * ROUNDING]
    return quantile(spacing, 0.2) if len(spacing) >= LEAST_VALUES else 0.0


def _log_ratio(a: float, b: float) -> float:
    return math.log(a / b) if a > 0 and b > 0 else math.inf
