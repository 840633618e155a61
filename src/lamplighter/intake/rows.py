"""Check-ins on their way to the table: columns of equal length, names of nodes apart."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields

import numpy as np

from lamplighter.checkins import MEASURES

VALUES = (*MEASURES, "sequence")
BITS = {name: 1 << i for i, name in enumerate((*MEASURES, "quality", "sequence"))}
"""What a row holds, as bits of ``has``."""
WHOLE = 128
"""Bit of a row that was one record of its own; without it each of the other bits was a record."""


_ONES = np.array([i.bit_count() for i in range(64)], dtype=np.int64)


@dataclass
class Names:
    """Names of nodes by number, in order of first appearance."""

    names: list[str] = field(default_factory=list)
    number: dict[str, int] = field(default_factory=dict)

    def code(self, name: str) -> int:
        """Return a name's number, a new one when it is new."""
        code = self.number.get(name)
        if code is None:
            code = self.number[name] = len(self.names)
            self.names.append(name)
        return code

    def codes(self, names: Iterable[str]) -> np.ndarray:
        """Return the numbers of some names."""
        return np.array([self.code(n) for n in names], dtype=np.int32)


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

    @property
    def records(self) -> np.ndarray:
        """How many records of an export each row was."""
        bits = _ONES[self.has & 63]
        return np.where(self.has & WHOLE, 1, bits)


DTYPES = {"node": np.int32, "time": np.int64, **dict.fromkeys(VALUES, np.float64), "quality": np.int8, "has": np.uint8, "file": np.int32}


def make_rows(n: int, **columns: np.ndarray) -> Rows:
    """Make rows; measures that are not given are missing, quality is good."""
    defaults = {**{v: np.nan for v in VALUES}, "quality": 0, "has": WHOLE, "file": 0}
    out = {}
    for name, dtype in DTYPES.items():
        given = columns.get(name)
        out[name] = np.full(n, defaults[name], dtype=dtype) if given is None else np.asarray(given, dtype=dtype)
    return Rows(**out)


def joined(parts: Sequence[Rows]) -> Rows:
    """Put rows one after another."""
    if not parts:
        return make_rows(0, node=np.zeros(0), time=np.zeros(0))
    if len(parts) == 1:
        return parts[0]
    return Rows(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Rows)})
