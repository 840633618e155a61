"""The data files of a history: Parquet, one row group a node, so that a node is read without its neighbours."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from lamplighter.checkins import MEASURES
from lamplighter.intake.store.manifest import NodeSpan, Part, Slot

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
VALUES = ("time", *MEASURES, "quality", "sequence")
SCHEMA = pa.schema(
    [
        pa.field("node", pa.string()),
        pa.field("time", pa.timestamp("us", tz="UTC")),
        *(pa.field(name, pa.float64()) for name in MEASURES),
        pa.field("quality", pa.int8()),
        pa.field("sequence", pa.float64()),
    ]
)


def months_of(time: pd.Series) -> np.ndarray:
    """Return the UTC month of each time as text, ``2026-01``."""
    return time.dt.tz_localize(None).to_numpy().astype("datetime64[M]").astype(str)


def part_path(slot: Slot, generation: int) -> str:
    """Return where a data file goes; the generation makes the name new, so nothing is overwritten."""
    return f"data/bucket={slot[0]:04d}/month={slot[1]}/{generation:06d}.parquet"


def write_part(folder: Path, slot: Slot, generation: int, rows: pd.DataFrame) -> Part:
    """Write check-ins sorted by node and time as one data file.

    Parameters
    ----------
    folder : Path
        The history.
    slot, generation : Slot, int
        Where it belongs.
    rows : DataFrame
        Columns of the check-in table, sorted by node and time, not empty.

    Returns
    -------
    Part
        Its entry in the manifest; the file is not yet forced to the disk.
    """
    names = rows["node"].astype(str).to_numpy(dtype=object)
    edges = np.flatnonzero(np.concatenate([[True], names[1:] != names[:-1], [True]]))
    nodes = [str(names[a]) for a in edges[:-1]]
    schema = SCHEMA.with_metadata({"nodes": json.dumps(nodes)})
    columns = [
        pa.array(names, pa.string()),
        *(pa.array(rows[c], SCHEMA.field(c).type, from_pandas=False) for c in VALUES),
    ]
    table = pa.Table.from_arrays(columns, schema=schema)
    path = folder / part_path(slot, generation)
    path.parent.mkdir(parents=True, exist_ok=True)
    with pq.ParquetWriter(path, schema, compression="zstd", write_statistics=["time"]) as writer:
        for a, b in pairwise(edges):
            writer.write_table(table.slice(a, b - a), row_group_size=int(b - a))
    return Part(path=part_path(slot, generation), rows=len(rows), size=path.stat().st_size, digest=digest_of(path))


def digest_of(path: Path) -> str:
    """Return the content hash of a file."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def read_part(folder: Path, part: Part) -> pd.DataFrame:
    """Return all check-ins of a data file; ``node`` is text."""
    return pq.ParquetFile(folder / part.path).read(columns=SCHEMA.names, use_threads=False).to_pandas()


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
