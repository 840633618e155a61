"""Check-ins on their way to the table: columns of equal length, names of nodes apart."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, fields, replace

import numpy as np

from lamplighter.checkins import MEASURES

VALUES = (*MEASURES, "sequence")
BITS = {name: 1 << i for i, name in enumerate((*MEASURES, "quality", "sequence"))}
"""What a row holds, as bits of ``has``."""
WHOLE = 128
"""Bit of a row that was one record of its own; without it each of the other bits was a record."""


REORDERED_TOGETHER = 2
"""Columns put in order side by side: more would wait for memory."""
_ONES = np.array([i.bit_count() for i in range(64)], dtype=np.int64)


@dataclass
class Names:
    """What carries check-ins, by number in order of first appearance.

    A node that an export names outright is known by that name; one that is part of a tag by all that stands before
    the measure, since two areas may use one name. ``short`` is what a tag's node is called if no other area uses it.
    """

    names: list[str] = field(default_factory=list)
    number: dict[tuple[str, str], int] = field(default_factory=dict)
    short: dict[int, str] = field(default_factory=dict)

    def code(self, name: str, path: str = "") -> int:
        """Return the number of a node, a new one when it is new."""
        key = (path, name)
        code = self.number.get(key)
        if code is None:
            code = self.number[key] = len(self.names)
            self.names.append(path or name)
            if path:
                self.short[code] = name
        return code

    def final(self, registered: Collection[str] = (), renames: Mapping[str, str] | None = None) -> list[str]:
        """Return what each node is called: its short name unless the register or another area says otherwise."""
        areas = Counter(self.short.values())
        out = []
        for code, name in enumerate(self.names):
            short = self.short.get(code, name)
            out.append(
                short
                if short == name or (name not in registered and (areas[short] == 1 or short in registered))
                else name
            )
        return [(renames or {}).get(n, n) for n in out]


@dataclass
class Rows:
    """Rows that are becoming check-ins, arrays of shape (n,).

    ``node`` numbers of :class:`Names`; ``time`` microseconds since 1970-01-01 UTC; ``has`` bits of :data:`BITS`;
    ``file`` number of the export.
    """

    node: np.ndarray
    time: np.ndarray
    reading: np.ndarray
    battery_v: np.ndarray
    rssi_dbm: np.ndarray
    temperature_c: np.ndarray
    sequence: np.ndarray
    quality: np.ndarray
    has: np.ndarray
    file: np.ndarray

    def __len__(self) -> int:
        return len(self.node)

    def take(self, index: np.ndarray | slice) -> Rows:
        """Return some of the rows."""
        return Rows(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    def reorder(self, order: np.ndarray) -> None:
        """Put the rows in another order, a column or two at a time so that little is held twice."""

        def put(name: str) -> None:
            setattr(self, name, getattr(self, name).take(order))

        with ThreadPoolExecutor(REORDERED_TOGETHER) as pool:
            list(pool.map(put, [f.name for f in fields(self)]))

    @property
    def records(self) -> np.ndarray:
        """How many records of an export each row was."""
        bits = _ONES[self.has & 63]
        return np.where(self.has & WHOLE, 1, bits)


DTYPES = {
    "node": np.int32,
    "time": np.int64,
    **dict.fromkeys(VALUES, np.float64),
    "quality": np.int8,
    "has": np.uint8,
    "file": np.int32,
}


def make_rows(n: int, **columns: np.ndarray | int) -> Rows:
    """Make rows; measures that are not given are missing, quality is good."""
    defaults = {**dict.fromkeys(VALUES, np.nan), "quality": 0, "has": WHOLE, "file": 0}
    out = {}
    for name, dtype in DTYPES.items():
        given = columns.get(name)
        full = given is None or np.ndim(given) == 0
        # One value for all rows takes no memory until they are put together.
        out[name] = (
            np.broadcast_to(dtype(defaults[name] if given is None else given), n)
            if full
            else np.asarray(given, dtype=dtype)
        )
    return Rows(**out)


def joined(parts: Sequence[Rows]) -> Rows:
    """Put rows one after another; the parts are emptied on the way, so that nothing is held twice."""
    if not parts:
        return make_rows(0, node=np.zeros(0), time=np.zeros(0))
    if len(parts) == 1:
        own = {name: getattr(parts[0], name) for name in DTYPES}
        return Rows(**{name: c if c.flags.writeable else c.copy() for name, c in own.items()})
    columns = {}
    for name, dtype in DTYPES.items():
        columns[name] = np.concatenate([getattr(p, name) for p in parts])
        for part in parts:
            setattr(part, name, np.zeros(0, dtype=dtype))
    return Rows(**columns)


def joined_in_order(
    parts: Sequence[Rows], rank: np.ndarray, order_of: Callable[[np.ndarray, np.ndarray], np.ndarray | None]
) -> Rows:
    """Put rows one after another and in order at once, so that each column is copied once; the parts are emptied.

    Parameters
    ----------
    parts : sequence of Rows
    rank : ndarray of int
        New number of each node.
    order_of : callable
        From nodes and times to the order of the rows, or None when they stand in it.
    """
    node = rank[np.concatenate([p.node for p in parts])] if parts else np.zeros(0, dtype=np.int32)
    time = np.concatenate([p.time for p in parts]) if parts else np.zeros(0, dtype=np.int64)
    order = order_of(node, time)
    if order is None:
        return replace(joined(parts), node=node)
    place = np.empty(len(order), dtype=np.int32 if len(order) < 2**31 else np.int64)
    place[order] = np.arange(len(order), dtype=place.dtype)
    columns = {"node": node.take(order), "time": time.take(order)}
    others = [name for name in DTYPES if name not in columns]
    with ThreadPoolExecutor(REORDERED_TOGETHER) as pool:
        columns |= dict(zip(others, pool.map(lambda name: _placed(parts, name, place), others), strict=True))
    return Rows(**columns)


def _placed(parts: Sequence[Rows], name: str, place: np.ndarray) -> np.ndarray:
    """Put the parts of one column where their rows belong, and empty them."""
    own = [getattr(part, name) for part in parts]
    for part in parts:
        setattr(part, name, getattr(part, name)[:0])
    values = {a[0] for a in own if len(a)} if all(a.strides == (0,) for a in own) else set()
    if len(values) == 1 or (values and all(v != v for v in values)):
        return np.full(len(place), values.pop(), dtype=DTYPES[name])
    column, end = np.empty(len(place), dtype=DTYPES[name]), 0
    for a in own:
        column[place[end : end + len(a)]] = a
        end += len(a)
    return column
