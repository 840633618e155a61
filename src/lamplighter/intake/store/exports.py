"""One export at a time from the reader of exports into a history, block by block."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from lamplighter.checkins import FileAccount, empty_rejects
from lamplighter.errors import InputError
from lamplighter.intake.files import Broken, Export, find_exports
from lamplighter.intake.plan import Plan
from lamplighter.intake.read import _read_one, _Run, plan_all
from lamplighter.intake.rows import Names, Rows
from lamplighter.intake.store.collect import Found, Sink
from lamplighter.settings import Settings


class _Passing(list):
    """Looks like a list of rows and hands each on at once."""

    def __init__(self, sink: Sink, names: Names) -> None:
        super().__init__()
        self._sink, self._names = sink, names

    def append(self, rows: Rows) -> None:
        self._sink(rows, self._names)


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
            run = _Run(names=names, parts=_Passing(sink, names))
            for _ in group:
                self._read(*next(plans), number, run, path in self.named)
                number += 1
            rejects = pd.concat(run.rejected, ignore_index=True) if run.rejected else empty_rejects()
            yield Found(accounts=tuple(run.files), rejects=rejects, notes=tuple(run.notes))

    def _read(self, export: Export | Broken, plan: Plan | InputError, number: int, run: _Run, named: bool) -> None:
        try:
            if isinstance(plan, InputError):
                raise plan
            _read_one(export, plan, number, run, self.settings, dict(self.units))
        except InputError as bad:
            if named:
                raise
            run.files.append(FileAccount(file=export.name, problem=str(bad)))
