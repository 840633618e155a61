"""A block of lines to columns of cells: typed at once where it is clean, else as text with its records mended."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from lamplighter.intake.reasons import CUT_OFF
from lamplighter.intake.text import Block, record_ends


@dataclass
class Rejected:
    """Records set aside: their lines, the reason of each, and their text."""

    line: list[int] = field(default_factory=list)
    reason: list[str] = field(default_factory=list)
    text: list[str] = field(default_factory=list)

    def add(self, line: int, reason: str, text: str) -> None:
        """Set one record aside."""
        self.line.append(line)
        self.reason.append(reason)
        self.text.append(text)


@dataclass
class Records:
    """Where each record of a block stands; computed only when something must be traced back."""

    block: Block

    @cached_property
    def bounds(self) -> tuple[np.ndarray, np.ndarray]:
        """Start and end of every record that is not empty, without its line end."""
        data = self.block.data
        ends = record_ends(data, self.block.quoted)
        if not len(ends) or ends[-1] != len(data) - 1:
            ends = np.append(ends, len(data))
        starts = np.concatenate([[0], ends[:-1] + 1])
        some = ends > starts
        return starts[some], ends[some]

    @cached_property
    def lines(self) -> np.ndarray:
        """Number of the line each record starts on."""
        all_ends = np.flatnonzero(np.frombuffer(self.block.data, dtype=np.uint8) == 10)
        return np.searchsorted(all_ends, self.bounds[0], side="left") + self.block.line

    def cut_off(self, i: int) -> bool:
        """Whether the file ends in this record, without a line end."""
        return i == len(self.bounds[0]) - 1 and not self.block.data.endswith(b"\n")

    def text(self, i: int) -> str:
        """Return one record's text."""
        start, end = self.bounds[0][i], self.bounds[1][i]
        return self.block.data[start:end].decode("utf-8", errors="replace")


@dataclass
class Cells:
    """A block's cells by column number, and how to trace a row back to its record."""

    table: pa.Table
    records: Records
    place: np.ndarray | None = None
    """Record of each row; None when rows and records agree."""

    def cut_off(self, row: int) -> bool:
        """Whether the file ends in a row's record, without a line end."""
        return self.records.cut_off(int(row if self.place is None else self.place[row]))

    def trace(self, row: int) -> tuple[int, str]:
        """Return a row's line and text."""
        record = int(row if self.place is None else self.place[row])
        return int(self.records.lines[record]), self.records.text(record)


_IN_COLUMN = re.compile(r"In CSV column #(\d+):")
LOOSE = pa.dictionary(pa.int32(), pa.string())
"""Type of a column that does not hold what it should throughout: its distinct texts are looked at one by one."""


def typed_cells(
    block: Block, names: list[str], types: dict[str, pa.DataType], delimiter: str, decimal: str, nulls: list[str]
) -> Cells | None:
    """Read a block with the wanted types; None when its records do not fit.

    A column with a cell that does not fit is read as text; it is marked so in ``types`` for the blocks to come.
    """
    for _ in range(len(types) + 1):
        try:
            table = pa_csv.read_csv(
                pa.BufferReader(block.data),
                read_options=pa_csv.ReadOptions(column_names=names, block_size=4 << 20),
                parse_options=pa_csv.ParseOptions(
                    delimiter=delimiter,
                    quote_char='"' if block.quoted else False,
                    newlines_in_values=block.quoted,
                ),
                convert_options=pa_csv.ConvertOptions(
                    column_types=types,
                    include_columns=list(types),
                    null_values=nulls,
                    decimal_point=decimal,
                    strings_can_be_null=False,
                ),
            )
        except pa.ArrowInvalid as bad:
            column = _IN_COLUMN.search(str(bad))
            name = names[int(column.group(1))] if column and int(column.group(1)) < len(names) else ""
            kind = types.get(name)
            if kind is None or pa.types.is_string(kind) or kind == LOOSE:
                return None
            types[name] = pa.string() if pa.types.is_timestamp(kind) else LOOSE
        except (pa.ArrowKeyError, pa.ArrowNotImplementedError):
            return None
        else:
            return _agreeing(table, block)
    return None


def _agreeing(table: pa.Table, block: Block) -> Cells | None:
    """Return the cells with the records that agree with them, None when the parser cut the block in another way.

    Quotation marks inside a cell are text to the parser; then every line is a record, whatever they seem to enclose.
    """
    lines = block.line_ends + (not block.data.endswith(b"\n"))
    if not block.quoted and table.num_rows == lines:
        return Cells(table, Records(block))
    for records in (Records(block), Records(replace(block, quoted=False))):
        if table.num_rows == len(records.bounds[0]):
            return Cells(table, records)
    return None


def mended_cells(block: Block, n_columns: int, delimiter: str, wanted: list[int], rejected: Rejected) -> Cells:
    """Read a block as text, mending records with too few or too many cells; those that cannot be are set aside."""
    records = Records(block)
    starts, ends = records.bounds
    counts = _cell_counts(block, starts, ends, delimiter)
    odd = np.flatnonzero(counts != n_columns)
    kept: list[list[str]] = []
    places: list[int] = []
    for i in odd.tolist():
        cells = _mended(records.text(i), delimiter, n_columns)
        if cells is None:
            short = counts[i] < n_columns and records.cut_off(i)
            why = CUT_OFF if short else f"has {counts[i]} cells, not {n_columns}"
            rejected.add(int(records.lines[i]), why, records.text(i))
        else:
            kept.append(cells)
            places.append(i)
    good = np.flatnonzero(counts == n_columns)
    table = _good_table(block, starts, ends, good, n_columns, delimiter, wanted) if len(good) else _as_table([], wanted)
    if table is None:
        good, table = _line_by_line(records, good, delimiter, n_columns, wanted, rejected)
    place = np.concatenate([good, np.array(places, dtype=np.int64)])
    if kept:
        table = pa.concat_tables([table, _as_table(kept, wanted)])
        order = np.argsort(place, kind="stable")
        table, place = table.take(pa.array(order)), place[order]
    return Cells(table.combine_chunks(), records, place)


def _cell_counts(block: Block, starts: np.ndarray, ends: np.ndarray, delimiter: str) -> np.ndarray:
    text = np.frombuffer(block.data, dtype=np.uint8)
    marks = np.flatnonzero(text == ord(delimiter))
    if block.quoted:
        quotes = np.flatnonzero(text == 34)
        marks = marks[np.searchsorted(quotes, marks) % 2 == 0]
    return np.searchsorted(marks, ends) - np.searchsorted(marks, starts) + 1


def _good_table(
    block: Block, starts: np.ndarray, ends: np.ndarray, good: np.ndarray, n: int, delimiter: str, wanted: list[int]
) -> pa.Table | None:
    names = [f"c{i}" for i in range(n)]
    data = block.data
    if len(good) != len(starts):
        data = b"\n".join(data[a:b] for a, b in zip(starts[good].tolist(), ends[good].tolist(), strict=True)) + b"\n"
    try:
        table = pa_csv.read_csv(
            pa.BufferReader(data),
            read_options=pa_csv.ReadOptions(column_names=names, use_threads=False, block_size=max(len(data), 1)),
            parse_options=pa_csv.ParseOptions(
                delimiter=delimiter, quote_char='"' if block.quoted else False, newlines_in_values=block.quoted
            ),
            convert_options=pa_csv.ConvertOptions(
                column_types={c: pa.string() for c in names}, include_columns=[f"c{i}" for i in wanted]
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowKeyError):
        return None
    if table.num_rows != len(good):
        return None
    return table if block.quoted else _unquoted(table)


def _unquoted(table: pa.Table) -> pa.Table:
    import pyarrow.compute as pc

    return pa.table({n: pc.utf8_trim(table[n], '"') for n in table.column_names})


def _line_by_line(
    records: Records, good: np.ndarray, delimiter: str, n: int, wanted: list[int], rejected: Rejected
) -> tuple[np.ndarray, pa.Table]:
    rows, places = [], []
    for i in good.tolist():
        cells = _mended(records.text(i), delimiter, n)
        if cells is None:
            rejected.add(int(records.lines[i]), "could not be split into cells", records.text(i))
        else:
            rows.append(cells)
            places.append(i)
    return np.array(places, dtype=np.int64), _as_table(rows, wanted)


def _mended(text: str, delimiter: str, n: int) -> list[str] | None:
    """One record's cells, short ones filled up and empty cells too many dropped; None when it cannot be mended."""
    try:
        cells = next(
            csv.reader([text.replace("\n", " ").replace("\r", " ").replace("\0", "")], delimiter=delimiter), []
        )
    except csv.Error:
        return None
    if len(cells) > n and not any(c.strip() for c in cells[n:]):
        cells = cells[:n]
    if len(cells) > n or (len(cells) < 2 <= n):
        return None
    return cells + [""] * (n - len(cells))


def _as_table(rows: list[list[str]], wanted: list[int]) -> pa.Table:
    return pa.table({f"c{i}": pa.array([r[i] for r in rows], type=pa.string()) for i in wanted})
