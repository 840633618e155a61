"""What the site knows: a register with honest errors and gaps, a work log that misses some of the work."""

from __future__ import annotations

from typing import Any

import numpy as np

from lamplighter.simulate.faults import NAN
from lamplighter.simulate.node import NodeRun
from lamplighter.simulate.options import DAY_S, Options
from lamplighter.simulate.places import position
from lamplighter.simulate.plan import NodePlan

CENTRE = (43.0, -116.0)
"""An invented valley; nothing real stands there."""


def register_row(run: NodeRun, options: Options) -> dict[str, Any]:
    """One node's line in the register; None where the site never wrote it down."""
    plan = run.plan
    rng = options.rng("register", plan.index)
    row = {
        "node": plan.node,
        "name": plan.name,
        "site": plan.site,
        "gateway": plan.gateway,
        "unit": plan.unit,
        "lrl": plan.lrl,
        "url": plan.url,
        "interval_s": plan.register_interval_s,
        "criticality": plan.criticality,
        "rests_at_zero": plan.kind.rests_at_zero if rng.random() < 0.9 else None,
        "zero_tolerance_pct_span": plan.tolerance_pct,
        "same_process_as": plan.peer,
    }
    return row | _battery_cells(run, rng) | _radio_cells(plan, rng)


def _battery_cells(run: NodeRun, rng: np.random.Generator) -> dict[str, Any]:
    """Nominal capacity and currents off by what data sheets and duty estimates are off by."""
    plan, battery = run.plan, run.power.battery
    if battery is None:
        return {"battery_chemistry": plan.solar, "battery_part": plan.part, "cutoff_v": None}
    knows_charge, knows_date = rng.random() < 0.75, rng.random() < 0.85
    logged = len(run.power.lives) < 2 or plan.logged["swap"]
    installed = run.power.installed if logged else run.power.lives[0][0]
    return {
        "battery_chemistry": battery.chemistry,
        "battery_part": plan.part,
        "battery_capacity_ah": plan.nominal_ah,
        "battery_installed": float(np.floor(installed / DAY_S) * DAY_S) if knows_date else NAN,
        "cutoff_v": battery.kind.cutoff_v,
        "sleep_current_ua": _two_digits(battery.sleep_ua * rng.lognormal(0, 0.15)) if knows_charge else NAN,
        "charge_per_check_in_mc": _two_digits(battery.charge_mc * rng.lognormal(0, 0.12)) if knows_charge else NAN,
    }


def _radio_cells(plan: NodePlan, rng: np.random.Generator) -> dict[str, Any]:
    north, east = position(rng, plan.link.distance_m)
    surveyed = rng.random() < 0.7
    return {
        "sensitivity_dbm": plan.link.sensitivity_dbm if rng.random() < 0.9 else NAN,
        "latitude": round(CENTRE[0] + north, 5),
        "longitude": round(CENTRE[1] + east, 5),
        "distance_m": float(np.round(plan.link.distance_m * rng.normal(1, 0.02))) if surveyed else NAN,
        "tx_power_dbm": plan.link.tx_power_dbm if surveyed else NAN,
        "antenna_gain_dbi": plan.link.gain_dbi if surveyed else NAN,
    }


def _two_digits(value: float) -> float:
    return float(f"{value:.2g}")


def work_rows(run: NodeRun, options: Options) -> list[dict[str, Any]]:
    """Return what the work log says of one node, written down the same day, at the hour it was done or near it."""
    plan = run.plan
    rng = options.rng("worklog", plan.index)
    rows = []

    def note(when: float, action: str, text: str) -> None:
        said = np.round((when + rng.normal(0, 1_800)) / 900) * 900
        rows.append({"node": plan.node, "time": float(said), "action": action, "note": text})

    if plan.swap < options.end and run.power.lives and plan.logged["swap"]:
        note(plan.swap, "battery replaced", plan.part)
    if np.isfinite(plan.rezero) and plan.logged["rezero"]:
        note(plan.rezero, "zeroed", "vented and zeroed")
    if np.isfinite(plan.antenna):
        note(plan.antenna, "antenna changed", "higher mast")
    if len(plan.changes) > 1 and plan.logged["interval"]:
        note(plan.changes[-1][0], "interval changed", f"now every {plan.changes[-1][1] / 60:g} min")
    if np.isfinite(plan.removed):
        note(plan.removed, "removed", "taken out of service")
    if rng.random() < 0.1:
        note(options.start + rng.uniform(0.1, 0.9) * options.days * DAY_S, "inspected", "in order")
    return [r for r in rows if options.start <= r["time"] <= options.end]
