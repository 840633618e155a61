"""Checking a history, and taking things out of it."""

from __future__ import annotations

import shutil

import pytest

from lamplighter.errors import InputError
from lamplighter.intake.store import History, describe, forget, plan_forgetting, verify
from lamplighter.intake.store.collect import collect_with
from lamplighter.settings import Settings
from tests.store.fleet import START, check_ins, in_order, read_export, write_export
from tests.store.test_collect import DAY, assert_holds

TABLE = check_ins(["A", "B", "2026-02-01"], 75)


@pytest.fixture
def folder(tmp_path):
    cut = START + 40 * DAY
    files = [
        write_export(tmp_path / "1.csv", TABLE[TABLE["time"] < cut]),
        write_export(tmp_path / "2.csv", TABLE[TABLE["time"] >= cut - DAY]),
    ]
    for file in files:
        collect_with([file], tmp_path / "h", Settings(), read_export)
    return tmp_path / "h"


def test_the_summary_counts_everything(folder):
    lines = describe(History(folder))
    assert lines[:3] == [
        "3 nodes",
        "5,400 check-ins from 1 Jan 2026 00:00 UTC to 16 Mar 2026 23:00 UTC",
        "2 export files collected, 5,472 records read: 5,400 kept, 72 duplicates, 0 rejected",
    ]
    assert "on disk in 9 data files" in lines[3]


def test_a_whole_history_has_no_problems(folder):
    assert verify(History(folder)) == []


def _parts(folder):
    return sorted((folder / "data").rglob("*.parquet"))


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        (lambda path: path.unlink(), "missing"),
        (lambda path: path.write_bytes(path.read_bytes()[:-9]), "damaged: its content is not what was written"),
        (lambda path: path.write_bytes(path.read_bytes().replace(b"PAR1", b"PAR2")), "damaged"),
        (lambda path: path.write_bytes(_parts(path.parents[2].parent)[1].read_bytes()), "damaged"),
    ],
)
def test_verify_names_the_damaged_file(folder, harm, says):
    path = _parts(folder)[0]
    harm(path)
    problems = verify(History(folder))
    assert len(problems) == 1
    assert problems[0].startswith(f"{path.relative_to(folder).as_posix()}: ")
    assert says in problems[0]


def test_reading_a_damaged_file_names_it_and_the_remedy(folder):
    history = History(folder)
    shutil.rmtree(folder / "data")
    with pytest.raises(InputError, match=r"missing or damaged \(see which with: lamplighter history DIR --verify\)"):
        history.arrays("A")


def test_verify_sees_an_index_that_is_wrong(folder):
    text = (folder / "manifest.json").read_text()
    (folder / "manifest.json").write_text(text.replace('"A":[1800,', '"A":[1801,'))
    assert verify(History(folder)) == ["the index disagrees with the data files about 1 node, first A"]


def test_forgetting_a_node_leaves_the_others(folder):
    plan = plan_forgetting(History(folder), "B")
    assert plan.question() == "Forget node B: 1,800 check-ins of 1 node, for good?"
    assert forget(folder, "B").deleted
    history = History(folder)
    assert_holds(history, in_order(TABLE[TABLE["node"] != "B"].astype({"node": str})))
    assert history.manifest.forgotten == 1800


def test_forgetting_everything_before_a_day(folder):
    limit = START + 36.5 * DAY
    plan = plan_forgetting(History(folder), "2026-02-06T12:00")
    assert plan.question() == "Forget everything before 6 Feb 2026 12:00 UTC: 2,628 check-ins of 3 nodes, for good?"
    assert forget(folder, "2026-02-06T12:00").rows == 2628
    assert_holds(History(folder), in_order(TABLE[TABLE["time"] >= limit].astype({"node": str})))


def test_a_node_named_like_a_day_is_a_node(folder):
    assert forget(folder, "2026-02-01").node == "2026-02-01"
    assert History(folder).nodes() == ["A", "B"]


def test_what_was_forgotten_does_not_come_back_with_the_same_file(folder):
    forget(folder, "B")
    found = collect_with([folder.parent / "1.csv"], folder, Settings(), read_export)
    assert len(found.skipped) == 1
    assert "B" not in History(folder).nodes()


def test_everything_can_be_forgotten_and_collected_anew(folder):
    forget(folder, "2030-01-01")
    history = History(folder)
    assert history.nodes() == []
    assert verify(history) == []
    assert _parts(folder) == []
    more = check_ins(["C"], 3)
    collect_with([write_export(folder.parent / "3.csv", more)], folder, Settings(), read_export)
    assert_holds(History(folder), more)


def test_forgotten_data_stay_on_disk_only_while_somebody_reads_them(folder):
    with History(folder):
        assert not forget(folder, "B").deleted
    collect_with([write_export(folder.parent / "3.csv", check_ins(["C"], 1))], folder, Settings(), read_export)
    named = {p.path for p in History(folder).manifest.parts.values()}
    assert {p.relative_to(folder).as_posix() for p in _parts(folder)} == named


def test_forgetting_something_unknown_is_refused(folder):
    before = (folder / "manifest.json").read_bytes()
    with pytest.raises(InputError, match="'b' is neither a node of this history nor a time"):
        forget(folder, "b")
    assert (folder / "manifest.json").read_bytes() == before
