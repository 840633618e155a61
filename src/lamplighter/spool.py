"""Values kept in a temporary file and read one at a time, so that memory does not grow with their number."""

from __future__ import annotations

import os
import pickle
import tempfile
import weakref
from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Generic, TypeVar

from lamplighter.errors import InputError

BLOCK = 256
"""Most items of a list that are read together."""
HELD = 500_000
"""Bytes that a spool holds in memory before it makes a file; a run has some twenty of them."""

V = TypeVar("V")


def pack(value: Any) -> bytes:
    """Return a value as the bytes that a spool keeps of it; workers do this, so that the leading process need not."""
    return pickle.dumps(value, pickle.HIGHEST_PROTOCOL)


@dataclass(frozen=True)
class Packed:
    """Work whose result comes packed, for :meth:`Spool.of_packed`: it may be done in another process."""

    work: Callable[[Any], Any]

    def __call__(self, task: Any) -> bytes:
        """Do the work."""
        return pack(self.work(task))


class _Store:
    """Bytes one after the other: in memory while they are few, then in a file that nobody else sees."""

    def __init__(self) -> None:
        self.size = 0
        self._held = bytearray()
        self._file: Any = None

    def append(self, data: bytes) -> None:
        """Add bytes at the end."""
        if self._file is None and self.size + len(data) <= HELD:
            self._held += data
        else:
            try:
                if self._file is None:
                    self._open()
                self._write(data)
            except OSError as bad:
                raise _trouble("write", bad) from bad
        self.size += len(data)

    def read(self, start: int, size: int) -> bytes | memoryview:
        """Return some of the bytes."""
        if self._file is None:
            return memoryview(self._held)[start : start + size]
        try:
            return _read(self._file, start, size)
        except OSError as bad:
            raise _trouble("read", bad) from bad

    def _open(self) -> None:
        # Without a buffer, so that a full disk is told by the write that fills it.
        self._file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115  (closed when the store goes)
        weakref.finalize(self, self._file.close)
        self._write(self._held)
        self._held = bytearray()

    def _write(self, data: bytes | bytearray) -> None:
        self._file.seek(0, os.SEEK_END)
        left = memoryview(data)
        while len(left):
            left = left[self._file.write(left) :]


def _read(file: Any, start: int, size: int) -> bytes:
    if hasattr(os, "pread"):  # forked workers read too, and the place in a file is one for all of them
        return os.pread(file.fileno(), size, start)
    file.seek(start)
    return file.read(size)


def _trouble(what: str, bad: OSError) -> InputError:
    return InputError(
        f"cannot {what} a temporary file: {bad.strerror}",
        file=tempfile.tempdir,
        remedy="make room there, or name another folder in the variable TMPDIR",
    )


class Spool(MutableMapping[str, V], Generic[V]):
    """A dict whose values lie in a temporary file.

    A value is made anew each time it is read: to change one, set it again. Its file has no name and is gone with the
    spool. A copy that is pickled is an ordinary dict.

    Parameters
    ----------
    pairs : iterable of (str, value)

    Raises
    ------
    InputError
        When the disk is full.
    """

    def __init__(self, pairs: Iterable[tuple[str, V]] = ()) -> None:
        self._store = _Store()
        self._place: dict[str, int] = {}
        self._start, self._size = array("Q"), array("L")
        for name, value in pairs:
            self[name] = value

    @classmethod
    def of_packed(cls, pairs: Iterable[tuple[str, bytes]]) -> Spool[V]:
        """Return a spool of values that are packed already."""
        made = cls()
        for name, data in pairs:
            made.put(name, data)
        return made

    def put(self, name: str, data: bytes) -> None:
        """Set a value that is packed already."""
        start = self._store.size
        self._store.append(data)
        self._place[name] = len(self._start)
        self._start.append(start)
        self._size.append(len(data))

    def __setitem__(self, name: str, value: V) -> None:
        self.put(name, pack(value))

    def __getitem__(self, name: str) -> V:
        k = self._place[name]
        return pickle.loads(self._store.read(self._start[k], self._size[k]))

    def __delitem__(self, name: str) -> None:
        del self._place[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._place)

    def __len__(self) -> int:
        return len(self._place)

    def __contains__(self, name: object) -> bool:
        return name in self._place

    def __repr__(self) -> str:
        return f"<{type(self).__name__} of {len(self)}>"

    def __reduce__(self) -> tuple[type, tuple[dict[str, V]]]:
        return dict, (dict(self),)


class SpooledList(Sequence[V], Generic[V]):
    """A list whose items lie in a temporary file, in blocks as they were added; else as :class:`Spool`."""

    def __init__(self, items: Iterable[V] = ()) -> None:
        self._blocks: Spool[list[V]] = Spool()
        self._first, self._count = array("Q"), 0
        self.extend(items)

    def extend(self, items: Iterable[V]) -> None:
        """Add items at the end."""
        items = iter(items)
        while block := list(islice(items, BLOCK)):
            self._blocks[str(len(self._first))] = block
            self._first.append(self._count)
            self._count += len(block)

    def __iter__(self) -> Iterator[V]:
        for block in self._blocks.values():
            yield from block

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, place: int | slice) -> Any:
        if isinstance(place, slice):
            return [self[k] for k in range(*place.indices(self._count))]
        k = place + self._count if place < 0 else place
        if not 0 <= k < self._count:
            raise IndexError(place)
        block = bisect_right(self._first, k) - 1
        return self._blocks[str(block)][k - self._first[block]]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, (list, tuple, SpooledList)):
            return NotImplemented
        return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"<{type(self).__name__} of {len(self)}>"

    def __reduce__(self) -> tuple[type, tuple[list[V]]]:
        return list, (list(self),)


class Joined(Mapping[str, dict[str, V]], Generic[V]):
    """Several mappings as one: for each name a dict of what those that know it say.

    Parameters
    ----------
    parts : dict of str to mapping
        Names come in the order of the first part, then those that only later parts know.
    """

    def __init__(self, parts: Mapping[str, Mapping[str, V]]) -> None:
        self._parts = {key: part for key, part in parts.items() if len(part)}
        self._names = list(dict.fromkeys(name for part in self._parts.values() for name in part))

    def __getitem__(self, name: str) -> dict[str, V]:
        found = {key: part[name] for key, part in self._parts.items() if name in part}
        if not found:
            raise KeyError(name)
        return found

    def __contains__(self, name: object) -> bool:
        return any(name in part for part in self._parts.values())

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __repr__(self) -> str:
        return f"<{type(self).__name__} of {len(self)}>"

    def __reduce__(self) -> tuple[type, tuple[dict[str, dict[str, V]]]]:
        return dict, (dict(self),)
