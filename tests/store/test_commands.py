"""The commands collect and history, as a user types them."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from lamplighter.cli import app
from lamplighter.errors import InputError
from lamplighter.intake.store import History


@pytest.fixture
def exports(tmp_path):
    for k, day in enumerate(("01", "02")):
        rows = [f"{node},2026-01-{day}T{h:02d}:00:00Z,{h},3.6" for h in range(24) for node in ("A", "B")]
        (tmp_path / f"{k}.csv").write_text("\n".join(["node,time,reading,battery_v", *rows, "A,never,1,3.6"]) + "\n")
    return tmp_path


def run(*words, **more):
    result = CliRunner().invoke(app, [str(w) for w in words], **more)
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def test_collect_says_what_it_did(exports):
    first = run("collect", exports / "0.csv", "--history", exports / "h")
    assert first.output.splitlines() == [
        "1 file collected",
        "49 records read: 48 kept, 0 duplicates, 1 rejected",
        "  rejected: 1 time could not be read",
        "48 check-ins added; the history holds 48 of 2 nodes",
    ]
    second = run("collect", exports / "*.csv", "--history", exports / "h")
    assert second.output.splitlines()[0] == "1 file collected, 1 file skipped: collected before"
    assert second.output.splitlines()[-1] == "48 check-ins added; the history holds 96 of 2 nodes"


@pytest.fixture
def folder(exports):
    run("collect", exports / "0.csv", exports / "1.csv", "--history", exports / "h")
    return exports / "h"


def test_history_shows_what_is_in_it(folder):
    lines = run("history", folder, "--verify").output.splitlines()
    assert lines[:3] == [
        "2 nodes",
        "96 check-ins from 1 Jan 2026 00:00 UTC to 2 Jan 2026 23:00 UTC",
        "2 export files collected, 98 records read: 96 kept, 0 duplicates, 2 rejected",
    ]
    assert lines[-1] == "Verified: every data file is whole."


def test_a_damaged_history_is_named_and_ends_with_code_2(folder):
    next((folder / "data").rglob("*.parquet")).unlink()
    result = run("history", folder, "--verify")
    assert result.exit_code == 2
    assert "missing" in result.stderr


def test_forgetting_asks_first(folder):
    result = run("history", folder, "--forget", "A", input="n\n")
    assert result.exit_code == 1
    assert "Forget node A: 48 check-ins of 1 node, for good?" in result.output
    assert History(folder).nodes() == ["A", "B"]


@pytest.mark.parametrize(("words", "keys"), [(("--yes",), None), ((), "y\n")])
def test_forgetting_when_confirmed(folder, words, keys):
    result = run("history", folder, "--forget", "A", *words, input=keys)
    assert result.exit_code == 0
    assert result.output.splitlines()[-1] == "48 check-ins forgotten."
    assert History(folder).nodes() == ["B"]


def test_a_folder_that_is_no_history_is_one_line(tmp_path):
    with pytest.raises(InputError, match="holds no history"):
        run("history", tmp_path)
