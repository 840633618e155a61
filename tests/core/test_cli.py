"""The command line: exit codes, and what a person reads."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import pytest

from lamplighter.results import write_assessment
from tests.core.test_results import an_assessment

DAY = 86_400.0
EXPORT = "node,time,reading,battery_v\n" + "".join(f"A,2026-01-05T{h:02d}:00:00Z,{h},3.6\n" for h in range(24))


def command(*arguments: object, columns: int = 80) -> subprocess.CompletedProcess[str]:
    """Run the command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "lamplighter.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        env={"COLUMNS": str(columns), "PATH": ""},
        check=False,
    )


def test_the_version_is_told_and_nothing_else_done() -> None:
    done = command("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"lamplighter {version('lamplighter')}\n", "")


def test_wrong_usage_exits_with_two_and_says_what_is_missing() -> None:
    done = command("battery-life", "--fast-share", "2")
    assert done.returncode == 2
    assert "fast-share" in done.stderr
    assert len(done.stderr.splitlines()) <= 4


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """Return a small export."""
    path = tmp_path / "export.csv"
    path.write_text(EXPORT)
    return path


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--as-of", "3/4/2026"), "--as-of '3/4/2026' is not a time (write 2026-01-31 or 2026-01-31T14:30)"),
        (("--as-of", "2025-01-01"), "all check-ins are later than --as-of; the first is of 5 Jan 2026 00:00 UTC"),
        (("--out", "/dev/null/x"), "/dev/null/x: cannot write into this folder"),
        (("--settings", "nope.toml"), "nope.toml: cannot read the settings file: No such file or directory (check"),
    ],
)
def test_what_a_person_can_mend_is_one_line_with_its_remedy(export: Path, more: tuple[str, ...], words: str) -> None:
    done = command("assess", export, "--out", export.parent / "out", *more)
    assert done.returncode == 2
    assert words in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.rstrip().endswith(")")


@pytest.mark.parametrize(
    ("given", "wanted", "not_wanted"),
    [
        (("--part", "ER34615"), ("--sleep-ua", "--charge-mc"), ("--capacity", "not known")),
        (("--part", "ER34615", "--sleep-ua", "20"), ("--charge-mc",), ("--sleep-ua", "--capacity")),
        (("--part", "XYZ9"), ("part 'XYZ9' is not known", "--capacity", "--sleep-ua", "--charge-mc"), ()),
        (("--part", "XYZ9", "--capacity", "3"), ("--sleep-ua", "--charge-mc"), ("--capacity",)),
    ],
)
def test_a_battery_question_says_which_figures_are_missing(given, wanted, not_wanted) -> None:
    done = command("battery-life", *given, "--interval", "15min")
    assert done.returncode == 2
    assert all(word in done.stderr for word in wanted)
    assert not any(word in done.stderr for word in not_wanted)


@pytest.mark.parametrize("columns", [40, 50, 80])
def test_the_answer_on_a_battery_fits_the_terminal(columns: int) -> None:
    done = command("battery-life", "--part", "ER34615", "--sleep-ua", "20", "--charge-mc", "50", columns=columns)
    assert max(map(len, done.stdout.splitlines())) <= columns
    for word in ("15 minutes", "self-discharge", "80 % between"):
        assert word in done.stdout


def test_two_assessments_the_wrong_way_round_are_refused(tmp_path: Path) -> None:
    old = an_assessment()
    for name, one in (("old", old), ("new", replace(old, as_of=old.as_of + 7 * DAY))):
        (tmp_path / name).mkdir()
        write_assessment(one, tmp_path / name / "assessment.json")
    assert command("compare", tmp_path / "old", tmp_path / "new", columns=40).returncode == 0
    done = command("compare", tmp_path / "new", tmp_path / "old")
    assert done.returncode == 2
    assert "later than NEW" in done.stderr
    assert "(swap them)" in done.stderr


def test_a_folder_without_an_assessment_is_told_which_file_it_lacks(tmp_path: Path) -> None:
    done = command("compare", tmp_path, tmp_path)
    assert done.returncode == 2
    assert "holds no assessment.json" in done.stderr


def test_the_first_settings_and_their_notices_fit_the_terminal(export: Path) -> None:
    export.write_text(EXPORT.replace("Z,", ","))
    done = command("init", export, "--out", export.parent / "s.toml", columns=50)
    assert done.returncode == 0
    assert max(len(line) for line in done.stdout.splitlines() if not line.startswith("Written")) <= 50
