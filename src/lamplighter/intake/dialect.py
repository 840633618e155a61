"""The mark between cells, and the line that holds the headings."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from lamplighter.intake.names import SYNONYMS, means, split_tag
from lamplighter.intake.times import form_of

DELIMITERS = (",", ";", "\t", "|")
_HEAD_ROWS = 200
_SAMPLE_ROWS = 400


@dataclass(frozen=True)
class Dialect:
    """How a file's lines split into cells.

    Attributes
    ----------
    delimiter : str
    heading : tuple of str
        The cells of the heading line.
    line : int
        Number of that line in the file, from 1.
    rows : tuple of tuple of str
        The first lines after it, split.
    preamble : int
        Lines before the heading that are not empty.
    """

    delimiter: str
    heading: tuple[str, ...]
    line: int
    rows: tuple[tuple[str, ...], ...]
    preamble: int


def split_lines(text: str, delimiter: str, most: int) -> list[tuple[int, list[str]]]:
    """Split the first lines of a text into cells, with the number of the line each record starts on."""
    out: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    start = 1
    try:
        for cells in reader:
            if any(c.strip() for c in cells):
                out.append((start, cells))
            start = reader.line_num + 1
            if len(out) >= most:
                break
    except csv.Error:
        pass
    return out


def dialect_of(
    head: str, delimiters: tuple[str, ...] = DELIMITERS, named: frozenset[str] = frozenset()
) -> Dialect | None:
    """Find the delimiter and the heading line of a file from its first lines; None when no line looks like headings.

    Parameters
    ----------
    head : str
        The first lines.
    delimiters : tuple of str
        Those that may be.
    named : frozenset of str
        Headings that the settings name.
    """
    best: tuple[tuple[int, int, int], Dialect] | None = None
    for delimiter in delimiters:
        rows = split_lines(head.replace("\0", ""), delimiter, _SAMPLE_ROWS)
        for i, (line, cells) in enumerate(rows[:_HEAD_ROWS]):
            score = _heading_score(cells, rows[i + 1 : i + 6], named)
            if score is not None and (best is None or score > best[0]):
                sample = tuple(tuple(r) for _, r in rows[i + 1 :])
                best = (score, Dialect(delimiter, tuple(c.strip() for c in cells), line, sample, i))
    return best[1] if best else None


def _heading_score(
    cells: list[str], following: list[tuple[int, list[str]]], named: frozenset[str]
) -> tuple[int, int, int] | None:
    """How much a line looks like headings over rows of data: roles known, fitting rows below, cells."""
    filled = [c for c in cells if c.strip()]
    if len(filled) < 2 or not any(is_time_heading(c) or c in named for c in filled):
        return None
    place = next(i for i, c in enumerate(cells) if is_time_heading(c) or c in named)
    fits = [r for _, r in following if len(r) == len(cells)]
    timed = sum(form_of([r[place]]) is not None for r in fits)
    known = sum(any(means(c, role) for role in SYNONYMS) or c in named for c in filled)
    tags = sum(bool(split_tag(c).node and split_tag(c).measure) for c in filled)
    return (1000 * bool(timed) + 100 * bool(fits or not following) + min(known + tags, 90), timed, len(filled))


def is_time_heading(cell: str) -> bool:
    """Whether a cell reads like the heading of a time column."""
    return means(cell, "time") or means(cell, "date")
