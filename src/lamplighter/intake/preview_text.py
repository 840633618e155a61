"""A preview as lines for a terminal of any width."""

from __future__ import annotations

import textwrap

import pandas as pd

from lamplighter.intake.preview import FilePreview, Preview
from lamplighter.wording import count, date, duration, instant, known, number

_LABEL = 11
_MOST_COLUMNS = 12
_WRITTEN = {"v": "V", "mv": "mV", "dbm": "dBm", "degc": "°C", "degf": "°F", "kpa": "kPa", "mpa": "MPa", "pa": "Pa"}


def preview_lines(shown: Preview, width: int = 60) -> list[str]:
    """Return a preview as lines of at most ``width`` characters; only single words may be longer."""
    out: list[str] = []
    for file in shown.files:
        out += [*_file_lines(file, width), ""]
    return out[:-1]


def _file_lines(f: FilePreview, width: int) -> list[str]:
    out = _wrapped(f.files[0], width)
    if len(f.files) > 1:
        out += _wrapped(f"and {count(len(f.files) - 1, 'file')} like it", width, "  ")
    if f.problem:
        return out + _wrapped(f"cannot be read: {f.problem}", width, "  ")
    out += _fact("layout", f.layout, width)
    out += _fact("text", f.text, width)
    out += _fact("time", f.time, width)
    out += _fact("quality", f.quality, width)
    out += _fact("interval", duration(f.interval_s) if known(f.interval_s) else "too few check-ins to tell", width)
    span = f", {date(f.start)} to {date(f.end)}" if known(f.start) else ""
    out += _fact("nodes", f"{f.nodes:,}{span}", width)
    out += ["", "  Columns", *_column_lines(f, width)]
    out += ["", "  First check-ins", *_row_lines(f.first_rows, width)]
    out += ["", *_reject_lines(f, width)]
    for note in f.notes:
        out += _wrapped(note.text, width, "  Note: ", "    ")
    out += ["", "  Settings that pin this reading down:", *(f"    {line}" for line in f.settings.splitlines())]
    return out


def _wrapped(text: str, width: int, first: str = "", later: str | None = None) -> list[str]:
    indent = first if later is None else later
    return textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    ) or [first.rstrip()]


def _fact(label: str, text: str, width: int) -> list[str]:
    return _wrapped(text, width, f"  {label:<{_LABEL}}", " " * (_LABEL + 2))


def _column_lines(f: FilePreview, width: int) -> list[str]:
    shown = f.columns[:_MOST_COLUMNS]
    most = max((len(c.heading) for c in shown), default=0)
    place = min(most, 22) + 6
    out: list[str] = []
    for c in shown:
        unit = f" [{_WRITTEN.get(c.unit, c.unit)}]" if c.unit else ""
        example = f", such as {c.example}" if c.example and len(c.example) <= 30 else ""
        heading = c.heading if len(c.heading) <= 22 else f"{c.heading[:21]}…"
        out += _wrapped(f"{c.meaning}{unit}{example}", width, f"    {heading:<{place - 4}}", " " * place)
    if len(f.columns) > len(shown):
        out += _wrapped(f"and {count(len(f.columns) - len(shown), 'more column')}", width, "    ")
    return out


def _row_lines(rows: pd.DataFrame, width: int) -> list[str]:
    out: list[str] = []
    for row in rows.itertuples(index=False):
        when = instant(row.time.timestamp())
        parts = [
            f"{name} {number(value, 5)}{unit}"
            for name, value, unit in (
                ("reading", row.reading, ""),
                ("battery", row.battery_v, " V"),
                ("RSSI", row.rssi_dbm, " dBm"),
                ("temperature", row.temperature_c, " °C"),
                ("sequence", row.sequence, ""),
            )
            if known(value)
        ]
        grade = ("", "uncertain", "bad")[int(row.quality)]
        out += _wrapped(f"{row.node}  {when:%Y-%m-%d %H:%M:%S} UTC", width, "    ")
        out += _wrapped(", ".join([*parts, *([grade] if grade else [])]) or "no value", width, "      ")
    return out or ["    none"]


def _reject_lines(f: FilePreview, width: int) -> list[str]:
    part = " of the first part" if f.partial else ""
    doubled = f", {count(f.duplicates, 'duplicate')}" if f.duplicates else ""
    head = f"{count(f.records, 'record')}{part}: {f.rejected:,} would be rejected{doubled}"
    out = _wrapped(head, width, "  ", "    ")
    for reason, n in f.reasons.items():
        out += _wrapped(f"{n:,}  {reason}", width, "    ", "       ")
        lines = f.rejects.loc[f.rejects["reason"] == reason]
        for row in lines.head(1).itertuples(index=False):
            text = " ".join(row.text.split())
            out += [f"       line {row.line}: {text}"[:width]]
    return out
