"""From one state of a history to the next, at once; and the sweeping up of what no state names."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from pathlib import Path

from lamplighter.errors import InputError
from lamplighter.intake.store.disk import no_readers, sync
from lamplighter.intake.store.manifest import NAME, Manifest, save
from lamplighter.intake.store.summaries import sweep_summaries


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
        sweep_summaries(folder, manifest)
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
