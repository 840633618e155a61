"""Register and work log: what is read, what is refused, with file, line and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from lamplighter.errors import InputError
from lamplighter.fleet import ACTIONS, SPELLINGS, parse_time, read_fleet, read_register, read_worklog, strange_work

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
        ("node,battery_installed\nA,in spring\n", 2, "is not a time"),
        ("node,battery_installed\nA,31/31/2024\n", 2, "is not a time"),
        ("node,battery_installed\nA,2024-05-01\nB,12/03/2024\n", 3, "may have the day or the month first"),
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


def _log(folder: Path, *lines: str) -> Path:
    return _file(folder, "".join(f"{line}\n" for line in ("node,time,action", *lines)), "worklog.csv")


def test_an_unknown_action_is_set_aside_and_told_with_the_nearest_known_one(tmp_path: Path) -> None:
    path = _log(
        tmp_path, "A,2026-01-01,batery replaced", "A,2026-01-02,zeroed", "B,2026-01-03,cleaned", "C,2026-01-04,"
    )
    log, notices = read_worklog(path)
    assert [(n, w.action) for n, entries in log.items() for w in entries] == [("A", "zeroed")]
    assert notices == (
        "worklog.csv: set aside, so it counts for nothing until corrected: "
        "line 2: unknown action 'batery replaced' (did you mean battery replaced?); line 4: unknown action 'cleaned'; "
        f"line 5: no action (an action is one of: {', '.join(ACTIONS)})",
    )


def test_a_line_without_a_node_or_with_no_time_stops_no_other(tmp_path: Path) -> None:
    log, notices = read_worklog(_log(tmp_path, ",2026-01-01,zeroed", "A,last Tuesday,zeroed", "A,2026-01-02,moved"))
    assert [w.action for w in log["A"]] == ["moved"]
    assert len(notices) == 1
    assert "line 2: no node; line 3: 'last Tuesday' is not a time" in notices[0]


def test_a_notice_on_many_lines_set_aside_stays_short(tmp_path: Path) -> None:
    lines = [f"A,2026-01-01,{'cleaned' if k % 2 else 'x' * 90 + str(k)}" for k in range(40)]
    (notice,) = read_worklog(_log(tmp_path, *lines))[1]
    assert "lines 3, 5, 7, 9 and 16 more: unknown action 'cleaned'" in notice
    assert "17 more" not in notice  # long actions are clipped alike, and so told together
    assert len(notice) < 400


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("  Battery  REPLACED. ", "battery replaced"),
        ("battery_replaced", "battery replaced"),
        ("Battery replacement", "battery replaced"),
        ("Battery swapped", "battery replaced"),
        ("Re-zeroed", "zeroed"),
        ("Inspection", "inspected"),
    ],
)
def test_spellings_beyond_doubt_are_understood(tmp_path: Path, said: str, meant: str) -> None:
    log, notices = read_worklog(_log(tmp_path, f"A,2026-01-01,{said}"))
    assert ([w.action for w in log["A"]], notices) == ([meant], ())


def test_every_other_spelling_means_a_known_action_and_is_none_itself() -> None:
    assert set(SPELLINGS.values()) <= set(ACTIONS)
    assert not set(SPELLINGS) & set(ACTIONS)


@pytest.mark.parametrize(
    ("written", "told"),
    [
        (("25/03/2026 08:00", "12/03/2026 14:05"), "day first: 12/03/2026 14:05 as 2026-03-12"),
        (("3/25/2026 8:00 AM", "3/12/26 2:05 PM"), "month first: 3/12/26 2:05 PM as 2026-03-12"),
        (("25.03.2026 08:00", "12.03.2026 14:05:00"), "day first: 12.03.2026 14:05:00 as 2026-03-12"),
        (("2026/03/25 08:00", "2026/03/12 14:05"), ": 2026/03/25 08:00 as 2026-03-25"),
        (("25-Mar-2026 8:00", "12-Mar-26 14:05"), ": 25-Mar-2026 8:00 as 2026-03-25"),
        (("25/03/2026 08:00", "2026-03-12 14:05"), "day first: 25/03/2026 08:00 as 2026-03-25"),
    ],
)
def test_dates_as_spreadsheets_write_them_are_read_and_told(
    tmp_path: Path, written: tuple[str, str], told: str
) -> None:
    path = _log(tmp_path, *(f"A,{t},zeroed" for t in written))
    log, notices = read_worklog(path, "Europe/Berlin")
    expected = [parse_time("2026-03-12T13:05Z"), parse_time("2026-03-25T07:00Z")]  # Berlin is an hour ahead in winter
    assert [w.time for w in log["A"]] == expected
    assert len(notices) == 1
    assert notices[0].startswith("worklog.csv: dates in column time were read")
    assert notices[0].endswith(told)


def test_a_register_tells_the_order_of_its_dates_too(tmp_path: Path) -> None:
    entries, notices = read_register(_file(tmp_path, "node;battery_installed\nA;03.04.2024\nB;28.02.2023\nC;\n"))
    assert entries["A"].battery_installed == parse_time("2024-04-03")
    assert entries["C"].battery_installed is None
    assert notices == ("register.csv: dates in column battery_installed were read day first: 03.04.2024 as 2024-04-03",)


def test_dates_that_mean_the_same_either_way_need_no_order(tmp_path: Path) -> None:
    log, _ = read_worklog(_log(tmp_path, "A,03/03/2026,zeroed"))
    assert log["A"][0].time == parse_time("2026-03-03")


@pytest.mark.parametrize(
    ("times", "line", "words"),
    [
        (("2026-03-01", "12/03/2026"), 3, "'12/03/2026' may have the day or the month first"),
        (("25/03/2026", "26/03/2026", "03/27/2026"), 4, "'03/27/2026' has the month first and '25/03/2026' has not"),
        (("03/27/2026", "03/28/2026", "25/03/2026", "1/2/2026"), 4, "has the day first"),
    ],
)
def test_dates_of_which_nothing_tells_the_order_are_refused(
    tmp_path: Path, times: tuple[str, ...], line: int, words: str
) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read_worklog(_log(tmp_path, *(f"A,{t},zeroed" for t in times)))
    assert (caught.value.line, caught.value.remedy) == (line, "write 2026-03-12")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "cp1252"])
def test_a_work_log_saved_by_a_spreadsheet_is_read(tmp_path: Path, encoding: str) -> None:
    text = "Node;Time;Action;Note\r\nZähler 1;25.03.2026 09:30;Battery replaced;für 3,6 V\r\n"
    log, _ = read_worklog(_file(tmp_path, text, "worklog.csv", encoding))
    (entry,) = log["Zähler 1"]
    assert (entry.time, entry.action, entry.note) == (parse_time("2026-03-25T09:30"), "battery replaced", "für 3,6 V")


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
