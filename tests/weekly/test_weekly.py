"""The weekly job: one command, exit codes, nothing lost, no surprises."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from lamplighter import read_assessment
from lamplighter.cli import app
from lamplighter.errors import InputError
from lamplighter.intake.store.disk import writing
from lamplighter.simulate import simulate, write_fleet
from lamplighter.weekly import DATA_LACKING, NEEDS_A_PERSON, QUIET, WeeklyRun, prune, published, run_weekly, week_name
from lamplighter.wording import date, iso

DAY = 86_400.0
WEEKS = 3


@pytest.fixture(scope="module")
def fleet_files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seventy days of eight nodes; the table is cut into weeks by the tests."""
    folder = tmp_path_factory.mktemp("fleet")
    fleet = simulate(8, 70, 11, fault_share=0.5)
    write_fleet(fleet, folder, compress=False)
    fleet.checkins.table.to_parquet(folder / "table.parquet")
    return folder


@pytest.fixture
def job(fleet_files: Path, tmp_path: Path) -> Job:
    return Job(fleet_files, tmp_path)


class Job:
    """A weekly job's folder, with a clock of its own."""

    def __init__(self, fleet: Path, folder: Path) -> None:
        self.folder, self.inbox = folder, folder / "inbox"
        self.inbox.mkdir()
        self.table = pd.read_parquet(fleet / "table.parquet")
        for name in ("register.csv", "worklog.csv"):
            shutil.copy(fleet / name, folder / name)
        (folder / "lamplighter.toml").write_text("[weekly]\nkeep_weeks = 8\n", encoding="utf-8")
        self.end = self.table["time"].max().timestamp()

    def export(self, name: str, last_week: int, weeks: int = 1, nodes: int | None = None) -> Path:
        """Put the rows of some weeks, counted from the end, into the inbox."""
        end = pd.Timestamp(self.end - last_week * 7 * DAY, unit="s", tz="UTC")
        rows = self.table[(self.table["time"] <= end) & (self.table["time"] > end - pd.Timedelta(weeks=weeks))]
        if nodes is not None:
            rows = rows[rows["node"].isin(sorted(rows["node"].unique())[:nodes])]
        path = self.inbox / name
        rows.to_csv(path, index=False)
        return path

    def run(self, weeks_ago: int = 0, hours_late: float = 2.0) -> WeeklyRun:
        return run_weekly(self.folder / "lamplighter.toml", now=self.end - weeks_ago * 7 * DAY + hours_late * 3600.0)


def test_week_after_week(job: Job) -> None:
    job.export("first.csv", last_week=2, weeks=8)
    first = job.run(weeks_ago=2)
    job.export("second.csv", last_week=1)
    second = job.run(weeks_ago=1)
    assert first.exit_code in (QUIET, NEEDS_A_PERSON)
    for run in (first, second):
        names = {p.name for p in run.folder.iterdir()}
        assert {"report.html", "nodes.csv", "findings.csv", "gaps.csv", "rejects.csv", "assessment.json"} <= names
        assert {"summary.txt", "summary.md", "visits.csv"} <= names
        assert run.problems == ()
    assert (job.folder / "reports" / "latest.txt").read_text().strip() == second.folder.name
    assert (job.folder / "reports" / "latest" / "report.html").samefile(second.folder / "report.html")
    assert read_assessment(second.folder).changes["since"] == pytest.approx(read_assessment(first.folder).as_of)
    assert published(job.folder / "reports") == [first.folder.name, second.folder.name]


def test_the_same_week_twice_replaces_it(job: Job) -> None:
    job.export("all.csv", last_week=0, weeks=10)
    first = job.run()
    before = (first.folder / "nodes.csv").read_bytes()
    again = job.run()
    assert again.folder == first.folder
    assert again.exit_code == first.exit_code
    assert again.problems == ("no new export arrived since the last run",)
    assert (again.folder / "nodes.csv").read_bytes() == before
    assert [p.name for p in (job.folder / "reports").iterdir() if p.name.endswith((".new", ".old"))] == []


def test_summary_fits_one_screen(job: Job) -> None:
    job.export("all.csv", last_week=0, weeks=10)
    lines = (job.run().folder / "summary.txt").read_text(encoding="utf-8").splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 60


def test_no_export_this_week_is_reported_not_fatal(job: Job) -> None:
    job.export("old.csv", last_week=1, weeks=9)
    job.run(weeks_ago=1)
    late = job.run(weeks_ago=0)
    assert late.exit_code == DATA_LACKING
    assert any("no new export" in p for p in late.problems)
    assert any("stale" in p for p in late.problems)
    found = read_assessment(late.folder)
    assert any("stale" in w for w in found.warnings)
    assert found.fleet["visits"]["from"] > iso(found.as_of)[:10]
    assert "stale" in (late.folder / "report.html").read_text(encoding="utf-8")


def test_late_data_say_from_which_day_due_dates_count(job: Job) -> None:
    job.export("all.csv", last_week=0, weeks=10)
    for hours, said in ((20.0, False), (30.0, True)):
        run = job.run(hours_late=hours)
        words = (
            f"Due dates count from the last check-in on {date(job.end)}, planned visits from the day of this run, "
            f"{date(job.end + hours * 3600.0)}."
        )
        assert run.problems == (() if hours == 20.0 else ("no new export arrived since the last run",))
        assert (words in " ".join(run.summary.split())) == said
        for name in ("summary.md", "report.html"):
            assert (words in (run.folder / name).read_text(encoding="utf-8")) == said


def test_one_odd_line_of_the_work_log_stops_no_week(job: Job) -> None:
    job.export("all.csv", last_week=0, weeks=10)
    log = job.folder / "worklog.csv"
    node = pd.read_csv(job.folder / "register.csv")["node"][0]
    lines = [*log.read_text(encoding="utf-8").splitlines(), f"{node},2026-01-01,cleaned,"]
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = job.run()
    assert run.exit_code in (QUIET, NEEDS_A_PERSON)
    (problem,) = run.problems
    assert f"line {len(lines)}: unknown action 'cleaned'" in problem
    assert problem in " ".join(run.summary.split())
    assert f"line {len(lines)}: unknown action" in (run.folder / "report.html").read_text(encoding="utf-8")


def test_half_an_export_is_reported(job: Job) -> None:
    job.export("old.csv", last_week=1, weeks=9)
    job.run(weeks_ago=1)
    job.export("half.csv", last_week=0, nodes=2)
    run = job.run()
    assert run.exit_code == DATA_LACKING
    assert any("incomplete" in p for p in run.problems)


def test_a_broken_file_among_good_ones_stops_nothing(job: Job) -> None:
    job.export("good.csv", last_week=0, weeks=10)
    (job.inbox / "broken.csv").write_bytes(os.urandom(5000))
    run = job.run()
    assert run.exit_code == DATA_LACKING
    assert any("broken.csv" in p for p in run.problems)
    assert len(read_assessment(run.folder).nodes) >= 8
    assert (job.inbox / "broken.csv").exists()


def test_nothing_at_all_could_not_run(job: Job) -> None:
    with pytest.raises(InputError, match="there is no data"):
        job.run()
    assert published(job.folder / "reports") == []


def test_two_runs_at_once_are_refused(job: Job) -> None:
    job.export("all.csv", last_week=0, weeks=10)
    (job.folder / "lamplighter.toml").write_text("[history]\nwait_s = 0.0\n", encoding="utf-8")
    (job.folder / "reports").mkdir()
    with writing(job.folder / "reports", 0.0), pytest.raises(InputError, match="being written"):
        job.run()


def test_acknowledged_findings_need_nobody(job: Job) -> None:
    job.export("all.csv", last_week=0, weeks=10)
    first = job.run()
    assert first.exit_code == NEEDS_A_PERSON
    findings = {f for item in read_assessment(first.folder).items for f in item.findings}
    lines = ["id,until,severity,note", *(f"{f},2099-01-01,,known" for f in sorted(findings))]
    (job.folder / "acknowledged.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert job.run().exit_code == QUIET


def test_a_register_that_is_named_must_be_there(job: Job) -> None:
    (job.folder / "lamplighter.toml").write_text('[weekly]\nregister = "nodes.csv"\n', encoding="utf-8")
    with pytest.raises(InputError, match="register of"):
        job.run()


def test_old_weeks_are_pruned_and_nothing_else(tmp_path: Path) -> None:
    for name in ("2024-W01", "2025-W40", "2025-W48", "notes", "2025-W99"):
        (tmp_path / name).mkdir()
    assert prune(tmp_path, "2025-W48", 8) == ("2024-W01",)
    assert {p.name for p in tmp_path.iterdir()} == {"2025-W40", "2025-W48", "notes", "2025-W99"}


@pytest.mark.parametrize(
    ("stamp", "zone", "week"),
    [
        ("2026-01-01T12:00Z", "UTC", "2026-W01"),
        ("2027-01-01T12:00Z", "UTC", "2026-W53"),  # ISO 8601: 1 January 2027 is a Friday
        ("2026-11-23T03:00Z", "America/Denver", "2026-W47"),
        ("2026-11-23T03:00Z", "Europe/Berlin", "2026-W48"),
    ],
)
def test_weeks_are_iso_weeks_of_the_zone(stamp: str, zone: str, week: str) -> None:
    assert week_name(pd.Timestamp(stamp).timestamp(), zone) == week


def test_the_command_says_in_one_line_that_it_could_not_run(job: Job) -> None:
    result = CliRunner().invoke(app, ["weekly", "--settings", str(job.folder / "lamplighter.toml")])
    assert isinstance(result.exception, InputError)
