"""What the planner and the crew hold in their hands."""

from __future__ import annotations

import csv
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lamplighter.cli import app
from lamplighter.fleet import read_worklog
from lamplighter.results import write_assessment
from lamplighter.triage import plan_summary, plan_visits, write_visits
from lamplighter.triage.papers import VISIT_COLUMNS, job_sheets, plan_text, trips_in_words
from lamplighter.wording import iso
from tests.triage.build import Fleet, battery, ending, finding, settings

HOSTILE = "<script>alert('x')</script> & \"North\""


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def busy_fleet() -> Fleet:
    fleet = Fleet(
        findings=[
            finding("N00", "battery", "battery_end", "M"),
            finding("N00", "zero", "zero_drift", "S"),
            finding("N06", "arrivals", "silent", "F"),
            finding("N07", "data", "interval_differs", "M"),
        ],
        facts={"N00": battery(20, 40, 90)},
    )
    return fleet


def test_visits_csv_has_one_row_a_job_with_the_day_and_the_reason(tmp_path: Path) -> None:
    write_visits(plan_visits(busy_fleet().assessment()), tmp_path)
    rows = read(tmp_path / "visits.csv")
    assert tuple(rows[0]) == VISIT_COLUMNS
    assert [(r["subject"], r["place"]) for r in rows] == [("N06", "South"), ("N00", "North")]
    by_node = {r["subject"]: r for r in rows}
    assert by_node["N00"]["part"] == "BP-1"
    assert by_node["N00"]["minutes"] == "55"
    assert by_node["N00"]["in_window"] == "yes"
    assert by_node["N06"]["start"].endswith("Z")
    assert len({r["uid"] for r in rows}) == 2


def test_a_job_out_of_its_window_says_so(tmp_path: Path) -> None:
    fleet = ending("N00", -30, -5, 20, severity="F")
    fleet.nodes["N00"] = replace(fleet.nodes["N00"], criticality=5.0)
    write_visits(plan_visits(fleet.assessment(), crew=["Fri 8h"]), tmp_path)
    assert [r["in_window"] for r in read(tmp_path / "visits.csv")] == ["no"]


def test_the_filled_result_sheet_is_a_work_log(tmp_path: Path) -> None:
    write_visits(plan_visits(busy_fleet().assessment()), tmp_path)
    rows = read(tmp_path / "job_results.csv")
    assert sorted((r["node"], r["action"], r["time"]) for r in rows) == [
        ("N00", "battery replaced", ""),
        ("N00", "zeroed", ""),
        ("N06", "inspected", ""),
    ]
    for row in rows:
        row["time"], row["note"] = f"{row['day']}T10:30", "done, 3.65 V"
    filled = tmp_path / "worklog.csv"
    with filled.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    log, notices = read_worklog(filled, "America/Denver")
    assert {w.action for w in log["N00"]} == {"battery replaced", "zeroed"}
    assert log["N06"][0].note == "done, 3.65 V"
    assert "ignored columns" in notices[0]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "cp1252"])
def test_the_result_sheet_is_read_as_a_spreadsheet_of_the_country_saves_it(tmp_path: Path, encoding: str) -> None:
    write_visits(plan_visits(busy_fleet().assessment()), tmp_path)
    rows = read(tmp_path / "job_results.csv")
    for n, row in enumerate(rows):
        row["day"] = "05.03.2026"
        row["time"], row["note"] = f"{(5, 25, 5)[n]:02d}.03.2026 10:30", "geprüft, 3,65 V"
        row["action"] = row["action"].capitalize()
    filled = tmp_path / "worklog.csv"
    with filled.open("w", encoding=encoding, newline="") as file:
        writer = csv.DictWriter(file, rows[0], delimiter=";")
        writer.writeheader()
        writer.writerows(rows)
    log, notices = read_worklog(filled, "Europe/Berlin")
    entries = [w for node in log.values() for w in node]
    assert {iso(w.time) for w in entries} == {"2026-03-05T09:30:00Z", "2026-03-25T09:30:00Z"}
    assert {w.note for w in entries} == {"geprüft, 3,65 V"}
    assert len(entries) == len(rows)
    assert any("read day first: 05.03.2026 10:30 as 2026-03-05" in n for n in notices)


def test_jobs_not_done_are_left_out_of_the_work_log_with_a_notice(tmp_path: Path) -> None:
    write_visits(plan_visits(busy_fleet().assessment()), tmp_path)
    text = (tmp_path / "job_results.csv").read_text(encoding="utf-8").replace("N06,,", "N06,2026-03-04T09:00,", 1)
    filled = tmp_path / "worklog.csv"
    filled.write_text(text, encoding="utf-8")
    log, notices = read_worklog(filled)
    assert set(log) == {"N06"}
    assert any("2 lines without a time" in n for n in notices)


class Sheet(HTMLParser):
    """Counts elements and keeps the text."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""
        self.links: list[str] = []

    def handle_starttag(self, tag, attrs) -> None:
        self.tags.append(tag)
        self.links += [v for k, v in attrs if k in ("src", "href") and v]

    def handle_data(self, data: str) -> None:
        self.text += data


def sheet_of(fleet: Fleet) -> Sheet:
    parsed = Sheet()
    parsed.feed(job_sheets(plan_visits(fleet.assessment())))
    return parsed


def test_a_job_sheet_says_what_to_bring_to_do_and_to_mind_and_has_room_for_results() -> None:
    sheet = sheet_of(busy_fleet())
    assert sheet.tags.count("section") == 2
    assert sheet.tags.count("article") == 2
    for words in (
        "BP-1: for 1 job", "spare transmitter: for 1 job", "Working alone", "Replace the battery",
        "Change the whole pack, never single cells",
        "Lithium cells: do not charge", "Isolate, vent and lock out", "As found", "As left", "zeroed",
        "No trip needed", "Confirm the check-in interval",
    ):  # fmt: skip
        assert words in sheet.text
    assert sheet.links == [], "works offline"


def test_every_sheet_says_that_it_authorises_nothing() -> None:
    sheet = sheet_of(busy_fleet())
    assert sheet.text.count("Nothing on this sheet authorises work") == sheet.tags.count("section")


def test_names_from_the_files_are_escaped() -> None:
    fleet = busy_fleet()
    fleet.nodes["N00"] = replace(fleet.nodes["N00"], name=HOSTILE, site=HOSTILE, battery_part=HOSTILE)
    sheet = sheet_of(fleet)
    assert "script" not in sheet.tags
    assert sheet.text.count(HOSTILE) >= 3


def test_an_empty_plan_still_gives_papers(tmp_path: Path) -> None:
    plan = plan_visits(Fleet().assessment())
    for path in write_visits(plan, tmp_path):
        assert path.is_file()
    assert "Nothing needs a trip within the horizon." in plan_text(plan)
    assert "Nothing needs a trip within the horizon." in job_sheets(plan)


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_visits(plan_visits(busy_fleet().assessment()), tmp_path / name)
    for path in sorted((tmp_path / "a").iterdir()):
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


def test_the_summary_is_plain_data_for_the_report() -> None:
    summary = plan_summary(plan_visits(busy_fleet().assessment()))
    assert [v["place"] for v in summary["visits"]] == ["South", "North"]
    assert {c["way"] for c in summary["costs"]} >= {"this plan", "replace on failure"}
    assert summary["proof"] == "No plan that keeps these windows and crews is cheaper."


def test_trips_are_told_in_whole_numbers() -> None:
    assert [trips_in_words(n) for n in (1, 9, 4.5, 0.7, 0.2)] == [
        "1 trip", "9 trips", "about 5 trips", "about 1 trip", "about 0 trips",
    ]  # fmt: skip


def test_what_needs_no_trip_names_the_node() -> None:
    plan = plan_visits(Fleet(findings=[finding("N00", "data", "interval_differs")]).assessment())
    assert "  Point 00 (N00): Confirm the check-in interval" in plan_text(plan)


def test_an_alternative_that_looks_cheaper_is_told_apart() -> None:
    plan = plan_visits(busy_fleet().assessment())
    this, failure, *rest = plan.costs
    assert "looks cheaper" not in plan_text(replace(plan, costs=(this, replace(failure, travel=1e6))))
    cheap = plan_text(replace(plan, costs=(this, replace(failure, travel=-1e6), *rest)))
    assert "'replace on failure' looks cheaper, but it keeps no due date and lets every node go dark first." in cheap


def test_a_sheet_says_how_to_log_a_replaced_transmitter() -> None:
    sheet = sheet_of(Fleet(findings=[finding("N00", "stuck", "stuck", "F")]))
    assert "Log recalibrated where the transmitter was replaced" in sheet.text


def test_the_command_plans_prints_and_writes_beside_the_assessment(tmp_path: Path) -> None:
    fleet = busy_fleet()
    fleet.settings = settings(currency="EUR")
    write_assessment(fleet.assessment(), tmp_path / "assessment.json")
    result = CliRunner().invoke(app, ["visits", str(tmp_path), "--crew", "North=Mon-Thu 7h", "--horizon", "60"])
    assert result.exit_code == 0, result.output
    assert "South: 1 job, Point 06 (N06)" in result.output
    assert "(North)" not in result.output
    assert "EUR" in result.output
    assert (tmp_path / "visits.ics").is_file()
    assert (tmp_path / "job_sheets.html").is_file()


def test_the_command_cancels_what_an_earlier_calendar_had_and_is_planned_no_more(tmp_path: Path) -> None:
    write_visits(plan_visits(busy_fleet().assessment()), tmp_path / "old")
    write_assessment(Fleet().assessment(), tmp_path / "assessment.json")
    old = ["--previous", str(tmp_path / "old")]
    assert CliRunner().invoke(app, ["visits", str(tmp_path), *old]).exit_code == 0
    assert (tmp_path / "visits.ics").read_text(encoding="utf-8").count("STATUS:CANCELLED") == 2
    refused = CliRunner().invoke(app, ["visits", str(tmp_path), "--previous", str(tmp_path / "none.ics")])
    assert "cannot read the earlier calendar" in str(refused.exception)


@pytest.mark.parametrize(
    ("options", "problem"),
    [(["--crew", "sometimes"], "is not understood"), (["--crew", "Sun 8h", "--horizon", "3"], "no crew works")],
)
def test_the_command_refuses_crews_that_make_no_sense(tmp_path: Path, options: list[str], problem: str) -> None:
    write_assessment(busy_fleet().assessment(), tmp_path / "assessment.json")
    result = CliRunner().invoke(app, ["visits", str(tmp_path), *options])
    assert result.exit_code != 0
    assert problem in str(result.exception)
