"""Writing so that a power cut or a kill leaves either the old file or the new one; one writer at a time."""

from __future__ import annotations

import errno
import os
import socket
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from lamplighter.errors import InputError

try:
    import fcntl
except ImportError:  # a system without advisory locks: one writer is then up to the user
    fcntl = None  # type: ignore[assignment]

_REMEDIES = {
    errno.ENOSPC: "free some space and run it again; nothing of this run was kept",
    errno.EDQUOT: "free some space and run it again; nothing of this run was kept",
    errno.EROFS: "the disk is read-only; choose a folder that can be written",
    errno.EACCES: "ask for the right to write there, or choose another folder",
    errno.EPERM: "ask for the right to write there, or choose another folder",
    errno.ENOTDIR: "choose a folder, not a file",
    errno.EEXIST: "choose a folder, not a file",
}


@contextmanager
def readable_errors(folder: Path) -> Iterator[None]:
    """Turn the system's complaints about a folder into one line with a remedy."""
    try:
        yield
    except OSError as bad:
        remedy = _REMEDIES.get(bad.errno or 0, "check the disk; nothing of this run was kept")
        raise InputError(f"cannot write the history: {bad.strerror or bad}", file=folder, remedy=remedy) from bad


def write_aside(path: Path, content: bytes) -> None:
    """Replace a file at once: written beside it, forced to the disk, then renamed over it."""
    aside = path.with_name(path.name + ".new")
    with open(aside, "wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    os.replace(aside, path)
    sync([path.parent])


def sync(paths: Iterable[Path]) -> None:
    """Force files and folders to the disk."""
    for path in paths:
        try:
            handle = os.open(path, os.O_RDONLY)
        except PermissionError:  # a system that cannot open folders has nothing to sync in them
            if path.is_dir():
                continue
            raise
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def writing(folder: Path, wait_s: float) -> Iterator[None]:
    """Be the only writer of a history; the lock goes with the process, however it ends.

    Raises
    ------
    InputError
        When another writer is still at work after ``wait_s`` seconds; names it.
    """
    with open(folder / "writer.lock", "a+", encoding="utf-8") as lock:
        deadline = time.monotonic() + wait_s
        while not _try_lock(lock.fileno()):
            if time.monotonic() >= deadline:
                lock.seek(0)
                other = " ".join(lock.read(200).split()) or "another process"
                raise InputError(
                    f"the history is being written by {other}",
                    file=folder,
                    remedy="wait until it is done, then run this again",
                )
            time.sleep(0.05)
        lock.truncate(0)
        lock.write(f"process {os.getpid()} on {socket.gethostname()}\n")
        lock.flush()
        yield


def _try_lock(handle: int, *, alone: bool = True) -> bool:
    """Lock an open file without waiting; True where the system or the disk has no locks."""
    if fcntl is None:
        return True
    try:
        fcntl.flock(handle, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
    except OSError as bad:
        if bad.errno in (errno.EWOULDBLOCK, errno.EACCES):
            return False
        if bad.errno not in (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL):
            raise
    return True


class Reading:
    """Keeps the files of a history from being swept away for as long as this object lives."""

    def __init__(self, folder: Path) -> None:
        self._handle: int | None = None
        try:
            self._handle = os.open(folder / "readers.lock", os.O_RDONLY)
            if fcntl is not None:
                fcntl.flock(self._handle, fcntl.LOCK_SH)
        except OSError:
            pass  # no lock file or no locks on this disk: reading goes on without

    def close(self) -> None:
        """Let the files go."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    __del__ = close


@contextmanager
def no_readers(folder: Path) -> Iterator[bool]:
    """Whether nobody reads the history now; new readers wait until the block is left."""
    with open(folder / "readers.lock", "a", encoding="utf-8") as lock:
        yield _try_lock(lock.fileno())
