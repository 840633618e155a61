"""A whole fleet: nodes played one after the other, with register, work log, truth and counts."""

from __future__ import annotations

import math
import typing
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd

from lamplighter.checkins import COLUMNS, Account, CheckIns
from lamplighter.fleet import Fleet, RegisterEntry, WorkEntry
from lamplighter.simulate.node import NodeRun, merge, run_node
from lamplighter.simulate.options import Options
from lamplighter.simulate.outages import Outages, draw_outages
from lamplighter.simulate.paperwork import register_row, work_rows
from lamplighter.simulate.plan import NodePlan, plan_node, plan_nodes
from lamplighter.simulate.truth import COUNT_COLUMNS, TRUTH_COLUMNS, common_rows, node_rows
from lamplighter.simulate.weather import Weather, make_weather

REGISTER_COLUMNS = tuple(f.name for f in fields(RegisterEntry))
WORKLOG_COLUMNS = ("node", "time", "action", "note")
TWIN_OFFSET = 1_000_000
"""Index from which the hidden second nodes of a shared identity are drawn."""


@dataclass(frozen=True)
class SimulatedFleet:
    """A fleet with everything that is true of it; times in the frames are seconds since 1970-01-01 UTC.

    Attributes
    ----------
    checkins : CheckIns
        As an export would be read.
    register, worklog : DataFrame
        As the site keeps them: with errors, gaps and work not logged.
    truth : DataFrame
        One row a fault, event or battery life: ``node, fault, start, end, size, unit, eol_date, note, gateway, role,
        ratio, first_below``. ``role`` is ``fault``, ``common`` (gateway, host, weather), ``event`` or ``life``.
        ``eol_date``: from when the loaded voltage stays under cut-off; ``first_below``: when it first touches it.
        NaN: not known, or lasting.
    counts : DataFrame
        True numbers of check-ins a node: ``expected, received, missed, missed_node, missed_gateway, missed_host,
        expected_regular, missed_regular, sent, fast, interval_s``; ``regular`` leaves fast sampling out.
    options : Options
    weather : Weather
    """

    checkins: CheckIns
    register: pd.DataFrame
    worklog: pd.DataFrame
    truth: pd.DataFrame
    counts: pd.DataFrame
    options: Options
    weather: Weather
    part: str = ""
    """Which part of a fleet this is, when it was simulated in parts."""

    @property
    def as_of(self) -> float:
        """The present at the end of the record [s since 1970-01-01 UTC]."""
        return self.options.end

    def fleet(self) -> Fleet:
        """Return register and work log as the checks take them."""
        hints = typing.get_type_hints(RegisterEntry)
        entries = {
            row["node"]: RegisterEntry(**{k: _entry_value(v, hints[k]) for k, v in row.items()})
            for row in self.register.to_dict("records")
        }
        log: dict[str, list[WorkEntry]] = {}
        for row in self.worklog.to_dict("records"):
            log.setdefault(row["node"], []).append(WorkEntry(**row))
        return Fleet(
            register=entries, worklog={n: tuple(sorted(w, key=lambda e: e.time)) for n, w in sorted(log.items())}
        )


def _entry_value(value: Any, hint: Any) -> Any:
    """Return a cell of the register frame in the type of the register entry."""
    missing = value is None or (isinstance(value, float) and math.isnan(value))
    if hint is str:
        return "" if missing else str(value)
    if missing:
        return None
    return bool(value) if bool in typing.get_args(hint) else float(value)


def simulate(
    nodes: int = 36,
    days: float = 425,
    seed: int = 1,
    *,
    progress: Callable[[int, int], None] | None = None,
    **more: Any,
) -> SimulatedFleet:
    """Simulate a fleet with known faults.

    Parameters
    ----------
    nodes, days, seed
        See :class:`Options`.
    progress : callable, optional
        Called with the number of nodes done and in all.
    **more
        Further fields of :class:`Options`: ``start, gateways, fault_share, faults, healthy, noise, intervals_s``
        and ``cold_snap``.

    Returns
    -------
    SimulatedFleet

    Raises
    ------
    InputError
        When an option is out of its range.
    """
    options = Options(nodes=nodes, days=days, seed=seed, **more)
    return play(options, plan_nodes(options), draw_outages(options), progress)


def simulate_parts(
    options: Options, batch: int = 200, progress: Callable[[int, int], None] | None = None
) -> Iterator[SimulatedFleet]:
    """Simulate a fleet too large to hold, some nodes at a time; the nodes are those of :func:`simulate`.

    What came over many nodes at once stands in the truth of the first part alone.

    Parameters
    ----------
    batch : int
        Nodes in a part; a fleet of no more is one part, equal to what :func:`simulate` returns.
    """
    plans, outages = plan_nodes(options), draw_outages(options)
    for begin in range(0, len(plans), batch):

        def shown(done: int, _total: int, begin: int = begin) -> None:
            if progress:
                progress(begin + done, len(plans))

        part = play(options, plans[begin : begin + batch], outages, shown)
        if begin:
            part = replace(part, truth=part.truth[part.truth["node"] != ""])
        yield replace(part, part=f"{begin // batch + 1:02d}") if len(plans) > batch else part


def play(
    options: Options,
    plans: list[NodePlan],
    outages: Outages,
    progress: Callable[[int, int], None] | None = None,
) -> SimulatedFleet:
    """Play planned nodes through the record and put their records together."""
    weather = make_weather(options)
    runs = []
    for done, plan in enumerate(plans, start=1):
        run = run_node(plan, options, weather, outages)
        if plan.fault is not None and plan.fault.kind == "shared_identity":
            run = merge(run, _second(options, run, weather, outages), plan.fault.start)
        runs.append(run)
        if progress:
            progress(done, len(plans))
    return assemble(options, weather, outages, runs)


def _second(options: Options, first: NodeRun, weather: Weather, outages: Outages) -> NodeRun:
    """Play the node that answers to another one's name; of the same make and range."""
    plan = plan_node(options, first.plan.index + TWIN_OFFSET, first.plan.gateway, "unregistered", None)
    same = {name: getattr(first.plan, name) for name in ("kind_name", "unit", "lrl", "url", "changes", "has_sequence")}
    phase = (first.plan.phase + options.rng("second", first.plan.index).uniform(0.15, 0.85)) % 1.0
    return run_node(replace(plan, **same, phase=phase, threshold_share=0.0, fault=None), options, weather, outages)


def assemble(options: Options, weather: Weather, outages: Outages, runs: list[NodeRun]) -> SimulatedFleet:
    """Put the nodes' records together."""
    seen = sorted(
        (r for r in runs if (r.plan.fault is None or r.plan.fault.kind != "never_seen") and len(r.columns["time"])),
        key=lambda r: r.plan.node,
    )
    register = pd.DataFrame(
        [
            register_row(r, options)
            for r in sorted(runs, key=lambda r: r.plan.node)
            if r.plan.fault is None or r.plan.fault.kind != "unregistered"
        ],
        columns=list(REGISTER_COLUMNS),
    )
    worklog = pd.DataFrame([row for r in seen for row in work_rows(r, options)], columns=list(WORKLOG_COLUMNS))
    worklog = worklog.sort_values(["time", "node"], kind="stable", ignore_index=True)
    truth = [row for r in sorted(runs, key=lambda r: r.plan.node) for row in node_rows(r, options)]
    truth += common_rows(weather, outages)
    counts = pd.DataFrame(
        [{"node": r.plan.node, "gateway": r.plan.gateway} | r.counts for r in seen], columns=list(COUNT_COLUMNS)
    )
    table = check_in_table(seen)
    return SimulatedFleet(
        checkins=CheckIns(table, account=Account(records_read=len(table), kept=len(table), check_ins=len(table))),
        register=register,
        worklog=worklog,
        truth=pd.DataFrame(truth, columns=list(TRUTH_COLUMNS)),
        counts=counts,
        options=options,
        weather=weather,
    )


def check_in_table(runs: list[NodeRun]) -> pd.DataFrame:
    """Return the nodes' check-ins as one check-in table."""
    names = [r.plan.node for r in runs]
    sizes = [len(r.columns["time"]) for r in runs]
    columns = {name: np.concatenate([r.columns[name] for r in runs]) if runs else np.empty(0) for name in COLUMNS[1:]}
    micro = np.round(columns.pop("time") * 1e6).astype("int64")
    time = pd.DatetimeIndex(micro.view("datetime64[us]")).tz_localize("UTC")
    codes = np.repeat(np.arange(len(runs)), sizes)
    table = {"node": pd.Categorical.from_codes(codes, categories=names), "time": time}
    table |= {name: columns[name] for name in COLUMNS[2:]}
    return pd.DataFrame(table)
