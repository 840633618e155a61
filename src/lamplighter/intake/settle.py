"""Rows to the check-in table: sorted, each node and time once, values of one check-in joined."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.intake.rows import BITS, VALUES, WHOLE, Rows
from lamplighter.intake.zones import US


@dataclass
class Settled:
    """Rows sorted by node name and time, each once; ``duplicates`` counts records dropped by export."""

    rows: Rows
    duplicates: np.ndarray


def settle(rows: Rows, tolerance_s: float, n_files: int) -> Settled:
    """Sort rows, merge those of one node and time, and join the parts of one check-in.

    Of two rows of one node and time, the second fills what the first lacks if they agree in what both have; otherwise
    it is dropped as a duplicate. Which comes first depends on their content alone, not on files or their order.

    Parameters
    ----------
    rows : Rows
        With nodes numbered in the order of their names.
    tolerance_s : float
        Parts of one check-in stored at most this far apart are joined [s].
    n_files : int
    """
    order = sort_order(rows.node, rows.time)
    if order is not None:
        rows.reorder(order)
    return settle_sorted(rows, tolerance_s, n_files)


def settle_sorted(rows: Rows, tolerance_s: float, n_files: int) -> Settled:
    """Do as :func:`settle` with rows that stand in order."""
    dropped = np.zeros(n_files, dtype=np.int64)
    rows = _merge_equal(rows, dropped)
    if tolerance_s > 0 and len(rows) and not (rows.has & WHOLE).all():
        rows = _join_near(rows, int(tolerance_s * US))
    return Settled(rows, dropped)


def ranked(final: list[str]) -> tuple[list[str], np.ndarray]:
    """Return the distinct names in order, and each old number's place among them."""
    names = sorted(set(final))
    place = {n: i for i, n in enumerate(names)}
    return names, np.array([place[n] for n in final], dtype=np.int32)


def sort_order(node: np.ndarray, time: np.ndarray) -> np.ndarray | None:
    """Return the order of rows by node and time, None when they stand in it; fast on rows that are partly sorted."""
    step = np.diff(node)
    later = np.diff(time)
    if not ((step < 0) | ((step == 0) & (later < 0))).any():
        return None
    if (later >= 0).all():
        small = node.astype(np.uint16) if len(node) and node.max() < 2**16 else node
        return np.argsort(small, kind="stable")
    span = int(time.max()) - int(time.min()) + 1
    if span.bit_length() + int(node.max()).bit_length() < 63:
        # One key sorts faster than two, above all where exports are sorted in stretches.
        return np.argsort(node.astype(np.int64) * span + (time - time.min()), kind="stable")
    return np.lexsort((time, node))


def _merge_equal(rows: Rows, dropped: np.ndarray) -> Rows:
    first = np.ones(len(rows), dtype=bool)
    first[1:] = (rows.node[1:] != rows.node[:-1]) | (rows.time[1:] != rows.time[:-1])
    if first.all():
        return rows
    start = np.flatnonzero(first)
    out = rows.take(start)
    clean = _nothing_twice(rows, start)
    group = np.cumsum(first) - 1
    size = np.diff(np.append(start, len(rows)))
    _scatter(rows, out, group, np.flatnonzero(~first & clean[group]))
    place = np.flatnonzero((size > 1) & ~clean)
    if len(place):
        several = ((size > 1) & ~clean)[group]
        crowd = rows.take(several)
        crowd_group = group[several]
        crowd = crowd.take(_content_order(crowd, crowd_group))
        merged = _merge_groups(crowd, crowd_group, dropped)
        for name in ("node", "time", *VALUES, "quality", "has", "file"):
            getattr(out, name)[place] = getattr(merged, name)
    return out


def _nothing_twice(rows: Rows, start: np.ndarray) -> np.ndarray:
    """Return the groups of parts in which no measure comes twice."""
    together = np.bitwise_or.reduceat(rows.has, start)
    return (np.add.reduceat(rows.has.astype(np.int64), start) == together) & ((together & WHOLE) == 0)


def _scatter(rows: Rows, out: Rows, target: np.ndarray, source: np.ndarray) -> None:
    """Put what some rows have into the rows that they belong to, where nothing stands yet."""
    has = rows.has[source]
    for name in VALUES:
        some = source[(has & BITS[name]) > 0]
        getattr(out, name)[target[some]] = getattr(rows, name)[some]
    graded = source[((has & (BITS["quality"] | BITS["reading"])) > 0) & (rows.quality[source] > 0)]
    np.maximum.at(out.quality, target[graded], rows.quality[graded])
    np.bitwise_or.at(out.has, target[source], has)


def _content_order(rows: Rows, group: np.ndarray) -> np.ndarray:
    """Return an order by content alone within groups: whole rows first, then good ones, fuller ones, lower values."""
    filled = np.zeros(len(rows), dtype=np.int64)
    for name in VALUES:
        filled += np.isfinite(getattr(rows, name))
    keys = [
        rows.file,
        *(getattr(rows, name) for name in reversed(VALUES)),
        -filled,
        rows.quality,
        ~rows.has & WHOLE,
        group,
    ]
    return np.lexsort(keys)


def _merge_groups(rows: Rows, group: np.ndarray, dropped: np.ndarray) -> Rows:
    """Merge each group of rows (sorted, consecutive) into its first one, in their order.

    Every round takes from each group the next row that adds something. A row that adds nothing, or disagrees, never
    will, and each round adds a measure, so there are only a few rounds however large a group is.
    """
    new_group = np.diff(group, prepend=group[0] - 1) != 0
    starts = np.flatnonzero(new_group)
    home = np.cumsum(new_group) - 1
    into = rows.take(starts)
    lost = np.where((rows.has & WHOLE) > 0, 1, rows.records)
    lost[starts] = 0
    left = np.flatnonzero(~new_group)
    while len(left):
        new = _adds(into, home[left], rows, left)
        adding = np.flatnonzero(new)
        if not len(adding):
            break
        _, first = np.unique(home[left[adding]], return_index=True)
        chosen = left[adding[first]]
        bits = new[adding[first]]
        _merge_into(into, home[chosen], rows.take(chosen), bits)
        whole = (rows.has[chosen] & WHOLE) > 0
        lost[chosen] = np.where(whole, 0, rows.records[chosen] - _ones(bits))
        left = np.setdiff1d(left[adding], chosen, assume_unique=True)
    np.add.at(dropped, rows.file, lost)
    return into


def _adds(into: Rows, at: np.ndarray, rows: Rows, which: np.ndarray) -> np.ndarray:
    """Return the bits that rows add to those they would be merged into; none where a whole row disagrees."""
    new = rows.has[which] & ~into.has[at] & 63
    some = np.flatnonzero(new)
    agree = np.ones(len(some), dtype=bool)
    for name in VALUES:
        a, b = getattr(into, name)[at[some]], getattr(rows, name)[which[some]]
        agree &= ~(np.isfinite(a) & np.isfinite(b)) | (a == b)
    whole = (rows.has[which[some]] & WHOLE) > 0
    new[some[~agree & whole]] = 0
    return new


def _merge_into(into: Rows, at: np.ndarray, rows: Rows, new: np.ndarray) -> None:
    for name in VALUES:
        put = (new & BITS[name]) > 0
        getattr(into, name)[at[put]] = getattr(rows, name)[put]
    grade = (new & (BITS["quality"] | BITS["reading"])) > 0
    into.quality[at[grade]] = np.maximum(into.quality[at[grade]], rows.quality[grade])
    into.has[at] |= new


def _ones(bits: np.ndarray) -> np.ndarray:
    return np.array([i.bit_count() for i in range(64)])[bits & 63]


def _join_near(rows: Rows, tolerance: int) -> Rows:
    """Join parts of one check-in that stand a little apart; the first one's time is kept."""
    part = (rows.has & WHOLE) == 0
    near = (np.diff(rows.node) == 0) & (np.diff(rows.time) <= tolerance) & part[1:] & part[:-1]
    if not near.any():
        return rows
    head = np.concatenate([[True], ~near])
    chain = np.flatnonzero(~head | np.concatenate([near, [False]]))
    for a, b in _runs(head, chain):
        _split_chain(rows, a, b, tolerance, head)
    out = rows.take(head)
    _scatter(rows, out, np.cumsum(head) - 1, np.flatnonzero(~head))
    return out


def _runs(head: np.ndarray, chain: np.ndarray) -> list[tuple[int, int]]:
    if not len(chain):
        return []
    starts = chain[head[chain]]
    ends = np.searchsorted(np.flatnonzero(head), starts, side="right")
    firsts = np.append(np.flatnonzero(head), len(head))
    return list(zip(starts.tolist(), firsts[ends].tolist(), strict=True))


def _split_chain(rows: Rows, a: int, b: int, tolerance: int, head: np.ndarray) -> None:
    start, bits = int(rows.time[a]), int(rows.has[a])
    for i in range(a + 1, b):
        here = int(rows.has[i])
        if int(rows.time[i]) - start > tolerance or bits & here:
            head[i], start, bits = True, int(rows.time[i]), here
        else:
            bits |= here
