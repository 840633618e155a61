"""Commands and options, progress and exit codes; nothing else."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from lamplighter.checkins import Source
    from lamplighter.settings import Settings

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


def _show_version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version as installed

        typer.echo(f"lamplighter {installed('lamplighter')}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version and stop.", is_eager=True, callback=_show_version)
    ] = False,
) -> None:
    """Say which nodes need a person."""


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
AcknowledgedFile = Annotated[
    Path | None, typer.Option("--acknowledged", help="Findings someone knows about (id, until, severity, note).")
]
EngineName = Annotated[
    str | None,
    typer.Option(
        "--engine",
        help="serial, processes or dask; the result is the same. Default: processes with more than one core and "
        "200,000 check-ins or more, on Linux; else serial.",
    ),
]
Workers = Annotated[int | None, typer.Option("--workers", help="Number of processes; default: one a core.")]
Scheduler = Annotated[str | None, typer.Option("--scheduler", help="Address of a running Dask scheduler.")]
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
    history: HistoryDir = None,
    acknowledged: AcknowledgedFile = None,
    previous: Annotated[
        Path | None, typer.Option("--previous", help="Earlier assessment; the report shows what changed since.")
    ] = None,
    fail_on: Annotated[
        Level | None, typer.Option("--fail-on", help="Exit with 1 when a node is at this NE 107 signal or worse.")
    ] = None,
    engine: EngineName = None,
    workers: Workers = None,
    scheduler: Scheduler = None,
) -> None:
    """Read exports, run every check, rank the nodes and write the report.

    Exit codes: 0 done; 1 a node is at --fail-on or worse; 2 wrong usage or unreadable input.
    """
    from lamplighter.compare import note_changes, read_acknowledged
    from lamplighter.outputs import ready_folder, write_outputs
    from lamplighter.pipeline import assess as run
    from lamplighter.results import read_assessment
    from lamplighter.screen import summary
    from lamplighter.settings import read_settings
    from lamplighter.triage.papers import attach_plan

    chosen = read_settings(settings)
    known = read_acknowledged(acknowledged, chosen.timezone)
    before = read_assessment(previous) if previous is not None else None
    ready_folder(out)
    source = _source(exports, history, register, chosen)
    with progress("Assessing") as shown:
        found = run(
            source,
            register,
            worklog,
            chosen,
            as_of=as_of,
            progress=shown,
            engine=engine,
            workers=workers,
            scheduler=scheduler,
        )
    note_changes(found, before, chosen, known)
    attach_plan(found, chosen)
    page = write_outputs(found, source.rejects, out)
    typer.echo(summary(found, shutil.get_terminal_size().columns))
    typer.echo(f"\nReport: {page}")
    if fail_on is not None and any(row.status in list(Level)[: list(Level).index(fail_on) + 1] for row in found.nodes):
        raise typer.Exit(1)


def _say(text: str) -> None:
    """Print text fitted to the width of the terminal."""
    from lamplighter.screen import fitted

    typer.echo(fitted(text, shutil.get_terminal_size().columns))


def _source(exports: list[str] | None, history: Path | None, register: Path | None, settings: Settings) -> Source:
    """Return the check-ins that a command is told to use: exports or a history, never both."""
    from lamplighter.errors import InputError
    from lamplighter.intake import read_exports
    from lamplighter.intake.store import History

    if history is not None:
        if exports:
            raise InputError("exports and --history given", remedy="collect the exports first, or leave one out")
        return History(history)
    return read_exports(_given(exports), settings, units=_units(register, settings))


def _units(register: Path | None, settings: Settings) -> dict[str, str]:
    """Return the unit of every registered node, empty where the register names none."""
    from lamplighter.fleet import read_fleet

    return {node: entry.unit for node, entry in read_fleet(register, None, settings.timezone).register.items()}


def _given(exports: list[str] | None) -> list[str]:
    from lamplighter.errors import InputError

    if not exports:
        raise InputError("no exports given", remedy="name files, folders or globs")
    return exports


@app.command()
def preview(exports: Exports, register: RegisterFile = None, settings: SettingsFile = None) -> None:
    """Show how exports would be read, and the settings lines that pin that reading down; analyse nothing.

    Exit codes: 0 at least one can be read; 2 none can, or wrong usage.
    """
    from lamplighter.intake import preview as look
    from lamplighter.intake.preview_text import preview_lines
    from lamplighter.settings import read_settings

    chosen = read_settings(settings)
    seen = look(exports, chosen, units=_units(register, chosen))
    width = max(40, min(shutil.get_terminal_size().columns, 100))
    typer.echo("\n".join(preview_lines(seen, width)))
    if not seen.readable:
        raise typer.Exit(2)


@app.command()
def compare(
    old: Annotated[Path, typer.Argument(help="Earlier assessment: its folder or its assessment.json.")],
    new: Annotated[Path, typer.Argument(help="Later assessment.")],
    acknowledged: AcknowledgedFile = None,
    settings: SettingsFile = None,
) -> None:
    """Show what is new, worse, better, done and gone between two assessments."""
    from lamplighter.compare import compare as run
    from lamplighter.compare import comparison_text, read_acknowledged, require_order
    from lamplighter.results import read_assessment
    from lamplighter.settings import read_settings

    chosen = read_settings(settings)
    known = read_acknowledged(acknowledged, chosen.timezone)
    before, after = read_assessment(old), read_assessment(new)
    require_order(before, after)
    _say(comparison_text(run(before, after, chosen, known)))


@app.command()
def weekly(
    settings: Annotated[
        Path, typer.Option("--settings", help="Settings file; its section [weekly] names the folders.")
    ],
) -> None:
    """Collect new exports, assess, compare with last week, plan visits, publish and mail.

    Exit codes: 0 quiet; 1 something needs a person; 2 could not run; 3 data are stale or incomplete.
    """
    from lamplighter.weekly import clock, run_weekly

    with progress("Assessing") as shown:
        done = run_weekly(settings, now=clock(), progress=shown)
    typer.echo(done.summary)
    for problem in done.problems:
        typer.echo(f"problem: {problem}", err=True)
    typer.echo(f"Published: {done.folder}")
    if done.exit_code:
        raise typer.Exit(done.exit_code)


@app.command()
def visits(
    assessment: Annotated[Path, typer.Argument(help="An assessment: its folder or its assessment.json.")],
    crew: Annotated[
        list[str] | None,
        typer.Option("--crew", help='Days and hours of a crew: "Mon-Fri 8h" or "North=Mon-Thu 7h"; may be repeated.'),
    ] = None,
    horizon: Annotated[int | None, typer.Option("--horizon", min=1, max=1100, help="Days to plan ahead.")] = None,
    previous: Annotated[
        Path | None,
        typer.Option("--previous", help="Last time's visits.ics or its folder; what is planned no more is cancelled."),
    ] = None,
    settings: SettingsFile = None,
    out: Annotated[Path | None, typer.Option("--out", help="Folder to write into; default: the assessment's.")] = None,
) -> None:
    """Plan the trips of the coming months: visits.csv, a calendar, job sheets, parts, and what the plan costs.

    Exit codes: 0 done; 2 wrong usage or unreadable input.
    """
    from lamplighter.results import read_assessment
    from lamplighter.settings import read_settings
    from lamplighter.triage.papers import plan_text, write_visits
    from lamplighter.triage.visits import plan_visits

    found = read_assessment(assessment)
    plan = plan_visits(found, read_settings(settings) if settings else None, crew=crew, horizon=horizon)
    written = write_visits(plan, out or (assessment if assessment.is_dir() else assessment.parent), previous)
    typer.echo(plan_text(plan))
    typer.echo(f"\nWritten: {', '.join(str(path) for path in written)}")


@app.command()
def simulate(
    out: Annotated[Path, typer.Option("--out", help="Folder to write the fleet into.")],
    nodes: Annotated[int, typer.Option("--nodes", min=1, help="How many nodes.")] = 36,
    days: Annotated[float, typer.Option("--days", min=1, help="How many days.")] = 425,
    seed: Annotated[int, typer.Option("--seed", help="Same seed, same fleet.")] = 1,
    layout: Annotated[str, typer.Option("--layout", help="plain, tags, wide or all.")] = "plain",
    start: Annotated[str, typer.Option("--start", help="First day, ISO 8601.")] = "2025-09-01T00:00:00+00:00",
    fault_share: Annotated[float, typer.Option("--fault-share", min=0, max=1, help="Share of nodes at fault.")] = 0.25,
    healthy: Annotated[bool, typer.Option("--healthy", help="No faults, every nuisance.")] = False,
    noise: Annotated[str, typer.Option("--noise", help="smooth, or rough: heavy tails, passing regimes.")] = "smooth",
) -> None:
    """Write an invented fleet with known faults: exports, register, work log and truth.csv."""
    from lamplighter.errors import InputError
    from lamplighter.fleet import parse_time
    from lamplighter.simulate import LAYOUTS, Options, simulate_parts, write_parts

    if layout not in (*LAYOUTS, "all"):
        raise InputError(f"layout {layout!r} is not known", remedy=f"use one of: {', '.join(LAYOUTS)}, all")
    try:
        begin = parse_time(start)
    except ValueError as bad:
        raise InputError(f"--start: {bad}", remedy="write 2026-01-31") from bad
    options = Options(
        nodes=nodes, days=days, seed=seed, start=begin, fault_share=fault_share, healthy=healthy, noise=noise
    )
    with progress("Simulating") as shown:
        written = write_parts(simulate_parts(options, progress=shown), out, layout)
    typer.echo(f"{nodes:,} nodes, {days:g} days, in {len(written)} files: {out}")


@app.command()
def collect(
    exports: Exports,
    history: Annotated[Path, typer.Option("--history", help="The history to add to; made when missing.")],
    register: RegisterFile = None,
    settings: SettingsFile = None,
) -> None:
    """Add exports to a history; files collected before are skipped, overlaps merged, all or nothing.

    Exit codes: 0 done; 2 wrong usage or unreadable input.
    """
    from lamplighter.intake.store import collect as run
    from lamplighter.settings import read_settings

    chosen = read_settings(settings)
    with progress("Collecting") as shown:
        done = run(exports, history, chosen, units=_units(register, chosen), progress=shown)
    typer.echo("\n".join(done.lines()))


@app.command()
def history(
    folder: Annotated[Path, typer.Argument(help="A history made by collect.", show_default=False)],
    verify: Annotated[bool, typer.Option("--verify", help="Check every data file.")] = False,
    forget: Annotated[
        str | None, typer.Option("--forget", metavar="NODE|BEFORE", help="Take out a node, or all before a date.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before forgetting.")] = False,
    settings: SettingsFile = None,
) -> None:
    """Show what a history holds; check it; take things out of it.

    Exit codes: 0 done; 1 not confirmed; 2 wrong usage, unreadable input or a history that is not whole.
    """
    from lamplighter.intake import store
    from lamplighter.settings import read_settings

    chosen = read_settings(settings)
    with store.History(folder) as opened:
        typer.echo("\n".join(store.describe(opened)))
        problems = store.verify(opened) if verify else []
        plan = store.plan_forgetting(opened, forget, chosen.timezone) if forget else None
    for problem in problems:
        typer.echo(f"problem: {problem}", err=True)
    if problems:
        raise typer.Exit(2)
    if verify:
        typer.echo("Verified: every data file is whole.")
    if plan is not None and forget is not None:
        if not yes:
            typer.confirm(plan.question(), abort=True)
        done = store.forget(folder, forget, chosen)
        later = "" if done.deleted else " Somebody reads the history now: the data leave the disk with a later collect."
        typer.echo(f"{done.rows:,} check-ins forgotten.{later}")


@app.command()
def backtest(
    exports: Annotated[
        list[str] | None, typer.Argument(help="Exports: files, folders or globs; plain, .gz or .zip.")
    ] = None,
    register: RegisterFile = None,
    worklog: WorklogFile = None,
    settings: SettingsFile = None,
    as_of: AsOf = None,
    history: HistoryDir = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for the plot and the tables; default: only print.")
    ] = None,
) -> None:
    """Forecast again every battery that has since ended, from past days, and show how the forecasts did.

    Exit codes: 0 done; 2 wrong usage or unreadable input.
    """
    from lamplighter.backtest import backtest as run
    from lamplighter.backtest import backtest_text, write_backtest
    from lamplighter.fleet import read_fleet
    from lamplighter.pipeline import present_of
    from lamplighter.settings import read_settings

    chosen = read_settings(settings)
    source = _source(exports, history, register, chosen)
    known = read_fleet(register, worklog, chosen.timezone)
    with progress("Forecasting again") as shown:
        done = run(source, known, chosen, as_of=present_of(as_of, chosen.timezone), progress=shown)
    typer.echo(backtest_text(done))
    if out is not None:
        typer.echo(f"\nWritten: {', '.join(str(path) for path in write_backtest(done, out))}")


@app.command("battery-life")
def battery_life(
    node: Annotated[str | None, typer.Option("--node", help="A node of the register or the assessment.")] = None,
    register: RegisterFile = None,
    assessment: Annotated[
        Path | None, typer.Option("--assessment", help="An assessment that holds the node: its folder or file.")
    ] = None,
    part: Annotated[str, typer.Option("--part", help="Battery by its IEC designation, such as ER34615 or 2xLR6.")] = "",
    chemistry: Annotated[str, typer.Option("--chemistry", help="Chemistry, such as Li-SOCl2 or alkaline.")] = "",
    capacity: Annotated[
        float | None, typer.Option("--capacity", min=0.001, help="Capacity [Ah]; default: typical for the part.")
    ] = None,
    sleep_ua: Annotated[float | None, typer.Option("--sleep-ua", min=0, help="Current while asleep [uA].")] = None,
    charge_mc: Annotated[float | None, typer.Option("--charge-mc", min=0, help="Charge of a check-in [mC].")] = None,
    interval: Annotated[
        list[str] | None, typer.Option("--interval", help="Check-in interval: 900, 15min, 1h; may be repeated.")
    ] = None,
    fast_share: Annotated[
        float, typer.Option("--fast-share", min=0, max=1, help="Share of the time spent fast sampling.")
    ] = 0.0,
    fast_interval: Annotated[str, typer.Option("--fast-interval", help="Interval while fast sampling.")] = "1min",
    temperature: Annotated[
        float, typer.Option("--temperature", min=-60, max=85, help="Mean temperature of the battery [degC].")
    ] = 20.0,
    settings: SettingsFile = None,
) -> None:
    """Say how long a battery lasts at other check-in intervals, shares of fast sampling and temperatures.

    Exit codes: 0 done; 2 wrong usage, or too little known of the battery.
    """
    from dataclasses import replace

    from lamplighter.checks.battery import questions, whatif
    from lamplighter.checks.battery.cells import cell_of
    from lamplighter.fleet import read_fleet
    from lamplighter.results import read_assessment
    from lamplighter.settings import read_settings

    chosen = read_settings(settings)
    known = read_fleet(register, None, chosen.timezone).register
    found = read_assessment(assessment) if assessment is not None else None
    entry, row = questions.subject(node, known, found)
    told = {
        "battery_part": part or None, "battery_chemistry": chemistry or None, "battery_capacity_ah": capacity,
        "sleep_current_ua": sleep_ua, "charge_per_check_in_mc": charge_mc,
    }  # fmt: skip
    entry = replace(entry, **{name: value for name, value in told.items() if value is not None})
    plans = [
        whatif.Plan(
            interval_s=seconds, fast_share=fast_share, fast_interval_s=questions.seconds_of(fast_interval),
            temperature_c=temperature,
        )
        for seconds in questions.intervals(interval, entry, row)
    ]  # fmt: skip
    lives = questions.lifetimes(entry, row, plans, chosen.battery)
    width = shutil.get_terminal_size().columns
    _say(questions.answer_text(cell_of(entry.battery_chemistry, entry.battery_part), plans, lives, width))


@app.command()
def init(
    exports: Exports,
    out: Annotated[Path, typer.Option("--out", help="Settings file to write.")] = Path("lamplighter.toml"),
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")] = False,
) -> None:
    """Write a commented settings file by looking at an export.

    Exit codes: 0 done; 2 wrong usage or unreadable input.
    """
    from lamplighter.starter import write_starter

    for notice in write_starter(exports, out, replace=replace):
        _say(notice)
    typer.echo(f"Written: {out}")


def main() -> None:
    """Run the command line; errors the user can mend become one line and exit code 2."""
    from lamplighter.errors import LamplighterError

    try:
        app(standalone_mode=True)
    except LamplighterError as bad:
        typer.echo(f"lamplighter: {bad}", err=True)
        sys.stdout.flush()
        sys.stderr.flush()
        # All files are closed by now, but the CSV reader's threads may still be at work, and an ordinary exit
        # in the middle of that now and then aborts instead of giving the code.
        os._exit(2)


if __name__ == "__main__":
    main()
