"""Runs the checks over a fleet and puts their answers together."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from functools import partial
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from lamplighter.checkins import DAY_S, NodeArrays, NodeHistory, Source
from lamplighter.checks.base import CheckResult, Context, measure_rows
from lamplighter.engines import Engine, Job, fitting
from lamplighter.errors import InputError
from lamplighter.fleet import Fleet, RegisterEntry, entry_of, parse_time, read_fleet, strange_work
from lamplighter.overview import overview
from lamplighter.results import Assessment, NodeRow
from lamplighter.settings import Settings, read_settings
from lamplighter.spool import Joined, Spool, pack
from lamplighter.triage import judge_fleet, review
from lamplighter.wording import moment

CHECKS = ("arrivals", "radio", "zero", "stuck", "data", "battery")
"""Modules of ``lamplighter.checks`` in the order they judge: a later one may use what an earlier one found."""

Progress = Callable[[int, int], None]


def load_checks() -> list[ModuleType]:
    """Return the check modules in order."""
    return [import_module(f"lamplighter.checks.{name}") for name in CHECKS]


def history_of(source: Source, node: str, fleet: Fleet, start: float, as_of: float) -> tuple[NodeHistory, int]:
    """Return one node's history up to the present, and how many later check-ins were set aside."""
    arrays = source.arrays(node)
    kept = int(np.searchsorted(arrays.time, as_of, side="right"))
    columns = {name: getattr(arrays, name)[:kept] for name in NodeArrays.__dataclass_fields__}
    history = NodeHistory(
        node=node,
        **columns,
        entry=entry_of(fleet.register, node),
        worklog=tuple(w for w in fleet.worklog.get(node, ()) if w.time <= as_of),
        traits=source.traits.get(node, frozenset()),
        start=start,
        as_of=as_of,
    )
    return history, len(arrays.time) - kept


def measure_node(settings: Settings, loaded: tuple[NodeHistory, int]) -> Measured:
    """Run every check's measurement on one node, and make its daily series for the report."""
    history, later = loaded
    if not len(history):
        return Measured(later)
    measures = {check: pack(found) for check, found in measure_rows(load_checks(), history, settings).items()}
    return Measured(later, measures, pack(daily_series(history)))


@dataclass(frozen=True, slots=True)
class Measured:
    """One node as measured: its later check-ins set aside, and nothing else when it has none up to the present.

    What each check measured, and the daily series, are packed where they were made.
    """

    later: int
    measures: dict[str, bytes] = field(default_factory=dict)
    daily: bytes = b""


def daily_series(history: NodeHistory) -> dict[str, Any]:
    """Return a node's daily summaries as plain lists."""
    d = history.daily
    return {
        "day": (d.day * DAY_S).astype(np.int64).tolist(),
        "count": d.count.tolist(),
        "reading_median": rounded(d.reading_median),
        "reading_low": rounded(d.reading_low),
        "reading_high": rounded(d.reading_high),
        "rssi_median": rounded(d.rssi_median, 1),
        "rssi_p10": rounded(d.rssi_p10, 1),
        "battery_v": rounded(d.battery_median, 4),
        "battery_p10": rounded(d.battery_p10, 4),
        "temperature": rounded(d.temperature_median, 1),
        "temperature_low": rounded(d.temperature_low, 1),
    }


def rounded(values: np.ndarray, places: int | None = None) -> list[float | None]:
    """Return values as a list, None for NaN, to a number of decimals or to five significant digits."""
    if places is None:
        size = np.nanmax(np.abs(values)) if np.isfinite(values).any() else 1.0
        places = int(np.clip(5 - math.ceil(math.log10(size)) if size > 0 else 5, 0, 9))
    return [v if v == v else None for v in np.round(values, places).tolist()]


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
    load = partial(history_of, source, fleet=fleet, start=start, as_of=as_of)
    job = Job(load, partial(measure_node, settings), travels=getattr(source, "on_disk", False))
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
