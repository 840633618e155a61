"""Puts together what was found in each half-year of a record: two nodes under one name, and changes of scale."""

from __future__ import annotations

import math

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.data.identity import CHANNELS, Split
from lamplighter.checks.data.scale import ScaleStep, again, lacks_grain, may_be_one, nearest_ratio, usual_jump
from lamplighter.checks.data.summary import STEP, Summary
from lamplighter.record import Record
from lamplighter.settings.data import DataSettings
from lamplighter.stats.order import weighted_median


def join_splits(summary: Summary) -> Split:
    """Say of a record what was found in its half-years about two nodes under one name."""
    blocks, split = int(summary.blocks.sum()), summary.split
    where = np.flatnonzero(split)
    if len(where) == 0:
        return Split(blocks=blocks)
    first, last, most = int(where[0]), int(where[-1]), int(np.argmax(split))
    between = int(summary.blocks[first : last + 1].sum() - summary.before[first] - summary.behind[last])
    told, sizes = summary.told.reshape(-1, len(CHANNELS)).sum(axis=0), summary.sizes.reshape(-1, len(CHANNELS))
    total = int(split.sum())
    return Split(
        blocks=blocks,
        split=total,
        since=float(summary.since[first]),
        until=float(summary.until[last]),
        share_since=total / between,
        differs={
            name: weighted_median(sizes[where, k], split[where])
            for k, name in enumerate(CHANNELS)
            if told[k] > total / 2
        },
        phase=float(summary.phase[most]),
        interval_s=float(summary.interval_s[most]),
    )


def best_step(summary: Summary, record: Record, s: DataSettings) -> ScaleStep | None:
    """Return the change of scale that comes nearest to a ratio of units, if any may come within its tolerances."""
    scored = [(step.score(s), step) for step in steps(summary, record, s)]
    # Cuts near the true one score alike; the jump itself tells them apart.
    best = min(
        scored,
        key=lambda x: (x[0] > 1, x[0] + min(abs(x[1].instant) / (s.scale_instant + x[1].stir), 1.0)),
        default=None,
    )
    return best[1] if best else None


def steps(summary: Summary, record: Record, s: DataSettings) -> list[ScaleStep]:
    """Return the changes that may be one of scale, each with the weeks on either side that the record has."""
    if len(summary.step) == 0:
        return []
    kept = summary.step.reshape(-1, len(STEP))
    half = np.repeat(np.arange(len(summary.step_count)), summary.step_count)
    until, usual = np.append(summary.step_from[1:], np.inf), usual_jump(summary.jump, s)
    found: list[ScaleStep] = []
    for q in np.unique(half):
        mine = [_restored(row, usual) for row in kept[half == q]]
        mine = [step for step in mine if step.time < until[q] and may_be_one(step, s)]
        found += _in_full(mine, summary.step_seen[q], record.rhythm.last[q], record, s)
    return found


def _restored(row: np.ndarray, usual: float) -> ScaleStep:
    values = dict(zip(STEP, row.tolist(), strict=True))
    units, _ = nearest_ratio(math.log(values["ratio"]))
    return ScaleStep(units=units, usual=abs(math.log(values["factor"])) <= usual, **values)


def _in_full(kept: list[ScaleStep], since: float, until: float, record: Record, s: DataSettings) -> list[ScaleStep]:
    """Measure changes of a half-year again that is too short for the weeks about them; read rows once for all."""
    weeks = s.scale_weeks * 7 * DAY_S

    def short(step: ScaleStep) -> bool:
        return max(step.time - weeks, record.first) < since or min(step.time + weeks, record.last) > until

    found, cut_short = [step for step in kept if not short(step)], [step for step in kept if short(step)]
    if cut_short:
        times = [step.time for step in cut_short]
        rows = record.rows(max(min(times) - weeks, record.first), max(times) + weeks)
        for step in cut_short:
            # What was kept for its unknown resolution has nothing to speak for it if that stayed.
            found += [f for f in again(rows, step, s) if not (f.grain_stayed and lacks_grain(step, s))]
    return found
