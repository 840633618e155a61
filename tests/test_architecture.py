"""The rooms of the house: imports point one way, and importing the package stays cheap."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "src" / "lamplighter"

# Each room may import the rooms named here, and itself.
_BASE = {"errors", "wording", "settings", "dates"}
_DATA = {*_BASE, "fleet", "checkins", "record", "results", "tables", "spool"}
ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "dates": set(),
    "sheets": {"errors", "dates"},
    "wording": set(),
    "settings": {"errors"},
    "spool": {"errors"},
    "fleet": {"errors", "dates", "sheets"},
    "checkins": {"fleet", "stats"},
    "record": {"checkins", "fleet", "stats"},
    "results": {"checkins", "errors", "wording", "tables"},
    "tables": {"results", "wording"},
    "stats": set(),
    "intake": {"checkins", "settings", "errors", "wording", "dates", "fleet"},
    "checks": {*_DATA, "stats"},
    "triage": {*_DATA, "stats", "checks"},
    "engines": {"errors"},
    "overview": {*_DATA},
    "maker": {"settings"},
    "measuring": {*_DATA, "checks", "intake", "maker"},
    "pipeline": {*_DATA, "overview", "checks", "triage", "engines", "maker", "measuring"},
    "simulate": {"errors", "wording", "fleet", "checkins"},
    "report": {*_DATA, "triage"},
    "screen": {*_DATA},
    "outputs": {*_DATA, "report"},
    "compare": {*_DATA},
    "mail": {*_BASE},
    "starter": {*_DATA, "intake"},
    "weekly": {*_DATA, "intake", "pipeline", "triage", "report", "outputs", "compare", "screen", "mail"},
    "backtest": {*_DATA, "measuring", "checks", "stats", "intake"},
    "cli": {"*"},
    "__init__": {"*"},
    "__main__": {"cli"},
}
MODULES = sorted(PACKAGE.rglob("*.py"))


def _room(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[0]


def _imports(path: Path) -> set[tuple[str, ...]]:
    """Modules of the package that a file imports, type-only imports left out, as parts below the package."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and "TYPE_CHECKING" in ast.unparse(block.test)
        for node in ast.walk(block)
    }
    found = set()
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.ImportFrom) and node.level == 0 and (node.module or "").split(".")[0] == "lamplighter":
            base = tuple(node.module.split(".")[1:])
            found |= {base} if base else {(alias.name,) for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {tuple(a.name.split(".")[1:]) for a in node.names if a.name.startswith("lamplighter.")}
    return {f for f in found if f}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    room = _room(path)
    assert room in ALLOWED, f"{room} is a room without a place in the order"
    if "*" in ALLOWED[room]:
        return
    for parts in _imports(path):
        assert parts[0] == room or parts[0] in ALLOWED[room], f"{room} may not import {parts[0]}"


@pytest.mark.parametrize("path", [p for p in MODULES if _room(p) == "checks"], ids=lambda p: p.stem)
def test_a_check_imports_no_other_check(path: Path) -> None:
    check = path.relative_to(PACKAGE / "checks").with_suffix("").parts[0]
    others = {parts[1] for parts in _imports(path) if parts[0] == "checks" and len(parts) > 1} - {check, "base"}
    assert not others


def test_every_public_function_has_a_docstring() -> None:
    bare = [
        f"{path.relative_to(PACKAGE)}:{node.name}"
        for path in MODULES
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, (ast.FunctionDef, ast.ClassDef))
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]
    assert bare == []


def test_importing_the_package_loads_no_heavy_library() -> None:
    code = "import lamplighter, sys; print([m for m in ('plotly', 'typer', 'pandas', 'scipy') if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_assessing_loads_neither_plotly_nor_typer() -> None:
    code = "import lamplighter.pipeline, sys; print([m for m in ('plotly', 'typer') if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
