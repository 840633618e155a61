"""Summaries of blocks put together at their edges: few rows, spacings without a lead-in, and late insight."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lamplighter.checks.arrivals.course import FASTER
from lamplighter.checks.arrivals.intervals import NEAR
from lamplighter.checks.arrivals.summary import LEAST_ROWS, NO_COUNT, Summary, condense, part_of
from lamplighter.record import joined
from lamplighter.settings import Settings
from lamplighter.stats.runs import encode_runs


def settled(
    summary: Summary, stated_s: float | None, settings: Settings
) -> tuple[Summary, tuple[np.ndarray, np.ndarray]]:
    """Tell the intervals of blocks with few rows from those of several together, where that is enough.

    Parameters
    ----------
    summary : Summary
        Of all blocks.
    stated_s : float, optional
        Interval in the register [s].
    settings : Settings

    Returns
    -------
    summary : Summary
        With one part more for each row of such blocks that was told together, in order of time.
    left : tuple of ndarray, shape (k,)
        Beginnings and ends of the spacings of which nothing is told: within such blocks otherwise, and across an edge
        with no row in the lead-in.
    """
    seen = np.flatnonzero(summary.rows > 0)
    edge = np.append(False, ~summary.linked[seen[1:]])
    size = np.where(summary.condensed, 0, summary.rows)
    after = np.cumsum(size)
    parts, left = [summary], []
    runs = encode_runs(summary.condensed[seen])
    for a, b in zip(runs.start.tolist(), (runs.last + 1).tolist(), strict=True):
        if summary.condensed[seen[a]]:
            continue
        edge[a + 1 : b] = False
        rows = summary.kept.part(slice(after[seen[a]] - size[seen[a]], after[seen[b - 1]]))
        enough = len(rows) >= LEAST_ROWS or not summary.condensed.any()
        told = condense(rows, 0, stated_s, settings) if enough else None
        if told is None:
            left.append((rows.time[:-1], rows.time[1:]))
        else:
            parts.append(part_of(told))
    at = np.flatnonzero(edge)
    left.append((summary.last[seen[at - 1]], summary.first[seen[at]]))
    return _in_order(joined(parts)) if len(parts) > 1 else summary, (
        np.concatenate([start for start, _ in left]),
        np.concatenate([end for _, end in left]),
    )


def _in_order(summary: Summary) -> Summary:
    """Put stretches in order of time."""
    order = np.argsort(summary.stretch_start, kind="stable")
    return replace(
        summary,
        stretch_start=summary.stretch_start[order],
        stretch_interval=summary.stretch_interval[order],
    )


def seen_later(summary: Summary) -> Summary:
    """Let a block that saw an interval set in within its lead-in correct what the block before made of its last rows.

    That block had too few of them to tell the new interval, and took a slower one for lost check-ins.
    """
    start, interval = summary.stretch_start, summary.stretch_interval
    if np.isnan(summary.onset).all():
        return summary
    onset = summary.onset[np.isfinite(summary.onset)]
    own = np.searchsorted(start, summary.first[np.isfinite(summary.onset)]) - 1
    other = (own > 0) & (np.abs(np.log(interval[own] / interval[own - 1])) > NEAR)
    clock, before = summary.gap_clock, told_at(summary, summary.gap_start)
    for since, at in zip(onset[other].tolist(), own[other].tolist(), strict=True):
        edge, now = summary.stretch_start[at], interval[at]
        late = (summary.gap_start >= since) & (summary.gap_end <= edge) & (before < FASTER * now)
        late &= summary.gap_counter == NO_COUNT
        passed = np.maximum(np.rint((summary.gap_end - summary.gap_start) / now), 1) - 1
        clock = np.where(late, passed, clock).astype(np.int32)
        start = np.where((start >= since) & (start <= edge), since, start)
    kept = np.append(start[1:] > start[:-1], True)[: len(start)]
    return replace(summary, gap_clock=clock, stretch_start=start[kept], stretch_interval=interval[kept])


def told_at(summary: Summary, time: np.ndarray) -> np.ndarray:
    """Return the interval, fast or slow, in force at some instants after the first stretch began [s]."""
    return summary.stretch_interval[np.searchsorted(summary.stretch_start, time, side="right") - 1]
