"""Real exports week by week: the history holds what reading all of them at once gives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lamplighter import read_exports
from lamplighter.checkins import CheckIns
from lamplighter.intake.store import History, collect, verify
from lamplighter.settings import load_settings
from tests.bench.fleet import WRITERS


def assert_same(folder: Path, exports: list[Path], settings=None) -> None:
    """The history and the table in memory hold the same check-ins and the same account of records."""
    wanted = read_exports(exports, settings)
    assert_same_check_ins(folder, wanted)
    with History(folder) as found:
        for name in ("records_read", "kept", "duplicates", "rejected", "check_ins", "reasons"):
            assert getattr(found.account, name) == getattr(wanted.account, name), name
        assert len(found.rejects) == wanted.account.rejected


def assert_same_check_ins(folder: Path, wanted: CheckIns) -> None:
    with History(folder) as found:
        assert found.nodes() == wanted.nodes()
        assert found.span() == wanted.span()
        assert found.traits == wanted.traits
        for node in wanted.nodes():
            a, b = found.arrays(node), wanted.arrays(node)
            for name in b.__dataclass_fields__:
                np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=f"{node} {name}")
        assert found.account.balanced
        assert verify(found) == []


@pytest.mark.parametrize("layout", WRITERS)
def test_file_by_file_gives_what_all_at_once_gives(tmp_path, layout):
    files = WRITERS[layout](tmp_path / "exports", 4, 2)
    for file in files:
        collect([file], tmp_path / "h")
    assert_same(tmp_path / "h", files)


def lines_of(first: int, last: int, *, parts: tuple[str, ...], shift_s: int = 0) -> str:
    """A tag export: hour by hour, the value on the hour and the battery three seconds later."""
    out = ["tag,time,value"]
    for hour in range(first, last):
        stamp = f"2026-01-{1 + hour // 24:02d}T{hour % 24:02d}:00:"
        if "value" in parts:
            out.append(f"AREA.P-1.value,{stamp}{shift_s:02d}Z,{20 + hour % 7}")
        if "battery" in parts:
            out.append(f"AREA.P-1.battery,{stamp}{shift_s + 3:02d}Z,{3.6 - hour / 10000:.4f}")
    return "\n".join(out) + "\n"


def write(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


@pytest.mark.parametrize("together", [True, False])
def test_parts_of_check_ins_in_separate_overlapping_files_become_one_each(tmp_path, together):
    """The value and the battery of one check-in come in two files, three seconds apart; the weeks overlap by a day."""
    files = [
        write(tmp_path / f"{k}-{part}.csv", lines_of(first, last, parts=(part,)))
        for k, (first, last) in enumerate([(0, 96), (72, 168), (150, 240)])
        for part in ("value", "battery")
    ]
    for batch in [files] if together else [[f] for f in files]:
        collect(batch, tmp_path / "h")
    with History(tmp_path / "h") as history:
        (node,) = history.nodes()
        assert len(history.arrays(node).time) == 240
        assert np.isfinite(history.arrays(node).battery_v).all()
    assert_same(tmp_path / "h", files)


def test_a_row_that_was_wrong_once_is_rejected_once(tmp_path):
    good = "node,time,reading\nA,2026-01-01T00:00Z,1\nA,2026-01-01T01:00Z,2\n"
    files = [
        write(tmp_path / "1.csv", good + "A,nonsense,3\n"),
        write(tmp_path / "2.csv", good + "A,2026-01-01T02:00Z,\n"),
    ]
    for file in files:
        collect([file], tmp_path / "h")
    assert_same(tmp_path / "h", files)
    with History(tmp_path / "h") as history:
        assert history.account.rejected == 2
        assert list(history.rejects["line"]) == [4, 4]


def test_two_areas_that_use_one_name_stay_two_nodes(tmp_path):
    """The second area arrives a week later, when the first already goes by the short name."""
    first = "tag,time,value\n" + "".join(f"NORTH.P-1.value,2026-01-01T{h:02d}:00:00Z,{h}\n" for h in range(24))
    second = first.replace("NORTH", "SOUTH").replace("-01T", "-02T")
    again = first.replace("-01T", "-03T")
    for k, text in enumerate((first, second, again)):
        collect([write(tmp_path / f"{k}.csv", text)], tmp_path / "h")
    with History(tmp_path / "h") as history:
        short, long = history.nodes()
        assert (short, len(history.arrays(short).time)) == ("P-1", 48)
        assert (long.startswith("SOUTH"), len(history.arrays(long).time)) == (True, 24)


def test_settings_for_reading_are_used(tmp_path):
    settings = load_settings({"timezone": "America/Denver", "intake": {"renames": {"old": "new"}}})
    files = [write(tmp_path / "1.csv", "node,time,reading\nold,2026-01-01 00:00,1\nnew,2026-01-01 01:00,2\n")]
    collect(files, tmp_path / "h", settings)
    assert_same(tmp_path / "h", files, settings)
    with History(tmp_path / "h") as history:
        assert history.nodes() == ["new"]
        assert history.span() == (1767250800.0, 1767254400.0)  # midnight in Denver is 07:00 UTC in winter


@pytest.mark.parametrize("buckets", [1, 2, 64])
def test_a_node_renamed_later_keeps_its_past(tmp_path, buckets):
    """The old name has stored check-ins, beside others and in months the new name is stored in, too."""

    def month(nodes: str, k: int) -> str:
        return "".join(f"{n},2026-{k:02d}-{d:02d}T0{j}:00Z,{d}\n" for j, n in enumerate(nodes) for d in range(1, 29))

    head = "node,time,reading\n"
    texts = [month("oBn", 1) + month("o", 2), month("nCo", 2), "n,2026-01-28T00:00Z,28\nn,2026-03-01T00:00Z,1\n"]
    files = [write(tmp_path / f"{k}.csv", head + text) for k, text in enumerate(texts)]
    plain, renamed = (
        load_settings({"intake": {"renames": r}, "history": {"buckets": buckets}}) for r in ({}, {"o": "n"})
    )
    collect(files[:1], tmp_path / "h", plain)
    with History(tmp_path / "h") as history:
        assert history.nodes() == ["B", "n", "o"]
    collect(files[1:2], tmp_path / "h", renamed)
    with History(tmp_path / "h") as history:
        assert history.nodes() == ["B", "C", "n"]
        assert verify(history) == []
    collect(files[2:], tmp_path / "h", plain)
    assert_same_check_ins(tmp_path / "h", read_exports(files, renamed))


@pytest.mark.parametrize("change", [300, 200, 203])
def test_a_rename_found_in_the_data_holds_for_what_was_stored_and_for_what_comes(tmp_path, change):
    """The counter of check-ins goes on under the new name, so the two are one node, late rows included."""

    def rows(name: str, first: int, last: int) -> str:
        start = np.datetime64("2026-01-20T00:00")
        return "".join(f"{name},{start + np.timedelta64(h, 'h')}Z,{20 + h % 5},{h}\n" for h in range(first, last))

    head = "node,time,reading,sequence\n"
    texts = [
        rows("old", 0, 200) + rows("B", 0, 200),
        rows("old", 200, 300) + rows("new", 300, 400) + rows("B", 200, 400),
    ]
    files = [write(tmp_path / f"{k}.csv", head + text) for k, text in enumerate(texts)]
    for file in files:
        collect([file], tmp_path / "h")
    with History(tmp_path / "h") as history:
        assert history.nodes() == ["B", "new"]
        assert history.arrays("new").sequence.tolist() == list(range(400))
        assert verify(history) == []
    collect([write(tmp_path / "late.csv", head + rows("old", 0, 201))], tmp_path / "h")
    with History(tmp_path / "h") as history:
        assert history.nodes() == ["B", "new"]
        assert history.account.duplicates == 201


def test_nothing_is_kept_when_one_of_the_files_cannot_be_read(tmp_path):
    from lamplighter.errors import InputError

    good = write(tmp_path / "1.csv", "node,time,reading\nA,2026-01-01T00:00Z,1\n")
    bad = write(tmp_path / "2.csv.gz", "not packed at all")
    bad.write_bytes(b"\x1f\x8b broken")
    with pytest.raises(InputError, match=r"2\.csv\.gz"):
        collect([good, bad], tmp_path / "h")
    with pytest.raises(InputError, match="holds no history"):
        History(tmp_path / "h")
