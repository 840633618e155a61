"""The one writer of CSV files, and results as DataFrames."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

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


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Return a table as CSV text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([cell(v) for v in row] for row in rows)
    return out.getvalue()


def write_csv(path: str | Path, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Write a table as CSV, UTF-8, stable to the byte."""
    Path(path).write_text(csv_text(columns, rows), encoding="utf-8", newline="")


def result_rows(results: Iterable[NodeRow | Finding | Gap], columns: Sequence[str]) -> list[list[Any]]:
    """Return results as rows, instants as ISO 8601 text."""
    rows = []
    for result in results:
        hints = hints_of(type(result))
        rows.append([
            iso(getattr(result, c)) if c in hints and holds_instant(hints[c]) else getattr(result, c) for c in columns
        ])  # fmt: skip
    return rows


def frame(results: Sequence[NodeRow | Finding | Gap], kind: type, columns: Sequence[str]) -> pd.DataFrame:
    """Return results as a DataFrame, instants as UTC timestamps."""
    hints = hints_of(kind)
    data = {}
    for c in columns:
        values = [getattr(r, c) for r in results]
        if c in hints and holds_instant(hints[c]):
            data[c] = pd.to_datetime([instant(v) if known(v) else None for v in values], utc=True)
        else:
            data[c] = values
    return pd.DataFrame(data, columns=list(columns))
