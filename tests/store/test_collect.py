"""A history takes exports week by week: nothing twice, nothing lost, late rows in their place."""

from __future__ import annotations

import pickle

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lamplighter.checkins import CheckIns
from lamplighter.errors import InputError
from lamplighter.intake.store import History, verify
from lamplighter.intake.store.collect import collect_with
from lamplighter.settings import Settings, load_settings
from tests.store.fleet import START, check_ins, in_order, read_export, write_export

DAY = pd.Timedelta(days=1)


def collect(folder, *files, chosen: Settings | None = None):
    return collect_with(files, folder, chosen or Settings(), read_export)


def assert_holds(history: History, table: pd.DataFrame) -> None:
    expected = CheckIns(table)
    assert history.nodes() == expected.nodes()
    assert history.span() == expected.span()
    for node in expected.nodes():
        found, wanted = history.arrays(node), expected.arrays(node)
        for name in wanted.__dataclass_fields__:
            np.testing.assert_array_equal(getattr(found, name), getattr(wanted, name), err_msg=f"{node} {name}")
            assert getattr(found, name).dtype == getattr(wanted, name).dtype
    assert verify(history) == []


@pytest.fixture
def three_months() -> pd.DataFrame:
    return check_ins(["A-1", "B/2", "..", "Ünï 3"], 75)


def test_what_is_collected_is_what_is_read_back(tmp_path, three_months):
    found = collect(tmp_path / "h", write_export(tmp_path / "e.csv", three_months))
    with History(tmp_path / "h") as history:
        assert_holds(history, three_months)
    assert (found.nodes, found.rows, found.account.check_ins) == (4, len(three_months), len(three_months))


def test_weekly_exports_add_up_to_the_whole(tmp_path, three_months):
    week = (three_months["time"] - START) // (7 * DAY)
    for k, rows in three_months.groupby(week):
        collect(tmp_path / "h", write_export(tmp_path / f"{k}.csv", rows))
    assert_holds(History(tmp_path / "h"), three_months)


def test_a_file_collected_before_is_skipped_whatever_its_name(tmp_path, three_months):
    first = write_export(tmp_path / "a.csv", three_months)
    again = write_export(tmp_path / "b.csv", three_months)
    collect(tmp_path / "h", first)
    before = (tmp_path / "h" / "manifest.json").read_bytes()
    found = collect(tmp_path / "h", again, first)
    assert found.skipped == (str(again), str(first))
    assert found.files == ()
    assert (tmp_path / "h" / "manifest.json").read_bytes() == before


def test_the_same_content_twice_in_one_run_is_read_once(tmp_path, three_months):
    files = [write_export(tmp_path / name, three_months) for name in ("a.csv", "b.csv")]
    found = collect(tmp_path / "h", *files)
    assert (found.files, found.skipped) == ((str(files[0]),), (str(files[1]),))


def test_overlaps_count_as_duplicates_and_records_are_conserved(tmp_path, three_months):
    cut, back = START + 40 * DAY, START + 33 * DAY
    early, late = three_months[three_months["time"] < cut], three_months[three_months["time"] >= back]
    collect(tmp_path / "h", write_export(tmp_path / "a.csv", early))
    found = collect(tmp_path / "h", write_export(tmp_path / "b.csv", late))
    overlap = 4 * 24 * 7
    assert (found.account.duplicates, found.account.kept) == (overlap, len(late) - overlap)
    assert found.account.check_ins == len(late) - overlap
    history = History(tmp_path / "h")
    assert history.account.balanced
    assert history.account.records_read == len(early) + len(late)
    assert_holds(history, three_months)


def test_rows_that_come_late_find_their_place(tmp_path, three_months):
    late = (
        (three_months["time"] >= START + 10 * DAY)
        & (three_months["time"] < START + 50 * DAY)
        & (three_months["node"] == "B/2")
    )
    collect(tmp_path / "h", write_export(tmp_path / "a.csv", three_months[~late]))
    collect(tmp_path / "h", write_export(tmp_path / "b.csv", three_months[late]))
    assert_holds(History(tmp_path / "h"), three_months)


def test_a_later_export_fills_in_what_an_earlier_one_lacked(tmp_path):
    table = check_ins(["A"], 2)
    collect(tmp_path / "h", write_export(tmp_path / "a.csv", table.assign(battery_v=np.nan)))
    collect(tmp_path / "h", write_export(tmp_path / "b.csv", table))
    assert_holds(History(tmp_path / "h"), table)


@settings(max_examples=15, deadline=None)
@given(order=st.permutations(range(5)), groups=st.integers(1, 5), buckets=st.sampled_from([1, 3, 64]))
def test_order_and_grouping_of_files_and_number_of_buckets_do_not_matter(tmp_path_factory, order, groups, buckets):
    folder = tmp_path_factory.mktemp("history")
    table = check_ins(["A", "B", "C"], 70, step_s=7200)
    fifth = (table["time"] - START) // (14 * DAY)
    files = [write_export(folder / f"{k}.csv", table[fifth == k]) for k in range(5)]
    chosen = load_settings({"history": {"buckets": buckets}})
    for k in range(groups):
        collect(folder / "h", *[files[i] for i in order[k::groups]], chosen=chosen)
    assert_holds(History(folder / "h"), table)


def test_node_names_never_become_paths(tmp_path):
    names = [
        "../../evil",
        "/etc/passwd",
        "..",
        ".",
        "C:\\x",
        "a" * 300,
        "=1+1",
        " lead",
        "bucket=0001/month=2026-01",
        "\u202e",
        "NULL",
    ]
    table = check_ins(sorted(names), 3)
    collect(tmp_path / "deep" / "h", write_export(tmp_path / "e.csv", table))
    assert_holds(History(tmp_path / "deep" / "h"), table)
    made = [p.relative_to(tmp_path / "deep" / "h").as_posix() for p in (tmp_path / "deep").rglob("*") if p.is_file()]
    known = r"(manifest\.json|(writer|readers)\.lock|data/bucket=\d{4}/month=\d{4}-\d{2}/\d{6}\.parquet)"
    assert made == [m for m in made if __import__("re").fullmatch(known, m)]


def test_one_node_is_read_without_its_neighbours(tmp_path, monkeypatch):
    """Counted in bytes: 1 of 40 nodes in one bucket costs a small part of the file."""
    table = check_ins([f"N{k:02d}" for k in range(40)], 28, step_s=900)
    collect(tmp_path / "h", write_export(tmp_path / "e.csv", table), chosen=load_settings({"history": {"buckets": 1}}))
    history = History(tmp_path / "h")
    import pyarrow.parquet as pq

    read = []
    real = pq.ParquetFile.read_row_group
    monkeypatch.setattr(
        pq.ParquetFile,
        "read_row_group",
        lambda self, i, **kw: read.append(self.metadata.row_group(i).num_rows) or real(self, i, **kw),
    )
    history.arrays("N17")
    assert read == [28 * 96]


def test_what_was_opened_stays_readable_while_more_is_collected(tmp_path, three_months):
    cut = START + 40 * DAY
    early = in_order(three_months[three_months["time"] < cut])
    collect(tmp_path / "h", write_export(tmp_path / "a.csv", early))
    with History(tmp_path / "h") as opened:
        copy = pickle.loads(pickle.dumps(opened))
        collect(tmp_path / "h", write_export(tmp_path / "b.csv", three_months))
        assert_holds(opened, early)
        assert_holds(copy, early)
        copy.close()
    assert_holds(History(tmp_path / "h"), three_months)
    old = {p.path for p in opened.manifest.parts.values()}
    collect(tmp_path / "h", write_export(tmp_path / "c.csv", check_ins(["Z"], 1)))
    now = {p.path for p in History(tmp_path / "h").manifest.parts.values()}
    assert not any((tmp_path / "h" / path).exists() for path in old - now)


def test_a_folder_without_a_history_is_named(tmp_path):
    with pytest.raises(InputError, match=r"holds no history \(make one with: lamplighter collect"):
        History(tmp_path)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"{}", "a format this version does not know"),
        (b"{", "damaged"),
        (b'{"format": 1, "generation": 3}', "damaged"),
        (b"[]", "a format this version"),
    ],
)
def test_a_damaged_manifest_is_named(tmp_path, content, says):
    (tmp_path / "manifest.json").write_bytes(content)
    with pytest.raises(InputError, match=says):
        History(tmp_path)
