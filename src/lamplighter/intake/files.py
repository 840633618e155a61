"""Paths, folders, globs and archives to streams of bytes."""

from __future__ import annotations

import glob
import gzip
import io
import os
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from lamplighter.errors import InputError

SUFFIXES = (".csv", ".txt", ".tsv", ".tab", ".dat", ".gz", ".zip")
"""Endings of files taken from a folder; a file named directly may end as it likes."""
NO_TEXT = (".xlsx", ".xlsm", ".xls", ".ods", ".parquet", ".pdf")
"""Endings of files in a folder that may hold check-ins but not as text: they are named, not passed over in silence."""
_BEGINNINGS = (
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an Excel workbook (or another old Office file)"),
    (b"PAR1", "a Parquet file"),
    (b"%PDF", "a PDF document"),
)
"""First bytes of files that hold no text (compound file binary, Parquet and PDF by their published formats)."""
READ_ERRORS = (OSError, EOFError, zlib.error, zipfile.BadZipFile, RuntimeError, NotImplementedError, ValueError)
_SAFE_BYTES = 64 * 1024 * 1024
"""Expanded size below which no archive can do harm."""


@dataclass(frozen=True, slots=True)
class Export:
    """One stream of text: a file, or a member of a zip archive."""

    path: str
    member: str = ""
    direct: bool = True
    """Named by the user as a file, not found in a folder or by a glob."""

    @property
    def name(self) -> str:
        """What to call it."""
        return f"{self.path}/{self.member}" if self.member else self.path

    @property
    def stem(self) -> str:
        """The file's name without its endings."""
        base = os.path.basename(self.member or self.path)
        while base.lower().endswith(SUFFIXES):
            base = base[: base.rfind(".")]
        return base or os.path.basename(self.path)


@dataclass(frozen=True, slots=True)
class Broken:
    """A file that cannot be read, and why."""

    name: str
    error: InputError
    direct: bool = True


def find_exports(paths: Iterable[str | Path] | str | Path, max_expansion: float) -> list[Export | Broken]:
    """List the exports that paths, folders and globs name, sorted, each once.

    Raises
    ------
    InputError
        When a path names nothing.
    """
    given = [paths] if isinstance(paths, (str, Path)) else list(paths)
    if not given:
        raise InputError("no export was named", remedy="name files, folders or globs")
    found: dict[str, bool] = {}
    for path in given:
        for name, direct in _expand(os.fspath(path)):
            found[name] = found.get(name, False) or direct
    out: list[Export | Broken] = []
    for name in sorted(found):
        out += (
            list(_members(name, found[name], max_expansion))
            if name.lower().endswith(".zip")
            else [Export(name, "", found[name])]
        )
    return out


def _expand(path: str) -> Iterator[tuple[str, bool]]:
    if "\0" in path:
        raise InputError("the name of the file holds a zero character", remedy="check the path")
    if os.path.isdir(path):
        names = [os.path.join(d, f) for d, _, files in os.walk(path) for f in files]
        names = [n for n in names if n.lower().endswith(SUFFIXES + NO_TEXT) and not _hidden(n)]
        if not names:
            raise InputError("this folder holds no export", file=path, remedy=f"exports end in {', '.join(SUFFIXES)}")
        yield from ((n, False) for n in names)
    elif os.path.exists(path):
        yield path, True
    else:
        names = [n for n in glob.glob(path, recursive=True) if os.path.isfile(n)]
        if not names:
            raise InputError("there is no such file", file=path, remedy="check the path")
        yield from ((n, False) for n in names)


def _hidden(name: str) -> bool:
    """Whether a file is hidden, or the lock that an office program lays beside an open one."""
    return os.path.basename(name).startswith((".", "~$"))


def refuse_no_text(head: bytes, name: str) -> None:
    """Refuse a file whose first bytes tell that it is no text.

    Raises
    ------
    InputError
        Naming what the file is.
    """
    what = next((words for magic, words in _BEGINNINGS if head.startswith(magic)), "")
    if head.startswith(b"PK\x03\x04"):
        inside = ((b"xl/", "an Excel workbook"), (b"opendocument.spreadsheet", "an OpenDocument spreadsheet"))
        what = next((words for mark, words in inside if mark in head), "")
        if not what:
            raise InputError("is a zip archive", file=name, remedy="let its name end in .zip, or unpack it")
    if what:
        raise InputError(f"is {what}, not text", file=name, remedy="save or export it as CSV")


def _members(path: str, direct: bool, max_expansion: float) -> Iterator[Export | Broken]:
    try:
        with zipfile.ZipFile(path) as archive:
            infos = sorted((i for i in archive.infolist() if not i.is_dir()), key=lambda i: i.filename)
    except READ_ERRORS as bad:
        yield Broken(
            path,
            InputError(f"is not a readable zip archive: {_said(bad)}", file=path, remedy="export it again"),
            direct,
        )
        return
    total = sum(i.file_size for i in infos)
    packed = max(sum(i.compress_size for i in infos), 1)
    if total > _SAFE_BYTES and total > max_expansion * packed:
        yield Broken(path, expands(path, max_expansion), direct)
        return
    for info in infos:
        if not os.path.basename(info.filename).startswith((".", "__")) and "__MACOSX" not in info.filename:
            yield Export(path, info.filename, direct)


def expands(path: str, max_expansion: float) -> InputError:
    """Return the refusal of an archive that grows too much."""
    return InputError(
        f"refused: it expands more than {max_expansion:g} times",
        file=path,
        remedy="unpack it yourself if you trust it, or raise intake.max_expansion",
    )


def unreadable(name: str, bad: Exception) -> InputError:
    """Return the error for a file that the system or a decoder would not give."""
    return InputError(f"cannot be read: {_said(bad)}", file=name, remedy="check the file or export it again")


def _said(bad: Exception) -> str:
    if isinstance(bad, RuntimeError) and "password" in str(bad):
        return "it is encrypted"
    return getattr(bad, "strerror", None) or str(bad) or type(bad).__name__


class Metered(io.RawIOBase):
    """A stream that refuses to give more than its packed size allows."""

    def __init__(self, inner: Any, name: str, packed: int, max_expansion: float) -> None:
        self._inner, self._name = inner, name
        self._most = max(_SAFE_BYTES, int(packed * max_expansion))
        self._max_expansion, self._given = max_expansion, 0

    def readable(self) -> bool:
        """Return True: it can be read."""
        return True

    def read(self, size: int = -1) -> bytes:
        """Return up to ``size`` bytes."""
        # What is at hand, so that of an archive that breaks off nothing is lost but the break.
        data = self._inner.read1(size if size >= 0 else self._most + 1)
        self._given += len(data)
        if self._given > self._most:
            raise expands(self._name, self._max_expansion)
        return data


@contextmanager
def opened(export: Export, max_expansion: float) -> Iterator[IO[bytes]]:
    """Open an export as a stream of plain bytes."""
    if export.member:
        with zipfile.ZipFile(export.path) as archive, archive.open(export.member) as inner:
            packed = archive.getinfo(export.member).compress_size
            if export.member.lower().endswith(".gz"):
                with gzip.open(inner) as plain:
                    yield Metered(plain, export.name, packed, max_expansion)  # type: ignore[arg-type, misc]
            else:
                yield Metered(inner, export.name, packed, max_expansion)  # type: ignore[misc]
        return
    with open(export.path, "rb") as raw:
        packed_magic = raw.read(2) == b"\x1f\x8b"
        raw.seek(0)
        if packed_magic:
            with gzip.open(raw) as plain:
                yield Metered(plain, export.name, os.fstat(raw.fileno()).st_size, max_expansion)  # type: ignore[arg-type, misc]
        else:
            yield raw
