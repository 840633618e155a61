"""What only a whole column can tell: the order of day and month, and the meaning of quality codes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from lamplighter.dates import DAY_FIRST, OrderEvidence
from lamplighter.errors import InputError
from lamplighter.intake import quality
from lamplighter.intake.cells import Rejected, mended_cells
from lamplighter.intake.files import Export
from lamplighter.intake.plan import Plan, time_cells
from lamplighter.intake.source import blocks_after_heading
from lamplighter.intake.text import Block
from lamplighter.intake.times import order_evidence
from lamplighter.settings import Settings

_MANY_CODES = 1000


def order_is_open(plan: Plan) -> bool:
    """Whether the order of day and month is not decided yet."""
    return plan.form.kind == "text" and not plan.form.order


def weigh_order(export: Export, plan: Plan, settings: Settings) -> OrderEvidence:
    """Count what a column of dates says of its order: the first rows, and all of them if those do not tell."""
    evidence = order_evidence(pa.array(time_cells(plan, plan.sample), type=pa.string()))
    if evidence.order:
        return evidence
    column = plan.columns.get("time", plan.columns.get("date", 0))
    evidence = OrderEvidence()
    for texts in _column_texts(export, plan, settings, column):
        evidence += order_evidence(texts)
        if evidence.order:
            break
    return evidence


def with_order(plan: Plan, own: OrderEvidence, others: OrderEvidence, name: str) -> Plan:
    """Return the plan with its order decided by its own dates, else by exports with the same headings.

    Raises
    ------
    InputError
        When nothing decides: a question that names the setting to answer it.
    """
    order = own.order or (others.order if not own.both else "")
    if not order and not own.open and not own.both:
        order = DAY_FIRST
    if order:
        return replace(plan, form=replace(plan.form, order=order))
    example = next((c for c in time_cells(plan, plan.sample)), "")
    problem = (
        "some dates have the day first and some the month"
        if own.both
        else f"is {example!r} day first or month first? No date tells"
    )
    raise InputError(
        problem,
        file=name,
        line=plan.heading_line + 1,
        remedy='say it in the settings: [intake] date_order = "day first" or "month first"',
    )


def with_codes(export: Export, plan: Plan, settings: Settings) -> Plan:
    """Return the plan with the meaning of its quality codes decided: by the first rows, else by all of them."""
    declared = settings.intake.quality_codes
    column = plan.columns.get("quality")
    if column is None or declared != "auto":
        return replace(plan, codes=declared if declared != "auto" else plan.codes)
    codes = {r[column].strip() for r in plan.sample if column < len(r)}
    convention = quality.convention_of(codes)
    if convention == quality.NONE or codes <= {"0", ""}:
        for texts in _column_texts(export, plan, settings, column):
            codes |= {c.strip() for c in pc.unique(texts).to_pylist() if c}
            if quality.convention_of(codes) == quality.CLASSIC or len(codes) > _MANY_CODES:
                break
        convention = quality.convention_of(codes)
    notes = plan.notes
    if convention == quality.NONE:
        shown = ", ".join(sorted(codes - {""})[:4])
        notes += (
            f"the quality codes ({shown}) are not understood and ignored; declare them by [intake] quality_codes",
        )
    elif codes - {""} == {"0"}:
        notes += (
            'every quality code is 0, read as good of OPC UA; for OPC Classic set [intake] quality_codes = "classic"',
        )
    return replace(plan, codes=convention, notes=notes)


def _column_texts(export: Export, plan: Plan, settings: Settings, column: int) -> Iterator[pa.Array]:
    for block in blocks_after_heading(export, plan, settings):
        yield _texts_of(block, plan, column)


def _texts_of(block: Block, plan: Plan, column: int) -> pa.Array:
    names = [f"c{i}" for i in range(len(plan.heading))]
    wanted = f"c{column}"
    try:
        table = pa_csv.read_csv(
            pa.BufferReader(block.data),
            read_options=pa_csv.ReadOptions(column_names=names),
            parse_options=pa_csv.ParseOptions(
                delimiter=plan.delimiter, quote_char='"' if block.quoted else False, newlines_in_values=block.quoted
            ),
            convert_options=pa_csv.ConvertOptions(include_columns=[wanted], column_types={wanted: pa.string()}),
        )
    except (pa.ArrowInvalid, pa.ArrowKeyError):
        table = mended_cells(block, len(names), plan.delimiter, [column], Rejected()).table
    return pc.fill_null(pa.concat_arrays(table[wanted].chunks) if table.num_rows else pa.array([], pa.string()), "")
