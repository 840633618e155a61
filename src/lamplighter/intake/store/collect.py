"""Exports into a history: what was collected before is skipped, what overlaps is merged, all or nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from lamplighter.checkins import FileAccount, Note, empty_rejects
from lamplighter.errors import InputError
from lamplighter.intake.renames import put_names_right
from lamplighter.intake.rows import Names, Rows, joined
from lamplighter.intake.settle import settle
from lamplighter.intake.shapes import put_right
from lamplighter.intake.store.commit import commit, content_hash, sweep
from lamplighter.intake.store.disk import readable_errors, writing
from lamplighter.intake.store.found import CollectResult, Found, Progress, Reader, counted
from lamplighter.intake.store.manifest import (
    Collected,
    Manifest,
    NodeSpan,
    Part,
    Slot,
    account_of,
    bucket_of,
    load,
    merged_notes,
)
from lamplighter.intake.store.merge import STORED, merge
from lamplighter.intake.store.parts import month_of, ranked, read_part, runs, slots, spans_of, write_part
from lamplighter.intake.store.spill import Spill
from lamplighter.settings import Settings
from lamplighter.wording import count


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


ENDING = 20
"""Check-ins of a node at its end by which a new name is known to go on."""


class _Run:
    """One change of a history, from the manifest before to the one after."""

    def __init__(self, folder: Path, before: Manifest, settings: Settings) -> None:
        self.folder, self.before = folder, before
        self.settings = settings
        self.renames = {**before.renames, **settings.intake.renames}
        self.names = Names()
        self.generation = before.generation + 1
        self.found: list[Found] = []
        self.n_files = STORED + 1
        self.parts: dict[Slot, Part] = {}
        self.nodes: dict[str, NodeSpan] = {}
        self.notes: list[Note] = []
        self.emptied: set[Slot] = set()
        self.known = dict(before.nodes)
        self.areas = dict(before.areas)
        self.traits = dict(before.traits)

    def collect(self, files: Sequence[Path], reader: Reader, progress: Progress | None) -> CollectResult:
        fresh, skipped = self._new_among(files)
        spill = Spill(self.folder / "incoming", self.before.buckets, self.renames)
        try:
            for found in reader(list(fresh), self.names, self.n_files, spill.add):
                self.found.append(found)
                self.n_files += len(found.accounts)
                if progress:
                    progress(len(skipped) + len(self.found), len(files))
            self._refuse_nothing(len(skipped))
            duplicates = self._merge_all(spill, reader.registered)
            self._move_renamed(self.renames)
        finally:
            spill.remove()
        accounts = self._closed(duplicates)
        after = self._commit(list(fresh.values()), accounts) if any(f.read for f in self.found) else self.before
        rejects = self._rejects()
        return CollectResult(
            folder=self.folder,
            files=tuple(str(p) for p, f in zip(fresh, self.found, strict=True) if f.read),
            skipped=tuple(map(str, skipped)),
            account=account_of(
                tuple(a for group in accounts for a in group),
                after.rows - self.before.rows,
                counted(rejects),
                self._notes(),
            ),
            rejects=rejects,
            nodes=len(after.nodes),
            rows=after.rows,
        )

    def _new_among(self, files: Sequence[Path]) -> tuple[dict[Path, tuple[str, int]], list[Path]]:
        """Return files not seen before with content hash and size, and the files seen before."""
        seen = {f.digest for f in self.before.files}
        fresh: dict[Path, tuple[str, int]] = {}
        skipped = []
        for path in files:
            digest, size = content_hash(path)
            if digest in seen:
                skipped.append(path)
            else:
                fresh[path] = digest, size
                seen.add(digest)
        return fresh, skipped

    def _refuse_nothing(self, skipped: int) -> None:
        if self.found and not skipped and not any(f.read for f in self.found):
            first = next((a.problem for f in self.found for a in f.accounts if a.problem), "nothing in it")
            raise InputError(
                f"none of {count(len(self.found), 'file')} could be read; the first: {first}", remedy="see preview"
            )

    def _notes(self) -> tuple[Note, ...]:
        return merged_notes(*(found.notes for found in self.found), self.notes)

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

    def _move_renamed(self, renames: Mapping[str, str]) -> None:
        """Merge what is stored of nodes that have a new name into what is stored under that name."""
        old = [n for n in {**self.known, **self.nodes} if n in renames]
        buckets = {bucket_of(n, self.before.buckets) for n in old}
        for slot in sorted(self._present_parts()):
            part = self._part(slot)
            if slot[0] not in buckets or part is None:
                continue
            rows, names = read_part(self.folder, part, STORED)
            moved = np.isin(rows.node, [k for k, n in enumerate(names) if n in old])
            if moved.any():
                self._put(slot, rows.take(~moved), names)
                called, place = ranked([renames.get(n, n) for n in names])
                for there, some in slots(replace(rows, node=place[rows.node]).take(moved), called, self.before.buckets):
                    self._merge_one(there, some, called)
        for name in old:
            self.known.pop(name, None)
            self.nodes.pop(name, None)
            self.traits = _joined(self.traits, {renames[name]: self.traits.pop(name, frozenset())})
        self.areas = {area: renames.get(n, n) for area, n in self.areas.items()}

    def _part(self, slot: Slot) -> Part | None:
        """Return a data file as it stands now in this run."""
        return self.parts.get(slot) or (None if slot in self.emptied else self.before.parts.get(slot))

    def _present_parts(self) -> dict[Slot, Part]:
        """Return all data files as they stand now in this run."""
        return {s: p for s, p in self.before.parts.items() if s not in self.emptied} | self.parts

    def _put(self, slot: Slot, rows: Rows, names: list[str]) -> None:
        if len(rows):
            self.parts[slot] = write_part(self.folder, slot, self.generation, rows, names)
        else:
            self.parts.pop(slot, None)
            self.emptied.add(slot)

    def _merge_all(self, spill: Spill, registered: Collection[str]) -> np.ndarray:
        """Merge the spilled rows into new data files; return duplicate records by file."""
        duplicates = np.zeros(self.n_files, dtype=np.int64)
        called = self._called(registered)
        names, place = ranked([*called, *self.known])
        silent = self._ends_of_silent(set(called), names)
        broken = [k for found in self.found for k in found.broken]
        intake = self.settings.intake
        for rows in spill.chunks():
            rows = rows.take(~np.isin(rows.file, broken)) if broken else rows
            settled = settle(replace(rows, node=place[rows.node]), intake.join_tolerance_s, self.n_files)
            shaped = put_right(settled.rows, names, self.settings, self.n_files)
            named = put_names_right(joined([shaped.rows, silent]), names, registered, intake, self.n_files)
            duplicates += settled.duplicates + shaped.dropped + named.dropped
            self.traits = _joined(self.traits, {named.moved.get(n, n): t for n, t in shaped.traits.items()})
            self.notes += [*shaped.notes, *named.notes]
            self.renames |= named.moved
            new = named.rows.take(named.rows.file != STORED)
            for slot, some in slots(new, named.names, self.before.buckets):
                duplicates += self._merge_one(slot, some, named.names)
        return duplicates

    def _ends_of_silent(self, called: set[str], names: list[str]) -> Rows:
        """Return the last stored check-ins of nodes that sent nothing new: a new name may go on where one ended."""
        ends: list[Rows] = []
        silent = self.known.keys() - called if called - self.known.keys() else set()
        last = {n: month_of(self.known[n].last) for n in sorted(silent)}
        places = {(bucket_of(n, self.before.buckets), month) for n, month in last.items()}
        for slot in sorted(places):
            rows, there = read_part(self.folder, self.before.parts[slot], STORED)
            code = np.array([names.index(n) if last.get(n) == slot[1] else -1 for n in there], dtype=np.int32)
            ends += [
                replace(rows.take(slice(max(a, b - ENDING), b)), node=np.full(min(b - a, ENDING), code[rows.node[a]]))
                for a, b in runs(rows.node)
                if code[rows.node[a]] >= 0
            ]
        return joined(ends)

    def _merge_one(self, slot: Slot, rows: Rows, names: list[str]) -> np.ndarray:
        part = self._part(slot)
        stored = None if part is None else read_part(self.folder, part, STORED)
        spans_before = {} if stored is None else spans_of(*stored)
        present = np.unique(rows.node)
        some = replace(rows, node=np.searchsorted(present, rows.node).astype(np.int32))
        new = some, [names[k] for k in present]
        merged, known, duplicates = merge(stored, new, self.settings.intake.join_tolerance_s, self.n_files)
        self.parts[slot] = write_part(self.folder, slot, self.generation, merged, known)
        self._count(spans_before, spans_of(merged, known))
        return duplicates

    def _count(self, spans_before: dict[str, NodeSpan], spans_now: dict[str, NodeSpan]) -> None:
        """Bring the index of nodes up to date with one rewritten data file."""
        for name, now in spans_now.items():
            known = self.nodes.get(name) or self.known.get(name) or replace(now, rows=0)
            gone = spans_before[name].rows if name in spans_before else 0
            self.nodes[name] = NodeSpan(
                rows=known.rows + now.rows - gone, first=min(known.first, now.first), last=max(known.last, now.last)
            )

    def _closed(self, duplicates: np.ndarray) -> list[tuple[FileAccount, ...]]:
        """Return the accounts by file, with the duplicates that the merge found."""
        counts = iter(duplicates[STORED + 1 :].tolist())
        return [
            tuple(
                replace(a, duplicates=d, kept=a.records_read - a.rejected - d)
                for a in f.accounts
                for d in (next(counts),)
            )
            for f in self.found
        ]

    def _commit(self, contents: list[tuple[str, int]], accounts: list[tuple[FileAccount, ...]]) -> Manifest:
        files = (
            Collected(digest=digest, size=size, accounts=group)
            for (digest, size), group, found in zip(contents, accounts, self.found, strict=True)
            if found.read
        )
        rejects = self._rejects()
        after = replace(
            self.before,
            generation=self.generation,
            files=(*self.before.files, *files),
            parts=self._present_parts(),
            nodes={**self.known, **self.nodes},
            areas=self.areas,
            renames=self.renames,
            traits=self.traits,
            reasons=Counter(self.before.reasons) + Counter(counted(rejects)),
            rejects=(*self.before.rejects, *self._write_rejects(rejects)),
            notes=merged_notes(self.before.notes, self._notes()),
        )
        commit(self.folder, self.before, after)
        return after

    def _rejects(self) -> pd.DataFrame:
        filled = [found.rejects for found in self.found if len(found.rejects)]
        return pd.concat(filled, ignore_index=True) if filled else empty_rejects()

    def _write_rejects(self, rejects: pd.DataFrame) -> tuple[str, ...]:
        if rejects.empty:
            return ()
        path = f"rejects/{self.generation:06d}.parquet"
        (self.folder / path).parent.mkdir(exist_ok=True)
        pq.write_table(pa.Table.from_pandas(rejects, preserve_index=False), self.folder / path, compression="zstd")
        return (path,)


def _joined(a: Mapping[str, frozenset[str]], b: Mapping[str, frozenset[str]]) -> dict[str, frozenset[str]]:
    both = {node: a.get(node, frozenset()) | b.get(node, frozenset()) for node in {**a, **b}}
    return {node: traits for node, traits in both.items() if traits}
