"""Judges all batteries together: learns from the fleet, forecasts each, and says what a person should know.

Facts by node (columns of nodes.csv): ``battery_v`` [V], ``battery_since``, ``eol_p10``, ``eol_p50``, ``eol_p90``,
``eol_not_before``, ``eol_method``, and where it comes earlier than that end the first shortfall on the coldest days,
``eol_cold_p10``, ``eol_cold_p50``, ``eol_cold_p90``. Further facts: ``battery_cutoff_v``, ``battery_cutoff_origin``
(register, chemistry, assumption), ``battery_chemistry``, ``battery_ended`` (instant, when it is below its cut-off),
``battery_charged`` (True when a charger keeps it up), ``battery_cautions`` (keys of cautions: lithium, lead-acid).

Finding kinds: ``battery_end``, ``battery_swap``, ``battery_cold``, ``battery_charge``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.base import CheckResult, Context
from lamplighter.checks.battery.cells import CHEMISTRIES, UNKNOWN
from lamplighter.checks.battery.charger import is_charged, weekly_balance
from lamplighter.checks.battery.drawing import base_series, fleet_numbers, prediction_series
from lamplighter.checks.battery.findings import (
    cautions,
    charge_findings,
    cold_facts,
    cold_findings,
    end_findings,
    good_reason,
    prediction_facts,
    swap_findings,
)
from lamplighter.checks.battery.fleetwide import Battery, actual_low, gather
from lamplighter.checks.battery.learning import Class, learn_classes
from lamplighter.checks.battery.lost import lost_words, noted, rescaled_words, seen_to_end, since_of
from lamplighter.checks.battery.measure import BatteryMeasures
from lamplighter.checks.battery.predict import predict
from lamplighter.results import Finding, Verdict
from lamplighter.settings.battery import BatterySettings
from lamplighter.spool import pack


def judge(measures: Mapping[str, BatteryMeasures], context: Context) -> CheckResult:
    """Judge every node's battery.

    Parameters
    ----------
    measures : dict of node to BatteryMeasures
    context : Context

    Returns
    -------
    CheckResult
    """
    settings = context.settings.battery
    batteries = gather(measures, context.register, settings, share=context.share)
    classes = learn_classes(batteries, settings)
    result = CheckResult()
    for node in sorted({*measures, *context.register} - set(batteries)):
        reason = "never checked in" if node not in measures else "sends no battery voltage"
        result.verdicts[node] = Verdict(state="not evaluated", reason=reason)
    nodes = sorted(batteries)
    load, work = partial(known_of, measures, batteries, classes), partial(judge_node, settings, context.as_of)
    for node, judged in zip(nodes, context.share(load, work, nodes), strict=True):
        result.verdicts[node] = judged.verdict
        result.findings.extend(judged.findings)
        result.facts.put(node, judged.facts)
        result.series.put(node, judged.series)
    result.fleet.update(fleet_numbers(batteries, classes))
    return result


Known = tuple[Battery, BatteryMeasures, Class]
"""A node's battery, what was measured of it, and what is known of its class."""


def known_of(
    measures: Mapping[str, BatteryMeasures],
    batteries: Mapping[str, Battery],
    classes: Mapping[tuple[str, int], Class],
    node: str,
) -> Known:
    """Return what a node is judged by."""
    battery = batteries[node]
    return battery, measures[node], classes[battery.group]


@dataclass(frozen=True, slots=True)
class Judged:
    """What is said of one node; facts and series packed, since it may come from another process."""

    verdict: Verdict
    findings: list[Finding]
    facts: bytes
    series: bytes


def judge_node(settings: BatterySettings, as_of: float, known: Known) -> Judged:
    """Judge one node's battery."""
    battery, m, kind = known
    life = battery.lives[-1]
    findings = swap_findings(battery, m)
    facts = base_facts(battery, settings)
    drawn = base_series(battery, m)
    longest = max(battery.lives, key=lambda x: len(x.track)).track
    charged = not forecastable(battery) or (
        battery.cell.chemistry == UNKNOWN and is_charged(longest, m.noise, settings)
    )
    quiet, prediction = "good", None
    if m.lost and (charged or not seen_to_end(battery, m, settings)):
        facts |= {"battery_since": since_of(battery, m), "eol_method": "no voltage of late: no end is forecast"}
        drawn["lost_since"] = int(m.last)
        quiet, reason = "not evaluated", lost_words(m, facts["battery_v"])
    elif charged:
        balance = weekly_balance(life.track)
        facts |= {"eol_method": "charged battery: no end is forecast", "battery_charged": True}
        findings += charge_findings(battery, balance, settings)
        reason = "a charger keeps this battery up; its weekly balance is judged, no end is forecast"
    elif m.days < settings.min_days or (prediction := predict(battery, kind, settings)) is None:
        quiet, reason = "not evaluated", f"fewer than {settings.min_days:g} days of voltage since the battery went in"
    else:
        facts |= prediction_facts(prediction) | cold_facts(prediction, settings)
        drawn |= prediction_series(prediction, battery)
        findings += end_findings(battery, prediction, as_of, settings)
        findings += cold_findings(battery, prediction, settings)
        reason = good_reason(prediction, settings)
    findings = [noted(f, m) for f in findings]
    if m.rescaled and quiet == "good":
        reason = f"{reason.removesuffix('.')}. {rescaled_words(m)}"
    told = [f for f in findings if f.severity != "info"] if quiet == "good" else []
    verdict = Verdict(state="finding", reason=told[0].evidence) if told else Verdict(state=quiet, reason=reason)
    return Judged(verdict, findings, pack(facts), pack(drawn))


def forecastable(battery: Battery) -> bool:
    """Whether the battery's chemistry is one that runs down for good."""
    return battery.cell.chemistry == UNKNOWN or CHEMISTRIES[battery.cell.chemistry].forecast


def base_facts(battery: Battery, settings: BatterySettings) -> dict[str, Any]:
    """Return what is known of any battery, forecast or not."""
    life = battery.lives[-1]
    low = actual_low(life.track, battery.temperature, settings)
    recent = life.track.time >= life.track.time[-1] - 3 * DAY_S
    return {
        "battery_v": float(np.median(low[recent])),
        "battery_since": life.start if life.start_known else None,
        "battery_cutoff_v": battery.cutoff_v,
        "battery_cutoff_origin": battery.cutoff_origin,
        "battery_chemistry": battery.cell.chemistry,
        "battery_cautions": cautions(battery),
    }
