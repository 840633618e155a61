"""Runs in which a reading stands still, each judged against the node's other runs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.runs import Runs, encode_runs, run_durations, tail_probability

CANDIDATES = 10
"""Longest runs looked at one by one."""
LONG_RUNS = 600
"""Longest runs kept to compare them with."""
PASSES = 3
"""Rounds in which odd runs are taken out of the reference for each other."""
SUSPECT_P = 0.05
"""Runs less probable than this do not count as ordinary when another run is judged."""
ZERO_SHARE = 0.02
"""Share of the largest reading that counts as zero: zero errors and temperature move a zero a little."""
LEVEL_RUNS = 80
"""Longest runs from which the levels are learnt at which the process rests."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """One run in which the reading stands still.

    Attributes
    ----------
    first, last : int
        Its first and last check-in among those with a usable reading.
    start, end : float
        Times of these [s since 1970-01-01 UTC].
    watched_s : float
        Time covered, gaps counted only in part [s].
    value, low, high : float
        Middle, lowest and highest reading.
    p : float
        Probability that the node's ordinary runs bring forth one this long in the whole record.
    longest_s : float
        Longest run of the reference [s].
    references : int
        Runs in the reference.
    rests, rest_s : int, float
        Rests at the same level at other times, and their duration together [s].
    level_s : float
        Time watched at the same level at other times, rests or not [s]; NaN where there are no rests to speak of.
    jumps : float
        Share of the rests that ended by a jump rather than by creeping away.
    other_s : float
        Time watched outside the run and its neighbourhood [s].
    liveliness, rest_liveliness : float
        Standard deviation of the readings in the run, and over all rests at the same level together.
    extreme : bool
        Whether no reading lies beyond it on one side.
    at_zero : bool
        Whether it lies at zero, as far as zero errors go.
    entry, leave : float
        Step into and out of the run as a share of the usual range; NaN at the ends of the record.
    entry_rare, leave_rare : float
        Share of the node's steps that are at least as large as the entry, and as the leave.
    open : bool
        Whether it lasts until the last check-in.
    band : float
        Width within which the reading counted as still; 0 for exactly equal readings.
    moved : dict
        Share of check-ins in the run at which each other channel changed.
    battery_v : float
        Battery voltage as it began [V].
    channels : tuple of str
        For a frozen record: the channels that repeat.
    """

    first: int
    last: int
    start: float
    end: float
    watched_s: float
    value: float
    low: float
    high: float
    p: float
    longest_s: float
    references: int
    rests: int
    rest_s: float
    level_s: float
    other_s: float
    jumps: float
    liveliness: float
    rest_liveliness: float
    extreme: bool
    at_zero: bool
    entry: float
    leave: float
    entry_rare: float
    leave_rare: float
    open: bool
    band: float = 0.0
    moved: dict[str, float] = field(default_factory=dict)
    battery_v: float = math.nan
    channels: tuple[str, ...] = ()

    @property
    def check_ins(self) -> int:
        """Number of check-ins in the run."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class Course:
    """A node's readings as runs of equal values."""

    time: np.ndarray
    value: np.ndarray
    runs: Runs
    interval: float
    step: float
    """Resolution of the reading."""
    wide: bool
    """Whether the reading has a range at all."""


def course_of(
    time: np.ndarray, value: np.ndarray, interval: float, s: StuckSettings, runs: Runs | None = None
) -> Course:
    """Describe readings as runs."""
    runs = encode_runs(value) if runs is None else runs
    interval = interval if math.isfinite(interval) and interval > 0 else 1.0
    spread = float(np.ptp(np.quantile(value, (0.05, 0.95)))) if len(value) >= s.min_check_ins else 0.0
    return Course(time, value, runs, interval, resolution(value), spread > 0)


def resolution(value: np.ndarray) -> float:
    """Smallest usual step of a reading: the 2 % quantile of its steps that are not zero; 0 when it never moves."""
    steps = np.abs(np.diff(value))
    steps = steps[steps > 0]
    return float(np.quantile(steps, 0.02)) if len(steps) else 0.0


def find_stands(course: Course, s: StuckSettings, band: float = 0.0, *, creeps: bool = True) -> tuple[Stand, ...]:
    """Return the longest runs with their probabilities, longest first.

    Parameters
    ----------
    course : Course
    s : StuckSettings
    band : float
        Width of the classes within which a reading counts as still; 0 for exactly equal readings.
    creeps : bool
        Whether a reading that flickers between two neighbouring steps counts as standing when the ordinary
        runs are gathered: a slow process stands for long in the middle of a step and flickers between two.
    """
    if band > 0:
        shifted = [_banded(course, band, shift) for shift in (0.0, 0.5)]
        found = [stand for part in shifted for stand in _stands(part, s, band)]
        return _longest_of_overlapping(found)
    return _stands(course, s, 0.0, creeps=creeps)


def _banded(course: Course, band: float, shift: float) -> Course:
    """Split into runs of readings that stay within one class of a coarse grid."""
    classes = np.floor(course.value / band + shift)
    return Course(course.time, course.value, encode_runs(classes), course.interval, band, course.wide)


@dataclass(frozen=True, slots=True)
class _Creep:
    """The longest runs within two resolution steps, flicker between them included, shape (n_long,)."""

    watched: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    level: np.ndarray


def _creeping(course: Course, s: StuckSettings) -> _Creep:
    """Gather the longest runs within classes of two steps, from the grid that holds the longer ones."""
    best = None
    for shift in (0.0, 0.5):
        runs = encode_runs(np.floor(course.value / (2 * course.step) + shift + 0.25))
        watched = run_durations(runs, course.time, s.gap_intervals * course.interval, course.interval)
        order = np.argsort(-watched, kind="stable")[:LONG_RUNS]
        first, last = runs.start[order], runs.last[order]
        creep = _Creep(watched[order], course.time[first], course.time[last], course.value[(first + last) // 2])
        usual = float(creep.watched[1 : 1 + max(s.tail_runs)].sum())
        best = (usual, creep) if best is None or usual > best[0] else best
    return best[1]


def _longest_of_overlapping(found: list[Stand]) -> tuple[Stand, ...]:
    kept: list[Stand] = []
    for stand in sorted(found, key=lambda x: (-x.watched_s, x.start)):
        if all(stand.last < k.first or stand.first > k.last for k in kept):
            kept.append(stand)
    return tuple(kept)


def _stands(course: Course, s: StuckSettings, band: float, creeps: bool = False) -> tuple[Stand, ...]:
    runs, time = course.runs, course.time
    if len(runs.start) < 2:
        return ()
    watched = run_durations(runs, time, s.gap_intervals * course.interval, course.interval)
    long = (watched >= s.min_hours * 3600) & (runs.length >= s.min_check_ins)
    if not long.any():
        return ()
    field = _field_of(course, watched, s, band, _creeping(course, s) if creeps else None)
    chosen = [i for i in range(min(CANDIDATES, len(field.watched))) if long[field.order[i]]]
    suspect: set[int] = set()
    for _ in range(PASSES):
        found = {i: _stand(field, i, s, suspect) for i in chosen}
        before, suspect = suspect, {i for i, stand in found.items() if _suspect(stand, s)}
        if suspect <= before:
            break
    return tuple(_settle(field, i, found[i], s) for i in chosen)


def _suspect(stand: Stand, s: StuckSettings) -> bool:
    """Whether a run is odd enough to be kept out of what counts as ordinary when the others are judged."""
    odd = stand.p < SUSPECT_P and stand.watched_s >= s.min_ratio * stand.longest_s
    return odd and not rests_there(stand, s) and not saturates(stand, s)


def rests_there(stand: Stand, s: StuckSettings) -> bool:
    """Whether the process is known to rest at this level: it stood there again and again, as quiet as now.

    Rests must make up most of the time at the level and end by a jump: where the last digit is usually alive, or the
    level creeps, a dead reading shows. Away from zero even a rest ends sooner or later.
    """
    recurs = stand.rests >= s.rest_recurrences and stand.rest_s >= s.rest_share * stand.other_s
    alike = not stand.liveliness < s.quiet_ratio * stand.rest_liveliness
    pure = not stand.rest_s < s.rest_purity * stand.level_s
    bounded = stand.at_zero or stand.watched_s < s.rest_most_ratio * stand.longest_s
    return recurs and alike and pure and bounded and stand.jumps >= s.rest_jumps


def saturates(stand: Stand, s: StuckSettings) -> bool:
    """Whether the reading stands at the end of its range as a clipped process does: it was held there before."""
    short = stand.watched_s <= s.saturation_days * 86_400
    return stand.extreme and (stand.rests >= s.rest_recurrences or (short and stand.rests >= 1))


@dataclass(frozen=True, slots=True)
class _Field:
    """The longest runs of a course with what is needed to judge one among them, longest first, shape (n_long,)."""

    course: Course
    band: float
    order: np.ndarray
    """Their places among all runs."""
    watched: np.ndarray
    level: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    near: float
    """Readings this close are the same level."""
    at_rest: np.ndarray
    rests: np.ndarray
    jumped: np.ndarray
    mean: np.ndarray
    liveliness: np.ndarray
    steps: np.ndarray
    usual: float
    limits: tuple[float, float]
    slack: float
    all_watched: np.ndarray
    creep: _Creep | None


def _field_of(course: Course, watched: np.ndarray, s: StuckSettings, band: float, creep: _Creep | None) -> _Field:
    value, runs = course.value, course.runs
    order = np.argsort(-watched, kind="stable")[:LONG_RUNS]
    first, last = runs.start[order], runs.last[order]
    level = value[(first + last) // 2]
    near = 2 * max(course.step, band)
    low, high = float(value.min()), float(value.max())
    steps = np.abs(np.diff(value))
    mean, spread = _moments(value, first, last)
    after = value[np.minimum(last + 1, len(value) - 1)]
    return _Field(
        course=course,
        band=band,
        order=order,
        watched=watched[order],
        level=level,
        begin=course.time[first],
        end=course.time[last],
        near=near,
        at_rest=_near(level, _rest_levels(watched[order], level, near, s), near),
        rests=(watched[order] >= s.rest_hours * 3600) & (runs.length[order] >= s.rest_check_ins),
        jumped=np.abs(after - value[last]) > max(near / 2, course.step),
        mean=mean,
        liveliness=spread if band > 0 else np.zeros(len(order)),
        steps=np.sort(steps[steps > 0]),
        usual=float(np.ptp(np.quantile(value, (0.01, 0.99)))) or (high - low) or 1.0,
        limits=(low, high),
        slack=near + ZERO_SHARE * max(abs(high), abs(low)),
        all_watched=watched,
        creep=creep,
    )


def _moments(value: np.ndarray, first: np.ndarray, last: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and standard deviation of the readings within each run, shape (n_runs,)."""
    middle = value.mean()
    centred = value - middle
    sums = np.concatenate([[0.0], np.cumsum(centred)])
    squares = np.concatenate([[0.0], np.cumsum(centred**2)])
    n = last - first + 1
    mean = (sums[last + 1] - sums[first]) / n
    return mean + middle, np.sqrt(np.maximum((squares[last + 1] - squares[first]) / n - mean**2, 0.0))


def _together(mean: np.ndarray, spread: np.ndarray, weight: np.ndarray) -> float:
    """Return the standard deviation over several runs, that between them included; NaN without any."""
    if len(mean) == 0:
        return math.nan
    share = weight / weight.sum()
    return math.sqrt(float(share @ (spread**2 + (mean - share @ mean) ** 2))) if spread.any() else 0.0


def _rest_levels(watched: np.ndarray, level: np.ndarray, near: float, s: StuckSettings) -> np.ndarray:
    """Levels at which the longest runs crowd, shape (n,): where a process rests that rests nowhere else."""
    top = np.arange(min(LEVEL_RUNS, len(watched)))
    top = top[watched[top] >= s.rest_hours * 3600]
    if len(top) == 0:
        return np.zeros(0)
    values = np.sort(level[top])
    counts = np.searchsorted(values, values + near, "right") - np.searchsorted(values, values - near, "left")
    return np.unique(values[counts > max(s.rest_recurrences, s.rest_crowd * len(values))])


def _near(values: np.ndarray, level: float | np.ndarray, tolerance: float) -> np.ndarray:
    """Whether each value lies within a tolerance of one of some sorted levels."""
    levels = np.atleast_1d(level)
    if len(levels) == 0:
        return np.zeros(np.shape(values), dtype=bool)
    place = np.clip(np.searchsorted(levels, values), 1, len(levels)) - 1
    other = np.minimum(place + 1, len(levels) - 1)
    return np.minimum(np.abs(values - levels[place]), np.abs(values - levels[other])) <= tolerance


def _stand(field: _Field, i: int, s: StuckSettings, suspect: set[int]) -> Stand:
    """Judge one of the longest runs against those that count as ordinary."""
    runs, time, value = field.course.runs, field.course.time, field.course.value
    first, last = int(runs.start[field.order[i]]), int(runs.last[field.order[i]])
    watched = float(field.watched[i])
    apart = _apart(field, i, float(time[0]), float(time[-1]))
    ordinary = field.watched < watched
    ordinary[[j for j in suspect if j != i]] = False
    alike = np.abs(field.level - field.level[i]) <= field.near
    reference = apart & ordinary & (~field.at_rest | field.at_rest[i] | alike)
    if reference.sum() < s.min_reference_runs:
        reference = ordinary
    same = apart & field.rests & alike
    lengths = field.watched[reference]
    open_now = last == len(value) - 1
    share = min(1.0, s.open_days * 86_400 / max(time[-1] - time[0], 1.0)) if open_now else 1.0
    tail = {"tails": s.tail_runs, "shape": s.tail_shape, "prior": s.tail_prior, "share": share}
    p, longest = tail_probability(lengths, watched, **tail), float(lengths.max()) if len(lengths) else 0.0
    if field.creep is not None and field.course.step > 0:
        slow = _slow_reference(field, i, suspect)
        p = max(p, tail_probability(slow, watched, **tail))
        longest = max(longest, float(slow.max()) if len(slow) else 0.0)
    part = value[first : last + 1]
    entry = abs(value[first - 1] - part[0]) if first > 0 else math.nan
    leave = abs(value[last + 1] - part[-1]) if last + 1 < len(value) else math.nan
    return Stand(
        first=first,
        last=last,
        start=float(time[first]),
        end=float(time[last]),
        watched_s=watched,
        value=float(np.median(part)),
        low=float(part.min()),
        high=float(part.max()),
        p=p,
        longest_s=longest,
        references=len(lengths),
        rests=int(same.sum()),
        rest_s=float(field.watched[same].sum()),
        level_s=math.nan,
        other_s=float(field.all_watched.sum()) - watched,
        jumps=float(field.jumped[same].mean()) if same.any() else math.nan,
        liveliness=float(field.liveliness[i]),
        rest_liveliness=_together(field.mean[same], field.liveliness[same], field.watched[same]),
        extreme=bool(part.max() >= field.limits[1] or part.min() <= field.limits[0]),
        at_zero=bool(abs(field.level[i]) <= field.slack),
        entry=entry / field.usual,
        leave=leave / field.usual,
        leave_rare=_share_at_least(field.steps, leave),
        entry_rare=_share_at_least(field.steps, entry),
        open=open_now,
        band=field.band,
    )


def _slow_reference(field: _Field, i: int, suspect: set[int]) -> np.ndarray:
    """Return durations within two steps that are clear of a run, of its neighbourhood and of odd runs."""
    creep, length = field.creep, field.end[i] - field.begin[i]
    clear = (creep.end < field.begin[i] - length) | (creep.begin > field.end[i] + length)
    if not clear.any():
        clear = (creep.end < field.begin[i]) | (creep.begin > field.end[i])
    for j in suspect:
        clear &= (creep.end < field.begin[j]) | (creep.begin > field.end[j])
    if field.at_rest.any() and not field.at_rest[i]:
        alike = np.abs(creep.level - field.level[i]) <= field.near
        clear &= alike | ~_near(creep.level, np.unique(field.level[field.at_rest]), field.near)
    return creep.watched[clear & (creep.watched < field.watched[i])]


def _settle(field: _Field, i: int, stand: Stand, s: StuckSettings) -> Stand:
    """Add how long the reading was at the level of a stand at all other times, where that matters."""
    if stand.rests < s.rest_recurrences or stand.p > SUSPECT_P:
        return stand
    course = field.course
    there = np.abs(course.value[(course.runs.start + course.runs.last) // 2] - field.level[i]) <= field.near
    length = stand.end - stand.start
    begin, end = course.time[course.runs.start], course.time[course.runs.last]
    clear = (end < stand.start - length) | (begin > stand.end + length)
    return replace(stand, level_s=float(field.all_watched[there & clear].sum()))


def _share_at_least(steps: np.ndarray, size: float) -> float:
    """Share of some sorted steps that are at least a size; NaN when either is not known."""
    if len(steps) == 0 or not math.isfinite(size):
        return math.nan
    return 1 - float(np.searchsorted(steps, size)) / len(steps)


def _apart(field: _Field, i: int, first: float, last: float) -> np.ndarray:
    """Which runs lie clear of a run by its own duration, so that one episode of a fault does not excuse itself.

    When that leaves less than a third of the record, only what comes before it counts; when that is less
    than a tenth, all other runs do.
    """
    start, end = field.begin[i], field.end[i]
    length = end - start
    left = max(start - length - first, 0.0) + max(last - end - length, 0.0)
    if left >= (last - first - length) / 3:
        clear = (field.end < start - length) | (field.begin > end + length)
    elif start - first >= (last - first - length) / 10:
        clear = field.end < start
    else:
        clear = np.ones(len(field.begin), dtype=bool)
    clear[i] = False
    return clear
