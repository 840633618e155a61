"""One export at a time from the reader of exports into a history, block by block."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from lamplighter.checkins import empty_rejects
from lamplighter.intake.files import Broken, find_exports
from lamplighter.intake.read import _read_one, _Run
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
    """Reads exports as :func:`lamplighter.read_exports` does, without holding them in memory."""

    settings: Settings
    units: Mapping[str, str] = field(default_factory=dict)

    @property
    def registered(self) -> Mapping[str, str]:
        """Nodes that stand in the register."""
        return self.units

    def __call__(self, path: Path, names: Names, first: int, sink: Sink) -> Found:
        """Give all rows of an export to the sink.

        Raises
        ------
        InputError
            When it cannot be read.
        """
        run = _Run(names=names, parts=_Passing(sink, names))
        for number, export in enumerate(find_exports([path], self.settings.intake.max_expansion), start=first):
            if isinstance(export, Broken):
                raise export.error
            _read_one(export, number, run, self.settings, dict(self.units))
        rejects = pd.concat(run.rejected, ignore_index=True) if run.rejected else empty_rejects()
        return Found(accounts=tuple(run.files), rejects=rejects, notes=tuple(run.notes))
