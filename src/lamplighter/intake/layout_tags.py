"""One row a tag and time."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from lamplighter.checkins import BAD, MEASURES
from lamplighter.intake import quality
from lamplighter.intake.cells import Cells, Rejected
from lamplighter.intake.convert import (
    Job,
    coded,
    column_of,
    grades_of,
    instants_of,
    numbers_of,
    say_no_value,
    set_aside,
)
from lamplighter.intake.layout_plain import WORD, read_cells, time_types
from lamplighter.intake.measures import in_table_unit, reading_scale
from lamplighter.intake.names import Tag
from lamplighter.intake.reasons import NO_NODE, Reasons
from lamplighter.intake.rows import BITS, VALUES, Rows, make_rows
from lamplighter.intake.text import Block

_SEPARATOR = "\x1f"


def convert_tags(job: Job, cells: Cells, rejected: Rejected) -> Rows:
    """Turn the cells of a block into rows, consecutive records of one check-in joined.

    What was set aside when it was cut into cells is in ``rejected``.
    """
    n = cells.table.num_rows
    job.noticed.records += n + len(rejected.line)
    reasons = Reasons(n)
    index, tags, clocks = _tags(job, cells, n)
    time = instants_of(job, cells, clocks[index], reasons)
    node, bit = _nodes(job, index, tags, reasons)
    value, strange = numbers_of(job, column_of(job, cells, "reading"))
    grade = grades_of(job, column_of(job, cells, "quality"), n, reasons)
    value = _scaled(job, value, index, tags)
    value, grade = _quality_tags(job, value, grade, bit, reasons)
    odd = [] if strange is None else [(column_of(job, cells, "reading"), strange)]
    say_no_value(odd, reasons, ~(value == value) & (grade != BAD) & (bit != BITS["quality"]))
    good = set_aside(job, cells, reasons, rejected)
    columns = [node, time, bit, value, grade]
    if good is not None:
        columns = [c[good] for c in columns]
    return gather(*columns, file=job.file)


def tag_cells(job: Job, block: Block, rejected: Rejected) -> Cells:
    """Return the cells of a block of the layout of one row a tag and time."""
    roles = {
        r: c
        for r, c in job.plan.columns.items()
        if r in ("tag", "node", "measure", "time", "date", "clock", "reading", "quality", "unit")
    }
    if not job.types:
        words = ("tag", "node", "measure", "quality", "unit")
        job.types = {f"c{c}": WORD if r in words else pa.float64() for r, c in roles.items()} | time_types(job)
    return read_cells(job, block, sorted(set(roles.values())), job.missing_words, rejected)


def _tags(job: Job, cells: Cells, n: int) -> tuple[np.ndarray, list[Tag | None], np.ndarray]:
    """Return each row's place in the list of distinct tags, that list (None for an empty tag), and their clocks."""
    roles = ("tag",) if "tag" in job.plan.columns else ("node", "measure")
    index = np.zeros(n, dtype=np.int64)
    words: list[tuple[str, ...]] = [()]
    for role in (*roles, "unit"):
        column = column_of(job, cells, role)
        if column is None:
            words = [(*w, "") for w in words]
            continue
        place, distinct = coded(column)
        index = index * len(distinct) + place
        words = [(*w, d) for w in words for d in distinct]
    used, index = np.unique(index, return_inverse=True)
    distinct_words = [words[i] for i in used.tolist()]
    clocks = [job.clocks.setdefault(w, len(job.clocks)) for w in distinct_words]
    return index, [_tag(job, w) for w in distinct_words], np.array(clocks or [0], dtype=np.int32)


def _tag(job: Job, words: tuple[str, ...]) -> Tag | None:
    *parts, unit = (" ".join(w.split()) for w in words)
    if not parts[0]:
        return None
    if len(parts) == 2:
        tag = job.rules.of_measure(parts[0], parts[1])
    else:
        tag = job.rules.split(parts[0])
    return tag.with_unit(unit)


def _nodes(job: Job, index: np.ndarray, tags: list[Tag | None], reasons: Reasons) -> tuple[np.ndarray, np.ndarray]:
    """Each row's node number and bit of its measure; rows whose tag means nothing have a reason against them."""
    node, bit = np.zeros(len(tags) + 1, dtype=np.int32), np.zeros(len(tags) + 1, dtype=np.uint8)
    against = np.full(len(tags) + 1, -1, dtype=np.int64)
    words: list[str] = []
    for i, tag in enumerate(tags):
        if tag is not None and (tag.node or job.plan.node) and tag.measure in BITS:
            node[i] = job.names.code(tag.node, tag.path if tag.path != tag.node else "")
            bit[i] = BITS[tag.measure]
            continue
        against[i] = len(words)
        if tag is None or not (tag.node or job.plan.node):
            words.append(NO_NODE)
        else:
            job.noticed.unknown_tags[tag.path] += 1
            words.append(f"the tag names no measure that is used here ({tag.path[:40]})")
    odd = np.flatnonzero(against[index] >= 0) if words else np.zeros(0, dtype=np.int64)
    reasons.give_each(odd, against[index[odd]], words)
    return node[index], bit[index]


def _scaled(job: Job, value: np.ndarray, index: np.ndarray, tags: list[Tag | None]) -> np.ndarray:
    """Return the values in the table's units."""
    factor, offset = np.ones(len(tags) + 1), np.zeros(len(tags) + 1)
    kinds: dict[tuple[str, str], int] = {}
    kind = np.full(len(tags) + 1, -1, dtype=np.int64)
    for i, tag in enumerate(tags):
        if tag is None or tag.measure not in MEASURES:
            continue
        if tag.measure == "reading":
            target = job.units.get(tag.node, "") or job.units.get(tag.path, "")
            factor[i], offset[i] = reading_scale(tag.node, tag.unit, target, job.noticed)
        elif tag.unit or tag.measure == "battery_v":
            kind[i] = kinds.setdefault((tag.measure, tag.unit), len(kinds))
    for (measure, unit), k in kinds.items():
        mine = np.flatnonzero((kind == k)[index])
        value = _put(value, mine, in_table_unit(measure, value[mine], unit, job.noticed))
    if (factor != 1).any() or offset.any():
        value = value * factor[index] + offset[index]
    return value


def _put(value: np.ndarray, at: np.ndarray, new: np.ndarray) -> np.ndarray:
    value = value if value.flags.writeable else value.copy()
    value[at] = new
    return value


def _quality_tags(
    job: Job, value: np.ndarray, grade: np.ndarray, bit: np.ndarray, reasons: Reasons
) -> tuple[np.ndarray, np.ndarray]:
    """Tags whose values are quality codes: their meaning becomes the grade of the check-in they are joined to."""
    mine = bit == BITS["quality"]
    if mine.any():
        known = np.unique(value[mine & (value == value)])
        words = [f"{v:.0f}" for v in known]
        codes = quality.convention_of(words, job.settings.intake.quality_codes)
        grade = grade.copy()
        for v, word in zip(known, words, strict=True):
            kind, why = quality.meaning(word, codes)
            grade[mine & (value == v)] = kind
            if why:
                reasons.give(mine & (value == v), f"nothing was transmitted: {why} (quality {word})")
    other = (bit != BITS["reading"]) & ~mine
    spoiled = other & (grade == BAD)
    if spoiled.any():
        value = np.where(spoiled, np.nan, value)
    return value, np.where(other, 0, grade).astype(np.int8)


def gather(
    node: np.ndarray, time: np.ndarray, bit: np.ndarray, value: np.ndarray, grade: np.ndarray, file: int
) -> Rows:
    """Join consecutive records of one node and time into rows; a measure that comes twice keeps its records apart."""
    n = len(node)
    if n == 0:
        return make_rows(0, node=node, time=time)
    new = np.ones(n, dtype=bool)
    new[1:] = (node[1:] != node[:-1]) | (time[1:] != time[:-1])
    start = np.flatnonzero(new)
    has = np.bitwise_or.reduceat(bit, start)
    twice = np.add.reduceat(bit.astype(np.int64), start) != has
    if twice.any():
        group = np.cumsum(new) - 1
        new |= twice[group]
        start = np.flatnonzero(new)
        has = np.bitwise_or.reduceat(bit, start)
    row = np.cumsum(new) - 1
    columns = {}
    for name in VALUES:
        mine = bit == BITS[name]
        column = np.full(len(start), np.nan)
        column[row[mine]] = value[mine]
        columns[name] = column
    quality_of = np.maximum.reduceat(grade, start)
    return make_rows(len(start), node=node[start], time=time[start], has=has, quality=quality_of, file=file, **columns)
