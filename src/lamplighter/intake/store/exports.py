"""One export at a time from the reader of exports into a history, block by block."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from lamplighter.checkins import FileAccount, empty_rejects
from lamplighter.errors import InputError
from lamplighter.intake.convert import Job
from lamplighter.intake.files import Broken, Export, find_exports
from lamplighter.intake.notes import notes_of_jobs
from lamplighter.intake.plan import Plan
from lamplighter.intake.read import plan_all, reject_frame, rows_of
from lamplighter.intake.rows import Names
from lamplighter.intake.store.found import Found, Sink
from lamplighter.settings import Settings
from lamplighter.wording import count


@dataclass(frozen=True)
class ExportReader:
    """Reads exports as :func:`lamplighter.read_exports` does, without holding them in memory.

    Parameters
    ----------
    settings : Settings
    units : mapping of node to unit
        Units of readings, from the register.
    named : set of Path
        Files that the user named one by one: one of them that cannot be read stops the run.
    """

    settings: Settings
    units: Mapping[str, str] = field(default_factory=dict)
    named: frozenset[Path] = frozenset()

    @property
    def registered(self) -> Collection[str]:
        """Nodes that stand in the register."""
        return self.units.keys()

    def __call__(self, paths: Sequence[Path], names: Names, first: int, sink: Sink) -> Iterator[Found]:
        """Give the rows of one file after the other to the sink.

        Raises
        ------
        InputError
            When a file named by the user cannot be read.
        """
        members = [find_exports([path], self.settings.intake.max_expansion) for path in paths]
        plans = iter(plan_all([m for group in members for m in group], self.settings))
        number = first
        for path, group in zip(paths, members, strict=True):
            read = [self._read(next(plans), names, number + k, sink, path in self.named) for k in range(len(group))]
            frames = [frame for one in read for frame in one.rejects]
            yield Found(
                accounts=tuple(one.account for one in read),
                rejects=pd.concat(frames, ignore_index=True) if frames else empty_rejects(),
                notes=tuple(notes_of_jobs([(one.account.file, one.job) for one in read if one.job])),
                broken=frozenset(number + k for k, one in enumerate(read) if one.job is None),
            )
            number += len(group)

    def _read(
        self,
        planned: tuple[Export | Broken, Plan | InputError],
        names: Names,
        number: int,
        sink: Sink,
        named: bool,
    ) -> _Read:
        export, plan = planned
        try:
            if isinstance(export, Broken):
                raise export.error
            if isinstance(plan, InputError):
                raise plan
            job = Job(plan, self.settings, names, number, dict(self.units))
            return _read_blocks(export, job, names, sink)
        except InputError as bad:
            if named:
                raise
            return _Read(FileAccount(file=export.name, problem=str(bad)))


@dataclass(frozen=True)
class _Read:
    account: FileAccount
    job: Job | None = None
    rejects: tuple[pd.DataFrame, ...] = ()


def _read_blocks(export: Export, job: Job, names: Names, sink: Sink) -> _Read:
    """Give an export's rows to the sink block by block."""
    frames: list[pd.DataFrame] = []
    broken: list[str] = []
    for rows, odd in rows_of(export, job, broken):
        sink(rows, names)
        if odd.line:
            frames.append(reject_frame(export.name, odd))
    records = job.noticed.records
    account = FileAccount(
        file=export.name,
        layout=job.plan.layout,
        reading_notes=job.plan.described,
        records_read=records,
        rejected=sum(map(len, frames)),
        problem=f"breaks off after {count(records, 'record')}: {broken[0]}" if broken else "",
    )
    return _Read(account, job, tuple(frames))
