"""Shapes that mislead: forward-filled and compressed exports, charges and levels in another scale.

All work on settled rows: sorted by node and time, each once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from lamplighter.checkins import COMPRESSED, FORWARD_FILLED, Note
from lamplighter.intake.notes import PERCENT
from lamplighter.intake.rows import VALUES, Rows
from lamplighter.intake.zones import US
from lamplighter.settings import Settings
from lamplighter.settings.intake import IntakeSettings
from lamplighter.wording import count, duration, joined


@dataclass
class Shaped:
    """Rows with misleading shapes put right, what was dropped by export, traits by node, and notes."""

    rows: Rows
    dropped: np.ndarray
    traits: dict[str, frozenset[str]] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)


def bounds_of(rows: Rows) -> list[tuple[int, int]]:
    """Return the stretches of rows that belong to one node each."""
    return list(pairwise(np.flatnonzero(np.diff(rows.node, prepend=-1, append=-1)).tolist())) if len(rows) else []


def put_right(rows: Rows, names: list[str], settings: Settings, n_files: int) -> Shaped:
    """Recognise shapes that mislead, undo what can be undone, and say so."""
    out = Shaped(rows, np.zeros(n_files, dtype=np.int64))
    _rescale(out, names)
    storage = settings.intake.storage
    if storage in ("auto", "forward filled"):
        _undo_filling(out, names, settings.intake)
    if storage in ("auto", "compressed"):
        _mark_compressed(out, names, settings.intake)
    return out


def _rescale(out: Shaped, names: list[str]) -> None:
    """Charges in percent are left out; levels stored without their minus sign get it."""
    rows = out.rows
    spans = bounds_of(rows)
    percent = _beyond(rows.battery_v, MOST_VOLTS, spans)
    positive = _beyond(rows.rssi_dbm, LEAST_POSITIVE_RSSI, spans)
    if percent:
        rows.battery_v = rows.battery_v.copy()
    if positive:
        rows.rssi_dbm = rows.rssi_dbm.copy()
    for a, b in percent:
        rows.battery_v[a:b] = np.nan
    for a, b in positive:
        rows.rssi_dbm[a:b] = -np.abs(rows.rssi_dbm[a:b])
    percent, positive = ([names[rows.node[a]] for a, _ in found] for found in (percent, positive))
    if percent:
        out.notes.append(
            Note(kind="battery_percent", text=f"{PERCENT} Nodes: {joined(percent)}.", nodes=tuple(percent))
        )
    if positive:
        text = f"Signal strength stored without its minus sign was read as negative dBm: {joined(positive)}."
        out.notes.append(Note(kind="rssi_sign", text=text, nodes=tuple(positive)))


def _beyond(values: np.ndarray, limit: float, spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Nodes half of whose values lie beyond a limit."""
    above = values > limit
    if not above.any():
        return []
    return [(a, b) for a, b in spans if 2 * above[a:b].sum() > np.isfinite(values[a:b]).sum()]


_ENOUGH = 5_000
"""Rows of a node that are enough to tell how its values were stored."""
MOST_VOLTS = 30.0
"""A battery of a transmitter has less [V]; a median above it is a charge in percent."""
_MANY = 0.3
"""Share of repeated rows below which no grid is looked for."""
LEAST_POSITIVE_RSSI = 20.0
"""No receiver measures a level above it [dBm]."""


def repeats_of(rows: Rows) -> np.ndarray:
    """Return which rows equal the one before, all values of them, shape (n,)."""
    same = np.zeros(len(rows), dtype=bool)
    alike = rows.node[1:] == rows.node[:-1]
    alike &= _equal(rows.reading[1:], rows.reading[:-1])
    left = np.flatnonzero(alike)
    for name in ("sequence", *VALUES):
        value = getattr(rows, name)
        left = left[_equal(value[left + 1], value[left])]
    same[left + 1] = True
    return same


def _equal(now: np.ndarray, before: np.ndarray) -> np.ndarray:
    """Whether values are equal, or both missing."""
    return (now == before) | ((now != now) & (before != before))


@dataclass(frozen=True)
class Grid:
    """How one node's rows repeat: rows a value, and the spacing of rows [us]."""

    rows_a_value: int
    spacing_us: int


def filled_grid(same: np.ndarray, time: np.ndarray, s: IntakeSettings, *, counted: bool = False) -> Grid | None:
    """Return the grid of a forward-filled node, None when its rows are not.

    A historian that samples a slower node on a grid stores each check-in several times: rows on an even spacing,
    values that change every so many rows and almost never two rows running. The natural changes of a sensor come at
    random; with so few of them two rows running, their spacing would scatter (geometrically), not gather. Where the
    node counts its check-ins (``counted``), rows with one number are one check-in whatever the spacing.
    """
    starts = np.flatnonzero(~same)
    if len(starts) < s.filled_min_runs + 1:
        return None
    spacing = np.diff(time)
    steps, counts = np.unique(spacing, return_counts=True)
    step = int(steps[np.argmax(counts)])
    if counts.max() < s.filled_min_even * len(spacing):
        return None
    lengths = np.diff(starts)
    typical = int(np.argmax(np.bincount(lengths)))
    slack = 1 if typical > 2 else 0
    even = np.abs(lengths - typical) <= slack
    if counted and (lengths > 1).mean() >= s.filled_min_typical:
        return Grid(typical, step)
    if typical < 2 or (lengths == 1).mean() > s.filled_max_single or even.mean() < s.filled_min_typical:
        return None
    return Grid(typical, step)


def _undo_filling(out: Shaped, names: list[str], s: IntakeSettings) -> None:
    rows = out.rows
    same = repeats_of(rows)
    measured = [np.isfinite(getattr(rows, name)) for name in VALUES]
    spans = bounds_of(rows)
    grids: dict[int, Grid] = {}
    testable = 0
    for k, (a, b) in enumerate(spans):
        if sum(m[a:b].any() for m in measured) < 2:
            continue
        testable += (~same[a:b]).sum() > s.filled_min_runs
        counted = np.isfinite(rows.sequence[a:b]).all()
        grid = filled_grid(same[a:b], rows.time[a:b], s, counted=counted) if same[a:b].mean() > _MANY else None
        if grid:
            grids[k] = grid
    forced = s.storage == "forward filled"
    if not forced and (not grids or 2 * len(grids) < testable):
        return
    step = int(np.median([g.spacing_us for g in grids.values()])) if grids else 0
    chosen = [
        k for k, (a, b) in enumerate(spans) if forced or k in grids or _silent_on(same[a:b], rows.time[a:b], step)
    ]
    drop = np.zeros(len(rows), dtype=bool)
    for k in chosen:
        a, b = spans[k]
        drop[a:b] = same[a:b]
    filled = tuple(names[rows.node[spans[k][0]]] for k in chosen)
    np.add.at(out.dropped, rows.file[drop], rows.records[drop])
    out.rows = rows.take(~drop)
    _add_trait(out, filled, FORWARD_FILLED)
    grid = f" of {duration(step / US)}" if step else ""
    text = (
        f"The export of {joined(filled)} was sampled on a grid{grid} with the last value repeated; "
        f"{count(int(drop.sum()), 'repeat')} taken out. A check-in that repeats its value cannot be told from a missed "
        "one."
    )
    out.notes.append(Note(kind=FORWARD_FILLED, text=text, nodes=filled))


def _silent_on(same: np.ndarray, time: np.ndarray, step: int) -> bool:
    """Whether a node only repeats itself on the grid of the others: it was silent and the export hid it."""
    if len(time) < 10 or same[1:].mean() < 0.9:
        return False
    return float((np.diff(time) == step).mean()) > 0.9


def _mark_compressed(out: Shaped, names: list[str], s: IntakeSettings) -> None:
    rows = out.rows
    found, testable = [], 0
    for a, b in bounds_of(rows):
        verdict = True if s.storage == "compressed" else looks_compressed(rows.time[a:b] / US, rows.reading[a:b], s)
        testable += verdict is not None
        if verdict:
            found.append(names[rows.node[a]])
    if not found or len(found) < s.compressed_min_share * testable:
        return
    _add_trait(out, tuple(found), COMPRESSED)
    text = (
        f"Values of {joined(found)} are stored only when they change: a row that is absent is no missed check-in there."
    )
    out.notes.append(Note(kind=COMPRESSED, text=text, nodes=tuple(found)))


def looks_compressed(time: np.ndarray, reading: np.ndarray, s: IntakeSettings) -> bool | None:
    """Return whether a node's readings are stored by exception, None when there are too few to tell.

    Stored by exception means: at uneven times, hardly ever the same value twice running, and every step at least the
    exception deviation, so that small steps are missing; a lossy path drops check-ins too, but small steps stay.
    Rows forced after the longest time allowed are left out.
    """
    time, reading = time[-_ENOUGH:], reading[-_ENOUGH:]
    some = np.isfinite(reading)
    spacing, step = np.diff(time[some]), np.abs(np.diff(reading[some]))
    if len(spacing) < s.compressed_min_rows:
        return None
    middle = np.median(spacing)
    if (np.abs(spacing - middle) <= 0.02 * middle).mean() > s.compressed_max_even:
        return False
    classes = np.round(np.log(np.maximum(spacing, 1e-3)) / np.log(1.05)).astype(np.int64)
    _, counts = np.unique(classes, return_counts=True)
    if counts.max() > s.compressed_max_even * len(spacing):
        return False
    forced = spacing >= 0.98 * np.quantile(spacing, 0.99)
    step = step[~forced]
    if len(step) < s.compressed_min_rows:
        return None
    if (step == 0).mean() > s.compressed_max_equal:
        return False
    return bool(np.quantile(step, 0.02) > s.compressed_min_hole * np.median(step))


def _add_trait(out: Shaped, nodes: tuple[str, ...], trait: str) -> None:
    for node in nodes:
        out.traits[node] = out.traits.get(node, frozenset()) | {trait}
