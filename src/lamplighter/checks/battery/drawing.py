"""What the report draws of a battery, and the fleet's numbers, as plain lists."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.cells import UNKNOWN
from lamplighter.checks.battery.findings import prediction_facts
from lamplighter.checks.battery.fleetwide import Battery
from lamplighter.checks.battery.learning import Class
from lamplighter.checks.battery.measure import BatteryMeasures
from lamplighter.checks.battery.predict import Prediction, fan


def base_series(battery: Battery, m: BatteryMeasures) -> dict[str, Any]:
    """Return the voltage by day and the lives, as plain lists."""
    track = battery.track
    days, group = np.unique(np.floor(track.time / DAY_S).astype(np.int64), return_inverse=True)
    volts = np.bincount(group, weights=track.volts - track.drop) / np.bincount(group)
    return {
        "day": (days * int(DAY_S)).tolist(),
        "volts": np.round(volts, 4).tolist(),
        "cutoff_v": round(battery.cutoff_v, 4),
        "lives": [int(s.time) for s in m.swaps if s.time <= m.last],
    }


def prediction_series(p: Prediction, battery: Battery) -> dict[str, Any]:
    """Return the fan and the dates of the end, for drawing."""
    facts = prediction_facts(p)
    eol = [None if facts[k] is None else int(facts[k]) for k in ("eol_p10", "eol_p50", "eol_p90")]
    before = facts["eol_not_before"]
    return {"fan": fan(p, battery), "eol": eol, "not_before": None if before is None else int(before)}


def fleet_numbers(batteries: Mapping[str, Battery], classes: Mapping[Any, Class]) -> dict[str, Any]:
    """Return fleet-level numbers: what was learned of each class."""
    rows, nodes = [], Counter(b.group for b in batteries.values())
    for group in sorted(classes):
        known = classes[group]
        life = known.lives
        rows.append(
            {
                "chemistry": group[0],
                "series": group[1] if group[0] != UNKNOWN else None,
                "nodes": nodes[group],
                "completed_lives": known.completed,
                "median_life_days": round(life.median_days, 1) if life else None,
                "weibull_shape": round(life.weibull.beta, 3) if life and life.weibull else None,
                "curve_learned": bool(known.learned),
            }
        )
    return {"classes": rows}
