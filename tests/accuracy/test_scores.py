"""The scores themselves: an oracle that knows the truth meets every target, a mute one misses those of recall."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lamplighter.results import Finding, Gap
from lamplighter.simulate import SimulatedFleet, simulate
from tests.accuracy import (
    score_arrivals,
    score_battery,
    score_data,
    score_false_alarms,
    score_radio,
    score_stuck,
    score_zero,
)
from tests.accuracy.harness import Case, ScoreRow

CHECK_OF = {
    "silent": "arrivals",
    "delivery_falling": "arrivals",
    "rssi_trend": "radio",
    "rssi_step": "radio",
    "zero_drift": "zero",
    "zero_step": "zero",
    "stuck": "stuck",
    "stuck_dither": "stuck",
    "pegged": "stuck",
    "plugged": "stuck",
    "record_frozen": "stuck",
    "shared_identity": "data",
    "scale_step": "data",
    "interval_differs": "data",
    "threshold_inside": "data",
    "unregistered": "data",
    "never_seen": "data",
    "battery_end": "battery",
    "battery_swap": "battery",
}


@pytest.fixture(scope="module")
def fleet() -> SimulatedFleet:
    return simulate(90, 425, seed=41, fault_share=0.6)


def mute(fleet: SimulatedFleet) -> Case:
    return Case(label="mute", fleet=fleet, findings=[], facts={}, verdicts={}, as_of=fleet.as_of)


def oracle(fleet: SimulatedFleet) -> Case:
    """Findings, facts and gaps made from the truth."""
    truth = fleet.truth[fleet.truth["fault"].isin(list(CHECK_OF))]
    findings = [
        Finding(
            check=CHECK_OF[r["fault"]],
            kind=score_data.KINDS.get(r["fault"], (r["fault"],))[0],
            node=r["node"],
            since=r["start"],
            severity="M",
        )
        for r in truth.to_dict("records")
    ]
    facts = {
        r["node"]: {"missed": r["missed_node"], "expected": r["expected"] - r["missed_gateway"] - r["missed_host"]}
        for r in fleet.counts.to_dict("records")
    }
    for r in truth.to_dict("records"):
        known = facts.setdefault(r["node"], {})
        if r["fault"] == "zero_drift":
            known["zero_drift_pct_span_per_year"] = r["size"]
        if r["fault"] == "rssi_trend":
            known |= {"rssi_slope_low": -r["size"] - 1, "rssi_slope_high": -r["size"] + 1}
    downs = fleet.truth[fleet.truth["fault"].isin(["gateway_outage", "host_outage"])]
    whole = downs[downs["fault"] == "host_outage"].iloc[:1]
    span = (whole["start"].iloc[0], whole["end"].iloc[0]) if len(whole) else (downs["start"].min(), downs["end"].min())
    gaps = [
        Gap(
            node=r["node"],
            start=span[0],
            end=span[1],
            missed=int(r["missed_gateway"] + r["missed_host"]),
            cause="gateway",
        )
        for r in fleet.counts.to_dict("records")
    ]
    return replace(mute(fleet), findings=findings, facts=facts, gaps=gaps)


def targets(rows: list[ScoreRow]) -> dict[str, bool]:
    return {r.what: r.ok for r in rows if r.ok is not None}


@pytest.mark.parametrize("module", [score_zero, score_stuck, score_data, score_radio])
def test_an_oracle_meets_the_targets(fleet: SimulatedFleet, module: object) -> None:
    judged = targets(module.score([oracle(fleet)]))
    judged.pop("slope interval covers the true slope", None)  # covers always, which is too often
    assert judged
    assert all(judged.values()), judged


@pytest.mark.parametrize(
    ("module", "what"),
    [
        (score_zero, "zero drift to twice tolerance or more"),
        (score_stuck, "stuck sensor"),
        (score_data, "two nodes under one identity"),
        (score_radio, "RSSI step of 6 dB or more"),
        (score_battery, "battery swaps found within 2 days"),
    ],
)
def test_a_mute_check_misses_its_target(fleet: SimulatedFleet, module: object, what: str) -> None:
    assert targets(module.score([mute(fleet)]))[what] is False


def test_missed_counts_are_compared_with_the_truth(fleet: SimulatedFleet) -> None:
    right = score_arrivals.missed_counts([oracle(fleet)])
    assert right[0].ok
    wrong = oracle(fleet)
    for facts in wrong.facts.values():
        if "missed" in facts:
            facts["missed"] = facts["missed"] * 1.05 + 3
    assert score_arrivals.missed_counts([wrong])[0].ok is False


def test_a_check_that_cries_wolf_misses_the_target_of_false_alarms() -> None:
    fleet = simulate(20, 60, seed=42, healthy=True)
    wolf = [Finding(check="radio", kind="rssi_step", node=n, since=np.nan, severity="M") for n in fleet.counts["node"]]
    judged = targets(score_false_alarms.score([replace(mute(fleet), findings=wolf)]))
    assert judged["nodes with any finding of radio"] is False
    assert judged["nodes with any finding of zero"] is True


def test_findings_for_information_are_no_alarm() -> None:
    fleet = simulate(5, 60, seed=43, healthy=True)
    said = [Finding(check="radio", kind="rssi_step", node=n, severity="info") for n in fleet.counts["node"]]
    assert targets(score_false_alarms.score([replace(mute(fleet), findings=said)]))["nodes with any finding of radio"]
