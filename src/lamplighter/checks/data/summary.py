"""Condenses a half-year of a record to what the data check keeps of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from lamplighter.checkins import NodeHistory
from lamplighter.checks.data.identity import find_split
from lamplighter.checks.data.scale import ScaleStep, find_scale_steps
from lamplighter.settings import Settings
from lamplighter.stats.order import quantile

HIGHEST = 0.999
"""Share of the readings below the one that is called the highest."""
STEP = tuple(f.name for f in fields(ScaleStep) if f.name not in ("units", "usual"))
"""What is kept of a change of scale, in this order."""


@dataclass(frozen=True, slots=True)
class Summary:
    """What is kept of each half-year about its set-up; one entry a half-year where nothing else is said.

    Attributes
    ----------
    blocks, split, before, behind, since, until, phase, interval_s
        As of :class:`lamplighter.checks.data.identity.Split`.
    told, sizes
        As there; one entry a half-year and channel.
    step_from, step_seen
        As ``since`` and ``seen_since`` of :class:`lamplighter.checks.data.scale.Steps`.
    step_count, step
        Number of changes of scale, and :data:`STEP` of each of them.
    jump : one entry a jump
        The largest jumps of each half-year [log ratio].
    highest
        99.9 % quantile of the readings [unit of the reading]; NaN without any.
    """

    blocks: np.ndarray
    split: np.ndarray
    before: np.ndarray
    behind: np.ndarray
    since: np.ndarray
    until: np.ndarray
    phase: np.ndarray
    interval_s: np.ndarray
    told: np.ndarray
    sizes: np.ndarray
    step_from: np.ndarray
    step_seen: np.ndarray
    step_count: np.ndarray
    step: np.ndarray
    jump: np.ndarray
    highest: np.ndarray


def summarise(block: NodeHistory, settings: Settings) -> Summary:
    """Condense the rows of one half-year, or of the open block."""
    s = settings.data
    split, steps = find_split(block, s), find_scale_steps(block, s)
    own = block.own.good_reading
    known = own[np.isfinite(own)]
    return Summary(
        blocks=np.array([split.blocks]),
        split=np.array([split.split]),
        before=np.array([split.before]),
        behind=np.array([split.behind]),
        since=np.array([split.since]),
        until=np.array([split.until]),
        phase=np.array([split.phase]),
        interval_s=np.array([split.interval_s]),
        told=np.array(split.told),
        sizes=np.array(split.sizes),
        step_from=np.array([steps.since]),
        step_seen=np.array([steps.seen_since]),
        step_count=np.array([len(steps.found)]),
        step=np.array([getattr(step, name) for step in steps.found for name in STEP], dtype=np.float64),
        jump=steps.jumps,
        highest=np.array([quantile(known, HIGHEST) if len(known) else math.nan]),
    )
