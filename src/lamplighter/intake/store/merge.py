"""Stored and new check-ins made one: overlaps found, late rows put in their place, as if all had been read together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lamplighter.intake.rows import BITS, VALUES, WHOLE, Rows, joined
from lamplighter.intake.settle import settle
from lamplighter.intake.store.parts import ranked
from lamplighter.intake.zones import US

STORED = 0
"""Number that stands for the history itself where rows carry the number of their export; exports count from 1."""


def merge(
    stored: tuple[Rows, list[str]] | None, new: tuple[Rows, list[str]], tolerance_s: float, n_files: int
) -> tuple[Rows, list[str], np.ndarray]:
    """Merge new check-ins into stored ones.

    Parameters
    ----------
    stored : (Rows, list of str) or None
        What the history holds in the same place; ``file`` is 0.
    new : (Rows, list of str)
        New check-ins, settled among themselves.
    tolerance_s : float
        Parts of one check-in stored at most this far apart are joined [s].
    n_files : int
        Highest number of a file, plus one.

    Returns
    -------
    rows, names : Rows, list of str
        Sorted by node name and time, each once.
    duplicates : int array of shape (n_files,)
        Records dropped by file.
    """
    rows, names = new
    if stored is None:
        return rows, names, np.zeros(n_files, dtype=np.int64)
    old, known = stored
    names, place = ranked([*known, *names])
    old, rows = replace(old, node=place[old.node]), replace(rows, node=place[len(known) + rows.node])
    again = _seen_nearby(old, rows, round(tolerance_s * US))
    dropped = np.bincount(rows.file[again], weights=rows.records[again], minlength=n_files).astype(np.int64)
    settled = settle(joined([old, rows.take(~again)]), tolerance_s, n_files)
    dropped += settled.duplicates
    # Where a new record took the place of a stored one, earlier accounts stand as they are: the new one counts as the
    # duplicate. A place of the history rarely meets more than one new file; the last is then as good as any.
    dropped[rows.file.max()] += dropped[STORED]
    dropped[STORED] = 0
    return settled.rows, names, dropped


def _seen_nearby(old: Rows, new: Rows, tolerance: int) -> np.ndarray:
    """Which new parts of check-ins are in a stored one already, which carries the time of its first part."""
    part = (new.has & WHOLE) == 0
    if tolerance <= 0 or not part.any() or not len(old):
        return np.zeros(len(new), dtype=bool)
    order = np.lexsort((old.time, old.node))
    origin = min(int(old.time.min()), int(new.time.min()))
    width = max(int(old.time.max()), int(new.time.max())) - origin + 1
    place = np.searchsorted(_key(old, origin, width)[order], _key(new, origin, width), side="right") - 1
    near = order[np.maximum(place, 0)]
    again = part & (place >= 0) & (old.node[near] == new.node) & (new.time - old.time[near] <= tolerance)
    again &= (old.has[near] & WHOLE) == 0
    for name in VALUES:
        mine = (new.has & BITS[name]) > 0
        again &= ~mine | (getattr(old, name)[near] == getattr(new, name))
    return again


def _key(rows: Rows, origin: int, width: int) -> np.ndarray:
    return rows.node.astype(np.int64) * width + (rows.time - origin)
