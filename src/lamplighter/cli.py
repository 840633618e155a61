"""Commands and options, progress and exit codes; nothing else."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(
    name="lamplighter",
    help="Reads the check-ins of battery-powered wireless transmitters and says which need a person, for what, and by when.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Exports = Annotated[
    list[str], typer.Argument(help="Exports to read: files, folders or globs; plain, .gz or .zip.", show_default=False)
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
