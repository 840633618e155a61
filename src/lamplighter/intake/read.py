"""Exports to check-ins: the one reader."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from lamplighter.checkins import COLUMNS, Account, CheckIns, FileAccount, Note
from lamplighter.errors import InputError
from lamplighter.intake.cells import Rejected
from lamplighter.intake.convert import Job
from lamplighter.intake.files import READ_ERRORS, Broken, Export, find_exports, opened, unreadable
from lamplighter.intake.layout_plain import convert_plain
from lamplighter.intake.layout_tags import convert_tags
from lamplighter.intake.layout_wide import convert_wide
from lamplighter.intake.plan import PLAIN, TAGS, WIDE, Plan, make_plan
from lamplighter.intake.rows import Names, Rows, joined
from lamplighter.intake.settle import settle
from lamplighter.intake.text import HEAD_BYTES, Block, TextStream, blocks_of, encoding_of
from lamplighter.settings import Settings

Progress = Callable[[int, int], None]
CONVERT = {PLAIN: convert_plain, TAGS: convert_tags, WIDE: convert_wide}


def plan_of(export: Export, settings: Settings) -> Plan:
    """Recognise how one export is to be read.

    Raises
    ------
    InputError
        When it cannot be read or is no export.
    """
    try:
        with opened(export, settings.intake.max_expansion) as raw:
            head = raw.read(HEAD_BYTES)
    except InputError:
        raise
    except READ_ERRORS as bad:
        raise unreadable(export.name, bad) from bad
    encoding = settings.intake.encoding if settings.intake.encoding != "auto" else encoding_of(head)
    text = head.decode(encoding, errors="replace").lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    whole = text if len(head) < HEAD_BYTES else text[: text.rfind("\n") + 1] or text
    return make_plan(whole, encoding, export.name, export.stem, settings)


def blocks_after_heading(export: Export, plan: Plan, settings: Settings) -> Iterator[Block]:
    """Yield the blocks of an export without the lines up to its headings."""
    intake = settings.intake
    with opened(export, intake.max_expansion) as raw:
        head = raw.read(HEAD_BYTES)
        stream = TextStream(raw, plan.encoding, head)
        for block in blocks_of(stream, int(intake.block_mb * 1e6), intake.max_quoted_lines):
            rest = _without_heading(block, plan.heading_line)
            if rest.data:
                yield rest


def _without_heading(block: Block, heading_line: int) -> Block:
    if block.line > heading_line:
        return block
    place = 0
    for _ in range(heading_line - block.line + 1):
        end = block.data.find(b"\n", place)
        if end < 0:
            return Block(b"", block.line, False)
        place = end + 1
    return Block(block.data[place:], heading_line + 1, block.quoted)


@dataclass
class _Run:
    """What a reading gathers as it goes."""

    names: Names = field(default_factory=Names)
    parts: list[Rows] = field(default_factory=list)
    files: list[FileAccount] = field(default_factory=list)
    rejected: list[pd.DataFrame] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)


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
        The table (see :data:`lamplighter.checkins.COLUMNS`), the account of every record, what was rejected, and traits.

    Raises
    ------
    InputError
        When a file named directly cannot be read, or nothing at all could be; names file, line and remedy.
    """
    settings = settings or Settings()
    exports = find_exports(paths, settings.intake.max_expansion)
    run = _Run()
    for i, export in enumerate(exports):
        try:
            if isinstance(export, Broken):
                raise export.error
            _read_one(export, i, run, settings, dict(units or {}))
        except InputError as bad:
            if export.direct:
                raise
            run.files.append(FileAccount(file=export.name, problem=str(bad)))
        if progress:
            progress(i + 1, len(exports))
    if not any(not f.problem for f in run.files):
        raise InputError(f"none of {len(exports)} files could be read; the first: {run.files[0].problem}", remedy="see preview")
    rows = joined(run.parts)
    names, rank = ranked(run.names.final(units or {}, settings.intake.renames))
    rows.node = rank[rows.node]
    settled = settle(rows, settings.intake.join_tolerance_s, len(exports))
    return _finish(run, names, settled.rows, settled.duplicates)


def _read_one(export: Export, number: int, run: _Run, settings: Settings, units: dict[str, str]) -> None:
    plan = plan_of(export, settings)
    job = Job(plan, settings, run.names, number, units)
    rejected = 0
    try:
        for block in blocks_after_heading(export, plan, settings):
            odd = Rejected()
            run.parts.append(CONVERT[plan.layout](job, block, odd))
            rejected += len(odd.line)
            if odd.line:
                run.rejected.append(_reject_frame(export.name, odd))
    except READ_ERRORS as bad:
        if isinstance(bad, InputError):
            raise
        raise unreadable(export.name, bad) from bad
    account = FileAccount(
        file=export.name, layout=plan.layout, reading_notes=plan.described, records_read=job.noticed.records, rejected=rejected
    )
    run.files.append(account)


def _reject_frame(name: str, rejected: Rejected) -> pd.DataFrame:
    return pd.DataFrame({"file": name, "line": np.array(rejected.line, dtype=np.int64), "reason": rejected.reason, "text": rejected.text})


def _finish(run: _Run, names: list[str], rows: Rows, duplicates: np.ndarray) -> CheckIns:
    from lamplighter.checkins import empty_rejects

    files = [
        replace(f, duplicates=int(d), kept=f.records_read - f.rejected - int(d)) if not f.problem else f
        for f, d in zip(run.files, duplicates, strict=True)
    ]
    rejects = pd.concat(run.rejected, ignore_index=True) if run.rejected else empty_rejects()
    account = Account(
        files=tuple(files),
        records_read=sum(f.records_read for f in files),
        kept=sum(f.kept for f in files),
        duplicates=sum(f.duplicates for f in files),
        rejected=sum(f.rejected for f in files),
        check_ins=len(rows),
        reasons=dict(sorted(Counter(rejects["reason"]).items(), key=lambda r: (-r[1], r[0]))),
        notes=tuple(run.notes),
    )
    return CheckIns(table_of(rows, names), account, rejects)


def ranked(final: list[str]) -> tuple[list[str], np.ndarray]:
    """Return the distinct names in order, and each old number's place among them."""
    names = sorted(set(final))
    place = {n: i for i, n in enumerate(names)}
    return names, np.array([place[n] for n in final], dtype=np.int32)


def table_of(rows: Rows, names: list[str]) -> pd.DataFrame:
    """Return settled rows as the check-in table."""
    used = np.unique(rows.node)
    code = np.searchsorted(used, rows.node).astype(np.int32)
    data = {
        "node": pd.Categorical.from_codes(code, categories=pd.Index([names[i] for i in used], dtype="str" if len(used) else object)),
        "time": pd.DatetimeIndex(rows.time.view("datetime64[us]")).tz_localize("UTC"),
    }
    data |= {c: getattr(rows, c) for c in COLUMNS[2:]}
    return pd.DataFrame(data, columns=list(COLUMNS))
