"""Runs in which a reading stands still, each judged against the node's other runs."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from lamplighter.checks.stuck.field import Field, creeping, field_of, near_any
from lamplighter.checks.stuck.stand import SUSPECT_P, Stand, rests_there, saturates, suspicious
from lamplighter.checks.stuck.summary import SLOT_S, Summary
from lamplighter.checks.stuck.tables import Table, banded
from lamplighter.checks.stuck.whole import Whole
from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.runs import tail_probability

BAND_SHIFTS = (0.0, 0.25, 0.5, 0.75)
"""Where the classes of a band lie, so that what straddles the edge of one falls into another."""
CANDIDATES, BAND_CANDIDATES = 10, 5
"""Longest runs looked at one by one: of equal readings, and within a band on each of its grids."""
ALIKE_SHARE = 2 / 3
"""A run at least this long, against another, lasted as long as it."""
EPISODE_GAP = 0.25
"""Long runs with less than this share of their length between them are one episode: a fault in pieces is no habit."""


def find_stands(table: Table, summary: Summary, whole: Whole, s: StuckSettings, *, creeps: bool) -> tuple[Stand, ...]:
    """Return the longest runs of equal readings with their probabilities, longest first.

    Parameters
    ----------
    table : Table
    summary : Summary
    whole : Whole
    s : StuckSettings
    creeps : bool
        Whether a reading that flickers between two neighbouring steps counts as standing when the ordinary
        runs are gathered: a slow process stands for long in the middle of a step and flickers between two.
        Without it runs of like length are no habit either: a process rests again and again, a whole record does not.
    """
    if not any_long(table, s):
        return ()
    field = field_of(table, whole, watched_in_all(summary), s, creep=creeping(summary, whole, s) if creeps else None)
    return _stands(field, summary, s, habits=creeps)


def find_bands(summary: Summary, whole: Whole, band: float, s: StuckSettings) -> tuple[Stand, ...]:
    """Return the longest runs within classes of some width with their probabilities, longest first."""
    found: list[Stand] = []
    for shift in BAND_SHIFTS:
        table = banded(summary, whole, band, shift)
        if any_long(table, s):
            field = field_of(table, whole, watched_in_all(summary), s, band, shift)
            found += _stands(field, summary, s, habits=True)
    return _best_of_overlapping(found, s)


def any_long(table: Table, s: StuckSettings) -> bool:
    """Whether any of some runs is long enough to be looked at, and there is another to hold it against."""
    return len(table) >= 2 and bool(_long(table, s).any())


def _long(table: Table, s: StuckSettings) -> np.ndarray:
    return (table.watched >= s.min_hours * 3600) & (table.count >= s.min_check_ins)


def watched_in_all(summary: Summary) -> float:
    """Return how long the readings were watched [s]."""
    return float(summary.slot_watched.sum())


def _best_of_overlapping(found: list[Stand], s: StuckSettings) -> tuple[Stand, ...]:
    """Keep the longest of overlapping stands, but one that is odd and lasts before any that is over."""
    kept: list[Stand] = []
    for stand in sorted(found, key=lambda x: (not (x.open and suspicious(x, s)), -x.watched_s, x.start)):
        if all(stand.end < k.start or stand.start > k.end for k in kept):
            kept.append(stand)
    return tuple(kept)


def _stands(field: Field, summary: Summary, s: StuckSettings, habits: bool) -> tuple[Stand, ...]:
    chosen = [int(i) for i in np.flatnonzero(_long(field.runs, s)[: BAND_CANDIDATES if field.band else CANDIDATES])]
    return tuple(_settle(field, i, stand, summary, s) for i, stand in _judged(field, chosen, s, habits))


def _judged(field: Field, chosen: list[int], s: StuckSettings, habits: bool) -> list[tuple[int, Stand]]:
    """Judge the longest runs, longest first, against all others that are not odd themselves.

    From the shortest to the longest each is held against those shorter, as outliers are counted inwards (Rosner,
    Technometrics 25, 1983, 165-172): so one long run does not hide another. A run as long as some others is a habit
    of the node and not odd. Then longer runs count as well, unless they are odd or at rest where this one is not.
    """
    suspect: set[int] = set()
    odds = {}
    for i in reversed(chosen):
        odds[i] = _odds(field, i, s, suspect)
        odd = odds[i]["p"] < SUSPECT_P and suspicious(_described(field, i, odds[i]), s)
        if odd and not (habits and _habit(field, i, s)):
            suspect.add(i)
    first, explained = dict(odds), {}

    def at_rest(i: int) -> bool:
        if i not in explained:
            stand = _described(field, i, first[i])
            explained[i] = rests_there(stand, s) or saturates(stand, s)
        return explained[i]

    for i in chosen:
        longer = [j for j in range(i) if j not in suspect]
        if longer and odds[i]["p"] < 1:
            odds[i] = _odds(field, i, s, suspect, longer, [j for j in longer if j in first and at_rest(j)])
    return [(i, _described(field, i, odds[i])) for i in chosen]


def _habit(field: Field, i: int, s: StuckSettings) -> bool:
    """Whether the node stood still for as long as in a run on some other occasions, wherever it stood."""
    runs = field.runs
    return _occasions(runs.begin, runs.end, runs.watched >= ALIKE_SHARE * runs.watched[i]) > s.habit_runs


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
    watched = float(field.runs.watched[i])
    shorter = np.arange(len(field.runs.watched)) > i
    shorter[[j for j in suspect if j != i]] = False
    ordinary = shorter.copy()
    ordinary[list(longer)] = True
    alike = _alike(field, i)
    reference = _apart(field, i) & ordinary & (~field.at_rest | field.at_rest[i] | alike)
    if not field.at_rest[i]:
        reference[[j for j in longer if j in explained and not alike[j]]] = False
    if reference.sum() < s.min_reference_runs:
        reference = reference | shorter
    lengths = field.runs.watched[reference]
    share = min(1.0, s.open_days * 86_400 / max(field.last - field.first, 1.0)) if _open(field, i) else 1.0
    tail = {"tails": s.tail_runs, "shape": s.tail_shape, "prior": s.tail_prior, "share": share}
    p, longest = tail_probability(lengths, watched, **tail), float(lengths.max()) if len(lengths) else 0.0
    if field.creep is not None and field.whole.step > 0:
        slow = _slow_reference(field, i, suspect, s)
        p = max(p, tail_probability(slow, watched, **tail))
        longest = max(longest, float(slow.max()) if len(slow) else 0.0)
    return {"p": p, "longest_s": longest, "references": len(lengths)}


def _alike(field: Field, i: int) -> np.ndarray:
    """Which runs lie at the level of one of them."""
    return np.abs(field.runs.level - field.runs.level[i]) <= field.near


def _open(field: Field, i: int) -> bool:
    """Whether a run lasts until the last check-in."""
    return bool(field.runs.end[i] >= field.last)


def _described(field: Field, i: int, odds: dict[str, float | int]) -> Stand:
    """Describe one of the longest runs."""
    runs, whole = field.runs, field.whole
    watched, low, high = float(runs.watched[i]), float(runs.low[i]), float(runs.high[i])
    same = _apart(field, i) & field.rests & _alike(field, i)
    # A run of slots has slots beside it, and the steps at its ends lie somewhere in these.
    entry, leave = (math.nan, math.nan) if field.band else (float(runs.entry[i]), float(runs.leave[i]))
    return Stand(
        start=float(runs.begin[i]),
        end=float(runs.end[i]),
        check_ins=round(float(runs.count[i])),
        watched_s=watched,
        value=float(runs.level[i]),
        low=low,
        high=high,
        **odds,
        rests=int(same.sum()),
        rest_s=float(runs.watched[same].sum()),
        level_s=math.nan,
        other_s=field.watched_in_all - watched,
        jumps=float(field.jumped[same].mean()) if same.any() else math.nan,
        liveliness=float(runs.liveliness[i]),
        rest_liveliness=_together(runs.mean[same], runs.liveliness[same], runs.watched[same]) if field.band else 0.0,
        extreme=high >= whole.limits[1] or low <= whole.limits[0],
        at_zero=bool(abs(runs.level[i]) <= field.slack),
        **steps_beside(whole, entry, leave),
        open=_open(field, i),
        band=field.band,
        shift=field.shift,
    )


def steps_beside(whole: Whole, entry: float, leave: float) -> dict[str, float]:
    """Describe the steps into a run and out of it."""
    return {
        "entry": entry / whole.nearly_all,
        "leave": leave / whole.nearly_all,
        "entry_rare": 1 - whole.steps.share_below(entry),
        "leave_rare": 1 - whole.steps.share_below(leave),
    }


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
    creep, length = field.creep, field.runs.end[i] - field.runs.begin[i]
    clear = (creep.end < field.runs.begin[i] - length) | (creep.begin > field.runs.end[i] + length)
    if not clear.any():
        clear = (creep.end < field.runs.begin[i]) | (creep.begin > field.runs.end[i])
    for j in suspect:
        clear &= (creep.end < field.runs.begin[j]) | (creep.begin > field.runs.end[j])
    if field.at_rest.any() and not field.at_rest[i]:
        alike = np.abs(creep.level - field.runs.level[i]) <= field.near
        clear &= alike | ~near_any(creep.level, np.unique(field.runs.level[field.at_rest]), field.near)
    longer = clear & (creep.watched >= field.runs.watched[i])
    if _occasions(creep.begin, creep.end, longer) < s.habit_runs:
        clear &= ~longer
    return creep.watched[clear]


def _settle(field: Field, i: int, stand: Stand, summary: Summary, s: StuckSettings) -> Stand:
    """Add how long the reading was at the level of a stand at all other times, where that matters.

    Of two figures the higher counts. Within a slot the readings count as evenly spread from the lowest to the highest,
    which is too few at a level left by jumps; of all readings together only every hundredth is known.
    """
    if stand.rests < s.rest_recurrences or stand.p > SUSPECT_P:
        return stand
    runs, level, near, length = field.runs, float(field.runs.level[i]), field.near, stand.end - stand.start
    low, high = summary.slot_low, summary.slot_high
    inside = np.minimum(high, level + near) - np.maximum(low, level - near)
    share = np.where(inside < 0, 0.0, np.divide(inside, high - low, out=np.ones(len(low)), where=high > low))
    begin = summary.slot * SLOT_S
    clear = (begin + SLOT_S < stand.start - length) | (begin > stand.end + length)
    by_slots = float((share * summary.slot_watched)[clear].sum())
    beside = _alike(field, i) & (runs.end >= stand.start - length) & (runs.begin <= stand.end + length)
    in_all = field.whole.spread.share_within(level - near, level + near) * field.watched_in_all
    return replace(stand, level_s=max(by_slots, in_all - float(runs.watched[beside].sum())))


def _apart(field: Field, i: int) -> np.ndarray:
    """Which runs lie clear of a run by its own duration, so that one episode of a fault does not excuse itself.

    When that leaves less than a third of the record, only what comes before it counts; when that is less
    than a tenth, all other runs do.
    """
    first, last = field.first, field.last
    start, end = field.runs.begin[i], field.runs.end[i]
    length = end - start
    left = max(start - length - first, 0.0) + max(last - end - length, 0.0)
    if left >= (last - first - length) / 3:
        clear = (field.runs.end < start - length) | (field.runs.begin > end + length)
    elif start - first >= (last - first - length) / 10:
        clear = field.runs.end < start
    else:
        clear = np.ones(len(field.runs.begin), dtype=bool)
    clear[i] = False
    return clear
