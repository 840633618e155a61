"""What silence, coarse voltages, cold at the end and worn batteries that recover may not hide or invent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

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


def only(node: Node, keep: np.ndarray) -> Node:
    return Node(node.name, node.time[keep], node.volts[keep], node.temperature[keep], node.entry)


def days(node: Node, *names: str) -> list[float]:
    facts = judged(node).facts[node.name]
    return [(facts[name] - START) / DAY for name in names]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("gap", "after"), [(60, 4), (90, 3)])
def test_a_battery_that_ran_down_in_a_long_silence_is_not_taken_for_one_that_stepped(gap, after, seed):
    node = make_node(alkaline_pair, days=400, life=500, begin=0.1, cutoff_v=2.0, seed=seed, season=8.0)
    end = end_day(alkaline_pair, 2.0, 500, 0.1)
    t = (node.time - START) / DAY
    stop = end - 25
    silent = (t > stop - after - gap) & (t < stop - after)
    bound, early, late = days(only(node, (t < stop) & ~silent), "eol_not_before", "eol_p10", "eol_p90")
    assert bound <= end
    assert early <= end <= late


@pytest.mark.parametrize("resolution", [0.05, 0.1])
def test_rounding_steps_that_fall_on_silent_weekends_are_decline_all_the_same(resolution):
    t = np.arange(0, 300 * 24) / 24
    volts = np.round((3.6 - 0.0015 * t) / resolution) * resolution  # meets 3.0 V on day 400
    heard = np.floor(t) % 7 < 5
    entry = replace(make_node(thionyl, days=10, life=400, begin=0.0, cutoff_v=3.0).entry, battery_chemistry=None)
    node = Node("n1", START + t[heard] * DAY, volts[heard], np.full(heard.sum(), np.nan), entry)
    bound, early, late = days(node, "eol_not_before", "eol_p10", "eol_p90")
    assert bound <= 400
    assert early <= 400 <= late


@pytest.mark.parametrize("after", [9, 14, 18])
def test_a_battery_that_dies_in_a_cold_spell_has_ended(after):
    end = end_day(thionyl, 3.0, 400.0, 0.0, coefficient=0.004)
    node = make_node(
        thionyl, days=end + after, life=400.0, begin=0.0, cutoff_v=3.0, coefficient=0.004, battery_chemistry="Li-SOCl2"
    )
    cold = (node.time - START) / DAY > end - 3
    node = replace(
        node,
        temperature=node.temperature - np.where(cold, 15.0, 0.0),
        volts=np.round(node.volts - np.where(cold, 0.004 * 15.0, 0.0), 2),
    )
    (ended,) = days(node, "battery_ended")
    assert ended == pytest.approx(end, abs=4)


def test_a_dying_node_heard_every_other_day_has_ended_too():
    node = make_node(thionyl, days=400, life=400, begin=0.0, cutoff_v=3.0, battery_chemistry="Li-SOCl2")
    end = end_day(thionyl, 3.0, 400, 0.0)
    t = (node.time - START) / DAY
    node = replace(node, volts=np.where(t > end, np.minimum(node.volts, 2.6), node.volts))
    (ended,) = days(only(node, (t < end + 12) & ((t < end - 1) | (np.floor(t) % 2 == 0))), "battery_ended")
    assert ended == pytest.approx(end, abs=1)


def flat_node(volts) -> Node:
    node = make_node(thionyl, days=120, life=4000, begin=0.0, cutoff_v=2.0)
    rng = np.random.default_rng(5)
    t = (node.time - START) / DAY
    return replace(node, volts=volts(t) + rng.normal(0, 0.004, len(t)))


def test_a_small_rise_right_at_the_beginning_of_a_record_is_no_swap_but_a_large_one_is():
    assert measured(flat_node(lambda t: np.where(t < 2.4, 2.90, 2.94))).swaps == ()
    (swap,) = measured(flat_node(lambda t: np.where(t < 2.4, 2.30, 3.20))).swaps
    assert (swap.time - START) / DAY == pytest.approx(2.4, abs=0.2)


def test_a_worn_battery_that_recovers_after_a_rest_was_not_replaced():
    fresh_later = flat_node(lambda t: np.select([t < 40, t < 80], [2.10, 2.40], 3.20))
    (swap,) = measured(fresh_later).swaps
    assert (swap.time - START) / DAY == pytest.approx(80, abs=0.2)


@pytest.mark.parametrize(("after", "said"), [(2, "it has not recovered yet"), (12, "it recovered")])
def test_a_cold_night_is_said_to_have_passed_only_once_it_has(after, said):
    node = make_node(alkaline_pair, days=200, life=900, begin=0.1, cutoff_v=2.55, coefficient=0.006, season=0.0)
    t = (node.time - START) / DAY
    cold = (t > 180) & (t < 183)
    node = replace(
        node,
        temperature=node.temperature - np.where(cold, 25.0, 0.0),
        volts=node.volts - np.where(cold, 0.006 * 25.0, 0.0),
    )
    told = [f.evidence for f in judged(only(node, t < 181 + after)).findings if f.kind == "battery_cold"]
    assert len(told) == 1
    assert told[0].endswith(f"; {said}.")
