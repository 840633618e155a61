"""The first shortfall in the cold: known floors, known passages, and plainly nothing where cold tells nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from lamplighter.checks.battery.cells import cell_of
from lamplighter.checks.battery.coldest import Cold, colder_hours, coldest_floor, loss_per_c, passage
from lamplighter.checks.battery.findings import cold_facts
from lamplighter.checks.battery.fleetwide import gather
from lamplighter.checks.battery.learning import learn_classes
from lamplighter.checks.battery.observe import Temperature
from lamplighter.checks.battery.predict import predict
from lamplighter.checks.battery.season import Season
from lamplighter.settings.battery import BatterySettings
from tests.checks.battery.batteries import DAY, START, alkaline_pair, judged, make_node, measured

SETTINGS = BatterySettings()
COLUMNS = ("eol_cold_p10", "eol_cold_p50", "eol_cold_p90")
AHEAD = np.array([1.0, 10.0, 100.0, 300.0])
WINTER = {"days": 640, "life": 640, "begin": 0.05, "season": 12.0, "coefficient": 0.004} | {
    "battery_chemistry": "alkaline"
}


def steady(mean: float, sd: float) -> Season:
    """A season without a wave, known exactly."""
    return Season(np.array([mean, 0.0, 0.0]), np.zeros((3, 3)), sd)


def floor_at(cold: Cold, fall: float = 0.0, cutoff: float = 2.0, slope: float = 0.001):
    """The floor of a battery with so many volts a degree, with no use behind it."""
    fit = Temperature(slope, 0.0, 1e-4, 1e-4)
    return coldest_floor(START + AHEAD * DAY, cutoff, fit, None, fall, AHEAD, cold, SETTINGS)


def test_a_millivolt_a_degree_falls_short_where_the_volts_less_the_response_meet_the_cutoff():
    # The coldest of 90 days, 18 fronts of five: 1.777 sd of 3 degC under 5 degC, and 2 degC less in its coldest hours.
    deviate = ndtri(0.5 ** (1 / 18))
    assert deviate == pytest.approx(1.777, abs=0.001)
    coldest = 5.0 - deviate * 3.0 - 2.0
    floor = floor_at(Cold(steady(5.0, 3.0), 2.0, 0.0))
    np.testing.assert_allclose(floor.volts - 0.001 * (20.0 - coldest), 2.0, atol=1e-12)
    np.testing.assert_allclose(floor.lost, 0.0)


def test_weather_that_does_not_scatter_leaves_the_cutoff_at_the_season():
    floor = floor_at(Cold(steady(5.0, 0.0), 0.0, 0.0), fall=0.001)
    np.testing.assert_allclose(floor.volts, 2.0 + 0.001 * 15.0)


def test_a_battery_that_falls_fast_is_caught_by_an_ordinary_day():
    cold = Cold(steady(5.0, 3.0), 0.0, 0.0)
    slow, some, fast = (floor_at(cold, fall).volts[0] for fall in (0.0, 0.0001, 0.01))
    assert slow > some > fast == pytest.approx(2.0 + 0.001 * 15.0)


def test_the_day_of_the_shortfall_is_in_doubt_where_a_battery_falls_slowly():
    cold = Cold(steady(5.0, 3.0), 0.0, 0.0)
    slow, some, fast = (floor_at(cold, fall).tipping[0] for fall in (0.0, 0.0005, 0.01))
    assert slow > some > fast
    assert fast < 1.0, "one that falls by ten millivolts a day is not kept waiting by three degrees"


def test_cold_takes_capacity_out_of_reach_of_lithium_cells_by_a_third():
    season = replace_wave(steady(-5.0, 0.0), 10.0)
    colder = season.at(START + AHEAD[:1] * DAY) - season.at(START + AHEAD * DAY)
    assert colder.max() > 1.0 > -1.0 > colder.min()
    lost = floor_at(Cold(season, 0.0, 0.003)).lost
    np.testing.assert_allclose(lost, 0.003 * np.maximum(colder, 0.0), atol=1e-12)
    alkaline, lithium = (loss_per_c(cell_of(c, ""), SETTINGS) for c in ("alkaline", "Li-SOCl2"))
    assert lithium == pytest.approx(alkaline / 3.0)


def replace_wave(season: Season, swing: float) -> Season:
    """The same with a yearly wave whose coldest day is 1 January [degC]."""
    return replace(season, beta=season.beta + np.array([0.0, -swing, 0.0]))


@pytest.mark.parametrize("gain", [0.02, 0.1, 0.5])
def test_the_first_shortfall_comes_when_independent_days_first_lie_below_a_rising_floor(gain):
    rng = np.random.default_rng(7)
    draws = np.arange(-5.0, 4.0, gain) + gain * rng.uniform(size=(4_000, 1))
    short = rng.normal(size=draws.shape) < draws
    first = draws[np.arange(len(draws)), np.argmax(short, axis=1)]
    deviate, spread = passage(np.array([gain]), 1e9, SETTINGS)
    assert deviate[0] == pytest.approx(-np.median(first), abs=0.6 * gain + 0.05)
    early, late = np.quantile(first, (0.1, 0.9))
    assert spread[0] == pytest.approx((late - early) / 2.563, rel=0.12)


def test_the_coldest_hours_are_read_from_the_node():
    node = make_node(alkaline_pair, days=200, life=330)
    track = measured(node).track
    hours = colder_hours(track, SETTINGS)
    assert 3.0 < hours < 6.0, "a daily wave of five degrees to either side"
    assert colder_hours(track, replace(SETTINGS, cold_hours_share=0.0)) == 0.0


def shortfall_day(cutoff: float) -> float:
    """The first day of the node of WINTER whose mean temperature takes it below the cut-off."""
    node = make_node(alkaline_pair, **(WINTER | {"noise": 0.0}))
    days = ((node.time - START) // DAY).astype(int)
    low = np.bincount(days, node.volts) / np.bincount(days)
    return float(np.argmax(low < cutoff))


def test_a_node_falls_short_in_the_cold_before_its_lasting_end():
    cutoff = 2.28
    touch = shortfall_day(cutoff)
    node = make_node(alkaline_pair, **WINTER, cutoff_v=cutoff)
    as_of = START + (touch - 30.0) * DAY
    result = judged(node, as_of)
    facts = result.facts["n1"]
    early, middle, late = (facts[c] for c in COLUMNS)
    assert as_of - DAY <= early <= middle <= late, "counted from the middle of the last day"
    assert middle <= facts["eol_p50"] - SETTINGS.cold_earlier_days * DAY
    assert early <= START + (touch + 1.0) * DAY
    assert "On its coldest days it may fall short from" in result.verdicts["n1"].reason


@pytest.mark.parametrize(
    "more",
    [
        {"thermometer": False},
        {"battery_chemistry": "Li-ion"},
        {"constant": True},
    ],
)
def test_nothing_is_said_without_a_thermometer_under_a_charger_or_at_a_constant_temperature(more):
    more = dict(more)
    constant = more.pop("constant", False)
    node = make_node(alkaline_pair, **(WINTER | more), cutoff_v=2.28)
    if constant:
        node.volts = node.volts + 0.004 * (20.0 - node.temperature)
        node.temperature = np.full(len(node.time), 20.0)
    facts = judged(node, START + 330.0 * DAY).facts["n1"]
    assert not set(COLUMNS) & set(facts)


def test_a_shortfall_hardly_earlier_than_the_end_is_not_told_of():
    node = make_node(alkaline_pair, days=200, life=330, begin=0.05, battery_chemistry="alkaline", cutoff_v=2.0)
    battery = gather({"n1": measured(node)}, {"n1": node.entry}, SETTINGS)["n1"]
    p = predict(battery, learn_classes({"n1": battery}, SETTINGS)[battery.group], SETTINGS)
    near, far = (
        cold_facts(replace(p, forecast=replace(p.forecast, p50=100.0, cold=(80.0, middle, 120.0))), SETTINGS)
        for middle in (94.0, 92.0)
    )
    assert near == {}
    assert far["eol_cold_p50"] == pytest.approx(p.now + 92.0 * DAY)
