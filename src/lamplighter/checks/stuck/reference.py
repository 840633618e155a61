"""Runs in which a reading stands still, each judged against the node's other runs."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from lamplighter.checks.stuck.course import Course, Field, banded, creeping, field_of, near_any
from lamplighter.checks.stuck.stand import SUSPECT_P, Stand, rests_there, saturates, suspicious
from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.order import quantile
from lamplighter.stats.runs import tail_probability

CANDIDATES = 10
"""Longest runs looked at one by one."""
ALIKE_SHARE = 2 / 3
"""A run at least this long, against another, lasted as long as it."""
EPISODE_GAP = 0.25
"""Long runs with less than this share of their length between them are one episode: a fault in pieces is no habit."""


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
        Without it runs of like length are no habit either: a process rests again and again, a whole record does not.
    """
    if band > 0:
        shifted = [banded(course, band, shift) for shift in (0.0, 0.5)]
        found = [stand for part in shifted for stand in _stands(part, s, band)]
        return _longest_of_overlapping(found)
    return _stands(course, s, 0.0, creeps=creeps, habits=creeps)


def _longest_of_overlapping(found: list[Stand]) -> tuple[Stand, ...]:
    kept: list[Stand] = []
    for stand in sorted(found, key=lambda x: (-x.watched_s, x.start)):
        if all(stand.last < k.first or stand.first > k.last for k in kept):
            kept.append(stand)
    return tuple(kept)


def _stands(
    course: Course, s: StuckSettings, band: float, creeps: bool = False, habits: bool = True
) -> tuple[Stand, ...]:
    runs = course.runs
    if len(runs.start) < 2:
        return ()
    watched = course.watched(runs)
    long = (watched >= s.min_hours * 3600) & (runs.length >= s.min_check_ins)
    if not long.any():
        return ()
    field = field_of(course, watched, s, band, creeping(course, s) if creeps else None)
    chosen = [i for i in range(min(CANDIDATES, len(field.watched))) if long[field.order[i]]]
    return tuple(_settle(field, i, stand, s) for i, stand in _judged(field, chosen, s, habits))


def _judged(field: Field, chosen: list[int], s: StuckSettings, habits: bool) -> list[tuple[int, Stand]]:
    """Judge the longest runs, longest first, against all others that are not odd themselves.

    From the shortest to the longest each is held against those shorter, as outliers are counted inwards (Rosner,
    Technometrics 25, 1983, 165-172): so one long run does not hide another. A run as long as some others is a habit
    of the node and not odd. Then longer runs count as well, unless they are odd or at rest where this one is not.
    """
    suspect: set[int] = set()
    explained: set[int] = set()
    found: dict[int, Stand] = {}
    for i in reversed(chosen):
        found[i] = replace(_described(field, i), **_odds(field, i, s, suspect))
        if suspicious(found[i], s) and not (habits and _habit(field, i, s)):
            suspect.add(i)
        if rests_there(found[i], s) or saturates(found[i], s):
            explained.add(i)
    for i in chosen:
        longer = [j for j in range(i) if j not in suspect]
        if longer and found[i].p < 1:
            found[i] = replace(found[i], **_odds(field, i, s, suspect, longer, explained))
    return [(i, found[i]) for i in chosen]


def _habit(field: Field, i: int, s: StuckSettings) -> bool:
    """Whether the node stood still for as long as in a run on some other occasions, wherever it stood."""
    return _occasions(field.begin, field.end, field.watched >= ALIKE_SHARE * field.watched[i]) > s.habit_runs


def _occasions(begin: np.ndarray, end: np.ndarray, chosen: np.ndarray) -> int:
    """Count some runs, those with hardly anything between them as one."""
    order = np.flatnonzero(chosen)[np.argsort(begin[chosen], kind="stable")]
    if len(order) == 0:
        return 0
    begin, end = begin[order], np.maximum.accumulate(end[order])
    length = end - begin
    between = begin[1:] - end[:-1]
    return 1 + int((between > EPISODE_GAP * np.minimum(length[1:], length[:-1])).sum())


def _odds(
    field: Field,
    i: int,
    s: StuckSettings,
    suspect: set[int],
    longer: Sequence[int] = (),
    explained: Collection[int] = (),
) -> dict[str, float | int]:
    """Judge one of the longest runs against the shorter ones, and those ``longer``, that count as ordinary."""
    time, watched = field.course.time, float(field.watched[i])
    shorter = np.arange(len(field.watched)) > i
    shorter[[j for j in suspect if j != i]] = False
    ordinary = shorter.copy()
    ordinary[list(longer)] = True
    alike = _alike(field, i)
    reference = _apart(field, i) & ordinary & (~field.at_rest | field.at_rest[i] | alike)
    if not field.at_rest[i]:
        reference[[j for j in longer if j in explained and not alike[j]]] = False
    if reference.sum() < s.min_reference_runs:
        reference = reference | shorter
    lengths = field.watched[reference]
    share = min(1.0, s.open_days * 86_400 / max(time[-1] - time[0], 1.0)) if _open(field, i) else 1.0
    tail = {"tails": s.tail_runs, "shape": s.tail_shape, "prior": s.tail_prior, "share": share}
    p, longest = tail_probability(lengths, watched, **tail), float(lengths.max()) if len(lengths) else 0.0
    if field.creep is not None and field.course.step > 0:
        slow = _slow_reference(field, i, suspect, s)
        p = max(p, tail_probability(slow, watched, **tail))
        longest = max(longest, float(slow.max()) if len(slow) else 0.0)
    return {"p": p, "longest_s": longest, "references": len(lengths)}


def _alike(field: Field, i: int) -> np.ndarray:
    """Which runs lie at the level of one of them."""
    return np.abs(field.level - field.level[i]) <= field.near


def _open(field: Field, i: int) -> bool:
    """Whether a run lasts until the last check-in."""
    return bool(field.end[i] >= field.course.time[-1])


def _described(field: Field, i: int) -> Stand:
    """Describe one of the longest runs, not yet judged."""
    runs, time, value = field.course.runs, field.course.time, field.course.value
    first = int(runs.start[field.order[i]])
    last = first + int(runs.length[field.order[i]]) - 1
    watched = float(field.watched[i])
    same = _apart(field, i) & field.rests & _alike(field, i)
    part = value[first : last + 1]
    low, high = float(part.min()), float(part.max())
    entry = abs(value[first - 1] - part[0]) if first > 0 else math.nan
    leave = abs(value[last + 1] - part[-1]) if last + 1 < len(value) else math.nan
    return Stand(
        first=first,
        last=last,
        start=float(time[first]),
        end=float(time[last]),
        watched_s=watched,
        value=quantile(part, 0.5) if low < high else low,
        low=low,
        high=high,
        p=math.nan,
        longest_s=math.nan,
        references=0,
        rests=int(same.sum()),
        rest_s=float(field.watched[same].sum()),
        level_s=math.nan,
        other_s=field.watched_in_all - watched,
        jumps=float(field.jumped[same].mean()) if same.any() else math.nan,
        liveliness=float(field.liveliness[i]),
        rest_liveliness=_together(field.mean[same], field.liveliness[same], field.watched[same]),
        extreme=high >= field.limits[1] or low <= field.limits[0],
        at_zero=bool(abs(field.level[i]) <= field.slack),
        entry=entry / field.usual,
        leave=leave / field.usual,
        leave_rare=_share_at_least(field.steps, leave),
        entry_rare=_share_at_least(field.steps, entry),
        open=_open(field, i),
        band=field.band,
    )


def _together(mean: np.ndarray, spread: np.ndarray, weight: np.ndarray) -> float:
    """Return the standard deviation over several runs, that between them included; NaN without any."""
    if len(mean) == 0:
        return math.nan
    share = weight / weight.sum()
    return math.sqrt(float(share @ (spread**2 + (mean - share @ mean) ** 2))) if spread.any() else 0.0


def _slow_reference(field: Field, i: int, suspect: set[int], s: StuckSettings) -> np.ndarray:
    """Return durations within two steps that are clear of a run, of its neighbourhood and of odd runs.

    Those as long as the run or longer count where they are a habit.
    """
    creep, length = field.creep, field.end[i] - field.begin[i]
    clear = (creep.end < field.begin[i] - length) | (creep.begin > field.end[i] + length)
    if not clear.any():
        clear = (creep.end < field.begin[i]) | (creep.begin > field.end[i])
    for j in suspect:
        clear &= (creep.end < field.begin[j]) | (creep.begin > field.end[j])
    if field.at_rest.any() and not field.at_rest[i]:
        alike = np.abs(creep.level - field.level[i]) <= field.near
        clear &= alike | ~near_any(creep.level, np.unique(field.level[field.at_rest]), field.near)
    longer = clear & (creep.watched >= field.watched[i])
    if _occasions(creep.begin, creep.end, longer) < s.habit_runs:
        clear &= ~longer
    return creep.watched[clear]


def _settle(field: Field, i: int, stand: Stand, s: StuckSettings) -> Stand:
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


def _apart(field: Field, i: int) -> np.ndarray:
    """Which runs lie clear of a run by its own duration, so that one episode of a fault does not excuse itself.

    When that leaves less than a third of the record, only what comes before it counts; when that is less
    than a tenth, all other runs do.
    """
    first, last = float(field.course.time[0]), float(field.course.time[-1])
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
