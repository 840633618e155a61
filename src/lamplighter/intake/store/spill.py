"""New check-ins set down on disk by bucket of nodes, so that memory never holds more than one bucket."""

from __future__ import annotations

import shutil
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from lamplighter.intake.store.manifest import bucket_of
from lamplighter.intake.store.parts import SCHEMA, VALUES

ORIGIN = "origin"
"""Which file account a new row belongs to; -1 for rows already stored."""
OPEN_FILES = 256
"""Most files written at once; systems commonly allow 1,024 open files a process."""
SPILL_SCHEMA = SCHEMA.append(pa.field(ORIGIN, pa.int32()))


class Spill:
    """Rows waiting to be merged into a history.

    Parameters
    ----------
    folder : Path
        Where to put them; made new.
    buckets : int
        Number of groups the nodes are spread over.
    """

    def __init__(self, folder: Path, buckets: int) -> None:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        self._folder, self._buckets = folder, buckets
        self._group: dict[str, int] = {}
        self._writers: dict[int, pa.RecordBatchFileWriter] = {}

    def add(self, rows: pd.DataFrame, origin: int) -> None:
        """Set down check-ins of one file, a table with the columns of the check-in table."""
        codes, names = pd.factorize(rows["node"].astype("category"))
        group_of_code = np.array([self._group_of(str(n)) for n in names], dtype=np.int64)
        group = group_of_code[codes]
        order = np.argsort(group, kind="stable")
        table = _table(rows.iloc[order], origin)
        edges = np.flatnonzero(np.diff(group[order], prepend=-1, append=-1))
        for a, b in pairwise(edges):
            self._writer(int(group[order[a]])).write_table(table.slice(a, b - a))

    def groups(self) -> list[int]:
        """Return the groups of buckets that have new rows, in order; closes the files, so add nothing afterwards."""
        for writer in self._writers.values():
            writer.close()
        return sorted(self._writers)

    def rows(self, group: int) -> pd.DataFrame:
        """Return the new rows of one group in the order they were added."""
        with pa.memory_map(str(self._path(group))) as source:
            return pa.ipc.open_file(source).read_all().to_pandas()

    def remove(self) -> None:
        """Delete what was set down."""
        for writer in self._writers.values():
            writer.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _group_of(self, node: str) -> int:
        if node not in self._group:
            self._group[node] = bucket_of(node, self._buckets) % OPEN_FILES
        return self._group[node]

    def _path(self, group: int) -> Path:
        return self._folder / f"{group:04d}.arrow"

    def _writer(self, group: int) -> pa.RecordBatchFileWriter:
        if group not in self._writers:
            self._writers[group] = pa.ipc.new_file(str(self._path(group)), SPILL_SCHEMA)
        return self._writers[group]


def _table(rows: pd.DataFrame, origin: int) -> pa.Table:
    columns = [pa.array(rows["node"].astype(str), pa.string())]
    columns += [pa.array(rows[name], SCHEMA.field(name).type, from_pandas=False) for name in VALUES]
    return pa.Table.from_arrays([*columns, pa.array(np.full(len(rows), origin, np.int32))], schema=SPILL_SCHEMA)
