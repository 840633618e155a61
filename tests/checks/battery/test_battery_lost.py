"""A voltage that is no longer sent, or comes in another unit, gives no forecast from what it was."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lamplighter.checkins import COMPRESSED
from lamplighter.checks import battery
from lamplighter.checks.base import measure_rows
from lamplighter.fleet import WorkEntry
from lamplighter.settings import Settings
from tests.checks.battery.batteries import (
    DAY,
    START,
    Node,
    alkaline_pair,
    end_day,
    judged,
    make_node,
    measured,
    thionyl,
)

EOL = ("eol_p10", "eol_p50", "eol_p90", "eol_not_before")


def worn(**more) -> Node:
    """Return a node whose battery is near its end at the end of the record, some 350 days on."""
    return make_node(alkaline_pair, days=350, life=450, begin=0.15, battery_chemistry="alkaline", cutoff_v=2.0, **more)


def without_voltage(node: Node, days: float, value: float = np.nan) -> Node:
    """Return the node with another value in place of its voltage in the last days."""
    gone = node.time > node.time[-1] - days * DAY
    return replace(node, volts=np.where(gone, value, node.volts))


def in_unit(node: Node, since: float, factor: float, until: float = np.inf) -> Node:
    """Return the node with its voltages multiplied between two days of the record."""
    t = (node.time - START) / DAY
    return replace(node, volts=np.where((t >= since) & (t < until), node.volts * factor, node.volts))


def close_to(facts, others) -> bool:
    """Whether the dates of two forecasts lie within two days of each other."""
    return all(abs(facts[k] - others[k]) < 2 * DAY for k in EOL)


# --- no voltage of late -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lost", [40, 120])
def test_a_node_heard_without_its_voltage_gets_no_date_but_a_reason_and_a_remedy(lost):
    node = without_voltage(worn(battery_installed=START - 60 * DAY), lost)
    result = judged(node)
    facts, verdict = result.facts["n1"], result.verdicts["n1"]
    day = {40: "19 Sep 2024", 120: "1 Jul 2024"}[lost]
    assert verdict.state == "not evaluated"
    assert verdict.reason == f"has sent no battery voltage since {day}; put the voltage back into the export"
    assert not any(facts.get(k) for k in EOL)
    assert [f.kind for f in result.findings if f.severity != "info"] == []
    assert facts["battery_since"] == START - 60 * DAY
    assert 2.0 < facts["battery_v"] < 3.0
    assert result.series["n1"]["lost_since"] == pytest.approx(node.time[-1] - lost * DAY, abs=DAY)


def test_a_channel_that_failed_some_weeks_ago_still_counts():
    facts = judged(without_voltage(worn(), 25)).facts["n1"]
    assert facts["eol_p50"] is not None
    assert "lost_since" not in judged(without_voltage(worn(), 25)).series["n1"]


def test_a_node_that_is_silent_altogether_is_forecast_as_before():
    node = worn()
    facts = judged(node, node.time[-1] + 90 * DAY).facts["n1"]
    assert facts["eol_p50"] == judged(node).facts["n1"]["eol_p50"]


def test_the_setting_says_how_long_is_long():
    node = without_voltage(worn(), 40)
    patient = Settings()
    patient = replace(patient, battery=replace(patient.battery, voltage_lost_days=60.0))
    assert judged(node, settings=patient).verdicts["n1"].state != "not evaluated"


def test_voltages_sent_once_a_month_are_waited_for():
    node = worn()
    day = np.floor((node.time - START) / DAY)
    seldom = replace(node, volts=np.where((day % 30 == 0) & (day < 305), node.volts, np.nan))
    assert measured(seldom).heard - measured(seldom).last > 40 * DAY
    assert judged(seldom).verdicts["n1"].state != "not evaluated"


def test_a_voltage_stored_only_when_it_changes_may_be_absent_as_long_as_it_ever_was():
    node = worn()
    t = (node.time - START) / DAY
    node = replace(node, volts=np.where((t > 100) & (t < 150), np.nan, node.volts))
    node = without_voltage(node, 60)
    history = node.history()
    stored = replace(history, traits=frozenset({COMPRESSED}))
    assert measure_rows([battery], history, Settings())["battery"].lost
    assert not measure_rows([battery], stored, Settings())["battery"].lost


@pytest.mark.parametrize("value", [0.0, 97.0])
def test_values_that_are_no_voltage_are_named(value):
    result = judged(without_voltage(worn(), 50, value))
    reason = result.verdicts["n1"].reason
    assert result.verdicts["n1"].state == "not evaluated"
    assert f"are about {value:g} where 2." in reason
    assert reason.endswith("correct their unit or channel in the export")


def emptied() -> Node:
    """Return a node that was under its cut-off for three weeks when its voltage was lost; it is heard on."""
    end = end_day(alkaline_pair, 2.2, 450, 0.15)
    node = make_node(alkaline_pair, days=end + 71, life=450, begin=0.15, battery_chemistry="alkaline", cutoff_v=2.2)
    return without_voltage(node, 50)


def test_a_battery_seen_to_be_empty_stays_empty_without_its_voltage():
    (finding,) = [f for f in judged(emptied()).findings if f.kind == "battery_end"]
    assert finding.severity == "F"
    assert "No credible battery voltage has come since" in finding.evidence


def test_a_battery_logged_since_the_last_voltage_is_not_the_empty_one():
    node = emptied()
    swapped = float(node.time[-1] - 30 * DAY)
    node = replace(node, worklog=(WorkEntry(node="n1", time=swapped, action="battery replaced"),))
    result = judged(node)
    assert result.verdicts["n1"].state == "not evaluated"
    assert result.facts["n1"]["battery_since"] == swapped
    assert not [f for f in result.findings if f.kind == "battery_end"]


# --- another unit -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [1e3, 1e-3])
@pytest.mark.parametrize("since", [30, 130, 229, 300, 340])
def test_a_change_of_the_unit_costs_no_voltage_and_no_forecast(factor, since):
    node = worn()
    other = in_unit(node, since, factor)
    m, plain = measured(other), measured(node)
    assert len(m.track) == len(plain.track)
    assert m.track.volts == pytest.approx(plain.track.volts, abs=0.02)
    assert m.noise == pytest.approx(plain.noise, rel=0.3)
    assert m.swaps == ()
    assert close_to(judged(other).facts["n1"], judged(node).facts["n1"])


@pytest.mark.parametrize("factor", [1e3, 1e-3])
def test_a_change_of_the_unit_is_said(factor):
    node = in_unit(worn(), 300, factor)
    result = judged(node)
    (finding,) = [f for f in result.findings if f.kind == "battery_end"]
    assert "came in another unit and were taken to volts." in finding.evidence
    assert "another unit" in result.verdicts["n1"].reason
    assert "another unit" not in judged(worn()).verdicts["n1"].reason


def test_a_short_record_changes_its_unit_too():
    node = make_node(thionyl, days=100.0, life=120.0, begin=0.1, swap_at=37.2, coefficient=0.004)
    m, plain = measured(in_unit(node, 60, 1e3)), measured(node)
    assert len(m.track) == len(plain.track) == 400
    assert m.track.volts == pytest.approx(plain.track.volts, abs=0.01)
    assert [s.time for s in m.swaps] == [s.time for s in plain.swaps]


def test_a_swap_among_voltages_of_another_unit_is_found_and_dated():
    node = make_node(thionyl, days=400.0, life=300.0, begin=0.3, swap_at=200.0)
    (swap,) = measured(in_unit(node, 120, 1e3, 290)).swaps
    (plain,) = measured(node).swaps
    assert swap.time == plain.time
    assert swap.rise == pytest.approx(plain.rise, abs=0.02)


@pytest.mark.parametrize("volts", [0.002, 0.008, 40.0])
def test_a_dead_converter_is_no_change_of_unit(volts):
    rng = np.random.default_rng(4)
    node = make_node(thionyl, days=300.0, life=2000.0)
    dead = node.time > START + 250 * DAY
    node.volts = np.where(dead, volts + 0.0005 * rng.standard_normal(len(dead)), node.volts)
    m = measured(node)
    assert m.last < START + 251 * DAY
    assert m.rescaled == ()
    assert m.lost
