"""Where one battery ends and the next begins: swaps are found, and nothing else is taken for one."""

from __future__ import annotations

import numpy as np
import pytest

from lamplighter.checks.battery.observe import Temperature, fit_temperature, response
from lamplighter.fleet import WorkEntry
from tests.checks.battery.batteries import DAY, START, alkaline_pair, make_node, measured, thionyl, weather

INSTANTS = [30.0, 117.4, 254.9]


@pytest.mark.parametrize("curve", [thionyl, alkaline_pair])
@pytest.mark.parametrize("thermometer", [True, False])
@pytest.mark.parametrize("swapped", INSTANTS)
def test_a_swap_of_a_spent_battery_is_found_within_a_day(curve, thermometer, swapped):
    node = make_node(curve, life=300.0, begin=0.96 - swapped / 300.0, swap_at=swapped, thermometer=thermometer)
    found = measured(node).swaps
    assert len(found) == 1
    assert abs(found[0].time - START - swapped * DAY) < DAY
    assert found[0].rise > 0.1


def test_a_fresh_battery_that_climbs_out_of_passivation_is_found():
    node = make_node(thionyl, begin=0.3, life=300.0, swap_at=190.0)
    since = (node.time - START) / DAY - 190.0
    node.volts = np.where(since >= 0, node.volts - 0.2 * np.exp(-since / 1.5), node.volts)
    found = measured(node).swaps
    assert len(found) == 1
    assert abs(found[0].time - START - 190.0 * DAY) < 2 * DAY


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("thermometer", [True, False])
def test_a_year_of_weather_makes_no_swap(seed, thermometer):
    node = make_node(
        alkaline_pair, days=365, life=900, season=12.0, coefficient=0.004, seed=seed, thermometer=thermometer
    )
    assert measured(node).swaps == ()


def test_voltage_that_rises_with_the_temperature_of_spring_is_no_swap():
    node = make_node(thionyl, days=200, life=3000, coefficient=0.006, thermometer=False)
    node.volts = node.volts + 0.006 * 20 / (1 + np.exp(-((node.time - START) / DAY - 100) / 5))
    assert measured(node).swaps == ()


def test_a_passivation_dip_after_a_long_sleep_is_no_swap():
    node = make_node(thionyl, life=2000.0)
    since = (node.time - START) / DAY - 150.0
    node.volts = np.where(since >= 0, node.volts - 0.35 * np.exp(-since / 2.0), node.volts)
    asleep = (since > -20) & (since < 0)
    for name in ("time", "volts", "temperature"):
        setattr(node, name, getattr(node, name)[~asleep])
    assert measured(node).swaps == ()


@pytest.mark.parametrize("thermometer", [True, False])
def test_a_week_at_minus_thirty_is_no_swap(thermometer):
    node = make_node(thionyl, life=2000.0, thermometer=thermometer)
    day = (node.time - START) / DAY
    cold = -40.0 * np.clip(np.minimum(day - 150, 157 - day) / 0.8, 0, 1)
    node.temperature = np.round(node.temperature + cold, 1)
    node.volts = np.round(node.volts + 0.004 * cold, 2)
    assert measured(node).swaps == ()


def test_a_disturbance_that_ends_as_it_began_is_no_swap():
    node = make_node(thionyl, life=2000.0)
    day = (node.time - START) / DAY
    node.volts = np.where((day > 100) & (day < 106), node.volts - 0.3, node.volts)
    assert measured(node).swaps == ()


def test_recovery_at_rest_after_an_outage_is_no_swap():
    node = make_node(alkaline_pair, life=400.0)
    since = (node.time - START) / DAY - 120.0
    node.volts = np.where(since >= 0, node.volts + 0.12 * np.exp(-since / 0.6), node.volts)
    kept = (since < -4) | (since >= 0)
    for name in ("time", "volts", "temperature"):
        setattr(node, name, getattr(node, name)[kept])
    assert measured(node).swaps == ()


def test_a_logged_replacement_takes_the_instant_of_the_rise_and_one_that_does_not_show_stands_by_the_log():
    node = make_node(thionyl, life=300.0, begin=0.4, swap_at=170.0)
    node.worklog = (
        WorkEntry(node="n1", time=START + 20 * DAY, action="battery replaced"),
        WorkEntry(node="n1", time=START + 172.5 * DAY, action="battery replaced"),
    )
    first, second = measured(node).swaps
    assert (first.time, first.origin) == (START + 20 * DAY, "logged")
    assert abs(second.time - START - 170 * DAY) < DAY
    assert second.origin == "logged"


def test_the_register_tells_when_the_present_battery_went_in():
    node = make_node(thionyl, battery_installed=START - 90 * DAY)
    (swap,) = measured(node).swaps
    assert (swap.time, swap.origin) == (START - 90 * DAY, "register")


# --- what is seen of a battery ------------------------------------------------------------------------------------


@pytest.mark.parametrize("coefficient", [0.0, 0.0015, 0.006])
def test_the_response_to_temperature_is_found_in_spite_of_decline_and_a_swap(coefficient):
    node = make_node(alkaline_pair, life=250.0, begin=0.3, swap_at=150.0, coefficient=coefficient)
    fit = measured(node).temperature
    assert fit.slope == pytest.approx(coefficient, abs=max(4 * fit.error, 2e-4))


def test_a_bend_below_freezing_is_found():
    time = START + np.arange(0, 200 * DAY, 3600.0)
    celsius = weather(time, mean=0.0)
    truth = Temperature(0.002, 0.004)
    fit = fit_temperature(time, 3.6 + response(celsius, truth, 20.0), celsius)
    assert (fit.slope, fit.extra) == (pytest.approx(0.002, abs=1e-4), pytest.approx(0.004, abs=2e-4))


def test_glitches_and_impossible_temperatures_change_nothing_much():
    clean, dirty = make_node(thionyl), make_node(thionyl)
    rng = np.random.default_rng(5)
    where = rng.choice(len(dirty.time), 60, replace=False)
    dirty.volts = dirty.volts.copy()
    dirty.volts[where[:30]] = 0.0
    dirty.volts[where[30:]] = 30.0
    dirty.temperature = dirty.temperature.copy()
    dirty.temperature[rng.choice(len(dirty.time), 300, replace=False)] = 122.153
    a, b = measured(clean).track, measured(dirty).track
    assert np.abs(a.volts - b.volts).max() < 0.004


def test_pulses_count_by_their_low_percentile_and_white_noise_does_not():
    calm, pulsed = make_node(thionyl, noise=0.006), make_node(thionyl, noise=0.006)
    pulsed.volts = np.where(np.arange(len(pulsed.time)) % 5 == 0, pulsed.volts - 0.15, pulsed.volts)
    assert np.median(measured(calm).track.drop) < 0.003
    level = measured(pulsed).track
    assert np.median(level.volts - level.drop) == pytest.approx(np.median(measured(calm).track.volts) - 0.15, abs=0.02)


def test_a_coarse_resolution_is_smoothed_by_noise():
    fine, coarse = (make_node(thionyl, resolution=r, noise=0.01, days=60) for r in (0.0001, 0.02))
    assert np.abs(measured(fine).track.volts - measured(coarse).track.volts).max() < 0.012


def test_short_records_are_read_in_quarter_days():
    assert len(measured(make_node(days=20)).track) > 60
    assert len(measured(make_node(days=200)).track) <= 201
