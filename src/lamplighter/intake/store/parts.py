"""The data files of a history: Parquet, one row group a node, so that a node is read without its neighbours."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from lamplighter.checkins import MEASURES
from lamplighter.intake.rows import Rows, make_rows
from lamplighter.intake.store.manifest import NodeSpan, Part, Slot, bucket_of

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
HAS = "has"
"""What a check-in was made of, see :class:`lamplighter.intake.rows.Rows`: later exports are merged by it."""
VALUES = ("time", *MEASURES, "quality", "sequence")
SCHEMA = pa.schema(
    [
        pa.field("node", pa.string()),
        pa.field("time", pa.timestamp("us", tz="UTC")),
        *(pa.field(name, pa.float64()) for name in MEASURES),
        pa.field("quality", pa.int8()),
        pa.field("sequence", pa.float64()),
        pa.field(HAS, pa.uint8()),
    ]
)

ENCODING = {
    "compression": "zstd",
    "use_dictionary": [name for name in SCHEMA.names if name != "time"],
    "column_encoding": {"time": "DELTA_BINARY_PACKED"},
    "write_statistics": ["time"],
}
"""Times as differences: 7 bytes a check-in of 15-minute data, against 13 with a dictionary of times."""


def to_table(rows: Rows, names: list[str], schema: pa.Schema) -> pa.Table:
    """Return rows as an Arrow table."""
    nodes = pa.DictionaryArray.from_arrays(pa.array(rows.node, pa.int32()), pa.array(names, pa.string()))
    columns = [nodes.cast(pa.string())]
    columns += [pa.array(getattr(rows, f.name)).cast(f.type) for f in list(schema)[1:]]
    return pa.Table.from_arrays(columns, schema=schema)


def from_table(table: pa.Table, file: int) -> tuple[Rows, list[str]]:
    """Return an Arrow table as rows with that ``file``, and the names of their nodes in order of appearance."""
    coded = table.column("node").combine_chunks().dictionary_encode()
    columns = {f.name: table.column(f.name).to_numpy() for f in table.schema if f.name != "node"}
    columns["time"] = columns["time"].astype("datetime64[us]").astype(np.int64)
    rows = make_rows(table.num_rows, node=coded.indices.to_numpy(), file=file, **columns)
    return rows, coded.dictionary.to_pylist()


def ranked(names: Sequence[str]) -> tuple[list[str], np.ndarray]:
    """Return the distinct names in order, and each given name's place among them."""
    ordered = sorted(set(names))
    place = {n: i for i, n in enumerate(ordered)}
    return ordered, np.array([place[n] for n in names], dtype=np.int32)


def runs(values: np.ndarray) -> Iterator[tuple[int, int]]:
    """Yield start and end of every run of equal neighbours."""
    if len(values):
        edges = np.flatnonzero(np.concatenate([[True], values[1:] != values[:-1], [True]]))
        yield from pairwise(edges.tolist())


def slots(rows: Rows, names: list[str], buckets: int) -> Iterator[tuple[Slot, Rows]]:
    """Split rows by bucket and month, keeping their order."""
    bucket = np.array([bucket_of(n, buckets) for n in names], dtype=np.int64)[rows.node]
    month = months_of(rows.time)
    order = np.lexsort((month, bucket))
    key = bucket[order] * 1_000_000 + month[order]
    for a, b in runs(key):
        at = order[a:b]
        yield (int(bucket[at[0]]), str(month[at[0]].astype("datetime64[M]"))), rows.take(at)


def months_of(time_us: np.ndarray) -> np.ndarray:
    """Return the UTC month of each instant, counted from 1970-01."""
    return time_us.astype("datetime64[us]").astype("datetime64[M]").astype(np.int64)


def month_of(time_us: int) -> str:
    """Return the UTC month of an instant as a data file is named by it (``2026-01``)."""
    return str(np.datetime64(time_us, "us").astype("datetime64[M]"))


def part_path(slot: Slot, generation: int) -> str:
    """Return where a data file goes; the generation makes the name new, so nothing is overwritten."""
    return f"data/bucket={slot[0]:04d}/month={slot[1]}/{generation:06d}.parquet"


def write_part(folder: Path, slot: Slot, generation: int, rows: Rows, names: list[str]) -> Part:
    """Write check-ins as one data file, not yet forced to the disk.

    Parameters
    ----------
    folder : Path
        The history.
    slot, generation : Slot, int
        Where it belongs.
    rows : Rows
        Sorted by node and time, not empty.
    names : list of str
        Names of the nodes by number, sorted.

    Returns
    -------
    Part
        Its entry in the manifest.
    """
    groups = list(runs(rows.node))
    schema = SCHEMA.with_metadata({"nodes": json.dumps([names[rows.node[a]] for a, _ in groups])})
    table = to_table(rows, names, schema)
    path = folder / part_path(slot, generation)
    path.parent.mkdir(parents=True, exist_ok=True)
    with pq.ParquetWriter(path, schema, **ENCODING) as writer:
        for a, b in groups:
            writer.write_table(table.slice(a, b - a), row_group_size=b - a)
    return Part(path=part_path(slot, generation), rows=len(rows), size=path.stat().st_size, digest=digest_of(path))


def digest_of(path: Path) -> str:
    """Return the content hash of a file."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def read_part(folder: Path, part: Part, file: int = 0) -> tuple[Rows, list[str]]:
    """Return all check-ins of a data file, their ``file`` set to a number."""
    with pq.ParquetFile(folder / part.path) as opened:
        return from_table(opened.read(columns=SCHEMA.names, use_threads=False), file)


def nodes_in(file: pq.ParquetFile) -> list[str]:
    """Return the nodes of a data file in the order of its row groups."""
    return json.loads(file.schema_arrow.metadata[b"nodes"])


def read_node(folder: Path, part: Part, node: str) -> pa.Table | None:
    """Return one node's check-ins of a data file, None when it has none."""
    with pq.ParquetFile(folder / part.path) as file:
        nodes = nodes_in(file)
        if node not in nodes:
            return None
        return file.read_row_group(nodes.index(node), columns=list(VALUES), use_threads=False)


def spans_of(rows: Rows, names: list[str]) -> dict[str, NodeSpan]:
    """Return rows, first and last instant of each node; rows are sorted by node and time."""
    return {
        names[rows.node[a]]: NodeSpan(rows=b - a, first=int(rows.time[a]), last=int(rows.time[b - 1]))
        for a, b in runs(rows.node)
    }


def spans_in(folder: Path, part: Part) -> dict[str, NodeSpan]:
    """Return what a data file holds of each node, from its footer alone."""
    with pq.ParquetFile(folder / part.path) as file:
        column = file.schema_arrow.names.index("time")
        groups = [file.metadata.row_group(k) for k in range(file.num_row_groups)]
        return {
            node: NodeSpan(rows=group.num_rows, first=_us(stats.min), last=_us(stats.max))
            for node, group in zip(nodes_in(file), groups, strict=True)
            for stats in (group.column(column).statistics,)
        }


def _us(when: datetime) -> int:
    return (when - _EPOCH) // timedelta(microseconds=1)
