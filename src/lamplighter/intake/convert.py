"""Cells to rows: nodes, instants, numbers, quality; what cannot be a check-in is set aside with the reason."""

from __future__ import annotations

import time as clock
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from lamplighter.checkins import BAD, MEASURES
from lamplighter.intake import numerals, quality, times, zones
from lamplighter.intake.cells import Cells, Rejected, mended_cells, typed_cells
from lamplighter.intake.names import Tag, split_tag
from lamplighter.intake.plan import PLAIN, TAGS, Plan, tag_overrides
from lamplighter.intake.rows import BITS, VALUES, WHOLE, Names, Rows, make_rows
from lamplighter.intake.text import Block
from lamplighter.intake.units import conversion
from lamplighter.intake.zones import DAY_US, US
from lamplighter.settings import Settings

TARGET_UNITS = {"battery_v": "v", "rssi_dbm": "dbm", "temperature_c": "degc"}
_MAX_VOLTS = 100.0
"""No battery of a transmitter has more; a larger number is in millivolts."""


@dataclass
class Counts:
    """What was noticed while one export was converted."""

    records: int = 0
    strange: Counter[str] = field(default_factory=Counter)
    skipped_hour: int = 0
    millivolts: int = 0
    positive_rssi: int = 0
    unit_clash: set[tuple[str, str, str]] = field(default_factory=set)
    percent: set[str] = field(default_factory=set)
    unknown_tags: set[str] = field(default_factory=set)


@dataclass
class Batch:
    """A block's rows, and the records set aside."""

    rows: Rows
    rejected: Rejected
    records: int


@dataclass
class Converter:
    """Turns the blocks of one export into rows, in order.

    Parameters
    ----------
    plan : Plan
        With the order of dates and the convention of quality codes decided.
    settings : Settings
    names : Names
        Shared by all exports of a run.
    file : int
        Number of the export.
    units : dict of str to str
        Register unit of each node.
    """

    plan: Plan
    settings: Settings
    names: Names
    file: int
    units: dict[str, str]
    counts: Counts = field(default_factory=Counts)
    memory: zones.ClockMemory = field(default_factory=lambda: zones.ClockMemory({}, {}))
    _tags: dict[str, Tag] = field(default_factory=dict)

    def __post_init__(self) -> None:
        intake = self.settings.intake
        self._earliest = instant_us(intake.earliest)
        self._latest = instant_us(intake.latest) if intake.latest else int(clock.time() * US) + DAY_US
        self._nulls = sorted({*numerals.MISSING_WORDS, *intake.missing_words})
        self._missing = np.array(intake.missing_values, dtype=np.float64)
        self._overrides = tag_overrides(self.settings)

    def convert(self, block: Block) -> Batch:
        """Convert one block."""
        rejected = Rejected()
        if self.plan.layout == PLAIN:
            cells = self._typed(block)
            typed = cells is not None
            if cells is None:
                cells = self._as_text(block, rejected)
            records = cells.table.num_rows + len(rejected.line)
            rows = self._plain(cells, typed, rejected)
        else:
            raise NotImplementedError(TAGS)
        self.counts.records += records
        return Batch(rows, rejected, records)

    # --- cells ---------------------------------------------------------------------------------------------

    def _columns(self) -> dict[str, int]:
        wanted = ("node", "time", "date", "clock", *MEASURES, "quality", "sequence", "tag", "measure", "unit")
        return {r: c for r, c in self.plan.columns.items() if r in wanted}

    def _typed(self, block: Block) -> Cells | None:
        plan, columns = self.plan, self._columns()
        if "time" not in columns or not (plan.form.kind == "iso" or plan.form.numeric):
            return None
        word = pa.dictionary(pa.int32(), pa.string())
        types: dict[str, pa.DataType] = {}
        for role, column in columns.items():
            numeric = role in VALUES
            types[f"c{column}"] = pa.float64() if numeric else word
        time = pa.float64() if plan.form.numeric else pa.timestamp("us", "UTC" if plan.form.offset else None)
        types[f"c{columns['time']}"] = time
        names = [f"c{i}" for i in range(len(plan.heading))]
        return typed_cells(block, names, types, plan.delimiter, plan.decimal, self._nulls)

    def _as_text(self, block: Block, rejected: Rejected) -> Cells:
        wanted = sorted(set(self._columns().values()) | set(self.plan.tags))
        return mended_cells(block, len(self.plan.heading), self.plan.delimiter, wanted, rejected)

    def _column(self, cells: Cells, role: str) -> pa.Array | None:
        column = self.plan.columns.get(role)
        return None if column is None else _one(cells.table[f"c{column}"])

    # --- one row a check-in -----------------------------------------------------------------------------------

    def _plain(self, cells: Cells, typed: bool, rejected: Rejected) -> Rows:
        n = cells.table.num_rows
        reasons = Reasons(n)
        node = self._nodes(self._column(cells, "node"), reasons)
        values = {}
        present = np.zeros(n, dtype=bool)
        words: dict[str, np.ndarray] = {}
        for role in VALUES:
            column = self._column(cells, role)
            if column is not None:
                values[role], strange = self._numbers(column, typed)
                present |= np.isfinite(values[role])
                if strange is not None and role != "sequence":
                    words[role] = strange
        grade = self._quality(self._column(cells, "quality"), n, reasons)
        if any(r in values for r in MEASURES):
            self._no_value(cells, words, reasons, ~present & (grade != BAD))
        time = self._instants(cells, typed, node, reasons)
        self._convert_units(values, node)
        good = reasons.empty
        if not good.all():
            self._set_aside(cells, reasons, rejected)
            time, node, grade = time[good], node[good], grade[good]
            values = {k: v[good] for k, v in values.items()}
        has = np.full(len(node), WHOLE, dtype=np.uint8)
        for role, value in values.items():
            has |= np.where(np.isfinite(value), BITS[role], 0).astype(np.uint8)
        return make_rows(len(node), node=node, time=time, quality=grade, has=has, file=np.full(len(node), self.file), **values)

    def _nodes(self, column: pa.Array | None, reasons: Reasons) -> np.ndarray:
        """Number of each row's node; rows without one are set aside."""
        if column is None:
            return np.full(len(reasons.code), self.names.code(self.plan.node or "node"), dtype=np.int32)
        index, words = _coded(column)
        names = [" ".join(w.split()) for w in words]
        codes = np.array([self.names.code(w) if w else -1 for w in names] or [-1], dtype=np.int32)
        node = codes[index]
        reasons.give(node < 0, "no node")
        return node

    def _numbers(self, column: pa.Array, typed: bool) -> tuple[np.ndarray, np.ndarray | None]:
        strange = None
        if typed:
            value = column.to_numpy(zero_copy_only=False)
            value = value if value.flags.writeable else value.copy()
        else:
            value, strange = numerals.parse(column, self.plan.decimal)
            if strange.any():
                found = pc.value_counts(column.filter(pa.array(strange))).to_pylist()
                self.counts.strange.update({c["values"]: c["counts"] for c in found})
        wrong = np.isinf(value)
        if len(self._missing):
            wrong |= np.isin(value, self._missing)
        if wrong.any():
            value[wrong] = np.nan
        return value, strange

    def _quality(self, column: pa.Array | None, n: int, reasons: Reasons) -> np.ndarray:
        if column is None or self.plan.codes == quality.NONE:
            return np.zeros(n, dtype=np.int8)
        index, words = _coded(column)
        meant = [quality.meaning(w, self.plan.codes) for w in words] or [(0, "")]
        for i, (_, why) in enumerate(meant):
            if why:
                reasons.give(index == i, f"nothing was transmitted: {why} (quality {words[i]})")
        return np.array([m[0] for m in meant], dtype=np.int8)[index]

    def _no_value(self, cells: Cells, words: dict[str, np.ndarray], reasons: Reasons, empty: np.ndarray) -> None:
        if not empty.any():
            return
        said = np.zeros(len(empty), dtype=bool)
        for role in words:
            column = self._column(cells, role)
            odd = np.flatnonzero(empty & words[role] & ~said)
            for i in odd.tolist():
                reasons.give_one(i, f"no value: {str(column[i])[:40]!r} is no number")
            said[odd] = True
        reasons.give(empty & ~said, "no value in any column")

    def _instants(self, cells: Cells, typed: bool, node: np.ndarray, reasons: Reasons) -> np.ndarray:
        """UTC instants [us] of the rows."""
        stamps = self._stamps(cells, typed)
        reasons.give(~stamps.valid, "time could not be read")
        us = stamps.us
        free = stamps.valid & ~stamps.fixed
        if self.plan.zone != "UTC" and free.any():
            local = zones.to_utc(us[free], self.plan.zone)
            who = node[free]
            second = zones.second_pass(who, us[free], local, self.memory)
            us = us.copy()
            us[free] = local.utc + np.where(second, local.extra, 0)
            self.counts.skipped_hour += int(local.never.sum())
        reasons.give(stamps.valid & (us < self._earliest), "clock was reset: earlier than intake.earliest")
        reasons.give(stamps.valid & (us > self._latest), "time is in the future")
        return us

    def _stamps(self, cells: Cells, typed: bool) -> times.Stamps:
        form = self.plan.form
        column = self._column(cells, "time")
        if typed and form.numeric:
            return times.stamps_of_numbers(column.to_numpy(zero_copy_only=False), form)
        if typed:
            us = pc.fill_null(column.cast(pa.int64()), 0).to_numpy(zero_copy_only=False)
            valid = pc.is_valid(column).to_numpy(zero_copy_only=False) if column.null_count else np.ones(len(us), dtype=bool)
            return times.Stamps(us, valid, np.full(len(us), form.offset))
        if column is None:
            column = self._column(cells, "date")
            hour = self._column(cells, "clock")
            if hour is not None:
                column = pc.binary_join_element_wise(pc.utf8_trim_whitespace(column), pc.utf8_trim_whitespace(hour), " ")
        return times.parse(column, form)

    def _convert_units(self, values: dict[str, np.ndarray], node: np.ndarray) -> None:
        for role, value in values.items():
            unit = self.plan.units.get(role, "")
            if role in TARGET_UNITS:
                scale = conversion(unit, TARGET_UNITS[role]) if unit else (1.0, 0.0)
                if role == "battery_v":
                    self._volts(values, value, unit)
                elif scale not in ((1.0, 0.0), None):
                    values[role] = value * scale[0] + scale[1]
            elif role == "reading" and unit and self.units:
                values[role] = self._reading(value, unit, node)

    def _volts(self, values: dict[str, np.ndarray], value: np.ndarray, unit: str) -> None:
        if unit == "%":
            self.counts.percent.add("battery")
            values["battery_v"] = np.full(len(value), np.nan)
            return
        high = np.isfinite(value) & (value > _MAX_VOLTS) if unit != "mv" else np.isfinite(value)
        if high.any():
            self.counts.millivolts += int(high.sum())
            values["battery_v"] = np.where(high, value / 1000, value)

    def _reading(self, value: np.ndarray, unit: str, node: np.ndarray) -> np.ndarray:
        present = np.unique(node)
        factor, offset = np.ones(len(self.names.names) + 1), np.zeros(len(self.names.names) + 1)
        for code in present[present >= 0].tolist():
            target = self.units.get(self.names.names[code], "")
            scale = conversion(unit, target) if target else (1.0, 0.0)
            if scale is None:
                self.counts.unit_clash.add((self.names.names[code], unit, target))
            else:
                factor[code], offset[code] = scale
        return value * factor[node] + offset[node]

    def _set_aside(self, cells: Cells, reasons: Reasons, rejected: Rejected) -> None:
        heading = [h.strip().lower() for h in self.plan.heading]
        for row in np.flatnonzero(~reasons.empty).tolist():
            line, text = cells.trace(row)
            why = reasons.text(row)
            if why in ("time could not be read", "no node"):
                why = _better_reason(text, self.plan.delimiter, heading, why)
            rejected.add(line, why, text)


@dataclass
class Reasons:
    """The first reason against each row, if any."""

    n: int
    words: list[str] = field(default_factory=lambda: [""])

    def __post_init__(self) -> None:
        self.code = np.zeros(self.n, dtype=np.int32)

    @property
    def empty(self) -> np.ndarray:
        """Rows with nothing against them."""
        return self.code == 0

    def give(self, rows: np.ndarray, why: str) -> None:
        """Hold a reason against some rows that have none yet."""
        if rows.any():
            self.words.append(why)
            self.code[rows & (self.code == 0)] = len(self.words) - 1

    def give_one(self, row: int, why: str) -> None:
        """Hold a reason against one row."""
        if self.code[row] == 0:
            self.words.append(why)
            self.code[row] = len(self.words) - 1

    def text(self, row: int) -> str:
        """Return the reason against a row."""
        return self.words[self.code[row]]


def instant_us(text: str) -> int:
    """Return an ISO 8601 day or instant as microseconds since 1970-01-01 UTC."""
    when = datetime.fromisoformat(text)
    return round((when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()) * US


def _better_reason(text: str, delimiter: str, heading: list[str], why: str) -> str:
    cells = [c.strip().strip('"').strip().lower() for c in text.split(delimiter)]
    if sum(a == b and a != "" for a, b in zip(cells, heading, strict=False)) * 2 > len(heading):
        return "heading repeated"
    if not any(cells):
        return "empty line"
    if any(c.startswith(("total", "sum", "average", "mean", "count", "min", "max", "end of", "rows", "records")) for c in cells):
        return "total or closing line"
    return why


def _one(column: pa.ChunkedArray) -> pa.Array:
    if column.num_chunks == 1:
        return column.chunk(0)
    if pa.types.is_dictionary(column.type):
        column = column.unify_dictionaries()
    return pa.concat_arrays(column.chunks) if column.num_chunks else pa.array([], type=column.type)


def _coded(column: pa.Array) -> tuple[np.ndarray, list[str]]:
    """Return each row's place in the list of distinct words, and that list; missing is the empty word."""
    if not pa.types.is_dictionary(column.type):
        column = pc.dictionary_encode(pc.fill_null(column, ""))
    words = [w or "" for w in column.dictionary.to_pylist()]
    index = column.indices
    if index.null_count:
        words.append("")
        index = pc.fill_null(index, len(words) - 1)
    return index.to_numpy(zero_copy_only=False), words


__all__ = ["Batch", "Converter", "Counts", "Reasons", "instant_us", "split_tag"]
