"""Exports into a history: what was collected before is skipped, what overlaps is merged, all or nothing."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from lamplighter.checkins import Account, FileAccount, Note, empty_rejects
from lamplighter.errors import InputError
from lamplighter.intake.rows import Names, Rows
from lamplighter.intake.settle import settle
from lamplighter.intake.store.disk import no_readers, readable_errors, sync, writing
from lamplighter.intake.store.manifest import (
    NAME,
    Collected,
    Manifest,
    NodeSpan,
    Part,
    Slot,
    account_of,
    load,
    merged_notes,
    save,
)
from lamplighter.intake.store.merge import STORED, merge
from lamplighter.intake.store.parts import ranked, read_part, slots, spans_of, write_part
from lamplighter.intake.store.spill import Spill
from lamplighter.settings import Settings
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
        fate = f"{a.kept:,} kept, {a.duplicates:,} duplicates, {a.rejected:,} rejected"
        return [
            f"{count(len(self.files), 'file')} collected{before}",
            f"{count(a.records_read, 'record')} read: {fate}",
            *(f"  rejected: {n:,} {reason}" for reason, n in a.reasons.items()),
            *(f"  {f.file}: {f.problem}" for f in a.files if f.problem),
            *(f"  {note.text}" for note in a.notes),
            f"{count(a.check_ins, 'check-in')} added; the history holds {self.rows:,} of {count(self.nodes, 'node')}",
        ]


@dataclass(frozen=True, kw_only=True)
class Found:
    """What reading one export found besides its rows.

    Attributes
    ----------
    accounts : tuple of FileAccount
        One for the export, or for each file in an archive; rows carry their place in it.
    rejects : DataFrame
    notes : tuple of Note
    """

    accounts: tuple[FileAccount, ...]
    rejects: pd.DataFrame
    notes: tuple[Note, ...] = ()


class Reader(Protocol):
    """Reads one export block by block; ``registered`` are the nodes that stand in the register."""

    registered: Collection[str]

    def __call__(self, path: Path, names: Names, first: int, sink: Sink) -> Found:
        """Give all rows of an export to the sink, their files numbered from ``first``."""


def collect_with(
    files: Sequence[Path], folder: str | Path, settings: Settings, reader: Reader, progress: Progress | None = None
) -> CollectResult:
    """Append files to a history with a given reader; see :func:`lamplighter.intake.store.collect`."""
    folder = Path(folder)
    with readable_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
        with writing(folder, settings.history.wait_s):
            (folder / "readers.lock").touch()
            before = load(folder) or Manifest(buckets=settings.history.buckets)
            sweep(folder, before)
            return _Run(folder, before, settings).collect(files, reader, progress)


class _Run:
    """One change of a history, from the manifest before to the one after."""

    def __init__(self, folder: Path, before: Manifest, settings: Settings) -> None:
        self.folder, self.before = folder, before
        self.tolerance_s, self.renames = settings.intake.join_tolerance_s, settings.intake.renames
        self.names = Names()
        self.generation = before.generation + 1
        self.collected: list[tuple[str, int, Found]] = []
        self.n_files = STORED + 1
        self.parts: dict[Slot, Part] = {}
        self.nodes: dict[str, NodeSpan] = {}
        self.areas = dict(before.areas)

    def collect(self, files: Sequence[Path], reader: Reader, progress: Progress | None) -> CollectResult:
        spill = Spill(self.folder / "incoming", self.before.buckets, self.renames)
        try:
            read, skipped = self._read_all(files, reader, spill, progress)
            duplicates = self._merge_all(spill, self._called(reader.registered))
        finally:
            spill.remove()
        after = self._commit(duplicates) if self.collected else self.before
        accounts = tuple(a for f in after.files[len(self.before.files) :] for a in f.accounts)
        rejects = self._rejects()
        notes = merged_notes(*(found.notes for _, _, found in self.collected))
        return CollectResult(
            folder=self.folder,
            files=read,
            skipped=skipped,
            account=account_of(accounts, after.rows - self.before.rows, counted(rejects), notes),
            rejects=rejects,
            nodes=len(after.nodes),
            rows=after.rows,
        )

    def _read_all(
        self, files: Sequence[Path], reader: Reader, spill: Spill, progress: Progress | None
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Read every file not seen before into the spill; return the names read and skipped."""
        seen = {f.digest for f in self.before.files}
        read, skipped = [], []
        for done, path in enumerate(files, start=1):
            digest, size = content_hash(path)
            (skipped if digest in seen else read).append(str(path))
            if digest not in seen:
                seen.add(digest)
                found = reader(path, self.names, self.n_files, spill.add)
                self.collected.append((digest, size, found))
                self.n_files += len(found.accounts)
            if progress:
                progress(done, len(files))
        return tuple(read), tuple(skipped)

    def _called(self, registered: Collection[str]) -> list[str]:
        """Say what each new node is called in this history; a name once given to an area stays with it."""
        called = self.names.final(registered, self.renames)
        for code in sorted(self.names.short):
            area = self.names.names[code]
            if area not in self.areas:
                taken = called[code] in self.areas.values()
                self.areas[area] = area if taken else called[code]
            called[code] = self.areas[area]
        return called

    def _merge_all(self, spill: Spill, called: list[str]) -> np.ndarray:
        """Merge the spilled rows into new data files; return duplicate records by file."""
        duplicates = np.zeros(self.n_files, dtype=np.int64)
        names, place = ranked(called)
        for group in spill.groups():
            rows = spill.rows(group)
            settled = settle(replace(rows, node=place[rows.node]), self.tolerance_s, self.n_files)
            duplicates += settled.duplicates
            for slot, some in slots(settled.rows, names, self.before.buckets):
                duplicates += self._merge_one(slot, some, names)
        return duplicates

    def _merge_one(self, slot: Slot, rows: Rows, names: list[str]) -> np.ndarray:
        part = self.parts.get(slot) or self.before.parts.get(slot)
        stored = None if part is None else read_part(self.folder, part, STORED)
        spans_before = {} if stored is None else spans_of(*stored)
        present = np.unique(rows.node)
        some = replace(rows, node=np.searchsorted(present, rows.node).astype(np.int32))
        new = some, [names[k] for k in present]
        merged, known, duplicates = merge(stored, new, self.tolerance_s, self.n_files)
        self.parts[slot] = write_part(self.folder, slot, self.generation, merged, known)
        self._count(spans_before, spans_of(merged, known))
        return duplicates

    def _count(self, spans_before: dict[str, NodeSpan], spans_now: dict[str, NodeSpan]) -> None:
        """Bring the index of nodes up to date with one rewritten data file."""
        for name, now in spans_now.items():
            known = self.nodes.get(name) or self.before.nodes.get(name) or replace(now, rows=0)
            gone = spans_before[name].rows if name in spans_before else 0
            self.nodes[name] = NodeSpan(
                rows=known.rows + now.rows - gone, first=min(known.first, now.first), last=max(known.last, now.last)
            )

    def _commit(self, duplicates: np.ndarray) -> Manifest:
        files, number = [], STORED + 1
        for digest, size, found in self.collected:
            accounts = [_closed(a, int(d)) for a, d in zip(found.accounts, duplicates[number:], strict=False)]
            files.append(Collected(digest=digest, size=size, accounts=tuple(accounts)))
            number += len(accounts)
        rejects = self._rejects()
        after = replace(
            self.before,
            generation=self.generation,
            files=(*self.before.files, *files),
            parts={**self.before.parts, **self.parts},
            nodes={**self.before.nodes, **self.nodes},
            areas=self.areas,
            reasons=Counter(self.before.reasons) + Counter(counted(rejects)),
            rejects=(*self.before.rejects, *self._write_rejects(rejects)),
            notes=merged_notes(self.before.notes, *(found.notes for _, _, found in self.collected)),
        )
        commit(self.folder, self.before, after)
        return after

    def _rejects(self) -> pd.DataFrame:
        filled = [found.rejects for _, _, found in self.collected if len(found.rejects)]
        return pd.concat(filled, ignore_index=True) if filled else empty_rejects()

    def _write_rejects(self, rejects: pd.DataFrame) -> tuple[str, ...]:
        if rejects.empty:
            return ()
        path = f"rejects/{self.generation:06d}.parquet"
        (self.folder / path).parent.mkdir(exist_ok=True)
        pq.write_table(pa.Table.from_pandas(rejects, preserve_index=False), self.folder / path, compression="zstd")
        return (path,)


def counted(rejects: pd.DataFrame) -> dict[str, int]:
    """Return rejected records by reason, the most frequent first."""
    return dict(sorted(Counter(rejects["reason"]).items(), key=lambda r: (-r[1], r[0])))


def _closed(account: FileAccount, duplicates: int) -> FileAccount:
    if account.problem:
        return account
    kept = account.records_read - account.rejected - duplicates
    return replace(account, duplicates=duplicates, kept=kept)


def commit(folder: Path, before: Manifest, after: Manifest) -> bool:
    """Make the new state the present one, data files first, the manifest last; say whether old files are gone."""
    new = {p.path for p in after.parts.values()} - {p.path for p in before.parts.values()}
    files = [folder / p for p in sorted(new | set(after.rejects) - set(before.rejects))]
    folders = {parent for f in files for parent in f.parents if parent.is_relative_to(folder)}
    sync(files)
    sync(sorted(folders))
    save(after, folder)
    return sweep(folder, after)


def sweep(folder: Path, manifest: Manifest) -> bool:
    """Delete what the manifest does not name, unless somebody reads the history now; say whether it was done."""
    named = {p.path for p in manifest.parts.values()} | set(manifest.rejects)
    with no_readers(folder) as alone:
        if not alone:
            return False
        for top in ("data", "rejects"):
            for path in sorted((folder / top).rglob("*.parquet")):
                if path.relative_to(folder).as_posix() not in named:
                    with suppress(OSError):  # left for the next run
                        path.unlink()
        with suppress(OSError):
            (folder / f"{NAME}.new").unlink()
    return True


def content_hash(path: Path) -> tuple[str, int]:
    """Return a file's content hash and size.

    Raises
    ------
    InputError
        When it cannot be read.
    """
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest(), os.fstat(file.fileno()).st_size
    except OSError as bad:
        raise InputError(f"cannot read: {bad.strerror}", file=path, remedy="check the path") from bad
