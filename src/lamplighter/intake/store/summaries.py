"""Summaries of closed blocks, kept in a history beside its data files; what each was made from says if it holds.

They are a convenience, never the only copy: one that is missing, damaged or out of date is made anew from the data.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa

from lamplighter.intake.store.manifest import Manifest, bucket_of

FOLDER = "summaries"
MAGIC = b"lamplighter summaries 1\n"
"""Name and version of the format."""
SIZE_BYTES = 8
HASH_BYTES = 16

Table = Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Kept:
    """The summaries of one node's closed blocks.

    Attributes
    ----------
    keys : tuple of str
        What each block was made from, from the node's first on, those without check-ins included.
    tables : dict of table to dict of column to ndarray
        Columns of all blocks, one after the other.
    sizes : dict of table to dict of column to list of int
        Entries of each block.
    """

    keys: tuple[str, ...]
    tables: Mapping[str, Table]
    sizes: Mapping[str, Mapping[str, Sequence[int]]]

    def beginning(self, blocks: int) -> Kept:
        """Return what is kept of the first blocks."""
        sizes = {t: {c: n[:blocks] for c, n in table.items()} for t, table in self.sizes.items()}
        tables = {t: {c: v[: sum(sizes[t][c])] for c, v in table.items()} for t, table in self.tables.items()}
        return Kept(self.keys[:blocks], tables, sizes)


def place_of(folder: Path, manifest: Manifest) -> Path:
    """Return the folder of all summaries. It is another one after each forgetting.

    What somebody still writes who has read what was forgotten lands in a folder that is swept away.
    """
    return folder / FOLDER / f"forgotten={manifest.forgotten}"


def path_of(folder: Path, manifest: Manifest, node: str) -> Path:
    """Return where a node's summaries are."""
    name = hashlib.blake2b(node.encode("utf-8", "surrogatepass"), digest_size=HASH_BYTES).hexdigest()
    return place_of(folder, manifest) / f"bucket={bucket_of(node, manifest.buckets):04d}" / f"{name}.zst"


def keys_of(manifest: Manifest, node: str, blocks: Iterable[Sequence[str]], made_by: str) -> tuple[str, ...]:
    """Return what some blocks of a node are made from: the data files of their months, and by what.

    Parameters
    ----------
    manifest : Manifest
    node : str
    blocks : iterable of sequence of str
        Months (``2026-01``) of each block, that of its lead-in included.
    made_by : str
        Stands for code, settings and register.
    """
    bucket = bucket_of(node, manifest.buckets)
    keys = []
    for months in blocks:
        parts = (manifest.parts.get((bucket, month)) for month in months)
        said = [made_by, *(part.digest if part else "" for part in parts)]
        keys.append(hashlib.blake2b("\n".join(said).encode(), digest_size=HASH_BYTES).hexdigest())
    return tuple(keys)


def read_kept(path: Path) -> Kept | None:
    """Return what is kept in a file; None when there is nothing, or nothing of use."""
    try:
        content = path.read_bytes()
        check, rest = content[len(MAGIC) :][:HASH_BYTES], content[len(MAGIC) :][HASH_BYTES:]
        sound = content.startswith(MAGIC) and hashlib.blake2b(rest, digest_size=HASH_BYTES).digest() == check
        return _kept_in(rest) if sound else None
    except (OSError, ValueError, KeyError, TypeError, MemoryError, OverflowError):  # pyarrow's errors are among them
        return None


def _kept_in(content: bytes) -> Kept:
    raw = pa.decompress(
        content[SIZE_BYTES:],
        decompressed_size=int.from_bytes(content[:SIZE_BYTES], "little"),
        codec="zstd",
        asbytes=True,
    )
    ends = raw.index(b"\n") + 1
    head = json.loads(raw[:ends])
    tables: dict[str, dict[str, np.ndarray]] = {}
    at = ends + -ends % 8
    for table, column, dtype, size in head["columns"]:
        tables.setdefault(table, {})[column] = np.frombuffer(raw, dtype=dtype, count=size, offset=at)
        at += -(-np.dtype(dtype).itemsize * size // 8) * 8
    return Kept(tuple(head["keys"]), tables, head["sizes"])


def write_kept(path: Path, kept: Kept) -> None:
    """Keep summaries, at once and whole; where the history cannot be written nothing is kept and nothing is lost."""
    columns = [(t, c, np.ascontiguousarray(v)) for t, table in kept.tables.items() for c, v in table.items()]
    head = {
        "keys": kept.keys,
        "columns": [(t, c, v.dtype.str, len(v)) for t, c, v in columns],
        "sizes": kept.sizes,
    }
    pieces = [json.dumps(head, separators=(",", ":")).encode("ascii") + b"\n", *(v.tobytes() for _, _, v in columns)]
    raw = b"".join(piece + bytes(-len(piece) % 8) for piece in pieces)
    packed = len(raw).to_bytes(SIZE_BYTES, "little") + pa.compress(raw, codec="zstd", asbytes=True)
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        # A name of its own for each writer: two runs over one history may keep the same summaries at once.
        aside = path.with_name(f"{path.stem}-{secrets.token_hex(4)}.new")
        try:
            aside.write_bytes(MAGIC + hashlib.blake2b(packed, digest_size=HASH_BYTES).digest() + packed)
            os.replace(aside, path)
        except OSError:
            aside.unlink(missing_ok=True)
            raise


def sweep_summaries(folder: Path, manifest: Manifest) -> bool:
    """Delete summaries of what was forgotten since, and what an interrupted run left; say whether all of it is gone."""
    here = place_of(folder, manifest)
    gone = True
    for place in _inside(folder / FOLDER):
        if place != here:
            shutil.rmtree(place, ignore_errors=True)
            gone = gone and not place.exists()
    for path in here.glob("*/*.new"):
        with suppress(OSError):  # left for the next run
            path.unlink()
    return gone


def _inside(folder: Path) -> list[Path]:
    """Return what is in a folder; nothing where there is none."""
    return sorted(folder.iterdir()) if folder.is_dir() else []


def kept_sizes(folder: Path, manifest: Manifest) -> list[int]:
    """Return the sizes of all files of summaries [bytes]."""
    sizes = []
    for bucket in _inside(place_of(folder, manifest)):
        with suppress(OSError), os.scandir(bucket) as files:  # somebody may forget or keep some now
            sizes += [file.stat().st_size for file in files if file.name.endswith(".zst")]
    return sizes
