"""Commands and options, progress and exit codes; nothing else."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(
    name="lamplighter",
    help="Says which battery-powered wireless nodes need a person, for what, and by when, from their stored check-ins.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Exports = Annotated[
    list[str], typer.Argument(help="Exports: files, folders or globs; plain, .gz or .zip.", show_default=False)
]
RegisterFile = Annotated[Path | None, typer.Option("--register", help="What is known of the nodes (register.csv).")]
WorklogFile = Annotated[Path | None, typer.Option("--worklog", help="Work already done (worklog.csv).")]
SettingsFile = Annotated[Path | None, typer.Option("--settings", help="Settings file (lamplighter.toml).")]
AsOf = Annotated[str | None, typer.Option("--as-of", help="The present, ISO 8601; later check-ins are set aside.")]


class Level(StrEnum):
    """NAMUR NE 107 signals, worst first."""

    F = "F"
    C = "C"
    S = "S"
    M = "M"


@app.callback()
def _root(
    version: Annotated[bool, typer.Option("--version", help="Show the version and stop.", is_eager=True)] = False,
) -> None:
    if version:
        from importlib.metadata import version as installed

        typer.echo(f"lamplighter {installed('lamplighter')}")
        raise typer.Exit


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Yield a function that shows how much is done, on a terminal only."""
    if not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    bar = None

    def show(done: int, total: int) -> None:
        nonlocal bar
        if bar is None:
            bar = typer.progressbar(length=total, label=label, file=sys.stderr)
            bar.__enter__()
        bar.update(done - bar.pos)

    try:
        yield show
    finally:
        if bar is not None:
            bar.__exit__(None, None, None)


HistoryDir = Annotated[
    Path | None, typer.Option("--history", help="Read a history made by collect instead of exports.")
]
OutDir = Annotated[Path, typer.Option("--out", help="Folder to write into; made when missing.")]


@app.command()
def assess(
    exports: Annotated[
        list[str] | None, typer.Argument(help="Exports: files, folders or globs; plain, .gz or .zip.")
    ] = None,
    register: RegisterFile = None,
    worklog: WorklogFile = None,
    settings: SettingsFile = None,
    as_of: AsOf = None,
    out: OutDir = Path("lamplighter-report"),
    fail_on: Annotated[
        Level | None, typer.Option("--fail-on", help="Exit with 1 when a node is at this NE 107 signal or worse.")
    ] = None,
) -> None:
    """Read exports, run every check, rank the nodes and write the report.

    Exit codes: 0 done; 1 a node is at --fail-on or worse; 2 wrong usage or unreadable input.
    """
    from lamplighter.assess import assess as run
    from lamplighter.fleet import read_fleet
    from lamplighter.intake import read_exports
    from lamplighter.outputs import write_outputs
    from lamplighter.screen import summary
    from lamplighter.settings import read_settings

    chosen = read_settings(settings)
    units = {n: e.unit for n, e in read_fleet(register, None, chosen.timezone).register.items() if e.unit}
    source = read_exports(_given(exports), chosen, units=units)
    with progress("Assessing") as shown:
        found = run(source, register, worklog, chosen, as_of=as_of, progress=shown)
    page = write_outputs(found, source.rejects, out)
    typer.echo(summary(found, shutil.get_terminal_size().columns))
    typer.echo(f"\nReport: {page}")
    if fail_on is not None and any(row.status in list(Level)[: list(Level).index(fail_on) + 1] for row in found.nodes):
        raise typer.Exit(1)


def _given(exports: list[str] | None) -> list[str]:
    from lamplighter.errors import InputError

    if not exports:
        raise InputError("no exports given", remedy="name files, folders or globs")
    return exports


def main() -> None:
    """Run the command line; errors the user can mend become one line and exit code 2."""
    from lamplighter.errors import LamplighterError

    try:
        app(standalone_mode=True)
    except LamplighterError as bad:
        typer.echo(f"lamplighter: {bad}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
