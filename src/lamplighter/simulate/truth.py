"""The truth about a simulated fleet, one row a fault, event or battery life."""

from __future__ import annotations

from typing import Any

import numpy as np

from lamplighter.simulate.faults import NAN
from lamplighter.simulate.node import NodeRun
from lamplighter.simulate.options import Options
from lamplighter.simulate.outages import Outages
from lamplighter.simulate.weather import SNAP_C, Weather

TRUTH_COLUMNS = (
    "node", "fault", "start", "end", "size", "unit", "eol_date", "note", "gateway", "role", "ratio", "first_below",
)  # fmt: skip
COUNT_COLUMNS = (
    "node", "gateway", "expected", "received", "missed", "missed_node", "missed_gateway", "missed_host",
    "expected_regular", "missed_regular", "sent", "fast", "interval_s",
)  # fmt: skip


def row(node: str, fault: str, role: str, **more: Any) -> dict[str, Any]:
    """One row of the truth; what is not said is not known."""
    empty = {
        "start": NAN,
        "end": NAN,
        "size": NAN,
        "unit": "",
        "eol_date": NAN,
        "note": "",
        "gateway": "",
        "ratio": NAN,
    }
    return {"node": node, "fault": fault, "role": role, "first_below": NAN} | empty | more


def node_rows(run: NodeRun, options: Options) -> list[dict[str, Any]]:
    """Return the truth about one node."""
    plan, power = run.plan, run.power
    rows = []
    fault = plan.fault
    if fault is not None:
        ended = power.lives[0] if power.lives else (NAN, NAN, NAN, NAN)
        start = fault.start
        about_battery = fault.kind in ("battery_end", "battery_cold")
        if fault.kind == "battery_end":
            start = ended[3]
        rows.append(
            row(
                plan.node,
                fault.kind,
                "fault",
                start=start,
                end=fault.end,
                size=fault.size,
                unit=fault.unit,
                ratio=fault.ratio,
                note=fault.mode,
                gateway=plan.gateway,
                eol_date=ended[2] if about_battery else NAN,
                first_below=ended[3] if about_battery else NAN,
            )
        )
        if fault.kind == "battery_end" and fault.mode == "dead" and run.end_of_sending < options.end - 86_400:
            rows.append(
                row(plan.node, "silent", "fault", start=run.end_of_sending, note="battery", gateway=plan.gateway)
            )
    rows += _events(run, options)
    if fault is not None and fault.kind == "never_seen":
        return rows
    rows += [
        row(
            plan.node, "battery_life", "life", start=installed, end=removed, eol_date=eol, first_below=touched,
            note=power.battery.chemistry, gateway=plan.gateway,
        )
        for installed, removed, eol, touched in power.lives
    ]  # fmt: skip
    return rows


def _events(run: NodeRun, options: Options) -> list[dict[str, Any]]:
    """Work and changes that are no faults."""
    plan, rows = run.plan, []
    if plan.swap < options.end and run.power.lives:
        note = "logged" if plan.logged["swap"] else "not logged"
        rows.append(
            row(plan.node, "battery_swap", "event", start=plan.swap, size=run.power.swap_step_v, unit="V", note=note)
        )
    if np.isfinite(plan.rezero):
        rows.append(row(plan.node, "rezero", "event", start=plan.rezero, note=_said(plan.logged["rezero"])))
    if np.isfinite(plan.antenna):
        rows.append(
            row(
                plan.node,
                "antenna_changed",
                "event",
                start=plan.antenna,
                size=plan.antenna_db,
                unit="dB",
                note="logged",
            )
        )
    if len(plan.changes) > 1:
        when, interval = plan.changes[-1]
        rows.append(
            row(
                plan.node,
                "interval_changed",
                "event",
                start=when,
                size=interval,
                unit="s",
                note=_said(plan.logged["interval"]),
            )
        )
    if np.isfinite(plan.removed):
        rows.append(row(plan.node, "removed", "event", start=plan.removed, note="logged"))
    return [r | {"gateway": plan.gateway} for r in rows]


def _said(logged: bool) -> str:
    return "logged" if logged else "not logged"


def common_rows(weather: Weather, outages: Outages) -> list[dict[str, Any]]:
    """Return what came over many nodes at once."""
    rows = []
    for down in outages.downs:
        kind = "gateway_outage" if down.gateway else "host_outage"
        note = "full" if down.share >= 1 else "partial"
        rows.append(
            row(
                "",
                kind,
                "common",
                start=down.start,
                end=down.end,
                size=down.share,
                unit="share",
                note=note,
                gateway=down.gateway,
            )
        )
    if outages.antenna is not None:
        gateway, since, drop = outages.antenna
        rows.append(row("", "gateway_antenna", "fault", start=since, size=drop, unit="dB", gateway=gateway))
    if weather.snap is not None:
        rows.append(
            row("", "cold_snap", "common", start=weather.snap[0], end=weather.snap[1], size=SNAP_C, unit="degC")
        )
    return rows
