"""What reading exports gives a history, and what a run of collect tells."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import pandas as pd

from lamplighter.checkins import Account, FileAccount, Note
from lamplighter.intake.rows import Names, Rows
from lamplighter.wording import count

Sink = Callable[[Rows, Names], None]
Progress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True)
class CollectResult:
    """What one run of collect did.

    Attributes
    ----------
    folder : Path
        The history.
    files : tuple of str
        Exports collected in this run.
    skipped : tuple of str
        Exports whose content had been collected before.
    account : Account
        Where the records of this run went; ``check_ins`` counts the ones added.
    rejects : DataFrame
        Records rejected in this run: file, line, reason, text.
    nodes, rows : int
        What the history holds now.
    """

    folder: Path
    files: tuple[str, ...]
    skipped: tuple[str, ...]
    account: Account
    rejects: pd.DataFrame
    nodes: int
    rows: int

    def lines(self) -> list[str]:
        """Return in plain words what was done, one line a fact."""
        a = self.account
        before = f", {count(len(self.skipped), 'file')} skipped: collected before" if self.skipped else ""
        fate = f"{a.kept:,} kept, {count(a.duplicates, 'duplicate')}, {a.rejected:,} rejected"
        return [
            f"{count(len(self.files), 'file')} collected{before}",
            f"{count(a.records_read, 'record')} read: {fate}",
            *(f"  rejected: {n:,} {reason}" for reason, n in a.reasons.items()),
            *(f"  {f.problem if f.file in f.problem else f'{f.file}: {f.problem}'}" for f in a.files if f.problem),
            *(f"  {note.text}" for note in a.notes),
            f"{count(a.check_ins, 'check-in')} added; the history holds {self.rows:,} of {count(self.nodes, 'node')}",
        ]


@dataclass(frozen=True, kw_only=True)
class Found:
    """What reading one export file found besides its rows.

    Attributes
    ----------
    accounts : tuple of FileAccount
        One for the file, or for each file in an archive; rows carry their place among all of a run.
    rejects : DataFrame
    notes : tuple of Note
    """

    accounts: tuple[FileAccount, ...]
    rejects: pd.DataFrame
    notes: tuple[Note, ...] = ()
    broken: frozenset[int] = frozenset()
    """Numbers of accounts whose rows, if any came, are not to be kept."""

    @property
    def read(self) -> bool:
        """Whether anything could be read; if not, the file is tried again next time."""
        return any(a.layout for a in self.accounts)


class Reader(Protocol):
    """Reads export files block by block; ``registered`` are the nodes that stand in the register."""

    @property
    def registered(self) -> Collection[str]:
        """Nodes that stand in the register."""

    def __call__(self, paths: Sequence[Path], names: Names, first: int, sink: Sink) -> Iterator[Found]:
        """Give the rows of one file after the other to the sink, numbered by account from ``first``."""


def counted(rejects: pd.DataFrame) -> dict[str, int]:
    """Return rejected records by reason, the most frequent first."""
    return dict(sorted(Counter(rejects["reason"]).items(), key=lambda r: (-r[1], r[0])))
