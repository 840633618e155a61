"""The one writer of CSV files, and results as DataFrames."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any, TextIO

import pandas as pd

from lamplighter.results import Finding, Gap, NodeRow, hints_of, holds_instant
from lamplighter.wording import instant, iso, known

NODE_COLUMNS = tuple(f.name for f in fields(NodeRow) if f.name != "risk_parts")
FINDING_COLUMNS = (
    "id", "check", "kind", "node", "gateway", "since", "until", "value", "unit", "low", "high",
    "probability", "severity", "evidence", "remedy",
)  # fmt: skip
GAP_COLUMNS = ("node", "start", "end", "missed", "cause", "kind", "open")
REJECT_COLUMNS = ("file", "line", "reason", "text")


def harmless(text: str) -> str:
    """Return text that a spreadsheet will not run as a formula; numbers stay as they are."""
    if text[:1] in ("=", "+", "-", "@", "\t", "\r"):
        try:
            float(text)
        except ValueError:
            return "'" + text
    return text


def cell(value: Any) -> str:
    """Return one value as a CSV cell: empty when not known, six significant digits, yes or no."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if not math.isfinite(value):
            return ""
        return str(int(value)) if value == int(value) and abs(value) < 1e15 else f"{value:.6g}"
    return harmless(str(value))


def _write_rows(out: TextIO, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([cell(v) for v in row] for row in rows)


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Return a table as CSV text."""
    out = io.StringIO()
    _write_rows(out, columns, rows)
    return out.getvalue()


def write_csv(path: str | Path, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Write a table as CSV, UTF-8, stable to the byte."""
    with open(path, "w", encoding="utf-8", newline="") as out:
        _write_rows(out, columns, rows)


def result_rows(results: Iterable[NodeRow | Finding | Gap], columns: Sequence[str]) -> Iterator[list[Any]]:
    """Yield results as rows, instants as ISO 8601 text."""
    for result in results:
        instants = _instants(type(result))
        yield [iso(getattr(result, c)) if c in instants else getattr(result, c) for c in columns]


@cache
def _instants(kind: type) -> frozenset[str]:
    """Return the fields of a result that are instants."""
    return frozenset(name for name, hint in hints_of(kind).items() if holds_instant(hint))


def frame(results: Sequence[NodeRow | Finding | Gap], kind: type, columns: Sequence[str]) -> pd.DataFrame:
    """Return results as a DataFrame, instants as UTC timestamps."""
    results, data = list(results), {}
    for c in columns:
        values = [getattr(r, c) for r in results]
        if c in _instants(kind):
            data[c] = pd.to_datetime([instant(v) if known(v) else None for v in values], utc=True)
        else:
            data[c] = values
    return pd.DataFrame(data, columns=list(columns))
