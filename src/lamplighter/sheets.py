"""Small tables that people keep in spreadsheets: their lines, and their columns of dates."""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from lamplighter.dates import (
    DAY_FIRST,
    MONTH_FIRST,
    YEAR_FIRST,
    evidence_of,
    is_iso,
    order_evidence_of,
    parse_written,
    written_time,
)
from lamplighter.errors import InputError

WRITE_ISO = "write 2026-03-12"
"""What to do about a date that cannot be understood."""

Lines = list[tuple[int, dict[str, str]]]


def read_lines(path: str | Path, known: set[str], needed: tuple[str, ...]) -> tuple[Lines, tuple[str, ...], bool]:
    """Read a small CSV file with whatever separator and encoding a spreadsheet gave it.

    Parameters
    ----------
    known : set of str
        Columns that are read; the others are named in a notice.
    needed : tuple of str
        Columns that must be there.

    Returns
    -------
    tuple of list of (int, dict of str), tuple of str, and bool
        Lines that are not empty as (line, cells by column), what was ignored, whether the comma is decimal.

    Raises
    ------
    InputError
        When the file cannot be read, is not a CSV file or lacks a column.
    """
    try:
        raw = Path(path).read_bytes()
    except OSError as bad:
        raise InputError(f"cannot read: {bad.strerror}", file=path, remedy="check the path") from bad
    text = _decoded(raw)
    head = text.splitlines()[0] if text.strip() else ""
    delimiter = max(",;\t|", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows = []
    try:
        heading = [" ".join(h.split()).lower().replace(" ", "_") for h in next(reader, [])]
        for name in needed:
            if name not in heading:
                first = f"first line: {', '.join(needed)}, ..."
                raise InputError(f"has no column {name}", file=path, line=1, remedy=first)
        for cells in reader:
            row = {h: c.strip() for h, c in zip(heading, cells, strict=False) if h in known}
            if any(row.values()):
                rows.append((reader.line_num, row))
    except csv.Error as bad:
        raise InputError(
            f"is not a CSV file: {bad}", file=path, line=max(reader.line_num, 1), remedy="export it again"
        ) from bad
    ignored = [h for h in heading if h and h not in known]
    notices = (
        (f"{Path(path).name}: ignored columns {_ignored_words(ignored, known - set(heading))}",) if ignored else ()
    )
    return rows, notices, delimiter == ";"


def _ignored_words(ignored: list[str], free: set[str]) -> str:
    """Name ignored headings, each with the known column that it may stand for."""
    said = []
    for heading in ignored:
        near = difflib.get_close_matches(heading, sorted(free), n=1, cutoff=0.75)
        said.append(f"{heading} (did you mean {near[0]}?)" if near else heading)
    return ", ".join(said)


def _decoded(raw: bytes) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def column_of_dates(
    path: str | Path, column: str, cells: Sequence[tuple[int, str]], zone: str
) -> tuple[Callable[[str], float], tuple[str, ...]]:
    """Say how a column of dates is to be read: ISO 8601 as such, others in the order that the column proves.

    Parameters
    ----------
    cells : sequence of (int, str)
        Line and text of every date.
    zone : str
        Time zone of times without an offset.

    Returns
    -------
    tuple of callable and tuple of str
        What turns a text into seconds since 1970-01-01 UTC, ValueError where it is no date; and a notice where dates
        are not ISO 8601.

    Raises
    ------
    InputError
        When dates may be meant day first or month first and none of the column says which, or they contradict.
    """
    evidence = order_evidence_of(text for _, text in cells)
    if evidence.both:
        # The rarer order is the likelier slip; of two equal ones the later line is named.
        rare = DAY_FIRST if evidence.day_first < evidence.month_first else MONTH_FIRST
        line, text = [c for c in cells if evidence_of(c[1]).order == rare][-1]
        other = next(t for _, t in cells if evidence_of(t).order not in ("", rare))
        raise InputError(
            f"column {column}: {text!r} has the {rare.replace(' first', '')} first and {other!r} has not",
            file=path,
            line=line,
            remedy=WRITE_ISO,
        )
    order = evidence.order
    if evidence.open and not order:
        line, text = next(c for c in cells if evidence_of(c[1]).open)
        raise InputError(
            f"column {column}: {text!r} may have the day or the month first, and no date of the column says which",
            file=path,
            line=line,
            remedy=WRITE_ISO,
        )

    notices = _how_read(path, column, [text for _, text in cells], order)
    return lambda text: parse_written(text, order or YEAR_FIRST, zone), notices


def _how_read(path: str | Path, column: str, texts: list[str], order: str) -> tuple[str, ...]:
    """Tell how dates that are not ISO 8601 were read, by the example that says most."""
    for text in sorted((t for t in texts if not is_iso(t)), key=lambda t: not evidence_of(t).open):
        with suppress(ValueError, OverflowError):
            day = written_time(text, order or YEAR_FIRST).date()
            how = f" {order}" if order else ""
            return (f"{Path(path).name}: dates in column {column} were read{how}: {text} as {day.isoformat()}",)
    return ()
