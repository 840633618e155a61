"""A thermometer that fell silent while the voltages go on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lamplighter.checks.battery.season import without_gaps
from lamplighter.settings.battery import BatterySettings
from tests.checks.battery.batteries import DAY, START, Node, alkaline_pair, judged, make_node, measured

COLDEST = 82
"""Day of the records at which their yearly wave is lowest."""


def seasoned(days: float, **more) -> Node:
    """Return a node in a climate of cold winters, whose voltage answers to it."""
    return make_node(alkaline_pair, days=days, life=3_000, begin=0.1, season=15.0, coefficient=0.004, **more)


def unfelt(node: Node, since: float, until: float = np.inf) -> Node:
    """Return the node without temperatures between two days of the record."""
    t = (node.time - START) / DAY
    return replace(node, temperature=np.where((t >= since) & (t < until), np.nan, node.temperature))


def test_the_coldest_day_of_these_tests_is_cold():
    felt = measured(seasoned(400)).track.temperature
    assert np.median(felt[COLDEST - 10 : COLDEST + 10]) < 1.0
    assert np.median(felt[COLDEST + 173 : COLDEST + 193]) > 23.0


@pytest.mark.parametrize(("days", "since"), [(365 + 82 + 150, 365 + 82), (365 + 265 + 150, 365 + 265)])
def test_the_last_temperature_is_not_held_for_months(days, since):
    node = seasoned(days)
    true, other = measured(node).track, measured(unfelt(node, since)).track
    after = (true.time - START) / DAY > since + 60
    assert np.abs(other.temperature - true.temperature)[after].mean() < 5.0
    assert np.abs(other.volts - true.volts)[after].mean() < 0.02
    assert np.abs(other.volts - true.volts)[~after].mean() < 0.02


def test_the_first_temperature_is_not_held_back_for_months():
    node = seasoned(800)
    true, other = measured(node).track, measured(unfelt(node, 0, 240)).track
    held = 0.004 * np.abs(true.temperature[:200] - true.temperature[240]).mean()
    assert held > 0.03
    assert np.abs(other.volts - true.volts)[:200].mean() < 0.5 * held


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("since", [365 + 82, 365 + 265])
def test_an_end_is_dated_as_if_the_thermometer_had_gone_on(since, seed):
    days = since + 150.0
    node = make_node(
        alkaline_pair, days=days, life=800, begin=max(1.0 - (days + 45) / 800, 0.0), season=15.0, coefficient=0.004,
        cutoff_v=2.2, battery_chemistry="alkaline", seed=seed,
    )  # fmt: skip
    ends = [judged(n).facts["n1"]["battery_ended"] for n in (node, unfelt(node, since))]
    assert ends[1] == pytest.approx(ends[0], abs=14 * DAY)


def test_some_silent_weeks_are_bridged_as_before():
    time = START + DAY * np.arange(300.0)
    felt = 10.0 + 10.0 * np.cos(np.arange(300) / 58.0)
    for lost, held in ((27, True), (40, False)):
        short = np.where(np.arange(300) < 300 - lost, felt, np.nan)
        mean, cold = without_gaps(time, short, short - 3.0, BatterySettings())
        last = felt[300 - lost - 1]
        assert (mean[-1] == last) == held
        assert np.allclose(mean - cold, 3.0)
    assert np.isnan(without_gaps(time, felt * np.nan, felt * np.nan, BatterySettings())[0]).all()
