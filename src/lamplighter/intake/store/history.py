"""A history on disk as a source of check-ins, one node at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from lamplighter.checkins import Account, NodeArrays, columns_of, empty_rejects
from lamplighter.errors import InputError
from lamplighter.intake.store.disk import Reading
from lamplighter.intake.store.manifest import Manifest, Part, bucket_of, load
from lamplighter.intake.store.parts import SCHEMA, VALUES, month_of, read_node
from lamplighter.intake.store.summaries import Kept, keys_of, path_of, read_kept, write_kept

US_PER_S = 1e6


class History:
    """The check-ins of a history, read node by node; the state at the moment it was opened.

    What is collected afterwards is not seen, and what this object may still read is not deleted
    before it is closed or gone. It can be pickled: the copy reads the same state.

    Parameters
    ----------
    folder : str or Path
        A folder made by ``lamplighter collect``.

    Raises
    ------
    InputError
        When the folder holds no history or it cannot be read.
    """

    on_disk = True
    """A worker elsewhere can read a node by itself, given the same folder."""

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        self._reading = Reading(self.folder)
        manifest = load(self.folder)
        if manifest is None:
            raise InputError(
                "holds no history", file=folder, remedy="make one with: lamplighter collect EXPORT... --history DIR"
            )
        self.manifest: Manifest = manifest

    def __getstate__(self) -> dict[str, object]:
        return {"folder": self.folder.absolute(), "manifest": self.manifest}

    def __setstate__(self, state: dict[str, object]) -> None:
        self.__dict__.update(state)
        self._reading = Reading(self.folder)

    def __enter__(self) -> History:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let the files go, so that a later collect may sweep the ones it has replaced."""
        self._reading.close()

    @cached_property
    def account(self) -> Account:
        """How everything collected so far was read."""
        return self.manifest.account()

    @cached_property
    def rejects(self) -> pd.DataFrame:
        """Rejected records of everything collected so far: file, line, reason, text."""
        tables = [pq.read_table(self.folder / path).to_pandas() for path in self.manifest.rejects]
        return pd.concat(tables, ignore_index=True) if tables else empty_rejects()

    @property
    def traits(self) -> dict[str, frozenset[str]]:
        """Traits of nodes that change how absence and repetition are read."""
        return dict(self.manifest.traits)

    def nodes(self) -> list[str]:
        """Names of all nodes, sorted."""
        return sorted(self.manifest.nodes)

    def span(self) -> tuple[float, float]:
        """First and last check-in [s since 1970-01-01 UTC]; NaN when empty."""
        spans = self.manifest.nodes.values()
        if not spans:
            return float("nan"), float("nan")
        return min(s.first for s in spans) / US_PER_S, max(s.last for s in spans) / US_PER_S

    @cached_property
    def _parts_of_bucket(self) -> dict[int, list[tuple[str, Part]]]:
        """Months and data files by bucket, oldest first."""
        groups: dict[int, list[tuple[str, Part]]] = {}
        for (bucket, month), part in sorted(self.manifest.parts.items()):
            groups.setdefault(bucket, []).append((month, part))
        return groups

    def arrays(self, node: str, since: float = -np.inf, until: float = np.inf) -> NodeArrays:
        """One node's check-ins, oldest first; only the data files of the months between two instants are opened.

        Parameters
        ----------
        node : str
        since, until : float
            First and last instant [s since 1970-01-01 UTC], both included.

        Raises
        ------
        InputError
            When a data file is missing or damaged.
        """
        first, last = (month_of(int(t * US_PER_S)) if np.isfinite(t) else None for t in (since, until))
        parts = [
            part
            for month, part in self._parts_of_bucket.get(bucket_of(node, self.manifest.buckets), [])
            if (first is None or month >= first) and (last is None or month <= last)
        ]
        found = arrays_of([piece for part in parts if (piece := self._read(part, node)) is not None])
        a, b = np.searchsorted(found.time, since), np.searchsorted(found.time, until, side="right")
        return NodeArrays(**columns_of(found, a, b))

    def first(self, node: str) -> float:
        """One node's first check-in [s since 1970-01-01 UTC]."""
        return self.manifest.nodes[node].first / US_PER_S

    def keys(self, node: str, blocks: Iterable[Sequence[str]], made_by: str) -> tuple[str, ...]:
        """Return what the summaries of some blocks of a node are to be made from, given the months of each."""
        return keys_of(self.manifest, node, blocks, made_by)

    def kept(self, node: str) -> Kept | None:
        """Return what is kept of a node's closed blocks, whether it still holds or not."""
        return read_kept(path_of(self.folder, self.manifest, node))

    def keep(self, node: str, kept: Kept) -> None:
        """Keep the summaries of a node's closed blocks in place of those kept before."""
        write_kept(path_of(self.folder, self.manifest, node), kept)

    def _read(self, part: Part, node: str) -> pa.Table | None:
        try:
            return read_node(self.folder, part, node)
        except (OSError, pa.ArrowException, KeyError, ValueError) as bad:
            raise InputError(
                "a data file of the history is missing or damaged",
                file=self.folder / part.path,
                remedy="see which with: lamplighter history DIR --verify",
            ) from bad


def arrays_of(pieces: list[pa.Table]) -> NodeArrays:
    """Return one node's check-ins from consecutive pieces."""
    table = pa.concat_tables(pieces) if pieces else SCHEMA.empty_table()
    columns: dict[str, np.ndarray] = {name: table.column(name).to_numpy() for name in VALUES}
    return NodeArrays(**columns | {"time": columns["time"].astype("datetime64[us]").astype(np.int64) / US_PER_S})
