"""One row a check-in."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from lamplighter.checkins import BAD, MEASURES
from lamplighter.intake.cells import Cells, Rejected, mended_cells, typed_cells
from lamplighter.intake.convert import (
    Job,
    column_of,
    grades_of,
    instants_of,
    node_codes,
    numbers_of,
    say_no_value,
    scale_by_node,
    set_aside,
)
from lamplighter.intake.measures import in_table_unit
from lamplighter.intake.reasons import Reasons
from lamplighter.intake.rows import BITS, VALUES, WHOLE, Rows, make_rows
from lamplighter.intake.text import Block

WORD = pa.dictionary(pa.int32(), pa.string())


def time_type(job: Job) -> pa.DataType | None:
    """Return the type by which the time column can be read at once, None when it has to be read as text."""
    form = job.plan.form
    if "time" not in job.plan.columns:
        return None
    if form.kind == "iso":
        return pa.timestamp("us", "UTC" if form.offset else None)
    return pa.float64() if form.numeric else None


def plain_cells(job: Job, block: Block, rejected: Rejected) -> Cells:
    """Return a block's cells: typed when the block is clean, else text."""
    roles = {r: c for r, c in job.plan.columns.items() if r in ("node", "time", "date", "clock", *VALUES, "quality")}
    if not job.types:
        job.types = {f"c{c}": pa.float64() if r in VALUES else WORD for r, c in roles.items()} | time_types(job)
    return read_cells(job, block, sorted(set(roles.values())), job.missing_words, rejected)


def time_types(job: Job) -> dict[str, pa.DataType]:
    """Return the types of the columns that hold date and time."""
    columns = job.plan.columns
    types = {f"c{columns[r]}": pa.string() for r in ("date", "clock") if r in columns}
    return types | ({f"c{columns['time']}": time_type(job) or pa.string()} if "time" in columns else {})


def read_cells(job: Job, block: Block, wanted: list[int], nulls: list[str], rejected: Rejected) -> Cells:
    """Return a block's wanted columns: by the job's types when the block's records fit, else as text and mended."""
    plan = job.plan
    names = [f"c{i}" for i in range(len(plan.heading))]
    cells = typed_cells(block, names, job.types, plan.delimiter, plan.decimal, nulls)
    return cells or mended_cells(block, len(names), plan.delimiter, wanted, rejected)


def convert_plain(job: Job, cells: Cells, rejected: Rejected) -> Rows:
    """Turn the cells of a block into rows; what was set aside when it was cut into cells is in ``rejected``."""
    n = cells.table.num_rows
    job.noticed.records += n + len(rejected.line)
    reasons = Reasons(n)
    column = column_of(job, cells, "node")
    node = node_codes(job, column, reasons) if column is not None else np.zeros(n, dtype=np.int32)
    time = instants_of(job, cells, node, reasons)
    values, has, strange = _values(job, cells, node, reasons)
    grade = grades_of(job, column_of(job, cells, "quality"), n, reasons)
    if any(m in values for m in MEASURES) and not (has > WHOLE).all():
        say_no_value(strange, reasons, (has == WHOLE) & (grade != BAD))
    good = set_aside(job, cells, reasons, rejected)
    columns = {"node": node, "time": time, "quality": grade, "has": has, **values}
    if good is not None:
        columns = {k: v[good] for k, v in columns.items()}
    return make_rows(len(columns["node"]), file=job.file, **columns)


def _values(
    job: Job, cells: Cells, node: np.ndarray, reasons: Reasons
) -> tuple[dict[str, np.ndarray], np.ndarray, list[tuple[pa.Array, np.ndarray]]]:
    """Measured values by column, bits of what each row has, and columns that hold strange texts with where they do."""
    values: dict[str, np.ndarray] = {}
    has = np.full(reasons.n, WHOLE, dtype=np.uint8)
    odd = []
    for role in VALUES:
        column = column_of(job, cells, role)
        if column is None:
            continue
        value, strange = numbers_of(job, column)
        if strange is not None and role in MEASURES:
            odd.append((column, strange))
        unit = job.plan.units.get(role, "")
        if role == "reading":
            value = scale_by_node(job, value, unit, node)
        elif role != "sequence":
            value = in_table_unit(role, value, unit, job.noticed)
        has |= (value == value).view(np.uint8) * np.uint8(BITS[role])
        values[role] = value
    return values, has, odd
