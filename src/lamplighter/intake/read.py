"""Exports to check-ins: the one reader."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd

from lamplighter.checkins import COLUMNS, Account, CheckIns, FileAccount, empty_rejects
from lamplighter.errors import InputError
from lamplighter.intake.cells import Cells, Rejected
from lamplighter.intake.convert import Job
from lamplighter.intake.files import Export, find_exports
from lamplighter.intake.layout_plain import convert_plain, plain_cells
from lamplighter.intake.layout_tags import convert_tags, tag_cells
from lamplighter.intake.layout_wide import convert_wide, wide_cells
from lamplighter.intake.notes import duplicate_notes, notes_of_jobs
from lamplighter.intake.plan import PLAIN, TAGS, WIDE, Plan
from lamplighter.intake.planning import plan_all
from lamplighter.intake.renames import put_names_right
from lamplighter.intake.rows import Names, Rows, joined_in_order
from lamplighter.intake.settle import ranked, settle_sorted, sort_order
from lamplighter.intake.shapes import put_right
from lamplighter.intake.source import blocks_after_heading
from lamplighter.settings import Settings
from lamplighter.wording import count

Progress = Callable[[int, int], None]
T = TypeVar("T")
LAYOUTS = {
    PLAIN: (plain_cells, convert_plain),
    TAGS: (tag_cells, convert_tags),
    WIDE: (wide_cells, convert_wide),
}
"""How blocks of each layout become cells, and cells become rows."""


@dataclass
class Run:
    """What a reading gathers as it goes."""

    names: Names = field(default_factory=Names)
    parts: list[Rows] = field(default_factory=list)
    files: list[FileAccount] = field(default_factory=list)
    rejected: list[pd.DataFrame] = field(default_factory=list)
    jobs: list[tuple[str, Job]] = field(default_factory=list)


def read_exports(
    paths: str | Path | Iterable[str | Path],
    settings: Settings | None = None,
    *,
    units: Mapping[str, str] | None = None,
    progress: Progress | None = None,
) -> CheckIns:
    """Read exports into one table of check-ins.

    Parameters
    ----------
    paths : path or iterable of paths
        Files, folders or globs; plain, .gz or .zip. Their order does not matter.
    settings : Settings, optional
    units : mapping of node to unit, optional
        Unit of each node's reading in the register; readings whose heading names another are converted to it.
    progress : callable, optional
        Called with the number of exports done and in all.

    Returns
    -------
    CheckIns
        The table (see :data:`lamplighter.checkins.COLUMNS`), the account of every record, rejects, and traits.

    Raises
    ------
    InputError
        When a file named directly cannot be read, or nothing at all could be; names file, line and remedy.
    """
    settings = settings or Settings()
    exports = find_exports(paths, settings.intake.max_expansion)
    run = Run()
    planned = plan_all(exports, settings)
    for i, (export, plan) in enumerate(planned):
        try:
            if isinstance(plan, InputError):
                raise plan
            read_one(export, plan, i, run, settings, dict(units or {}))
        except InputError as bad:
            if export.direct:
                raise
            run.files.append(FileAccount(file=export.name, problem=str(bad)))
        if progress:
            progress(i + 1, len(exports))
    if not any(f.layout for f in run.files):
        raise InputError(
            f"none of {len(exports)} files could be read; the first: {run.files[0].problem}", remedy="see preview"
        )
    return finished(run, settings, units or {}, len(exports))


def read_one(
    export: Export,
    plan: Plan,
    number: int,
    run: Run,
    settings: Settings,
    units: dict[str, str],
    most_blocks: int | None = None,
) -> bool:
    """Read one export into a run; return whether all of it was read.

    Raises
    ------
    InputError
        When it cannot be read; then nothing of it is kept.
    """
    job = Job(plan, settings, run.names, number, units)
    parts, frames, broken = [], [], []
    whole = True
    for k, (rows, odd) in enumerate(rows_of(export, job, broken)):
        if k == most_blocks:
            whole = False
            break
        parts.append(rows)
        if odd.line:
            frames.append(reject_frame(export.name, odd))
    run.parts += parts
    run.rejected += frames
    run.jobs.append((export.name, job))
    run.files.append(
        FileAccount(
            file=export.name,
            layout=plan.layout,
            reading_notes=plan.described,
            records_read=job.noticed.records,
            rejected=sum(map(len, frames)),
            problem=f"breaks off after {count(job.noticed.records, 'record')}: {broken[0]}" if broken else "",
        )
    )
    return whole


def rows_of(export: Export, job: Job, broken: list[str]) -> Iterator[tuple[Rows, Rejected]]:
    """Yield an export's rows block by block, with what was set aside; why it breaks off is added to ``broken``."""
    to_cells, to_rows = LAYOUTS[job.plan.layout]

    def cells() -> Iterator[tuple[Cells, Rejected]]:
        for block in blocks_after_heading(export, job.plan, job.settings, broken):
            odd = Rejected()
            yield to_cells(job, block, odd), odd

    # Cutting a block into cells needs nothing of what its forerunners' rows leave behind.
    for found, odd in made_ahead(cells()):
        yield to_rows(job, found, odd), odd


def made_ahead(items: Generator[T]) -> Iterator[T]:
    """Yield items, the next of which is made in a thread in the meantime."""
    end = object()
    with closing(items), ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, items, end)
        while (item := coming.result()) is not end:
            coming = pool.submit(next, items, end)
            yield item


def reject_frame(name: str, rejected: Rejected) -> pd.DataFrame:
    """Return records set aside as a table."""
    line = np.array(rejected.line, dtype=np.int64)
    return pd.DataFrame({"file": name, "line": line, "reason": rejected.reason, "text": rejected.text})


def finished(run: Run, settings: Settings, units: Mapping[str, str], n_files: int) -> CheckIns:
    """Settle what was read, put misleading shapes right, and draw up the account."""
    names, rank = ranked(run.names.final(units, settings.intake.renames))
    rows = joined_in_order(run.parts, rank, sort_order)
    run.parts = []
    settled = settle_sorted(rows, settings.intake.join_tolerance_s, n_files)
    shaped = put_right(settled.rows, names, settings, n_files)
    named = put_names_right(shaped.rows, names, units, settings.intake, n_files)
    traits = {named.moved.get(n, n): t for n, t in shaped.traits.items()}
    dropped = settled.duplicates + shaped.dropped + named.dropped
    files = [
        replace(f, duplicates=int(d), kept=f.records_read - f.rejected - int(d))
        for f, d in zip(run.files, dropped, strict=True)
    ]
    rejects = pd.concat(run.rejected, ignore_index=True) if run.rejected else empty_rejects()
    rejects = rejects.sort_values(["file", "line"], kind="stable", ignore_index=True)
    account = Account(
        files=tuple(files),
        records_read=sum(f.records_read for f in files),
        kept=sum(f.kept for f in files),
        duplicates=sum(f.duplicates for f in files),
        rejected=sum(f.rejected for f in files),
        check_ins=len(named.rows),
        reasons=dict(sorted(Counter(rejects["reason"]).items(), key=lambda r: (-r[1], r[0]))),
        notes=(
            *notes_of_jobs(run.jobs),
            *duplicate_notes(files, int(settled.duplicates.sum())),
            *shaped.notes,
            *named.notes,
        ),
    )
    return CheckIns(table_of(named.rows, named.names), account, rejects, traits)


def table_of(rows: Rows, names: list[str]) -> pd.DataFrame:
    """Return settled rows as the check-in table."""
    used = np.unique(rows.node)
    code = np.searchsorted(used, rows.node).astype(np.int32)
    data = {
        "node": pd.Categorical.from_codes(
            code, categories=pd.Index([names[i] for i in used], dtype="str" if len(used) else object)
        ),
        "time": pd.DatetimeIndex(rows.time.view("datetime64[us]")).tz_localize("UTC"),
    }
    columns = {c: getattr(rows, c) for c in COLUMNS[2:]}
    data |= {c: v if v.flags.writeable else v.copy() for c, v in columns.items()}
    return pd.DataFrame(data, columns=list(COLUMNS), copy=False)
