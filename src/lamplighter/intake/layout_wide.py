"""One column a tag."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from lamplighter.checkins import BAD
from lamplighter.intake import numerals, quality
from lamplighter.intake.cells import Cells, Rejected
from lamplighter.intake.convert import Job, instants_of, numbers_of, one_array
from lamplighter.intake.layout_plain import read_cells, time_types
from lamplighter.intake.measures import in_table_unit, reading_scale
from lamplighter.intake.names import Tag
from lamplighter.intake.reasons import NO_TIME, Reasons, closer_look
from lamplighter.intake.rows import BITS, Rows, joined, make_rows
from lamplighter.intake.text import Block

BLANK_WORDS = ("", "nan", "na", "n/a", "#n/a", "null", "none", "nil", "-", "--", "---")
"""Cells that hold no record at all, in lower case."""


def convert_wide(job: Job, cells: Cells, rejected: Rejected) -> Rows:
    """Turn the cells of a block into rows: one a node wherever any of its cells is filled.

    What was set aside when it was cut into cells is in ``rejected``.
    """
    job.noticed.records += len(rejected.line)
    n = cells.table.num_rows
    reasons = Reasons(n)
    time = instants_of(job, cells, np.zeros(n, dtype=np.int32), reasons)
    unread = [i for i, why in enumerate(reasons.words) if why == NO_TIME]
    gone = np.isin(reasons.code, unread) if unread else np.zeros(n, dtype=bool)
    for row in np.flatnonzero(gone).tolist():
        line, text = cells.trace(row)
        rejected.add(line, closer_look(text, job.plan.delimiter, job.plain_heading, NO_TIME), text)
    job.noticed.records += int(gone.sum())
    parts = [_node_rows(job, cells, tags, time, gone, reasons, rejected) for tags in _by_node(job.plan.tags)]
    return joined(parts)


def _by_node(tags: dict[int, Tag]) -> list[dict[int, Tag]]:
    """Columns by node; a second column of the same measure makes a group of its own, so that no record is lost."""
    groups: dict[tuple[str, str, int], dict[int, Tag]] = {}
    seen: Counter[tuple[str, str, str]] = Counter()
    for column, tag in tags.items():
        key = (tag.node, tag.path, tag.measure)
        groups.setdefault((tag.node, tag.path, seen[key]), {})[column] = tag
        seen[key] += 1
    return list(groups.values())


def wide_cells(job: Job, block: Block, rejected: Rejected) -> Cells:
    """Return the cells of a block of the layout of one column a tag."""
    roles = {r: c for r, c in job.plan.columns.items() if r in ("time", "date", "clock")}
    if not job.types:
        job.types = {f"c{c}": pa.string() if t.measure == "quality" else pa.float64() for c, t in job.plan.tags.items()}
        job.types |= time_types(job)
    nulls = sorted({w for word in BLANK_WORDS for w in (word, word.upper(), word.capitalize())} | {"NaN"})
    return read_cells(job, block, sorted({*roles.values(), *job.plan.tags}), nulls, rejected)


def _filled(column: pa.Array) -> np.ndarray:
    if pa.types.is_dictionary(column.type):
        return _filled(column.dictionary)[column.indices.to_numpy(zero_copy_only=False)]
    if not pa.types.is_string(column.type):
        return pc.is_valid(column).to_numpy(zero_copy_only=False)
    blank = pc.is_in(pc.utf8_lower(pc.utf8_trim_whitespace(pc.fill_null(column, ""))), pa.array(BLANK_WORDS))
    return ~blank.to_numpy(zero_copy_only=False)


def _node_rows(
    job: Job,
    cells: Cells,
    tags: dict[int, Tag],
    time: np.ndarray,
    gone: np.ndarray,
    reasons: Reasons,
    rejected: Rejected,
) -> Rows:
    """One node's rows."""
    n = len(time)
    node_tag = next(iter(tags.values()))
    values: dict[str, np.ndarray] = {}
    has = np.zeros(n, dtype=np.uint8)
    grade = np.zeros(n, dtype=np.int8)
    against: dict[int, np.ndarray] = {}
    not_sent = np.zeros(n, dtype=bool)
    for column, tag in tags.items():
        cell = one_array(cells.table[f"c{column}"])
        filled = _filled(cell) & ~gone
        job.noticed.records += int(filled.sum())
        if tag.measure == "quality":
            grade, not_sent, fine = _grades(job, cell, filled)
        else:
            values[tag.measure], fine = _measured(job, cell, tag)
            fine &= filled
        against[column] = filled & (~fine | (reasons.code > 0))
        has |= np.where(fine & (reasons.code == 0), BITS[tag.measure], 0).astype(np.uint8)
    if not_sent.any():
        against = {c: odd | (not_sent & _filled(one_array(cells.table[f"c{c}"])) & ~gone) for c, odd in against.items()}
        has[not_sent] = 0
    for column, odd in against.items():
        _set_aside(job, cells, column, odd, not_sent, reasons, rejected)
    lonely = has == BITS["quality"]
    some = np.flatnonzero((has > 0) & ~(lonely & (grade != BAD)))
    _set_aside_lonely(job, cells, tags, lonely & (grade != BAD), rejected)
    code = job.names.code(node_tag.node, node_tag.path if node_tag.path != node_tag.node else "")
    columns = {k: np.where((has[some] & BITS[k]) > 0, v[some], np.nan) for k, v in values.items()}
    return make_rows(
        len(some), node=code, time=time[some], has=has[some], quality=grade[some], file=job.file, **columns
    )


def _measured(job: Job, cell: pa.Array, tag: Tag) -> tuple[np.ndarray, np.ndarray]:
    value, _ = numbers_of(job, cell)
    if tag.measure == "reading":
        target = job.units.get(tag.node, "") or job.units.get(tag.path, "")
        factor, offset = reading_scale(tag.node, tag.unit, target, job.noticed)
        scaled = value if (factor, offset) == (1.0, 0.0) else value * factor + offset
    elif tag.measure == "sequence":
        scaled = value
    else:
        scaled = in_table_unit(tag.measure, value, tag.unit, job.noticed)
    return scaled, value == value


def _grades(job: Job, cell: pa.Array, filled: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    words = pc.utf8_trim_whitespace(pc.fill_null(cell, ""))
    known = pc.unique(words).to_pylist()
    codes = quality.convention_of(known, job.settings.intake.quality_codes)
    grade, not_sent = np.zeros(len(filled), dtype=np.int8), np.zeros(len(filled), dtype=bool)
    for word in known:
        if word:
            kind, why = quality.meaning(word, codes)
            at = pc.equal(words, word).to_numpy(zero_copy_only=False)
            grade[at], not_sent[at] = kind, bool(why)
    return grade, not_sent, filled.copy()


def _set_aside(
    job: Job, cells: Cells, column: int, odd: np.ndarray, not_sent: np.ndarray, reasons: Reasons, rejected: Rejected
) -> None:
    cell = one_array(cells.table[f"c{column}"])
    for row in np.flatnonzero(odd).tolist():
        line, _ = cells.trace(row)
        text = str(cell[row])
        if reasons.code[row]:
            why = reasons.text(row)
        elif not_sent[row]:
            why = "nothing was transmitted by its quality"
        else:
            why = quality.not_sent(text)
            why = (
                f"nothing was transmitted: {why}"
                if why
                else "no value"
                if _known_word(text)
                else f"no value: {text[:40]!r} is no number"
            )
        rejected.add(line, why, f"{job.plan.heading[column]} = {text}")


def _known_word(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return text.strip() in numerals.MISSING_WORDS
    return True


def _set_aside_lonely(job: Job, cells: Cells, tags: dict[int, Tag], lonely: np.ndarray, rejected: Rejected) -> None:
    """Record quality cells with no value beside them: they are no check-ins."""
    column = next((c for c, t in tags.items() if t.measure == "quality"), None)
    if column is None:
        return
    for row in np.flatnonzero(lonely).tolist():
        line, _ = cells.trace(row)
        rejected.add(
            line, "no value beside its quality", f"{job.plan.heading[column]} = {cells.table[f'c{column}'][row]}"
        )
