"""What lies in a temporary file reads like a dict or a list, and leaves nothing behind."""

from __future__ import annotations

import gc
import os
import pickle
import tempfile
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter import spool
from lamplighter.engines import Engine, Job
from lamplighter.errors import InputError
from lamplighter.spool import Joined, Spool, SpooledList, pack

FULL_DISK = Path("/dev/full")


@pytest.fixture
def on_disk(monkeypatch, tmp_path):
    """Everything goes to the disk at once, into this folder."""
    monkeypatch.setattr(spool, "HELD", 0)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


@pytest.fixture
def full_disk(monkeypatch):
    """The disk that temporary files lie on is full."""
    if not FULL_DISK.exists():
        pytest.skip("needs a device that is always full")
    monkeypatch.setattr(spool, "HELD", 0)
    monkeypatch.setattr(tempfile, "TemporaryFile", partial(open, FULL_DISK, "r+b"))


STEPS = st.lists(
    st.tuples(st.sampled_from(["set", "delete"]), st.sampled_from("abc"), st.lists(st.integers(), max_size=50))
)


@pytest.mark.parametrize("held", [0, 100, 1_000_000])
@given(steps=STEPS)
def test_a_spool_is_a_dict(held, steps):
    usual, spool.HELD = spool.HELD, held
    try:
        ours, plain = Spool(), {}
        for what, name, value in steps:
            if what == "set":
                ours[name] = plain[name] = value
            elif name in plain:
                del ours[name], plain[name]
        assert ours == plain
        assert (list(ours), len(ours), list(ours.items())) == (list(plain), len(plain), list(plain.items()))
        assert ("a" in ours, ours.get("b")) == ("a" in plain, plain.get("b"))
    finally:
        spool.HELD = usual


@pytest.mark.usefixtures("on_disk")
def test_a_missing_name_is_a_key_error():
    with pytest.raises(KeyError, match="no such"):
        Spool({"a": 1}.items())["no such"]


@pytest.mark.usefixtures("on_disk")
def test_a_value_is_made_anew_each_time_it_is_read():
    kept = Spool({"a": [1]}.items())
    kept["a"].append(2)
    assert kept["a"] == [1]


@pytest.mark.parametrize("n", [0, 1, 255, 256, 257, 1000])
def test_a_spooled_list_is_a_list(on_disk, n):
    ours, plain = SpooledList(range(n)), list(range(n))
    ours.extend([7, 8])
    plain.extend([7, 8])
    assert ours == plain
    assert list(reversed(ours)) == plain[::-1]
    assert [ours[k] for k in range(-len(plain), len(plain))] == plain + plain
    assert ours[3:900:7] == plain[3:900:7]
    assert len(ours) == n + 2
    assert ours != [*plain, 9]
    with pytest.raises(IndexError):
        ours[n + 2]


def test_joined_mappings_give_what_each_knows_of_a_name():
    both = Joined({"one": {"b": 1, "a": 2}, "none": {}, "two": {"c": 3, "a": 4}})
    assert list(both.items()) == [("b", {"one": 1}), ("a", {"one": 2, "two": 4}), ("c", {"two": 3})]
    assert ("c" in both, "d" in both, len(both)) == (True, False, 3)
    with pytest.raises(KeyError):
        both["d"]


@pytest.mark.usefixtures("on_disk")
def test_a_pickled_copy_is_plain():
    kept = Spool({"a": {"x": 1}}.items())
    copies = pickle.loads(pickle.dumps([kept, SpooledList([1, 2]), Joined({"one": kept})]))
    assert [type(c) for c in copies] == [dict, list, dict]
    assert copies == [{"a": {"x": 1}}, [1, 2], {"a": {"one": {"x": 1}}}]


def test_few_values_make_no_file(monkeypatch):
    monkeypatch.setattr(tempfile, "TemporaryFile", None)
    assert dict(Spool((str(k), k) for k in range(1000)))["999"] == 999


def _open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_no_file_is_left_behind(on_disk):
    before = _open_files() if Path("/proc/self/fd").exists() else None
    kept = Spool((str(k), np.zeros(1000)) for k in range(50))
    assert os.listdir(on_disk) == []  # it has no name, so that nothing is left even when the process is killed
    if before is not None:
        assert _open_files() == before + 1
        del kept
        gc.collect()
        assert _open_files() == before


@pytest.mark.usefixtures("full_disk")
def test_a_full_disk_is_one_clear_line():
    with pytest.raises(
        InputError, match=r"cannot write a temporary file: No space left .* \(make room there, or .*TMPDIR"
    ):
        Spool({"a": 1}.items())


def test_a_folder_that_is_not_there_is_one_clear_line(monkeypatch, tmp_path):
    monkeypatch.setattr(spool, "HELD", 0)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))
    with pytest.raises(InputError, match="cannot write a temporary file: No such file"):
        SpooledList([1])


@pytest.mark.usefixtures("on_disk")
def test_forked_workers_read_beside_each_other():
    """They share one open file and so one place in it."""
    kept = Spool((str(k), [k] * (k % 97)) for k in range(2000))
    names = list(kept)
    found = Engine("processes", 3).run(Job(kept.__getitem__, len), names)
    for name, size in zip(names, found, strict=True):
        assert (len(kept[name]), size) == (int(name) % 97,) * 2


@pytest.mark.usefixtures("on_disk")
def test_values_packed_elsewhere_are_taken_as_they_are():
    kept = Spool()
    kept.put("a", pack({"x": None}))
    assert kept["a"] == {"x": None}
