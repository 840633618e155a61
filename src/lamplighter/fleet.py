"""What is known about the nodes besides their check-ins: the register and the work log."""

from __future__ import annotations

import csv
import difflib
import io
import math
import typing
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from lamplighter.errors import InputError

ACTIONS = (
    "battery replaced",
    "zeroed",
    "recalibrated",
    "antenna changed",
    "interval changed",
    "moved",
    "removed",
    "inspected",
)

MOST_NAMED = 4
"""Names that a notice shows, so as to stay short."""


# What a number of the register can be: lowest, highest, and whether it must be above the lowest.
DOMAINS = {
    "interval_s": (0.0, math.inf, True),
    "battery_capacity_ah": (0.0, math.inf, True),
    "cutoff_v": (0.0, math.inf, True),
    "sleep_current_ua": (0.0, math.inf, False),
    "charge_per_check_in_mc": (0.0, math.inf, False),
    "criticality": (1.0, 5.0, False),
    "zero_tolerance_pct_span": (0.0, math.inf, True),
    "distance_m": (0.0, math.inf, True),
    "latitude": (-90.0, 90.0, False),
    "longitude": (-180.0, 180.0, False),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterEntry:
    """One node in the register; None or empty where the register does not say."""

    node: str
    name: str = ""
    site: str = ""
    gateway: str = ""
    unit: str = ""
    lrl: float | None = None
    url: float | None = None
    interval_s: float | None = None
    battery_chemistry: str = ""
    battery_part: str = ""
    battery_capacity_ah: float | None = None
    battery_installed: float | None = None
    """When the present battery went in [s since 1970-01-01 UTC]."""
    cutoff_v: float | None = None
    sleep_current_ua: float | None = None
    charge_per_check_in_mc: float | None = None
    criticality: float | None = None
    """1 (low) to 5 (high)."""
    rests_at_zero: bool | None = None
    zero_tolerance_pct_span: float | None = None
    sensitivity_dbm: float | None = None
    same_process_as: str = ""
    latitude: float | None = None
    longitude: float | None = None
    distance_m: float | None = None
    tx_power_dbm: float | None = None
    antenna_gain_dbi: float | None = None

    @property
    def span(self) -> float | None:
        """Upper minus lower range limit, None when either is missing or they do not make a span."""
        if self.lrl is None or self.url is None or not self.url > self.lrl:
            return None
        return self.url - self.lrl


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkEntry:
    """One line of the work log; ``time`` in seconds since 1970-01-01 UTC."""

    node: str
    time: float
    action: str
    note: str = ""


@dataclass(frozen=True)
class Fleet:
    """Register and work log as read, with what was ignored.

    Attributes
    ----------
    register : dict of node to RegisterEntry
    worklog : dict of node to tuple of WorkEntry
        Oldest first.
    notices : tuple of str
        Unknown columns and the like, in plain words.
    """

    register: dict[str, RegisterEntry] = field(default_factory=dict)
    worklog: dict[str, tuple[WorkEntry, ...]] = field(default_factory=dict)
    notices: tuple[str, ...] = ()


def read_fleet(register: str | Path | None, worklog: str | Path | None, timezone: str = "UTC") -> Fleet:
    """Read a register and a work log, either of which may be missing.

    Raises
    ------
    InputError
        When a file cannot be read or a cell cannot be understood; names file, line and column.
    """
    entries, notices = read_register(register, timezone) if register is not None else ({}, ())
    log, more = read_worklog(worklog, timezone) if worklog is not None else ({}, ())
    return Fleet(register=entries, worklog=log, notices=(*notices, *more))


def read_register(path: str | Path, timezone: str = "UTC") -> tuple[dict[str, RegisterEntry], tuple[str, ...]]:
    """Read register.csv; see :class:`RegisterEntry` for the columns.

    Raises
    ------
    InputError
        When the file cannot be read, has no column ``node``, names a node twice, or a cell is wrong.
    """
    rows, notices, comma = _rows(path, {f.name for f in fields(RegisterEntry)}, ("node",))
    hints = typing.get_type_hints(RegisterEntry)
    entries: dict[str, RegisterEntry] = {}
    for line, row in rows:
        values: dict[str, Any] = {}
        for name, text in row.items():
            try:
                values[name] = _value(name, text, hints[name], comma, timezone)
            except ValueError as bad:
                raise InputError(
                    f"column {name}: {bad}", file=path, line=line, remedy="correct or empty the cell"
                ) from bad
        entry = RegisterEntry(**values)
        if entry.node in entries:
            raise InputError(f"node {entry.node} stands here twice", file=path, line=line, remedy="keep one line")
        entries[entry.node] = entry
    return entries, notices


def read_worklog(path: str | Path, timezone: str = "UTC") -> tuple[dict[str, tuple[WorkEntry, ...]], tuple[str, ...]]:
    """Read worklog.csv: node, time, action, note; lines without a time are work not done yet and are left out.

    Raises
    ------
    InputError
        When the file cannot be read, lacks a column, or has an unknown action or an unreadable time.
    """
    rows, notices, _ = _rows(path, {"node", "time", "action", "note"}, ("node", "time", "action"), frozenset({"time"}))
    undone = sum(not row.get("time") for _, row in rows)
    if undone:
        lines = "1 line" if undone == 1 else f"{undone} lines"
        notices = (*notices, f"{Path(path).name}: {lines} without a time left out, as work not done yet")
    rows = [(line, row) for line, row in rows if row.get("time")]
    log: dict[str, list[WorkEntry]] = {}
    for line, row in rows:
        action = " ".join(row["action"].lower().split())
        if action not in ACTIONS:
            near = difflib.get_close_matches(action, ACTIONS, n=1)
            hint = f"did you mean {near[0]}?" if near else f"use one of: {', '.join(ACTIONS)}"
            raise InputError(f"unknown action {row['action']!r}", file=path, line=line, remedy=hint)
        try:
            when = parse_time(row["time"], timezone)
        except ValueError as bad:
            raise InputError(f"column time: {bad}", file=path, line=line, remedy="write 2026-01-31 14:30") from bad
        log.setdefault(row["node"], []).append(
            WorkEntry(node=row["node"], time=when, action=action, note=row.get("note", ""))
        )
    return {node: tuple(sorted(entries, key=lambda e: e.time)) for node, entries in sorted(log.items())}, notices


def parse_time(text: str, timezone: str = "UTC") -> float:
    """Return an ISO 8601 time as seconds since 1970-01-01 UTC; without an offset it is local to ``timezone``.

    Raises
    ------
    ValueError
        When the text is not ISO 8601.
    """
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError as bad:
        raise ValueError(f"{text!r} is not a time like 2026-01-31 or 2026-01-31T14:30") from bad
    if when.tzinfo is None:
        when = when.replace(tzinfo=ZoneInfo(timezone))
    return when.timestamp()


def _value(name: str, text: str, hint: Any, comma: bool, timezone: str) -> Any:
    if hint is str:
        return text
    if text == "":
        return None
    if name == "battery_installed":
        return parse_time(text, timezone)
    if bool in typing.get_args(hint):
        answer = {"yes": True, "no": False, "y": True, "n": False, "true": True, "false": False}.get(text.lower())
        if answer is None:
            raise ValueError(f"{text!r} is neither yes nor no")
        return answer
    try:
        number = float(text.replace(",", ".") if comma else text)
    except ValueError as bad:
        raise ValueError(f"{text!r} is not a number") from bad
    if not math.isfinite(number):
        raise ValueError(f"{text!r} is not a number")
    low, high, above = DOMAINS.get(name, (-math.inf, math.inf, False))
    if number < low or number > high or (above and number == low):
        words = f"from {low:g} to {high:g}" if math.isfinite(high) else f"{'above' if above else 'at least'} {low:g}"
        raise ValueError(f"{text} must be {words}")
    return number


def _rows(
    path: str | Path, known: set[str], needed: tuple[str, ...], may_lack: frozenset[str] = frozenset()
) -> tuple[list[tuple[int, dict[str, str]]], tuple[str, ...], bool]:
    """Lines of a small CSV file as (line, cells by known column), what was ignored, whether the comma is decimal."""
    try:
        raw = Path(path).read_bytes()
    except OSError as bad:
        raise InputError(f"cannot read: {bad.strerror}", file=path, remedy="check the path") from bad
    text = _decoded(raw)
    head = text.splitlines()[0] if text.strip() else ""
    delimiter = max(",;\t|", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    heading = [" ".join(h.split()).lower().replace(" ", "_") for h in next(reader, [])]
    for name in needed:
        if name not in heading:
            raise InputError(f"has no column {name}", file=path, line=1, remedy=f"first line: {', '.join(needed)}, ...")
    rows = []
    try:
        for cells in reader:
            row = {h: c.strip() for h, c in zip(heading, cells, strict=False) if h in known}
            if not any(row.values()):
                continue
            missing = next((name for name in needed if not row.get(name) and name not in may_lack), None)
            if missing is not None:
                raise InputError(
                    f"column {missing} is empty", file=path, line=reader.line_num, remedy="fill it or drop the line"
                )
            rows.append((reader.line_num, row))
    except csv.Error as bad:
        raise InputError(
            f"is not a CSV file: {bad}", file=path, line=reader.line_num, remedy="export it again"
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


def strange_work(fleet: Fleet, seen: Collection[str]) -> str:
    """Return a notice on nodes that only the work log names, with the nearest known name; empty without any."""
    known = sorted({*fleet.register, *seen})
    strange = sorted(set(fleet.worklog) - set(known))
    if not strange:
        return ""
    said = []
    for name in strange[:MOST_NAMED]:
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.75)
        said.append(f"{name} (did you mean {near[0]}?)" if near else name)
    more = f" and {len(strange) - MOST_NAMED} more" if len(strange) > MOST_NAMED else ""
    return f"Work log, neither in the register nor in the data, so it counts for nothing: {', '.join(said)}{more}."


def _decoded(raw: bytes) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def entry_of(register: Mapping[str, RegisterEntry], node: str) -> RegisterEntry:
    """Return a node's register entry, an empty one when it has none."""
    return register.get(node) or RegisterEntry(node=node)
