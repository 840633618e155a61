"""Exports into a history: what was collected before is skipped, what overlaps is merged, all or nothing."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from lamplighter.checkins import Account, CheckIns, FileAccount
from lamplighter.errors import InputError
from lamplighter.intake.store.disk import no_readers, readable_errors, sync, writing
from lamplighter.intake.store.manifest import (
    NAME,
    Collected,
    Manifest,
    NodeSpan,
    Part,
    Slot,
    account_of,
    bucket_of,
    load,
    merged_notes,
    save,
)
from lamplighter.intake.store.merge import merge
from lamplighter.intake.store.parts import months_of, read_part, write_part
from lamplighter.intake.store.spill import ORIGIN, Spill
from lamplighter.settings import Settings
from lamplighter.wording import count

Reader = Callable[[Path], CheckIns]
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
            return _Run(folder, before).collect(files, reader, progress)


class _Run:
    """One change of a history, from the manifest before to the one after."""

    def __init__(self, folder: Path, before: Manifest) -> None:
        self.folder, self.before = folder, before
        self.generation = before.generation + 1
        self.accounts: list[FileAccount] = []
        self.collected: list[tuple[str, int, int, int]] = []
        self.read: list[CheckIns] = []

    def collect(self, files: Sequence[Path], reader: Reader, progress: Progress | None) -> CollectResult:
        spill = Spill(self.folder / "incoming", self.before.buckets)
        try:
            names, skipped = self._read_all(files, reader, spill, progress)
            parts, nodes, duplicates = self._merge_all(spill)
        finally:
            spill.remove()
        accounts = tuple(_moved(a, duplicates.get(k, 0)) for k, a in enumerate(self.accounts))
        reasons = _added(*(r.account.reasons for r in self.read))
        notes = merged_notes(*(r.account.notes for r in self.read))
        rejects = _stacked([r.rejects for r in self.read])
        if self.collected:
            after = replace(
                self.before,
                generation=self.generation,
                files=(*self.before.files, *self._files(accounts)),
                parts={**self.before.parts, **parts},
                nodes={**self.before.nodes, **nodes},
                traits=_joined(self.before.traits, *(r.traits for r in self.read)),
                reasons=_added(self.before.reasons, reasons),
                rejects=(*self.before.rejects, *self._write_rejects(rejects)),
                notes=merged_notes(self.before.notes, notes),
            )
            commit(self.folder, self.before, after)
        else:
            after = self.before
        return CollectResult(
            folder=self.folder,
            files=names,
            skipped=skipped,
            account=account_of(accounts, after.rows - self.before.rows, reasons, notes),
            rejects=rejects,
            nodes=len(after.nodes),
            rows=after.rows,
        )

    def _read_all(
        self, files: Sequence[Path], reader: Reader, spill: Spill, progress: Progress | None
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Read every file not seen before into the spill; return the names read and skipped."""
        seen = {f.digest for f in self.before.files}
        names, skipped = [], []
        for done, path in enumerate(files, start=1):
            digest, size = content_hash(path)
            if digest in seen:
                skipped.append(str(path))
            else:
                seen.add(digest)
                names.append(str(path))
                self._read_one(path, digest, size, reader, spill)
            if progress:
                progress(done, len(files))
        return tuple(names), tuple(skipped)

    def _read_one(self, path: Path, digest: str, size: int, reader: Reader, spill: Spill) -> None:
        found = reader(path)
        first = len(self.accounts)
        self.accounts.extend(found.account.files)
        self.collected.append((digest, size, first, len(self.accounts)))
        if len(found.table):
            spill.add(found.table, first)
        self.read.append(replace(found, table=found.table.iloc[:0]))

    def _files(self, accounts: tuple[FileAccount, ...]) -> Iterator[Collected]:
        for digest, size, a, b in self.collected:
            yield Collected(digest=digest, size=size, accounts=accounts[a:b])

    def _merge_all(self, spill: Spill) -> tuple[dict[Slot, Part], dict[str, NodeSpan], dict[int, int]]:
        """Merge the spilled rows into new data files; return those, the nodes they touch, duplicates by origin."""
        parts: dict[Slot, Part] = {}
        nodes: dict[str, NodeSpan] = {}
        duplicates: dict[int, int] = {}
        for group in spill.groups():
            for slot, rows in _slots(spill.rows(group), self.before.buckets):
                stored = self._stored(slot)
                merged, found = merge(pd.concat([stored, rows], ignore_index=True) if len(stored) else rows)
                duplicates = _added(duplicates, found)
                parts[slot] = write_part(self.folder, slot, self.generation, merged)
                grow(nodes, self.before.nodes, stored, merged)
        return parts, nodes, duplicates

    def _stored(self, slot: Slot) -> pd.DataFrame:
        part = self.before.parts.get(slot)
        return pd.DataFrame() if part is None else read_part(self.folder, part).assign(**{ORIGIN: np.int32(-1)})

    def _write_rejects(self, rejects: pd.DataFrame) -> tuple[str, ...]:
        if rejects.empty:
            return ()
        path = f"rejects/{self.generation:06d}.parquet"
        (self.folder / path).parent.mkdir(exist_ok=True)
        pq.write_table(pa.Table.from_pandas(rejects, preserve_index=False), self.folder / path, compression="zstd")
        return (path,)


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


def grow(
    nodes: dict[str, NodeSpan], before: Mapping[str, NodeSpan], stored: pd.DataFrame, merged: pd.DataFrame
) -> None:
    """Bring the index of nodes up to date with one rewritten data file."""
    for name, now in spans(merged).items():
        known = nodes.get(name) or before.get(name) or NodeSpan(rows=0, first=now.first, last=now.last)
        nodes[name] = NodeSpan(
            rows=known.rows + now.rows, first=min(known.first, now.first), last=max(known.last, now.last)
        )
    for name, then in spans(stored).items():
        nodes[name] = replace(nodes[name], rows=nodes[name].rows - then.rows)


def spans(rows: pd.DataFrame) -> dict[str, NodeSpan]:
    """Return rows, first and last instant of each node; rows are sorted by node and time."""
    if rows.empty:
        return {}
    names = rows["node"].to_numpy(dtype=object)
    time = rows["time"].dt.as_unit("us").astype("int64").to_numpy()
    edges = np.flatnonzero(np.concatenate([[True], names[1:] != names[:-1], [True]]))
    return {
        str(names[a]): NodeSpan(rows=int(b - a), first=int(time[a]), last=int(time[b - 1])) for a, b in pairwise(edges)
    }


def _slots(rows: pd.DataFrame, buckets: int) -> Iterator[tuple[Slot, pd.DataFrame]]:
    """Split new rows by bucket and month."""
    codes, names = pd.factorize(rows["node"])
    bucket = np.array([bucket_of(str(n), buckets) for n in names], dtype=np.int64)[codes]
    for (b, month), group in rows.groupby([bucket, months_of(rows["time"])], sort=True):
        yield (int(b), str(month)), group


def _moved(account: FileAccount, duplicates: int) -> FileAccount:
    """Count records that were in the history already as duplicates."""
    return replace(account, kept=account.kept - duplicates, duplicates=account.duplicates + duplicates)


def _added(*counts: Mapping) -> dict:
    total: dict = {}
    for group in counts:
        for key, n in group.items():
            total[key] = total.get(key, 0) + n
    return total


def _joined(*groups: Mapping[str, frozenset[str]]) -> dict[str, frozenset[str]]:
    joined: dict[str, frozenset[str]] = {}
    for group in groups:
        for node, traits in group.items():
            joined[node] = joined.get(node, frozenset()) | traits
    return joined


def _stacked(tables: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [t for t in tables if len(t)]
    return pd.concat(filled, ignore_index=True) if filled else tables[0] if tables else CheckIns(pd.DataFrame()).rejects
