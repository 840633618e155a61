"""Runs the checks over a fleet and puts their answers together."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

from lamplighter.checkins import Source
from lamplighter.checks.base import CheckResult, Context
from lamplighter.engines import Engine, Job, fitting
from lamplighter.errors import InputError
from lamplighter.fleet import Fleet, RegisterEntry, entry_of, parse_time, read_fleet, strange_work
from lamplighter.maker import CODE, maker
from lamplighter.measuring import CHECKS, load_checks, load_node, measure_node
from lamplighter.overview import overview
from lamplighter.results import Assessment, NodeRow
from lamplighter.settings import Settings, read_settings
from lamplighter.spool import Joined, Spool
from lamplighter.triage import judge_fleet, review
from lamplighter.wording import moment

Progress = Callable[[int, int], None]


def assess(
    checkins: Source,
    register: str | Path | None = None,
    worklog: str | Path | None = None,
    settings: Settings | str | Path | None = None,
    *,
    as_of: str | datetime | float | None = None,
    progress: Progress | None = None,
    engine: str | Engine | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
) -> Assessment:
    """Assess a fleet, as the command of the same name does.

    Parameters
    ----------
    checkins : CheckIns or History
        What :func:`lamplighter.read_exports` returned, or a history on disk.
    register, worklog : path, optional
        Files about the nodes and the work done; both may be missing.
    settings : Settings or path, optional
    as_of : str, datetime or float, optional
        The present: ISO 8601, a datetime, or seconds since 1970-01-01 UTC. Default: the last check-in.
    progress : callable, optional
        Called with the number of nodes done and in all.
    engine : str or Engine, optional
        ``serial``, ``processes`` or ``dask``; the result is the same. Default: processes where there is more than one
        core and workers are forked (Linux), from :data:`lamplighter.engines.ENOUGH_CHECK_INS` on, else serial.
    workers : int, optional
        Number of processes; default: one a core.
    scheduler : str, optional
        Address of a running Dask scheduler, which must see a history under the same path.

    Returns
    -------
    Assessment
        ``nodes_table``, ``findings_table`` and ``gaps_table`` are its DataFrames.

    Raises
    ------
    InputError
        When a file cannot be read or ``as_of`` is no time.
    SettingsError
        When a setting is unknown or out of range.

    Examples
    --------
    >>> from lamplighter import assess, read_exports, write_report  # doctest: +SKIP
    >>> assessment = assess(read_exports(["exports/"]), register="register.csv")  # doctest: +SKIP
    >>> assessment.nodes_table.head()  # doctest: +SKIP
    >>> write_report(assessment, "report.html")  # doctest: +SKIP
    """
    chosen = settings if isinstance(settings, Settings) else read_settings(settings)
    fleet = read_fleet(register, worklog, chosen.timezone)
    where = engine
    if engine is None:
        where = fitting(checkins.account.check_ins, workers, scheduler)
    elif isinstance(engine, str):
        where = Engine(engine, workers, scheduler)
    present = present_of(as_of, chosen.timezone)
    return assess_fleet(checkins, fleet, chosen, as_of=present, progress=progress, engine=where)


def present_of(as_of: str | datetime | float | None, timezone: str) -> float | None:
    """Return the present in seconds since 1970-01-01 UTC, None when not given.

    Raises
    ------
    InputError
        When the text is not ISO 8601.
    """
    if as_of is None or isinstance(as_of, (int, float)):
        return as_of
    try:
        return parse_time(as_of.isoformat() if isinstance(as_of, datetime) else as_of, timezone)
    except ValueError as bad:
        raise InputError(f"--as-of {as_of!r} is not a time", remedy="write 2026-01-31 or 2026-01-31T14:30") from bad


def assess_fleet(
    source: Source,
    fleet: Fleet,
    settings: Settings,
    *,
    as_of: float | None = None,
    progress: Progress | None = None,
    engine: Engine | None = None,
) -> Assessment:
    """Assess a fleet from what was already read; see :func:`assess`.

    Raises
    ------
    InputError
        When there is no check-in at or before the present.
    """
    start, end = source.span()
    if as_of is not None and start > as_of:
        raise InputError(
            f"all check-ins are later than --as-of; the first is of {moment(start)}", remedy="give a later --as-of"
        )
    if not start <= end:
        raise InputError("there is no check-in to assess", remedy="look at the exports with lamplighter preview")
    present = as_of if as_of is not None else end
    names = source.nodes()
    engine = engine or fitting(source.account.check_ins)
    measures, daily, set_aside = measure_all(source, fleet, settings, names, start, present, engine, progress)
    context = make_context(fleet, settings, tuple(sorted(daily)), source.traits, start, present)
    results = review(judge(measures, replace(context, share=partial(shared_out, engine))), context, daily)
    del measures  # and with them their temporary files
    series = Joined({"daily": daily} | {name: result.series for name, result in results.items()})
    rows, items = judge_fleet(results, context)
    return Assessment(
        as_of=present,
        start=start,
        end=min(end, present),
        account=replace(source.account, set_aside=set_aside),
        settings=settings.as_dict(),
        nodes=rows,
        items=items,
        findings=[f for result in results.values() for f in result.findings],
        gaps=results["arrivals"].gaps,
        outages=results["arrivals"].outages,
        verdicts=gather_verdicts(results, rows),
        series=series,
        register=Spool((node, asdict(entry)) for node, entry in sorted(context.register.items())),
        worklog=[asdict(w) for node in sorted(context.worklog) for w in context.worklog[node]],
        assumptions=assumptions(fleet, settings, as_of is None, names),
        fleet={name: result.fleet for name, result in results.items()}
        | {"overview": overview(rows, series, results["arrivals"].gaps, present, settings.report.months_ahead)},
        version=version("lamplighter"),
    )


def measure_all(
    source: Source,
    fleet: Fleet,
    settings: Settings,
    names: list[str],
    start: float,
    as_of: float,
    engine: Engine,
    progress: Progress | None,
) -> tuple[dict[str, Spool[Any]], Spool[dict[str, Any]], int]:
    """Measure every node.

    Returns
    -------
    measures : dict of check to mapping of node to its measures
    daily : mapping of node to its daily series
    set_aside : int
        Check-ins later than the present.
    """
    # The checks are loaded here, so that forked workers need not load them again.
    measures: dict[str, Spool[Any]] = {check.NAME: Spool() for check in load_checks()}
    daily: Spool[dict[str, Any]] = Spool()
    set_aside = 0
    load = partial(load_node, source, fleet=fleet, start=start, as_of=as_of, maker=(CODE, maker(settings, CHECKS)))
    job = Job(load, partial(measure_node, settings), travels=source.on_disk)
    for done, (node, found) in enumerate(zip(names, engine.run(job, names), strict=True), start=1):
        set_aside += found.later
        if found.measures:
            daily.put(node, found.daily)
        for check, measure in found.measures.items():
            measures[check].put(node, measure)
        if progress:
            progress(done, len(names))
    return measures, daily, set_aside


def shared_out(
    engine: Engine, load: Callable[[str], Any], work: Callable[[Any], Any], nodes: Sequence[str]
) -> Iterator[Any]:
    """Let an engine do the same work on every node; see :data:`lamplighter.checks.base.Share`."""
    return engine.run(Job(load, work), nodes)


def make_context(
    fleet: Fleet,
    settings: Settings,
    seen: tuple[str, ...],
    traits: Mapping[str, frozenset[str]],
    start: float,
    as_of: float,
) -> Context:
    """Return what the checks may know of the fleet."""
    register: dict[str, RegisterEntry] = {n: entry_of(fleet.register, n) for n in {*seen, *fleet.register}}
    worklog = {n: tuple(w for w in log if w.time <= as_of) for n, log in fleet.worklog.items()}
    return Context(
        settings=settings,
        register=register,
        registered=frozenset(fleet.register),
        worklog=worklog,
        seen=seen,
        traits=traits,
        start=start,
        as_of=as_of,
    )


def judge(measures: Mapping[str, Mapping[str, Any]], context: Context) -> dict[str, CheckResult]:
    """Let every check judge the fleet in order."""
    results: dict[str, CheckResult] = {}
    for check in load_checks():
        results[check.NAME] = check.judge(measures[check.NAME], replace(context, earlier=dict(results)))
    return results


def gather_verdicts(results: Mapping[str, CheckResult], rows: list[NodeRow]) -> Mapping[str, dict[str, Any]]:
    """Return each node's verdict a check."""
    return Spool(
        (row.node, {name: r.verdicts[row.node] for name, r in results.items() if row.node in r.verdicts})
        for row in rows
    )


def assumptions(fleet: Fleet, settings: Settings, present_assumed: bool, heard: Collection[str] = ()) -> list[str]:
    """Return in plain words what was ignored, and what was assumed where nothing was said."""
    said = [*fleet.notices, *filter(None, [strange_work(fleet, heard)])]
    if not fleet.register:
        said.append("No register: gateways, ranges and batteries are unknown; every node counts as criticality 3.")
    if not fleet.worklog:
        said.append("No work log: battery swaps, re-zeros and moves are found in the data alone.")
    if present_assumed:
        said.append("No --as-of: the present is taken to be the last check-in in the data.")
    if settings.timezone == "UTC":
        said.append("No time zone set: times without an offset are read as UTC.")
    return said
