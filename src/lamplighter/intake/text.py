"""Bytes to blocks of whole lines in UTF-8."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import IO

import numpy as np

from lamplighter.errors import InputError
from lamplighter.intake.files import READ_ERRORS

HEAD_BYTES = 256 * 1024
"""Read from the start to recognise encoding, dialect and layout."""
MOST_HEADINGS = 16 * 1024
"""Bytes of the first lines among which quotation marks may stand apart from all others."""
_NEWLINE, _QUOTE = 10, 34


def encoding_of(head: bytes) -> str:
    """Recognise an encoding from the first bytes: byte order mark, zero bytes, valid UTF-8, else Windows-1252."""
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    sample = head[:4096]
    if len(sample) >= 4 and sample.count(0) > len(sample) // 4:
        return "utf-16-le" if sample[1::2].count(0) >= sample[::2].count(0) else "utf-16-be"
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        decoder.decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


@dataclass
class TextStream:
    """An export's bytes turned to UTF-8 with line feeds as the only line ends, piece by piece."""

    raw: IO[bytes]
    encoding: str
    cut: str = ""
    """Why the stream ended early, if it did."""

    def pieces(self, size: int) -> Iterator[bytes]:
        """Yield pieces of about ``size`` bytes; a stream that breaks off ends there and says so in ``cut``."""
        decode = None
        if self.encoding.lower().replace("_", "-") not in ("utf-8", "utf-8-sig", "utf8"):
            decode = codecs.getincrementaldecoder(self.encoding)(errors="replace")
        begun, held, done = False, b"", False
        while not done:
            data, done = self._read(size)
            piece = held + (decode.decode(data, done).encode("utf-8") if decode else data)
            if not begun and piece.startswith(codecs.BOM_UTF8):
                piece = piece[3:]
            begun = begun or bool(piece)
            # A carriage return at the very end may be half of a line end.
            held = b"\r" if piece.endswith(b"\r") and not done else b""
            piece = piece[: len(piece) - len(held)]
            if b"\r" in piece:
                piece = piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
            yield piece

    def _read(self, size: int) -> tuple[bytes, bool]:
        """Return up to ``size`` bytes, and whether that was all."""
        parts, got = [], 0
        while got < size:
            try:
                more = self.raw.read(size - got)
            except READ_ERRORS as bad:
                if isinstance(bad, InputError):
                    raise
                self.cut = str(bad) or type(bad).__name__
                return b"".join(parts), True
            if not more:
                return b"".join(parts), True
            parts.append(more)
            got += len(more)
        return parts[0] if len(parts) == 1 else b"".join(parts), False


@dataclass(frozen=True)
class Block:
    """Whole lines: UTF-8 text, the number of its first line (from 1), and whether quotation marks count."""

    data: bytes
    line: int
    quoted: bool

    @cached_property
    def line_ends(self) -> int:
        """Number of line ends."""
        return self.data.count(b"\n")


def blocks_of(stream: TextStream, size: int, max_quoted_lines: int) -> Iterator[Block]:
    """Cut a stream into blocks at ends of records.

    A quotation mark that never closes, or closes very late, is a stray one: then every line is a record.
    """
    rest, line, mend = b"", 1, _Mender()
    for piece in stream.pieces(size):
        rest = rest + piece if rest else piece
        for data in _headings_apart(rest) if line == 1 else (rest,):
            end, quoted = cut_of(data, max_quoted_lines)
            if end:
                block = Block(mend(data[:end]), line, quoted)
                yield block
                line += block.line_ends
            rest = data[end:]
    if rest:
        yield Block(mend(rest), line, b'"' in rest and _closes(rest, max_quoted_lines))


def _headings_apart(data: bytes) -> tuple[bytes, ...]:
    """Cut the first lines off where they alone have quotation marks, as headings may: the others are read faster."""
    end = data.find(b"\n", max(data.rfind(b'"'), 0)) + 1
    if (
        data[:end].count(b'"') in (0, 1)
        or not 0 < end < min(MOST_HEADINGS, len(data))
        or cut_of(data[:end], 1)[0] != end
    ):
        return (data,)
    return data[:end], data[end:]


class _Mender:
    """Makes valid UTF-8 of lines that are not: Windows-1252 as long as no letter beyond ASCII was valid UTF-8."""

    def __init__(self) -> None:
        self._proven = False

    def __call__(self, data: bytes) -> bytes:
        if data.isascii():
            return data
        try:
            data.decode("utf-8")
        except UnicodeDecodeError:
            return data.decode("utf-8" if self._proven else "cp1252", errors="replace").encode("utf-8")
        self._proven = True
        return data


def cut_of(data: bytes, max_quoted_lines: int) -> tuple[int, bool]:
    """Return where the last whole record ends, and whether quotation marks count."""
    if b'"' not in data:
        return data.rfind(b"\n") + 1, False
    ends = record_ends(data, True)
    last = int(ends[-1]) + 1 if len(ends) else 0
    open_lines = data.count(b"\n", last)
    if open_lines > max_quoted_lines or _longest(data, ends) > max_quoted_lines:
        return data.rfind(b"\n") + 1, False
    return last, True


def _closes(data: bytes, max_quoted_lines: int) -> bool:
    return data.count(b'"') % 2 == 0 and _longest(data, record_ends(data, True)) <= max_quoted_lines


def record_ends(data: bytes, quoted: bool) -> np.ndarray:
    """Return the places of the line ends that end a record: those outside quotation marks."""
    text = np.frombuffer(data, dtype=np.uint8)
    ends = np.flatnonzero(text == _NEWLINE)
    if quoted and len(ends):
        marks = np.flatnonzero(text == _QUOTE)
        ends = ends[np.searchsorted(marks, ends) % 2 == 0]
    return ends


def _longest(data: bytes, ends: np.ndarray) -> int:
    """Most lines that one record takes."""
    all_ends = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == _NEWLINE)
    if len(all_ends) == len(ends):
        return 1
    return int(np.diff(np.searchsorted(all_ends, ends, side="right"), prepend=0).max(initial=1))
