"""The check-in table, what is known about how it was read, and one node's part of it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Protocol

import numpy as np
import pandas as pd

from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.stats.order import crowded, quantiles_within, stretches

DAY_S = 86_400.0

MEASURES = ("reading", "battery_v", "rssi_dbm", "temperature_c")
COLUMNS = ("node", "time", *MEASURES, "quality", "sequence")
"""Columns of the check-in table.

node : category; time : datetime64[us, UTC]; reading : float64 [unit of the register, else of the export];
battery_v : float64 [V]; rssi_dbm : float64 [dBm]; temperature_c : float64 [degC];
quality : int8, one of GOOD, UNCERTAIN, BAD; sequence : float64, the node's own counter [-].
Missing measurements are NaN. Sorted by node name and time; one row is one transmission.
"""

GOOD, UNCERTAIN, BAD = np.int8(0), np.int8(1), np.int8(2)

COMPRESSED = "compressed"
"""Trait: stored by exception, so a row that is absent is not a check-in that was missed."""
FORWARD_FILLED = "forward_filled"
"""Trait: sampled on a grid with the last value repeated; repeats were removed where they could be told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileAccount:
    """How one export was read and where its records went (read = kept + duplicates + rejected).

    A record is a line in the layouts of one row a check-in and one row a tag and time,
    and a filled cell in the layout of one column a tag.
    """

    file: str
    layout: str = ""
    reading_notes: str = ""
    records_read: int = 0
    kept: int = 0
    duplicates: int = 0
    rejected: int = 0
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One thing noticed about the data as a whole or about some nodes, in plain words."""

    kind: str
    text: str
    nodes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """The data-quality account of everything that was read."""

    files: tuple[FileAccount, ...] = ()
    records_read: int = 0
    kept: int = 0
    duplicates: int = 0
    rejected: int = 0
    check_ins: int = 0
    set_aside: int = 0
    reasons: dict[str, int] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()

    @property
    def balanced(self) -> bool:
        """Whether every record read is accounted for."""
        return self.records_read == self.kept + self.duplicates + self.rejected


@dataclass(frozen=True, slots=True)
class Daily:
    """One node's days that have at least one check-in, all arrays of shape (n_days,).

    Days are UTC; ``day`` counts days since 1970-01-01. Values are NaN on days without any.
    """

    day: np.ndarray
    count: np.ndarray
    reading_median: np.ndarray
    reading_low: np.ndarray
    reading_high: np.ndarray
    rssi_median: np.ndarray
    rssi_p10: np.ndarray
    battery_median: np.ndarray
    battery_p10: np.ndarray
    temperature_median: np.ndarray
    temperature_low: np.ndarray
    battery_temperature: np.ndarray
    """Mean temperature at the check-ins that carry a battery voltage [degC]."""


@dataclass(frozen=True)
class NodeHistory:
    """One node's check-ins as arrays of shape (n,), with what the register and work log say of it.

    ``time`` is seconds since 1970-01-01 UTC, strictly increasing. ``start`` and ``as_of`` are the
    first instant of the whole data set and the present, in the same unit. The first ``lead`` rows belong to the block
    before: they are there for what happens at the edge; see :mod:`lamplighter.record`.
    """

    node: str
    time: np.ndarray
    reading: np.ndarray
    battery_v: np.ndarray
    rssi_dbm: np.ndarray
    temperature_c: np.ndarray
    quality: np.ndarray
    sequence: np.ndarray
    entry: RegisterEntry
    worklog: tuple[WorkEntry, ...] = ()
    traits: frozenset[str] = frozenset()
    start: float = 0.0
    as_of: float = 0.0
    lead: int = 0

    def __len__(self) -> int:
        return len(self.time)

    @property
    def own(self) -> NodeHistory:
        """The history without its lead-in."""
        # Kept where it is another one alone: a history that held itself would stay in memory until it is collected.
        return self._without_lead_in if self.lead else self

    @cached_property
    def _without_lead_in(self) -> NodeHistory:
        return replace(self, lead=0, **columns_of(self, self.lead))

    @cached_property
    def daily(self) -> Daily:
        """Summaries by UTC day, computed once."""
        return summarise_days(self)

    @cached_property
    def day(self) -> np.ndarray:
        """UTC day of each check-in, counted from 1970-01-01, shape (n,)."""
        return day_of(self.time)

    @cached_property
    def good_reading(self) -> np.ndarray:
        """Readings with those of bad quality taken out (NaN), shape (n,)."""
        bad = self.quality == BAD
        return np.where(bad, np.nan, self.reading) if bad.any() else self.reading

    @cached_property
    def typical_interval_s(self) -> float:
        """The most common spacing of check-ins [s]: the mode of spacings in 2 % wide classes; NaN below 3 rows.

        The mode, not the median: many missed check-ins lengthen the median, fast sampling shortens it.
        """
        spacing = np.diff(self.time)
        spacing = spacing[spacing > 0]
        return crowded(spacing) if len(spacing) >= 2 else float("nan")


def day_of(time: np.ndarray) -> np.ndarray:
    """UTC day of each instant, counted from 1970-01-01, shape (n,)."""
    return np.floor(time / DAY_S).astype(np.int64)


def known_quantiles(values: np.ndarray, size: np.ndarray, shares: tuple[float, ...]) -> np.ndarray:
    """Quantiles of the values that are known within consecutive stretches, shape (shares, k); NaN without any."""
    known = np.isfinite(values)
    if known.all():
        return quantiles_within(values, size, shares)
    counts = np.concatenate([[0], np.cumsum(known)])
    ends = np.cumsum(size)
    return quantiles_within(values[known], counts[ends] - counts[ends - size], shares)


def summarise_days(history: NodeHistory) -> Daily:
    """Summarise a node's check-ins by UTC day.

    Parameters
    ----------
    history : NodeHistory
        One node, times strictly increasing.

    Returns
    -------
    Daily
        One entry a day that has a check-in.
    """
    first, size = stretches(history.day)
    reading = known_quantiles(history.good_reading, size, (0.0, 0.5, 1.0))
    rssi = known_quantiles(history.rssi_dbm, size, (0.1, 0.5))
    battery = known_quantiles(history.battery_v, size, (0.1, 0.5))
    temperature = known_quantiles(history.temperature_c, size, (0.0, 0.5))
    both = np.isfinite(history.battery_v) & np.isfinite(history.temperature_c)
    counted = np.add.reduceat(both, first, dtype=np.int64)
    total = np.add.reduceat(np.where(both, history.temperature_c, 0.0), first)
    return Daily(
        day=history.day[first],
        count=size,
        reading_low=reading[0],
        reading_median=reading[1],
        reading_high=reading[2],
        rssi_p10=rssi[0],
        rssi_median=rssi[1],
        battery_p10=battery[0],
        battery_median=battery[1],
        temperature_low=temperature[0],
        temperature_median=temperature[1],
        battery_temperature=np.divide(total, counted, out=np.full(len(size), np.nan), where=counted > 0),
    )


@dataclass(frozen=True)
class NodeArrays:
    """One node's columns of the check-in table as arrays; ``time`` in seconds since 1970-01-01 UTC."""

    time: np.ndarray
    reading: np.ndarray
    battery_v: np.ndarray
    rssi_dbm: np.ndarray
    temperature_c: np.ndarray
    quality: np.ndarray
    sequence: np.ndarray


def columns_of(arrays: NodeArrays | NodeHistory, first: int = 0, end: int | None = None) -> dict[str, np.ndarray]:
    """Return the columns of some check-ins by name, from one row up to another."""
    return {name: getattr(arrays, name)[first:end] for name in NodeArrays.__dataclass_fields__}


class Source(Protocol):
    """Where an assessment takes its check-ins from: a table in memory or a history on disk."""

    @property
    def account(self) -> Account:
        """How the data were read."""

    @property
    def rejects(self) -> pd.DataFrame:
        """Rejected records: file, line, reason, text."""

    @property
    def traits(self) -> dict[str, frozenset[str]]:
        """Traits of nodes that change how absence and repetition are read."""

    def nodes(self) -> list[str]:
        """Names of all nodes, sorted."""

    def span(self) -> tuple[float, float]:
        """First and last check-in [s since 1970-01-01 UTC]; NaN when empty."""

    def arrays(self, node: str, since: float = ...) -> NodeArrays:
        """One node's check-ins from an instant on."""

    @property
    def on_disk(self) -> bool:
        """Whether a worker elsewhere can read a node by itself, and summaries are kept; then it is a history."""


def empty_rejects() -> pd.DataFrame:
    """Return a table of rejected records with no rows."""
    return pd.DataFrame(
        {
            "file": pd.Series(dtype="str"),
            "line": pd.Series(dtype="int64"),
            "reason": pd.Series(dtype="str"),
            "text": pd.Series(dtype="str"),
        }
    )


@dataclass(frozen=True)
class CheckIns:
    """Check-ins in memory, as :func:`lamplighter.read_exports` returns them.

    Attributes
    ----------
    table : DataFrame
        The check-in table; see :data:`COLUMNS`.
    account : Account
        Where every record went.
    rejects : DataFrame
        file, line, reason, text of every rejected record.
    traits : dict of str to frozenset of str
        Nodes whose stored data are compressed or forward-filled.
    """

    table: pd.DataFrame
    account: Account = field(default_factory=Account)
    rejects: pd.DataFrame = field(default_factory=empty_rejects)
    traits: dict[str, frozenset[str]] = field(default_factory=dict)

    @cached_property
    def _bounds(self) -> dict[str, tuple[int, int]]:
        codes = self.table["node"].cat.codes.to_numpy()
        names = self.table["node"].cat.categories
        edges = np.flatnonzero(np.diff(codes, prepend=-2, append=-2))
        return {str(names[codes[a]]): (int(a), int(b)) for a, b in itertools.pairwise(edges) if codes[a] >= 0}

    @cached_property
    def _columns(self) -> dict[str, np.ndarray]:
        seconds = self.table["time"].dt.as_unit("us").astype("int64").to_numpy() / 1e6
        return {"time": seconds} | {c: self.table[c].to_numpy() for c in COLUMNS[2:]}

    def nodes(self) -> list[str]:
        """Names of all nodes, sorted."""
        return sorted(self._bounds)

    def span(self) -> tuple[float, float]:
        """First and last check-in [s since 1970-01-01 UTC]; NaN when empty."""
        time = self._columns["time"]
        return (float(time.min()), float(time.max())) if len(time) else (float("nan"), float("nan"))

    on_disk = False
    """Everything is in memory."""

    def arrays(self, node: str, since: float = -np.inf) -> NodeArrays:
        """One node's check-ins from an instant on."""
        a, b = self._bounds[node]
        a += int(np.searchsorted(self._columns["time"][a:b], since)) if since > -np.inf else 0
        return NodeArrays(**{name: column[a:b] for name, column in self._columns.items()})

    def __iter__(self) -> Iterator[str]:
        return iter(self.nodes())
