"""New rows set down on disk by bucket of nodes, so that memory never holds more than some buckets."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pyarrow as pa

from lamplighter.intake.rows import DTYPES, Names, Rows, joined
from lamplighter.intake.store.manifest import bucket_of
from lamplighter.intake.store.parts import runs

OPEN_FILES = 256
"""Most files written at once; systems commonly allow 1,024 open files a process."""


CHUNK_ROWS = 4_000_000
"""Rows merged at once, of whole groups: about 300 MB, several times that while they are sorted."""
SPILL_SCHEMA = pa.schema([(name, pa.from_numpy_dtype(dtype)) for name, dtype in DTYPES.items()])


class Spill:
    """Rows waiting to be merged into a history, all rows that may be one node's in one group.

    Parameters
    ----------
    folder : Path
        Where to put them; made new.
    buckets : int
        Number of groups the nodes are spread over.
    renames : mapping
        Old name of a node = new name.
    """

    def __init__(self, folder: Path, buckets: int, renames: Mapping[str, str]) -> None:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        self._folder, self._buckets, self._renames = folder, buckets, renames
        self._group_of_code: list[int] = []
        self._writers: dict[int, pa.RecordBatchFileWriter] = {}

    def add(self, rows: Rows, names: Names) -> None:
        """Set down rows; ``names`` is the same growing list in every call."""
        for code in range(len(self._group_of_code), len(names.names)):
            name = names.short.get(code, names.names[code])
            self._group_of_code.append(bucket_of(self._renames.get(name, name), self._buckets) % OPEN_FILES)
        if not len(rows):
            return
        group = np.array(self._group_of_code)[rows.node]
        order = np.argsort(group, kind="stable")
        rows = rows.take(order)
        table = pa.Table.from_arrays([pa.array(getattr(rows, f.name)) for f in SPILL_SCHEMA], schema=SPILL_SCHEMA)
        for a, b in runs(group[order]):
            self._writer(int(group[order[a]])).write_table(table.slice(a, b - a))

    def chunks(self) -> Iterator[Rows]:
        """Yield the rows set down, all of a node in one chunk; add nothing afterwards."""
        for writer in self._writers.values():
            writer.close()
        waiting: list[Rows] = []
        for group in sorted(self._writers):
            waiting.append(self._rows(group))
            if sum(map(len, waiting)) >= CHUNK_ROWS:
                yield joined(waiting)
                waiting = []
        if waiting:
            yield joined(waiting)

    def _rows(self, group: int) -> Rows:
        with pa.memory_map(str(self._path(group))) as source:
            table = pa.ipc.open_file(source).read_all()
        return Rows(**{name: table.column(name).to_numpy() for name in table.column_names})

    def remove(self) -> None:
        """Delete what was set down."""
        for writer in self._writers.values():
            writer.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _path(self, group: int) -> Path:
        return self._folder / f"{group:04d}.arrow"

    def _writer(self, group: int) -> pa.RecordBatchFileWriter:
        if group not in self._writers:
            self._writers[group] = pa.ipc.new_file(str(self._path(group)), SPILL_SCHEMA)
        return self._writers[group]
