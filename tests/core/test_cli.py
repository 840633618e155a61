"""The command line: exit codes, and what a person reads."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

SAMPLE = Path(__file__).parents[2] / "sample_data"


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
