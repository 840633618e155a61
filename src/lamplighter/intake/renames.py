"""Names that changed: one node under two names one after the other, or two nodes under one name at once.

Works on settled rows: sorted by node and time, each once.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import MEASURES, Note
from lamplighter.intake.rows import Rows
from lamplighter.intake.settle import ranked, settle
from lamplighter.intake.shapes import bounds_of
from lamplighter.intake.zones import US
from lamplighter.settings.intake import IntakeSettings
from lamplighter.wording import date

_EVEN = 2 / 3
"""Share of the turns asked for at which a row speaks neither for nor against two nodes."""
_NEAR = 5
"""Of those, the ones nearest to the end."""
_EDGE = 20
"""Check-ins at an end of a history by which its level is taken."""


@dataclass(frozen=True)
class Edge:
    """How a node stands at one end of its history: instant [s], typical spacing [s], levels and typical steps."""

    name: str
    time: float
    interval: float
    level: dict[str, float]
    spread: dict[str, float]
    sequence: float


def edge_of(rows: Rows, a: int, b: int, name: str, *, last: bool) -> Edge:
    """Return a node's state at the end (or the start) of its rows ``a`` to ``b``."""
    part = slice(max(a, b - _EDGE), b) if last else slice(a, min(b, a + _EDGE))
    spacing = np.diff(rows.time[part]) / US
    level, spread = {}, {}
    for measure in MEASURES:
        some = getattr(rows, measure)[part]
        some = some[np.isfinite(some)]
        if len(some):
            level[measure] = float(np.median(some[-_NEAR:] if last else some[:_NEAR]))
            spread[measure] = float(np.median(np.abs(np.diff(some)))) if len(some) > 1 else 0.0
    place = b - 1 if last else a
    return Edge(name, rows.time[place] / US, float(np.median(spacing)), level, spread, float(rows.sequence[place]))


def follows(old: Edge, new: Edge, s: IntakeSettings) -> str:
    """Return how well a new name goes on where an old one ended: ``sure``, ``likely`` or empty.

    Sure: the counter of check-ins goes on. Likely: no counter, but the beat and every level go on.
    """
    gap = new.time - old.time
    if not 0 < gap <= s.rename_max_gap * old.interval or not np.isclose(old.interval, new.interval, rtol=0.02):
        return ""
    if np.isfinite(old.sequence) and np.isfinite(new.sequence):
        return "sure" if 0 < new.sequence - old.sequence <= s.rename_max_gap else ""
    beats = gap / old.interval
    on_beat = abs(beats - round(beats)) <= 0.02
    shared = [m for m in MEASURES if m in old.level and m in new.level]
    smallest = {"battery_v": 0.02, "rssi_dbm": 2.0, "temperature_c": 2.0, "reading": 0.0}
    near = all(
        abs(new.level[m] - old.level[m]) <= max(smallest[m], 4 * max(old.spread[m], new.spread[m])) for m in shared
    )
    return "likely" if on_beat and near and len(shared) >= 2 else ""


def find_renamed(
    rows: Rows, names: list[str], registered: Collection[str], s: IntakeSettings
) -> tuple[dict[str, str], list[Note]]:
    """Find nodes that went on under another name.

    Returns
    -------
    renames : dict of old to new name
        Those that are sure: to be made one.
    notes : list of Note
        On those, and on the ones that are only likely, with the settings line that would join them.
    """
    spans = [(a, b) for a, b in bounds_of(rows) if b - a >= 3]
    if not spans:
        return {}, []
    first, last = rows.time.min() / US, rows.time.max() / US
    ends = [edge_of(rows, a, b, names[rows.node[a]], last=True) for a, b in spans]
    ended = [e for e in ends if last - e.time > s.rename_max_gap * e.interval]
    starts = [edge_of(rows, a, b, names[rows.node[a]], last=False) for a, b in spans]
    begun = [e for e in starts if e.time - first > s.rename_max_gap * e.interval]
    pairs = [(o, n, how) for o in ended for n in begun if o.name != n.name and (how := follows(o, n, s))]
    pairs = _mutual([p for p in pairs if not (p[0].name in registered and p[1].name in registered)])
    sure = {o.name: n.name for o, n, how in pairs if how == "sure"}
    return sure, [_note(o, n, how) for o, n, how in pairs]


def _mutual(pairs: list[tuple[Edge, Edge, str]]) -> list[tuple[Edge, Edge, str]]:
    """Pairs in which each is the other's only candidate, or the one with the most alike name."""

    def likeness(pair: tuple[Edge, Edge, str]) -> tuple[bool, float]:
        return pair[2] == "sure", difflib.SequenceMatcher(None, pair[0].name, pair[1].name).ratio()

    best_new, best_old = {}, {}
    for pair in sorted(pairs, key=lambda p: (likeness(p), p[0].name, p[1].name)):
        best_new[pair[0].name] = pair
        best_old[pair[1].name] = pair
    return [p for p in pairs if best_new[p[0].name] is p and best_old[p[1].name] is p]


def _note(old: Edge, new: Edge, how: str) -> Note:
    when = date(new.time)
    if how == "sure":
        text = f"{old.name} was renamed to {new.name} on {when}: its counter goes on, so the two are one history."
    else:
        text = (
            f"{new.name} seems to go on where {old.name} ended ({when}). They were kept apart; if they are one node, "
            f'set [intake] renames = {{ "{old.name}" = "{new.name}" }}.'
        )
    return Note(kind="renamed", text=text, nodes=(old.name, new.name))


@dataclass(frozen=True)
class Mixed:
    """A name under which two nodes report, and when that began [s since 1970-01-01 UTC]."""

    name: str
    since: float


def find_mixed(rows: Rows, names: list[str], s: IntakeSettings) -> list[Mixed]:
    """Find names under which two nodes report at once.

    Their check-ins take turns, so each row is far from the one before and near to the one before that, in at least two
    of what they measure (their counters count as one).
    """
    out = []
    for a, b in bounds_of(rows):
        if b - a < s.mixed_min_rows:
            continue
        first = _begins(rows, a, b, s)
        if first is not None:
            out.append(Mixed(names[rows.node[a]], float(rows.time[first]) / US))
    return out


def _alternates(x: np.ndarray) -> np.ndarray:
    """Where a series is far from one row back and near to two rows back, shape (n - 2,)."""
    one, two = np.abs(x[2:] - x[1:-1]), np.abs(x[2:] - x[:-2])
    return (one > 0) & (one >= 4 * two)


def _begins(rows: Rows, a: int, b: int, s: IntakeSettings) -> int | None:
    """Return the first row from which two measures take turns until the end of a node's rows; None when none do."""
    if _turns(rows, max(a, b - s.mixed_min_rows - 2), b).mean() < s.mixed_min_turns:
        return None
    # Each turn speaks for the stretch to the end, each row without one against it; the best stretch is theirs.
    balance = np.cumsum((_turns(rows, a, b) - _EVEN * s.mixed_min_turns)[::-1])
    return b - 2 - 1 - int(np.argmax(balance))


def _turns(rows: Rows, a: int, b: int) -> np.ndarray:
    """Where at least two of what is measured take turns, shape (b - a - 2,)."""
    votes = np.zeros(b - a - 2, dtype=np.int64)
    for name in (*MEASURES, "sequence"):
        votes += _alternates(getattr(rows, name)[a:b])
    return votes >= 2


def mixed_note(mixed: Mixed) -> Note:
    """Return the note on a name that two nodes report under."""
    # They are not parted here: from one week's export to the next nobody could say which of the two is which.
    text = (
        f"Two nodes report as {mixed.name} since {date(mixed.since)}: their values take turns. "
        "Their check-ins stay together; give one of them its own name."
    )
    return Note(kind="mixed", text=text, nodes=(mixed.name,))


@dataclass
class Renamed:
    """Names put right: rows (sorted again when they changed), names by number, records dropped by export, notes."""

    rows: Rows
    names: list[str]
    dropped: np.ndarray
    moved: dict[str, str]
    notes: list[Note]


def put_names_right(
    rows: Rows, names: list[str], registered: Collection[str], s: IntakeSettings, n_files: int
) -> Renamed:
    """Join the histories of nodes that were renamed, where that is sure; note names that two nodes share."""
    mixed = find_mixed(rows, names, s)
    notes = [mixed_note(m) for m in mixed]
    moved, found = find_renamed(rows, names, registered, s)
    dropped = np.zeros(n_files, dtype=np.int64)
    if moved:
        rows, names, dropped = _sorted_again(rows, names, moved, n_files)
    return Renamed(rows, names, dropped, moved, [*notes, *found])


def _sorted_again(
    rows: Rows, names: list[str], moved: dict[str, str], n_files: int
) -> tuple[Rows, list[str], np.ndarray]:
    ordered, rank = ranked([_end_of(n, moved) for n in names])
    rows.node = rank[rows.node]
    settled = settle(rows, 0.0, n_files)
    return settled.rows, ordered, settled.duplicates


def _end_of(name: str, moved: dict[str, str]) -> str:
    seen = {name}
    while (name := moved.get(name, name)) not in seen:
        seen.add(name)
    return name
