"""One node from its source to its measures; what a history keeps of closed blocks is used, and added to."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from functools import partial
from importlib import import_module
from itertools import takewhile
from types import ModuleType
from typing import Any

import numpy as np

from lamplighter.checkins import DAY_S, Daily, NodeArrays, NodeHistory, Source, columns_of
from lamplighter.checks.base import measure, summarise, together
from lamplighter.fleet import Fleet, entry_of
from lamplighter.intake.store.summaries import Kept
from lamplighter.maker import CODE
from lamplighter.record import (
    LEAD_D,
    Rhythm,
    between,
    block_at,
    block_months,
    block_start,
    blocks_of,
    open_block,
)
from lamplighter.settings import Settings
from lamplighter.spool import pack

CHECKS = ("arrivals", "radio", "zero", "stuck", "data", "battery")
"""Modules of ``lamplighter.checks`` in the order they judge: a later one may use what an earlier one found."""


def load_checks() -> list[ModuleType]:
    """Return the check modules in order."""
    return [import_module(f"lamplighter.checks.{name}") for name in CHECKS]


@dataclass(frozen=True, slots=True)
class Measured:
    """One node as measured: its later check-ins set aside, and nothing else when it has none up to the present.

    What each check measured, and the daily series, are packed where they were made.
    """

    later: int
    measures: dict[str, bytes] = field(default_factory=dict)
    daily: bytes = b""


@dataclass(frozen=True)
class Loaded:
    """One node as it comes from its source.

    Attributes
    ----------
    history : NodeHistory
        Its rows up to the present, from the first block on that has no summary yet, with the lead-in of that block.
    later : int
        Check-ins after the present, set aside.
    source : History, optional
        Where rows are read again and summaries are kept; None when ``history`` holds all rows.
    first : int
        The block of the first check-in.
    keys : tuple of str
        What the summaries of the closed blocks from ``first`` on are made from.
    kept : Kept, optional
        What is kept of the first of them.
    """

    history: NodeHistory
    later: int
    source: Any = None
    first: int = 0
    keys: tuple[str, ...] = ()
    kept: Kept | None = None


def history_of(
    source: Source, node: str, fleet: Fleet, start: float, as_of: float, since: float = -math.inf
) -> tuple[NodeHistory, int]:
    """Return one node's history up to the present, and how many later check-ins were set aside.

    ``since`` leaves out what came before it.
    """
    arrays = source.arrays(node, since)
    kept = int(np.searchsorted(arrays.time, as_of, side="right"))
    history = NodeHistory(
        node=node,
        **columns_of(arrays, 0, kept),
        entry=entry_of(fleet.register, node),
        worklog=tuple(w for w in fleet.worklog.get(node, ()) if w.time <= as_of),
        traits=source.traits.get(node, frozenset()),
        start=start,
        as_of=as_of,
    )
    return history, len(arrays.time) - kept


def load_node(source: Source, node: str, fleet: Fleet, start: float, as_of: float, maker: tuple[str, str]) -> Loaded:
    """Return one node with no more of its rows than need be read.

    Parameters
    ----------
    source : Source
    node : str
    fleet : Fleet
    start, as_of : float
        First instant of the data set, and the present [s since 1970-01-01 UTC].
    maker : tuple of str
        Stand for the code and for the settings of the leading process; see :mod:`lamplighter.maker`. A worker with
        other code neither uses nor keeps summaries.
    """
    code, made_by = maker
    usable = source.on_disk and code == CODE != ""
    first, last = (block_at(source.first(node)), open_block(as_of)) if usable else (0, 0)
    if first >= last:
        return Loaded(*history_of(source, node, fleet, start, as_of))
    known = json.dumps([code, made_by, asdict(entry_of(fleet.register, node)), sorted(source.traits.get(node, ()))])
    keys = source.keys(node, map(block_months, range(first, last)), known)
    kept = source.kept(node)
    same = (a == b for a, b in zip(keys, kept.keys, strict=False)) if kept else ()
    good = sum(1 for _ in takewhile(bool, same))
    edge = block_start(first + good)
    history, later = history_of(source, node, fleet, start, as_of, edge - LEAD_D * DAY_S if good else -math.inf)
    history = replace(history, lead=int(np.searchsorted(history.time, edge)))
    return Loaded(history, later, source, first, keys, kept.beginning(good) if kept and good else None)


def measure_node(settings: Settings, loaded: Loaded) -> Measured:
    """Run every check's measurement on one node, and make its daily series for the report."""
    history, checks = loaded.history, load_checks()
    if not len(history) and loaded.kept is None:
        return Measured(loaded.later)
    *closed, (_, opened) = blocks_of(history)
    parts = {number: summarise(checks, block, settings) for number, block in closed}
    summaries = kept_summaries(loaded.kept, checks)
    summaries = together([summaries, *parts.values()])
    if loaded.source is not None and len(loaded.keys) > (len(loaded.kept.keys) if loaded.kept else 0):
        loaded.source.keep(history.node, to_keep(loaded, parts, summaries))
    if len(opened) > opened.lead:
        summaries = together([summaries, summarise(checks, opened, settings)])
    record, measures = measure(checks, summaries, opened, partial(fetched, loaded), settings)
    return Measured(loaded.later, {name: pack(m) for name, m in measures.items()}, pack(daily_series(record.daily)))


def fetched(loaded: Loaded, since: float, until: float) -> NodeArrays:
    """Read a node's check-ins between two instants again."""
    if loaded.source is None:
        return NodeArrays(**columns_of(between(loaded.history, since, until)))
    return loaded.source.arrays(loaded.history.node, since, until)


def kept_summaries(kept: Kept | None, checks: Sequence[ModuleType]) -> dict[str, Any]:
    """Return what is kept as the checks and the record know it."""
    if kept is None:
        return {}
    kinds: dict[str, Any] = {"days": Daily, "rhythm": Rhythm}
    kinds |= {check.NAME: check.Summary for check in checks}
    return {name: kinds[name](**table) for name, table in kept.tables.items()}


def to_keep(loaded: Loaded, parts: Mapping[int, Mapping[str, Any]], summaries: Mapping[str, Any]) -> Kept:
    """Return the summaries of all closed blocks as they are kept; one without rows has empty ones."""
    tables = {name: {f.name: getattr(s, f.name) for f in fields(s)} for name, s in summaries.items()}
    sizes: dict[str, dict[str, list[int]]] = {}
    for name, table in tables.items():
        for column in table:
            before = loaded.kept.sizes[name][column] if loaded.kept else []
            numbers = range(loaded.first + len(before), loaded.first + len(loaded.keys))
            new = [len(getattr(parts[q][name], column)) if q in parts else 0 for q in numbers]
            sizes.setdefault(name, {})[column] = [*before, *new]
    return Kept(loaded.keys, tables, sizes)


def daily_series(d: Daily) -> dict[str, Any]:
    """Return a node's daily summaries as plain lists."""
    return {
        "day": (d.day * DAY_S).astype(np.int64).tolist(),
        "count": d.count.tolist(),
        "reading_median": rounded(d.reading_median),
        "reading_low": rounded(d.reading_low),
        "reading_high": rounded(d.reading_high),
        "rssi_median": rounded(d.rssi_median, 1),
        "rssi_p10": rounded(d.rssi_p10, 1),
        "battery_v": rounded(d.battery_median, 4),
        "battery_p10": rounded(d.battery_p10, 4),
        "temperature": rounded(d.temperature_median, 1),
        "temperature_low": rounded(d.temperature_low, 1),
    }


def rounded(values: np.ndarray, places: int | None = None) -> list[float | None]:
    """Return values as a list, None for NaN, to a number of decimals or to five significant digits."""
    if places is None:
        size = np.nanmax(np.abs(values)) if np.isfinite(values).any() else 1.0
        places = int(np.clip(5 - math.ceil(math.log10(size)) if size > 0 else 5, 0, 9))
    return [v if v == v else None for v in np.round(values, places).tolist()]
