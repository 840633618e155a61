"""The README tells the truth: generated parts are fresh, every command and option has help, links resolve."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main

from lamplighter.cli import app
from tests.docs import README, rendered

ROOT = README.parent
COMMANDS = typer.main.get_command(app).commands


def test_generated_parts_are_fresh() -> None:
    text = README.read_text(encoding="utf-8")
    assert rendered(text) == text, "run python -m tests.docs"


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_is_in_the_readme_and_has_help(name: str) -> None:
    command = COMMANDS[name]
    assert f"lamplighter {name}" in README.read_text(encoding="utf-8")
    assert command.help
    bare = [p.name for p in command.params if not getattr(p, "help", None)]
    assert bare == []


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_links_to_files_resolve(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    links = [t for t in re.findall(r"\]\(([^)#]+)", text) if not t.startswith("http")]
    assert [t for t in links if not (ROOT / t).exists()] == []


def test_the_top_level_holds_what_was_agreed() -> None:
    agreed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "src", "tests", "sample_data", "reports"}
    seen = {p.name for p in Path(ROOT).iterdir() if not p.name.startswith(".") and p.name not in {"build", "out"}}
    assert seen == agreed
