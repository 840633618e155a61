"""Kills, full disks, folders that cannot be written, two writers at once: all or nothing, and the next run works."""

from __future__ import annotations

import errno
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import time
from contextlib import suppress

import pytest

from lamplighter.errors import InputError
from lamplighter.intake.store import History, disk, verify
from lamplighter.intake.store.collect import collect_with
from lamplighter.intake.store.disk import writing
from lamplighter.settings import Settings, load_settings
from tests.store.fleet import START, check_ins, in_order, read_export, write_export
from tests.store.test_collect import DAY, assert_holds

FORK = multiprocessing.get_context("fork")
WEEK = 7 * DAY


def weekly_files(folder, weeks: int, nodes: int = 12):
    """Weekly exports of which each overlaps the one before by a day, and the table of each."""
    table = check_ins([f"N{k:02d}" for k in range(nodes)], 7 * weeks)
    tables = [
        table[(table["time"] >= START + k * WEEK - DAY) & (table["time"] < START + (k + 1) * WEEK)]
        for k in range(weeks)
    ]
    return table, [write_export(folder / f"{k}.csv", rows) for k, rows in enumerate(tables)]


def _until(table, weeks: int):
    return in_order(table[table["time"] < START + weeks * WEEK].astype({"node": str}))


@pytest.mark.slow
def test_killed_at_random_points_in_fifty_collects(tmp_path):
    """SIGKILL after a random part of the usual time; a reader sees the state before or after, never between."""
    table, files = weekly_files(tmp_path, 51)
    folder, chance = tmp_path / "h", random.Random(1)
    began = time.monotonic()
    collect_with(files[:1], folder, Settings(), read_export)
    usual = time.monotonic() - began
    killed = 0
    for week in range(1, 51):
        for _attempt in range(3):
            child = FORK.Process(target=collect_with, args=(files[week : week + 1], folder, Settings(), read_export))
            child.start()
            time.sleep(chance.uniform(0, 1.2 * usual))
            os.kill(child.pid, signal.SIGKILL)
            child.join()
            killed += child.exitcode == -signal.SIGKILL
            history = History(folder)
            whole = history.manifest.generation
            assert whole in (week, week + 1)
            assert history.manifest.rows == len(_until(table, whole))
            history.close()
        found = collect_with(files[week : week + 1], folder, Settings(), read_export)
        assert len(found.files) + len(found.skipped) == 1
    assert killed >= 50
    assert_holds(History(folder), table)
    assert History(folder).account.balanced
    left = {p.relative_to(folder).as_posix() for p in (folder / "data").rglob("*") if p.is_file()}
    assert left == {p.path for p in History(folder).manifest.parts.values()}
    assert not (folder / "incoming").exists()


@pytest.mark.parametrize("call", range(14))
def test_stopped_at_every_step_of_the_commit(tmp_path, monkeypatch, call):
    """Die at each fsync and rename in turn: until the manifest is renamed the old state stands, then the new."""
    table, files = weekly_files(tmp_path, 2, nodes=2)
    folder = tmp_path / "h"
    collect_with(files[:1], folder, Settings(), read_export)
    steps = iter(range(1000))

    def counted(real):
        def step(*args):
            if next(steps) == call:
                raise KeyboardInterrupt
            return real(*args)

        return step

    with monkeypatch.context() as patch:
        patch.setattr(disk.os, "fsync", counted(os.fsync))
        patch.setattr(disk.os, "replace", counted(os.replace))
        with suppress(KeyboardInterrupt):
            collect_with(files[1:], folder, Settings(), read_export)
    history = History(folder)
    assert_holds(history, _until(table, history.manifest.generation))
    history.close()
    collect_with(files[1:], folder, Settings(), read_export)
    assert_holds(History(folder), table)


@pytest.mark.parametrize(("module", "name"), [("collect", "write_part"), ("commit", "save"), ("commit", "sync")])
def test_a_full_disk_keeps_the_old_state_and_says_so(tmp_path, monkeypatch, module, name):
    table, files = weekly_files(tmp_path, 2, nodes=2)
    folder = tmp_path / "h"
    collect_with(files[:1], folder, Settings(), read_export)

    def full(*_args, **_more):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(sys.modules[f"lamplighter.intake.store.{module}"], name, full)
        with pytest.raises(
            InputError, match=r"No space left on device \(free some space and run it again; nothing of this run"
        ):
            collect_with(files[1:], folder, Settings(), read_export)
    assert_holds(History(folder), _until(table, 1))
    collect_with(files[1:], folder, Settings(), read_export)
    assert_holds(History(folder), table)


def _collect_each(files, folder) -> None:
    for file in files:
        collect_with([file], folder, Settings(), read_export)


def test_a_really_full_disk(tmp_path):
    """On a file system of 600 kB, filled by the history itself."""
    small = tmp_path / "small"
    small.mkdir()
    mount = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(small)], capture_output=True, text=True, check=False
    )
    if mount.returncode:
        pytest.skip(f"no small file system can be mounted here: {mount.stderr.strip()}")
    try:
        table, files = weekly_files(tmp_path, 30)
        with pytest.raises(InputError, match="No space left on device"):
            _collect_each(files, small / "h")
        kept = History(small / "h").manifest.generation
        assert 0 < kept < 30
        assert_holds(History(small / "h"), _until(table, kept))
        subprocess.run(["mount", "-o", "remount,size=50m", str(small)], check=True)
        collect_with(files, small / "h", Settings(), read_export)
        assert_holds(History(small / "h"), table)
    finally:
        subprocess.run(["umount", "-l", str(small)], check=True)


def _as_nobody(work, *args) -> None:
    """Run in a child without the right to write everywhere, as the superuser has it."""

    def child() -> None:
        if os.geteuid() == 0:
            os.setgid(65534)
            os.setuid(65534)
        work(*args)

    process = FORK.Process(target=child)
    process.start()
    process.join()
    assert process.exitcode == 0


def _expect_refusal(file, folder) -> None:
    with pytest.raises(
        InputError, match=r"cannot write the history: Permission denied \(ask for the right to write there"
    ):
        collect_with([file], folder, Settings(), read_export)


def _expect_readable(folder, table) -> None:
    assert_holds(History(folder), table)


def test_a_folder_that_cannot_be_written_is_named_and_can_still_be_read(tmp_path_factory):
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as name:  # pytest's own folders are closed to other users
        base = Path(name)
        base.chmod(0o755)
        table, files = weekly_files(base, 2, nodes=2)
        collect_with(files[:1], base / "h", Settings(), read_export)
        inside = [base / "h", *(base / "h").rglob("*")]
        for path in inside:
            path.chmod(0o555 if path.is_dir() else 0o444)
        _as_nobody(_expect_refusal, files[1], base / "h")
        _as_nobody(_expect_readable, base / "h", _until(table, 1))
        for path in inside:
            path.chmod(0o755 if path.is_dir() else 0o644)


def _hold(folder, ready, done) -> None:
    with writing(folder, 0):
        ready.set()
        done.wait(30)


def test_a_second_collect_waits_for_the_first_then_gives_up_with_a_clear_line(tmp_path):
    table, files = weekly_files(tmp_path, 1, nodes=2)
    folder = tmp_path / "h"
    folder.mkdir()
    ready, done = FORK.Event(), FORK.Event()
    other = FORK.Process(target=_hold, args=(folder, ready, done))
    other.start()
    ready.wait(30)
    try:
        with pytest.raises(InputError, match=rf"being written by process {other.pid} on .+ \(wait until it is done"):
            collect_with(files, folder, load_settings({"history": {"wait_s": 0.1}}), read_export)
    finally:
        done.set()
        other.join()
    collect_with(files, folder, Settings(), read_export)
    assert_holds(History(folder), table)


def test_a_writer_that_was_killed_leaves_no_lock(tmp_path):
    ready = FORK.Event()
    other = FORK.Process(target=_hold, args=(tmp_path, ready, FORK.Event()))
    other.start()
    ready.wait(30)
    os.kill(other.pid, signal.SIGKILL)
    other.join()
    with writing(tmp_path, 5):
        pass


def test_two_collects_at_once_both_arrive(tmp_path):
    table, files = weekly_files(tmp_path, 4, nodes=3)
    both = [
        FORK.Process(target=collect_with, args=(files[k::2], tmp_path / "h", Settings(), read_export)) for k in (0, 1)
    ]
    for process in both:
        process.start()
    for process in both:
        process.join()
    assert [p.exitcode for p in both] == [0, 0]
    history = History(tmp_path / "h")
    assert verify(history) == []
    assert_holds(history, table)
