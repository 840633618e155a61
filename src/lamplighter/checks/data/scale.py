"""Finds a reading whose scale jumps by the ratio of two units."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S, NodeHistory, day_of
from lamplighter.settings.data import DataSettings
from lamplighter.stats.order import largest, quantile, ranked_within, stretches

PSI = 6_894.757293168361
"""Pascals in a pound-force a square inch (BIPM SI brochure, international foot and pound)."""
FOOT, INCH, US_GALLON = 0.3048, 0.0254, 3.785411784e-3
WATER = 9_806.65
"""Pascals in a metre of water (conventional)."""

UNIT_RATIOS: dict[str, float] = {
    "psi and kPa": PSI / 1e3,
    "psi and feet of water": PSI / (WATER * FOOT),
    "bar and psi": 1e5 / PSI,
    "psi and inches of water": PSI / (WATER * INCH),
    "bar and metres of water": 1e5 / WATER,
    "metres and feet": 1 / FOOT,
    "inches and centimetres": INCH * 100,
    "inches and millimetres": INCH * 1000,
    "feet and inches": FOOT / INCH,
    "US gallons and litres": US_GALLON * 1000,
    "m3/h and US gallons a minute": 1 / (US_GALLON * 60),
    "L/s and m3/h": 3.6,
    "L/s and US gallons a minute": 1 / (US_GALLON * 1000) * 60,
    "units ten times apart": 10.0,
    "units a hundred times apart": 100.0,
    "units a thousand times apart": 1000.0,
}
"""Ratios of units that measuring points of one kind are read in."""
LOG_RATIOS, RATIO_NAMES = np.log(list(UNIT_RATIOS.values())), list(UNIT_RATIOS)
CANDIDATES = 5
"""Most jumps of a record that are looked at closely, for each way to rank them."""
CHANGES, CHANGE_JUMPS = 2, 4
"""Largest changes of resolution that are looked at closely, and jumps about each."""
GRAIN_BLOCKS = 8
"""Blocks on either side by which a change of resolution is seen."""
STRICT = 3.0
"""How much closer all must agree where the resolution stayed, as it does when the host rounds after it converts."""
NEAREST = 1500
"""Check-ins on either side, at most, from which steps and resolution are taken."""
LEAST_VALUES = 20
"""Fewer different values than these do not show the resolution."""
ROUNDING = 1e-7
"""Spacing below this share of the largest reading is one of rounding."""
EDGE = 8
"""Steps from the edge of a resolution within which the change is looked for."""
REACH = 6
"""Check-ins on either side of a jump by which it is ranked."""


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
    usual : bool
        Whether the process often jumps so far.
    instant, near, level, extent, motion, grain : float
        Logarithm of the measured factor over the ratio: at the jump; between the middle readings of the check-ins
        before and after; of the days before and after; between the highest readings of the weeks before and after;
        between the sizes of small steps; between the resolutions.
    stir : float
        Usual step of the process around the jump [log ratio].
    """

    time: float
    factor: float
    units: str
    ratio: float
    usual: bool
    instant: float
    stir: float
    near: float
    level: float
    extent: float
    motion: float
    grain: float

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


def find_scale_step(history: NodeHistory, s: DataSettings) -> ScaleStep | None:
    """Return the change of scale that comes nearest to a ratio of units, if any may come within its tolerances.

    One step between two check-ins must equal a ratio of units; the readings before and after must differ by it, the
    highest of the weeks before and after as well, and the small steps must have grown by it: a process that truly
    rose keeps its ripple, one that switches between two states keeps both.
    """
    value = history.good_reading
    known = np.isfinite(value) & (value > 0)
    time, value = history.time[known], value[known]
    if len(value) < 4 * s.scale_check_ins:
        return None
    size = np.abs(np.diff(np.log(value)))
    ordered = np.sort(size)
    found: list[ScaleStep] = []
    for cut in sorted({*jumps_like_a_unit(time, value, s), *grain_changes(value, s)}):
        usual = len(size) - int(np.searchsorted(ordered, 0.7 * size[cut - 1])) - 1 >= s.scale_usual_jumps
        found += _measured(time, value, cut, usual, s)
    # Cuts near the true one score alike; the jump itself tells them apart.
    return min(found, key=lambda f: f.score(s) + min(abs(f.instant) / (s.scale_instant + f.stir), 1.0), default=None)


def grain_changes(value: np.ndarray, s: DataSettings) -> list[int]:
    """Return the largest jumps about the places where the resolution changes most.

    A change of scale takes the resolution with it, whatever the process does at the time.
    """
    rows = s.scale_grain_rows
    blocks = (len(value) - 1) // rows
    if blocks < 4:
        return []
    spacing = np.diff(np.sort(value[: blocks * rows].reshape(blocks, rows), axis=1), axis=1)
    spacing[spacing <= value.max() * ROUNDING] = np.inf
    grain = np.log(np.sort(spacing, axis=1)[:, 1])
    grain[~np.isfinite(grain)] = np.nan
    before, after = _running_median(grain, GRAIN_BLOCKS), _running_median(grain[::-1], GRAIN_BLOCKS)[::-1]
    change = np.abs(after[1:] - before[:-1])
    change[~np.isfinite(change)] = 0.0
    cuts: list[int] = []
    for _ in range(CHANGES):
        best = int(np.argmax(change))
        if change[best] < LOG_RATIOS.min() / 2:
            break
        # Medians blur the place: the edge lies anywhere in the plateau about it.
        plateau = np.flatnonzero(change[best : best + GRAIN_BLOCKS] >= 0.9 * change[best])
        a, b = max((best - 2) * rows, 0), min((best + int(plateau[-1]) + 4) * rows, len(value) - 1)
        jump = np.abs(np.diff(np.log(value[a : b + 1])))
        cuts += [a + 1 + int(k) for k in np.argsort(-jump, kind="stable")[:CHANGE_JUMPS]]
        c, d = edge(np.abs(np.diff(value[a : b + 1])), math.exp(before[best]), math.exp(after[best + 1]))
        cuts += [a + 1 + c + int(k) for k in np.argsort(-jump[c:d], kind="stable")[:CHANGE_JUMPS]]
        change[max(best - GRAIN_BLOCKS, 0) : best + 2 * GRAIN_BLOCKS] = 0.0
    return cuts


def edge(steps: np.ndarray, before: float, after: float) -> tuple[int, int]:
    """Return the steps among which the resolution changed: next to the outermost step too small for the coarser one."""
    small = np.flatnonzero((steps > 0) & (steps < math.sqrt(before * after)))
    if len(small) == 0:
        return 0, len(steps)
    if after < before:
        return max(int(small[0]) - EDGE, 0), int(small[0]) + 1
    return int(small[-1]), min(int(small[-1]) + 1 + EDGE, len(steps))


def jumps_like_a_unit(time: np.ndarray, value: np.ndarray, s: DataSettings) -> list[int]:
    """Return the first check-ins after the jumps near a ratio of units whose surroundings differ by it best.

    Ranked once by the check-ins around and once by the days around; the largest jumps of all are added.
    """
    log = np.log(value)
    jump = np.diff(log)
    size = np.abs(jump)
    widest = largest(size, CHANGE_JUMPS) + 1
    near = np.flatnonzero(size > LOG_RATIOS.min() - s.scale_instant)
    near = near[np.min(np.abs(size[near][:, None] - LOG_RATIOS), axis=1) <= s.scale_instant] + 1
    near = near[(near >= REACH) & (near <= len(log) - REACH)]
    if len(near) == 0:
        return [int(k) for k in widest]
    reach = np.arange(1, REACH + 1)
    step = _middle(log[near[:, None] + reach - 1]) - _middle(log[near[:, None] - reach])
    by_check_ins = near[np.argsort(np.abs(step - jump[near - 1]), kind="stable")[:CANDIDATES]]
    shift = day_shift(time, log, near, s.scale_days)
    by_days = near[np.argsort(np.abs(shift - jump[near - 1]), kind="stable")[:CANDIDATES]]
    return [int(k) for k in np.unique(np.concatenate([by_check_ins, by_days, widest]))]


def _middle(rows: np.ndarray) -> np.ndarray:
    """Return the median of each row of an even number of values; faster than NumPy's for short rows."""
    rows.sort(axis=1)
    half = rows.shape[1] // 2
    return (rows[:, half - 1] + rows[:, half]) / 2


def day_shift(time: np.ndarray, log: np.ndarray, near: np.ndarray, width: int) -> np.ndarray:
    """Return how far the daily middle of the days after each place lies above that of the days before, shape (k,)."""
    first, size = stretches(day_of(time))
    middle = ranked_within(log, size, size // 2)
    before, after = _running_median(middle, width), _running_median(middle[::-1], width)[::-1]
    place = np.searchsorted(first, near, side="right") - 1
    return np.nan_to_num(
        after[np.minimum(place + 1, len(after) - 1)] - before[np.maximum(place - 1, 0)], nan=np.inf
    )  # fmt: skip


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    """Return the median of the values up to each place within a width; NaN where fewer than three are known."""
    padded = np.concatenate([np.full(width - 1, np.nan), values])
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    ordered = np.sort(windows, axis=1)
    count = np.isfinite(windows).sum(axis=1)
    middle = ordered[np.arange(len(values)), np.maximum((count - 1) // 2, 0)]
    return np.where(count >= 3, middle, np.nan)


def _measured(time: np.ndarray, value: np.ndarray, cut: int, usual: bool, s: DataSettings) -> list[ScaleStep]:
    """Measure a change of scale at a check-in, against the ratios nearest to the jump and to the change of grain.

    What costs little is measured first; ratios that it rules out are left there.
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
        "grain": _log_ratio(resolution(weeks[1][:NEAREST]), resolution(weeks[0][-NEAREST:])),
    }
    likely = {nearest_ratio(size) for size in (jump, sizes["grain"]) if math.isfinite(size)}
    names = [(units, ratio) for units, ratio in sorted(likely) if _possible(sizes, ratio, usual, stir, s)]
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
            usual=usual,
            stir=stir,
            **{name: size - ratio for name, size in sizes.items()},
        )
        for units, ratio in names
    ]


def _possible(sizes: dict[str, float], ratio: float, usual: bool, stir: float, s: DataSettings) -> bool:
    """Whether a change may come within its tolerances whatever extent and motion are; see :meth:`ScaleStep.score`."""
    if abs(sizes["grain"] - ratio) <= s.scale_grain:
        return True
    near, level = abs(sizes["near"] - ratio), abs(sizes["level"] - ratio)
    levels = level if usual else min(near, level)
    return levels <= s.scale_level and abs(sizes["instant"] - ratio) <= s.scale_instant + stir


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
