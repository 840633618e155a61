"""Cells to rows, what all layouts have in common: nodes, instants, numbers, quality."""

from __future__ import annotations

import time as clock
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from lamplighter.intake import numerals, quality, times, zones
from lamplighter.intake.cells import Cells, Rejected
from lamplighter.intake.measures import Noticed, reading_scale
from lamplighter.intake.names import TagRules
from lamplighter.intake.plan import Plan
from lamplighter.intake.reasons import CUT_OFF, NO_NODE, NO_TIME, Reasons, closer_look
from lamplighter.intake.recognise import tag_rules
from lamplighter.intake.rows import Names
from lamplighter.intake.zones import DAY_US, US
from lamplighter.settings import Settings


@dataclass
class Job:
    """One export being read: its plan, and what is gathered from block to block.

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
    file: int = 0
    units: dict[str, str] = field(default_factory=dict)
    noticed: Noticed = field(default_factory=Noticed)
    memory: zones.ClockMemory = field(default_factory=dict)
    meant: dict[str, tuple[int, str]] = field(default_factory=dict)
    types: dict[str, pa.DataType] = field(default_factory=dict)
    clocks: dict[tuple[str, ...], int] = field(default_factory=dict)
    """Numbers of tags that stay the same from block to block: each has its own order of arrival."""

    def __post_init__(self) -> None:
        intake = self.settings.intake
        self.earliest = instant_us(intake.earliest)
        self.latest = instant_us(intake.latest) if intake.latest else int(clock.time() * US) + DAY_US
        self.missing_words = sorted({*numerals.MISSING_WORDS, *intake.missing_words})
        self.missing = np.array(intake.missing_values, dtype=np.float64)
        self.rules: TagRules = tag_rules(self.settings)
        self.plain_heading = [h.strip().lower() for h in self.plan.heading]


def instant_us(text: str) -> int:
    """Return an ISO 8601 day or instant as microseconds since 1970-01-01 UTC."""
    when = datetime.fromisoformat(text)
    return round((when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp() * US)


def column_of(job: Job, cells: Cells, role: str) -> pa.Array | None:
    """Return the column of a role, None when the export has none."""
    column = job.plan.columns.get(role)
    return None if column is None else one_array(cells.table[f"c{column}"])


def one_array(column: pa.ChunkedArray) -> pa.Array:
    """Return a column in one piece."""
    if column.num_chunks > 1 and pa.types.is_dictionary(column.type):
        column = column.unify_dictionaries()
    if column.num_chunks == 1:
        return column.chunk(0)
    return pa.concat_arrays(column.chunks) if column.num_chunks else pa.array([], type=column.type)


def coded(column: pa.Array) -> tuple[np.ndarray, list[str]]:
    """Return each row's place in the list of distinct words, and that list; missing is the empty word."""
    if not pa.types.is_dictionary(column.type):
        column = pc.dictionary_encode(pc.fill_null(column, ""))
    words = [w or "" for w in column.dictionary.to_pylist()]
    index = column.indices
    if index.null_count or not words:
        words.append("")
        index = pc.fill_null(index, len(words) - 1)
    return index.to_numpy(zero_copy_only=False), words


def node_codes(job: Job, column: pa.Array, reasons: Reasons) -> np.ndarray:
    """Return the number of each row's node, -1 and a reason where there is none."""
    index, words = coded(column)
    codes = np.array([job.names.code(w) if w else -1 for w in (" ".join(w.split()) for w in words)], dtype=np.int32)
    node = codes[index]
    if (codes < 0).any():
        reasons.give(node < 0, NO_NODE)
    return node


def numbers_of(job: Job, column: pa.Array) -> tuple[np.ndarray, np.ndarray | None]:
    """Return a column's numbers, NaN where there is none, and where its text is strange (None when nowhere)."""
    if pa.types.is_floating(column.type):
        value, strange = column.to_numpy(zero_copy_only=False), None
        finite_top = pc.max(pc.abs(column)).as_py()
        wrong = np.isinf(value) if finite_top == float("inf") else None
    else:
        wrong = None
        value, strange = _parsed_words(job, column)
    for code in job.missing:
        same = value == code
        if same.any():
            wrong = same if wrong is None else wrong | same
    if wrong is not None:
        value = np.where(wrong, np.nan, value)
    return value, strange


def _parsed_words(job: Job, column: pa.Array) -> tuple[np.ndarray, np.ndarray | None]:
    """Numbers of a column of texts, each distinct text read once; where strange texts stand."""
    index, words = coded(column)
    value, strange = numerals.parse(pa.array(words, type=pa.string()), job.plan.decimal)
    strange &= ~np.isin(np.array([w.strip() for w in words], dtype=object), job.settings.intake.missing_words)
    odd = np.flatnonzero(strange)
    if not len(odd):
        return value[index], None
    counts = np.bincount(index, minlength=len(words))
    job.noticed.strange.update({words[i][:40]: int(counts[i]) for i in odd.tolist() if counts[i]})
    return value[index], strange[index]


def grades_of(job: Job, column: pa.Array | None, n: int, reasons: Reasons) -> np.ndarray:
    """Return each row's quality, and hold it against those that were no transmission."""
    if column is None or job.plan.codes == quality.NONE:
        return np.zeros(n, dtype=np.int8)
    index, words = coded(column)
    for word in words:
        if word not in job.meant:
            job.meant[word] = quality.meaning(word, job.plan.codes)
            if quality.is_unknown(word, job.plan.codes):
                job.noticed.unknown_codes.add(word[:40])
    meant = [job.meant[w] for w in words]
    for i, (_, why) in enumerate(meant):
        if why:
            reasons.give(index == i, f"nothing was transmitted: {why} (quality {words[i]})")
    if all(m[0] == 0 for m in meant):
        return np.zeros(n, dtype=np.int8)
    return np.array([m[0] for m in meant], dtype=np.int8)[index]


def say_no_value(strange: list[tuple[pa.Array, np.ndarray]], reasons: Reasons, empty: np.ndarray) -> None:
    """Hold it against rows that they carry no value, quoting a strange text that stands in its place."""
    if not empty.any():
        return
    for column, odd in strange:
        for i in np.flatnonzero(empty & odd & reasons.empty).tolist():
            reasons.give(np.array([i]), f"no value: {str(column[i])[:40]!r} is no number")
    reasons.give(empty, "no value")


def instants_of(job: Job, cells: Cells, node: np.ndarray, reasons: Reasons) -> np.ndarray:
    """Return the rows' instants, microseconds since 1970-01-01 UTC; hold it against rows that have no sensible one.

    ``node`` numbers whatever has a clock of its own, so that a repeated hour is told by each one's order of arrival.
    """
    stamps = stamps_of(job, cells)
    us = stamps.us
    if not stamps.valid.all():
        reasons.give(~stamps.valid, NO_TIME)
    if job.plan.zone != "UTC" and not stamps.fixed.all():
        us = _from_local(job, stamps, node)
    if len(us) and (us.min() < job.earliest or us.max() > job.latest):
        reasons.give(stamps.valid & (us < job.earliest), "clock was reset: the time is before intake.earliest")
        reasons.give(stamps.valid & (us > job.latest), "the time is in the future")
    return us


def _from_local(job: Job, stamps: times.Stamps, node: np.ndarray) -> np.ndarray:
    free = stamps.valid & ~stamps.fixed
    at = slice(None) if free.all() else free
    local = zones.to_utc(stamps.us[at], job.plan.zone)
    second = zones.second_pass(node[at], stamps.us[at], local, job.memory)
    us = stamps.us.copy()
    us[at] = local.utc + local.extra * second if local.twice.any() else local.utc
    job.noticed.skipped_hour += int(local.never.sum())
    job.noticed.repeated_hour += int(local.twice.sum())
    return us


def stamps_of(job: Job, cells: Cells) -> times.Stamps:
    """Return the rows' times as they are written."""
    form = job.plan.form
    column = column_of(job, cells, "time")
    if column is None:
        column = column_of(job, cells, "date")
        hour = column_of(job, cells, "clock")
        if hour is not None:
            column = pc.binary_join_element_wise(pc.utf8_trim_whitespace(column), pc.utf8_trim_whitespace(hour), " ")
    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if pa.types.is_floating(column.type):
        return times.stamps_of_numbers(column.to_numpy(zero_copy_only=False), form)
    if pa.types.is_timestamp(column.type):
        us = pc.fill_null(column.cast(pa.int64()), 0) if column.null_count else column.cast(pa.int64())
        valid = (
            pc.is_valid(column).to_numpy(zero_copy_only=False) if column.null_count else np.ones(len(us), dtype=bool)
        )
        return times.Stamps(us.to_numpy(zero_copy_only=False), valid, np.full(len(us), form.offset))
    return times.parse(column, form)


def set_aside(job: Job, cells: Cells, reasons: Reasons, rejected: Rejected) -> np.ndarray | None:
    """Record the rows that have a reason against them; return the mask of the others, None when all are good."""
    if not reasons.any:
        return None
    for row in np.flatnonzero(reasons.code).tolist():
        line, text = cells.trace(row)
        why = closer_look(text, job.plan.delimiter, job.plain_heading, reasons.text(row))
        if cells.cut_off(row) and text.count(job.plan.delimiter) + 1 < len(job.plan.heading):
            why = CUT_OFF
        rejected.add(line, why, text)
    return reasons.empty


def scale_by_node(job: Job, value: np.ndarray, unit: str, node: np.ndarray) -> np.ndarray:
    """Turn readings of one unit into each node's register unit."""
    if not unit or not job.units:
        return value
    factor, offset = np.ones(len(job.names.names) + 1), np.zeros(len(job.names.names) + 1)
    for code in np.unique(node[node >= 0]).tolist():
        name = job.names.names[code]
        factor[code], offset[code] = reading_scale(name, unit, job.units.get(name, ""), job.noticed)
    return value * factor[node] + offset[node]
