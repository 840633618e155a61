"""Register and work log: what is read, what is refused, with file, line and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from lamplighter.errors import InputError
from lamplighter.fleet import parse_time, read_fleet, read_register, read_worklog, strange_work

HEAD = "node,site,gateway,unit,lrl,url,interval_s,battery_installed,criticality,rests_at_zero,latitude\n"


def _file(folder: Path, text: str, name: str = "register.csv", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def test_cells_get_their_types_and_empty_ones_stay_unknown(tmp_path: Path) -> None:
    path = _file(tmp_path, HEAD + "A1,North,G1,psi,0,100,3600,2024-05-01,5,yes,41.5\nA2,,,,,,,,,,\n")
    entries, notices = read_register(path)
    assert entries["A1"].span == 100.0
    assert entries["A1"].rests_at_zero is True
    assert entries["A1"].battery_installed == 1714521600.0  # 2024-05-01 00:00 UTC, by the calendar
    assert entries["A2"].span is None
    assert entries["A2"].rests_at_zero is None
    assert notices == ()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_spreadsheet_dialects_are_read(tmp_path: Path, encoding: str) -> None:
    path = _file(tmp_path, "Node;Site;url;lrl\nZähler-1;Süd;10,5;0\n", encoding=encoding)
    entry = read_register(path)[0]["Zähler-1"]
    assert (entry.site, entry.url) == ("Süd", 10.5)


def test_unknown_columns_are_named_once_and_ignored(tmp_path: Path) -> None:
    _, notices = read_register(_file(tmp_path, "node,colour,mood\nA,red,good\n"))
    assert notices == ("register.csv: ignored columns colour, mood",)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("site\nx\n", 1, "has no column node"),
        ("node,url\nA,ten\n", 2, "column url: 'ten' is not a number"),
        ("node,url\nA,nan\n", 2, "column url"),
        ("node,interval_s\nA,-5\n", 2, "column interval_s: -5 must be above 0"),
        ("node,criticality\nA,9\n", 2, "must be from 1 to 5"),
        ("node,sleep_current_ua\nA,-1\n", 2, "must be at least 0"),
        ("node,rests_at_zero\nA,1\nB,maybe\n", 2, "neither yes nor no"),
        ("node,battery_installed\nA,31/12/2024\n", 2, "is not a time"),
        ("node\nA\nB\nA\n", 4, "node A stands here twice"),
        ("node,site\n,North\n", 2, "column node is empty"),
    ],
)
def test_a_wrong_cell_is_refused_with_its_line(tmp_path: Path, text: str, line: int, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read_register(_file(tmp_path, text))
    assert caught.value.line == line
    assert caught.value.remedy


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot read"):
        read_register(tmp_path / "none.csv")


def test_work_log_is_ordered_and_local_times_are_in_the_zone(tmp_path: Path) -> None:
    text = 'node,time,action,note\nA,2026-07-01 12:00,Zeroed,\nA,2026-01-01T12:00:00Z,battery replaced,"new, pack"\n'
    log, _ = read_worklog(_file(tmp_path, text, "worklog.csv"), "America/Denver")
    assert [w.action for w in log["A"]] == ["battery replaced", "zeroed"]
    assert log["A"][1].time == parse_time("2026-07-01T18:00Z")  # Denver is six hours behind in summer (IANA)
    assert log["A"][0].note == "new, pack"


def test_an_unknown_action_gets_the_nearest_known_one(tmp_path: Path) -> None:
    path = _file(tmp_path, "node,time,action\nA,2026-01-01,batery replaced\n", "worklog.csv")
    with pytest.raises(InputError, match="did you mean battery replaced"):
        read_worklog(path)


def test_both_files_may_be_missing() -> None:
    fleet = read_fleet(None, None)
    assert (fleet.register, fleet.worklog, fleet.notices) == ({}, {}, ())


def test_an_ignored_column_close_to_a_known_one_is_asked_about(tmp_path: Path) -> None:
    _, notices = read_register(_file(tmp_path, "node,intervall_s,colour,site,sites\nA,900,red,x,y\n"))
    assert notices == ("register.csv: ignored columns intervall_s (did you mean interval_s?), colour, sites",)


def test_work_on_nodes_that_nobody_knows_is_told(tmp_path: Path) -> None:
    register = _file(tmp_path, "node\nLL-002\n")
    log = _file(tmp_path, "node,time,action\nLL-02,2026-01-01,zeroed\nUW-1,2026-01-01,zeroed\n", "worklog.csv")
    fleet = read_fleet(register, log)
    assert "LL-02 (did you mean LL-002?)" in strange_work(fleet, ["UW-1"])
    assert "UW-1" not in strange_work(fleet, ["UW-1"])
    assert strange_work(fleet, ["UW-1", "LL-02"]) == ""


def test_a_notice_on_many_strange_nodes_stays_short(tmp_path: Path) -> None:
    lines = "".join(f"P{k:03},2026-01-01,zeroed\n" for k in range(300))
    fleet = read_fleet(None, _file(tmp_path, "node,time,action\n" + lines, "worklog.csv"))
    assert strange_work(fleet, ["A"]).endswith("P000, P001, P002, P003 and 296 more.")
