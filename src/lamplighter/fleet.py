"""What is known about the nodes besides their check-ins: the register and the work log."""

from __future__ import annotations

import difflib
import math
import typing
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from lamplighter.dates import parse_time as parse_time
from lamplighter.errors import InputError
from lamplighter.sheets import WRITE_ISO, column_of_dates, read_lines

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

SPELLINGS = {
    "battery replacement": "battery replaced",
    "battery changed": "battery replaced",
    "battery swapped": "battery replaced",
    "replaced battery": "battery replaced",
    "changed battery": "battery replaced",
    "re zeroed": "zeroed",
    "rezeroed": "zeroed",
    "re calibrated": "recalibrated",
    "antenna replaced": "antenna changed",
    "inspection": "inspected",
}
"""Other words for an action, kept to those that can mean nothing else; hyphens are blanks here."""

ASIDE = "set aside, so it counts for nothing until corrected"
"""What a notice says of lines that somebody has to correct."""

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
    rows, notices, comma = read_lines(path, {f.name for f in fields(RegisterEntry)}, ("node",))
    installed = [(line, row["battery_installed"]) for line, row in rows if row.get("battery_installed")]
    when, read_how = column_of_dates(path, "battery_installed", installed, timezone)
    hints = typing.get_type_hints(RegisterEntry)
    entries: dict[str, RegisterEntry] = {}
    for line, row in rows:
        if not row.get("node"):
            raise InputError("column node is empty", file=path, line=line, remedy="fill it or drop the line")
        values: dict[str, Any] = {}
        for name, text in row.items():
            try:
                values[name] = _value(name, text, hints[name], comma, when)
            except ValueError as bad:
                remedy = f"{f'{WRITE_ISO}, ' if name == 'battery_installed' else ''}correct or empty the cell"
                raise InputError(f"column {name}: {bad}", file=path, line=line, remedy=remedy) from bad
        entry = RegisterEntry(**values)
        if entry.node in entries:
            raise InputError(f"node {entry.node} stands here twice", file=path, line=line, remedy="keep one line")
        entries[entry.node] = entry
    return entries, (*notices, *read_how)


def read_worklog(path: str | Path, timezone: str = "UTC") -> tuple[dict[str, tuple[WorkEntry, ...]], tuple[str, ...]]:
    """Read worklog.csv: node, time, action, note; lines without a time are work not done yet and are left out.

    It is written in the field, by many hands: a line that cannot be used is set aside with a notice, and the others
    count.

    Raises
    ------
    InputError
        When the file cannot be read, lacks a column, or does not say whether its dates have the day or month first.
    """
    rows, notices, _ = read_lines(path, {"node", "time", "action", "note"}, ("node", "time", "action"))
    undone = sum(not row.get("time") for _, row in rows)
    if undone:
        lines = "1 line" if undone == 1 else f"{undone} lines"
        notices = (*notices, f"{Path(path).name}: {lines} without a time left out, as work not done yet")
    rows = [(line, row) for line, row in rows if row.get("time")]
    parse, read_how = column_of_dates(path, "time", [(line, row["time"]) for line, row in rows], timezone)
    log: dict[str, list[WorkEntry]] = {}
    aside: dict[str, list[int]] = {}
    for line, row in rows:
        try:
            entry = _work_entry(row, parse)
        except ValueError as bad:
            aside.setdefault(str(bad), []).append(line)
        else:
            log.setdefault(entry.node, []).append(entry)
    ordered = {node: tuple(sorted(entries, key=lambda e: e.time)) for node, entries in sorted(log.items())}
    return ordered, (*notices, *read_how, *_aside_words(path, aside))


def _work_entry(row: Mapping[str, str], parse: Callable[[str], float]) -> WorkEntry:
    """Make an entry of a line; ValueError says in words why it cannot be one."""
    if not row.get("node"):
        raise ValueError("no node")
    said = row.get("action", "")
    action = " ".join(said.lower().replace("-", " ").replace("_", " ").split()).rstrip(".")
    action = SPELLINGS.get(action, action)
    if action not in ACTIONS:
        near = difflib.get_close_matches(action, ACTIONS, n=1)
        hint = f" (did you mean {near[0]}?)" if near else ""
        raise ValueError(f"unknown action {_clipped(said)!r}{hint}" if said else "no action")
    try:
        when = parse(row["time"])
    except ValueError:
        raise ValueError(f"{_clipped(row['time'])!r} is not a time like 2026-01-31 14:30") from None
    return WorkEntry(node=row["node"], time=when, action=action, note=row.get("note", ""))


def _clipped(text: str, most: int = 40) -> str:
    return text if len(text) <= most else f"{text[: most - 3]}..."


def _aside_words(path: str | Path, aside: Mapping[str, Sequence[int]]) -> tuple[str, ...]:
    """Tell in one notice which lines of a work log were set aside, and why."""
    if not aside:
        return ()
    said = []
    for reason, lines in list(aside.items())[:MOST_NAMED]:
        more = f" and {len(lines) - MOST_NAMED} more" if len(lines) > MOST_NAMED else ""
        said.append(f"line{'s' if len(lines) > 1 else ''} {', '.join(map(str, lines[:MOST_NAMED]))}{more}: {reason}")
    rest = sum(len(lines) for lines in list(aside.values())[MOST_NAMED:])
    said += [f"{rest} more"] if rest else []
    unknown = any(reason.startswith("unknown action") or reason == "no action" for reason in aside)
    known = f" (an action is one of: {', '.join(ACTIONS)})" if unknown else ""
    return (f"{Path(path).name}: {ASIDE}: {'; '.join(said)}{known}",)


def _value(name: str, text: str, hint: Any, comma: bool, when: Callable[[str], float]) -> Any:
    if hint is str:
        return text
    if text == "":
        return None
    if name == "battery_installed":
        return when(text)
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


def entry_of(register: Mapping[str, RegisterEntry], node: str) -> RegisterEntry:
    """Return a node's register entry, an empty one when it has none."""
    return register.get(node) or RegisterEntry(node=node)
