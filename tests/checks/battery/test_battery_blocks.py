"""A record cut into half-years: what is kept of each, joined, tells what all the check-ins tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from lamplighter.checkins import BAD, NodeArrays, columns_of
from lamplighter.checks import battery
from lamplighter.checks.base import measure, summarise
from lamplighter.checks.battery.course import put_together
from lamplighter.checks.battery.credible import NOTHING, READING, THERMOMETER
from lamplighter.checks.battery.observe import Temperature, fit_temperature, response
from lamplighter.checks.battery.summary import Summary
from lamplighter.fleet import WorkEntry
from lamplighter.record import between, block_at, block_start, blocks_of, joined
from lamplighter.settings import Settings
from tests.checks.battery.batteries import DAY, START, Node, alkaline_pair, make_node, measured, moved, thionyl

SETTINGS = Settings()
EDGE = block_start(block_at(START) + 2)
"""The first instant of a half-year, months after the records of these tests begin: 2024-07-01."""
NEXT_EDGE = block_start(block_at(EDGE) + 1)
EDGE_DAY = (EDGE - START) / DAY


def parts_of(node: Node) -> list[Summary]:
    """Return the summaries of a node's blocks."""
    return [battery.summarise(b, SETTINGS) for _, b in blocks_of(node.history()) if len(b) > b.lead]


def reads_of(node: Node) -> tuple[battery.BatteryMeasures, list[tuple[float, float]]]:
    """Measure a node; return its measures, and from when to when check-ins before its open block were read again."""
    history = node.history()
    blocks = [block for _, block in blocks_of(history)]
    parts = [summarise([battery], b, SETTINGS) for b in blocks]
    reads = []

    def fetch(since: float, until: float) -> NodeArrays:
        reads.append((since, until))
        return NodeArrays(**columns_of(between(history, since, until)))

    kept = {name: joined([p[name] for p in parts]) for name in parts[0]}
    return measure([battery], kept, blocks[-1], fetch, SETTINGS)[1]["battery"], reads


# --- what is kept -------------------------------------------------------------------------------------------------


def test_blocks_joined_count_every_check_in_and_every_day_once():
    node = make_node(thionyl, days=700.0, life=1300.0)
    parts = parts_of(node)
    kept, m = joined(parts), measured(node)
    assert len(parts) >= 5
    assert kept.count.sum() == len(node.time) == m.voltages
    assert len(kept.time) == len(kept.spacing) == len(kept.bad) == m.days == 700
    assert (np.diff(kept.time) > 0).all()
    assert (np.diff(kept.quarter) > 0).all()
    assert (m.first, m.last) == (node.time[0], node.time[-1])


def test_what_is_kept_of_a_block_is_small_and_of_one_dimension():
    node = make_node(thionyl, days=500.0, interval=900.0)
    for part in parts_of(node):
        columns = [getattr(part, name) for name in Summary.__slots__]
        assert all(isinstance(c, np.ndarray) and c.ndim == 1 for c in columns)
        assert sum(c.nbytes for c in columns) < 30_000 * max(1.0, len(part.time) / 90)


def test_a_block_neither_sees_nor_counts_its_lead_in():
    history = make_node(thionyl, days=300.0).history()
    _, block = list(blocks_of(history))[1]
    assert block.lead > 0
    odd = block.battery_v.copy()
    odd[: block.lead] -= 1.0
    with_odd, plain = (battery.summarise(replace(block, battery_v=v), SETTINGS) for v in (odd, block.battery_v))
    for name in Summary.__slots__:
        assert np.array_equal(getattr(with_odd, name), getattr(plain, name), equal_nan=True), name


def test_the_first_spacing_of_a_block_reaches_back_to_the_check_in_before_it():
    node = make_node(thionyl, days=300.0, interval=2.5 * DAY)
    kept = joined(parts_of(node))
    assert np.isnan(kept.spacing[0])
    assert (kept.spacing[1:] == 2.5 * DAY).all()
    assert measured(node).rate == pytest.approx(0.4)


def test_the_share_of_invalid_readings_is_that_of_each_day():
    node = make_node(thionyl, days=300.0)
    history = node.history()
    quality = np.where((history.time >= EDGE) & (history.time < EDGE + DAY / 2), BAD, history.quality)
    parts = [battery.summarise(b, SETTINGS) for _, b in blocks_of(replace(history, quality=quality))]
    bad = joined(parts).bad
    assert bad[int(EDGE_DAY)] == 12
    assert bad.sum() == 12


def test_blocks_without_a_voltage_are_joined_with_others():
    node = make_node(thionyl, days=700.0, life=2000.0)
    node.volts = np.where((node.time > EDGE) & (node.time < NEXT_EDGE), np.nan, node.volts)
    m = measured(node)
    assert m.voltages == np.isfinite(node.volts).sum()
    assert not ((m.track.time > EDGE) & (m.track.time < NEXT_EDGE)).any()
    silent = replace(node, volts=np.full(len(node.time), np.nan))
    assert measured(silent).track is None


@pytest.mark.parametrize("days", [0, 40, 75])
def test_a_short_record_says_the_same_wherever_the_edges_of_half_years_lie(days):
    node = make_node(thionyl, days=100.0, life=120.0, begin=0.65, swap_at=37.2, coefficient=0.004)
    here, there = measured(node), measured(moved(node, days * DAY))
    assert len(here.track) == 400
    assert there.track.volts == pytest.approx(here.track.volts, abs=1e-9)
    assert there.track.drop == pytest.approx(here.track.drop, abs=1e-9)
    assert [s.time - days * DAY for s in there.swaps] == [s.time for s in here.swaps]
    assert len(here.swaps) == 1


def test_days_that_count_may_all_be_without_a_temperature():
    node = make_node(thionyl, days=500.0, life=2000.0)
    odd = (node.time < EDGE) & (node.time > EDGE - 30 * DAY)
    node.volts = np.where(odd, 97.0, node.volts)  # a charge in percent
    node.temperature = np.where(odd, node.temperature, np.nan)
    keep = node.time > EDGE - 30 * DAY
    m = measured(replace(node, **{name: getattr(node, name)[keep] for name in ("time", "volts", "temperature")}))
    assert np.isnan(m.track.temperature).all()
    assert np.isfinite(m.track.drop).all()
    assert m.days == m.track.count.size > 200


# --- swaps --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hours", [-30.0, -1.0, 0.0, 1.0, 30.0])
@pytest.mark.parametrize("curve", [thionyl, alkaline_pair])
def test_a_swap_at_the_edge_of_a_half_year_is_found_and_dated_to_the_check_in(hours, curve):
    at = EDGE_DAY + hours / 24
    node = make_node(curve, days=500.0, life=400.0, begin=0.93 - at / 400.0, swap_at=at)
    (swap,) = measured(node).swaps
    assert abs(swap.time - START - at * DAY) <= 2 * 3_600
    assert swap.rise > 0.1


def test_a_logged_swap_at_the_edge_of_a_half_year_takes_the_instant_of_its_rise():
    node = make_node(thionyl, days=500.0, life=400.0, begin=0.93 - EDGE_DAY / 400.0, swap_at=EDGE_DAY)
    node.worklog = (WorkEntry(node="n1", time=EDGE + 3 * DAY, action="battery replaced"),)
    (swap,) = measured(node).swaps
    assert swap.origin == "logged"
    assert abs(swap.time - EDGE) <= 2 * 3_600


@pytest.mark.parametrize("seed", range(4))
def test_years_of_weather_make_no_swap_and_cost_no_reading(seed):
    node = make_node(alkaline_pair, days=900, life=2500, season=12.0, coefficient=0.004, seed=seed, interval=7_200.0)
    m, reads = reads_of(node)
    assert m.swaps == ()
    assert reads == []


def test_only_the_surroundings_of_a_swap_are_read_again():
    node = make_node(thionyl, days=700.0, life=500.0, begin=0.8, swap_at=95.0)
    m, reads = reads_of(node)
    assert len(m.swaps) == len(reads) == 1
    since, until = reads[0]
    assert since < m.swaps[0].time < until < since + 60 * DAY


# --- temperature --------------------------------------------------------------------------------------------------


def test_the_response_is_fitted_over_the_whole_record_and_not_by_half_year():
    node = make_node(thionyl, days=600.0, life=2000.0, season=12.0, coefficient=0.003)
    m = measured(node)
    whole = fit_temperature(node.time, node.volts, node.temperature)
    assert m.temperature.slope == pytest.approx(whole.slope, abs=1e-9)
    assert m.temperature.error == pytest.approx(whole.error, rel=1e-6)
    adjusted = node.volts - response(node.temperature, whole, 20.0)
    days = np.floor(node.time / DAY).astype(int)
    means = np.bincount(days - days[0], weights=adjusted) / np.bincount(days - days[0])
    assert np.abs(m.track.volts - means).max() < 0.004


def test_days_before_the_first_edge_too_few_for_a_fit_have_no_cold_nights_for_pulses():
    begin = EDGE - 5 * DAY
    node = make_node(thionyl, days=500.0, life=4000.0, coefficient=0.008, noise=0.004, resolution=0.001)
    keep = node.time >= begin
    node = replace(node, time=node.time[keep], volts=node.volts[keep], temperature=node.temperature[keep])
    assert np.isnan(parts_of(node)[0].slope[0])
    track = measured(node).track
    first = track.time < EDGE
    assert first.sum() == 5
    assert track.drop[first].max() < 0.015  # the nights alone move the voltage by 0.04 V
    assert np.median(track.drop[~first]) < 0.003


def test_pulses_of_days_too_few_for_a_fit_are_still_seen():
    node = make_node(thionyl, days=500.0, life=4000.0)
    keep = node.time >= EDGE - 5 * DAY
    node = replace(node, time=node.time[keep], volts=node.volts[keep], temperature=node.temperature[keep])
    node.volts = np.where(np.arange(len(node.time)) % 5 == 0, node.volts - 0.15, node.volts)
    track = measured(node).track
    assert np.median(track.drop[track.time < EDGE]) == pytest.approx(np.median(track.drop), abs=0.03)
    assert np.median(track.drop) > 0.08


def test_a_thermometer_that_fails_for_a_half_year_is_bridged():
    node = make_node(thionyl, days=700.0, life=2000.0, coefficient=0.003)
    dead = (node.time >= EDGE - 10 * DAY) & (node.time < NEXT_EDGE + 4 * DAY)
    node.temperature = np.where(dead, np.nan, node.temperature)
    m = measured(node)
    assert np.isfinite(m.track.temperature).all()
    gap = (m.track.time >= EDGE - 9 * DAY) & (m.track.time < NEXT_EDGE + 3 * DAY)
    ends = m.track.temperature[np.flatnonzero(gap)[[0, -1]] + np.array([-2, 2])]
    inside = m.track.temperature[gap]
    assert np.abs(np.diff(inside, n=2)).max() < 1e-6
    assert ends.min() - 3.0 < inside.min() <= inside.max() < ends.max() + 3.0
    assert m.temperature.slope == pytest.approx(0.003, abs=3e-4)


def test_readings_are_the_temperature_of_all_half_years_or_of_none():
    node = make_node(thionyl, days=600.0, life=2000.0, coefficient=0.004, thermometer=False)
    felt = make_node(thionyl, days=600.0, life=2000.0, coefficient=0.004).temperature
    node.extra["reading"] = felt
    assert (joined(parts_of(node)).source == READING).all()
    m = measured(node)
    assert np.isfinite(m.track.temperature).all()
    assert m.temperature.slope == pytest.approx(0.004, abs=3e-4)
    rng = np.random.default_rng(3)
    node.extra["reading"] = 40.0 + np.cumsum(rng.normal(0, 0.05, len(node.time)))
    other = measured(node)
    assert np.isnan(other.track.temperature).all()
    assert other.temperature == Temperature()


def test_a_half_year_whose_voltage_hides_its_response_follows_the_others():
    node = make_node(thionyl, days=600.0, life=2000.0, coefficient=0.004, thermometer=False)
    node.extra["reading"] = make_node(thionyl, days=600.0, life=2000.0, coefficient=0.004).temperature
    rng = np.random.default_rng(5)
    loud = (node.time >= EDGE) & (node.time < NEXT_EDGE)
    walk = np.repeat(rng.normal(0, 0.022, len(node.time) // 6 + 1), 6)[: len(node.time)]
    node.volts = np.where(loud, node.volts + walk, node.volts)
    kept = joined(parts_of(node))
    assert np.isnan(kept.slope).sum() == 1
    m = measured(node)
    assert np.isfinite(m.track.temperature).all()
    assert m.temperature.slope == pytest.approx(0.004, abs=6e-4)


def test_a_source_is_judged_by_the_rows_of_all_blocks():
    node = make_node(thionyl, days=600.0, life=2000.0, coefficient=0.004)
    lost = node.time >= EDGE
    node.temperature = np.where(lost, np.nan, node.temperature)
    kept = joined(parts_of(node))
    assert kept.source[0] == THERMOMETER
    assert put_together(kept, SETTINGS.battery).source == NOTHING  # most rows have none


# --- credible voltages --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("since", [EDGE_DAY + 40.0, EDGE_DAY + 140.0, EDGE_DAY])
@pytest.mark.parametrize("factor", [27.0, 0.0])
def test_a_charge_in_percent_or_a_dead_converter_costs_no_day_but_its_own(since, factor):
    node = make_node(thionyl, days=700.0, life=2000.0)
    odd = (node.time >= START + since * DAY) & (node.time < START + (since + 120.0) * DAY)
    node.volts = np.where(odd, node.volts * factor, node.volts)
    m = measured(node)
    assert m.track.volts.max() < 4.0
    assert m.days == pytest.approx(580, abs=1)
    assert m.voltages == pytest.approx((~odd).sum(), abs=24)
    assert m.track.drop.max() < 0.03
    assert m.swaps == ()
    assert m.noise < 0.012


@pytest.mark.parametrize("since", [EDGE_DAY + 20.0, EDGE_DAY + 70.0, EDGE_DAY])
def test_millivolts_for_two_months_cost_no_day(since):
    node = make_node(thionyl, days=500.0, life=2000.0)
    odd = (node.time >= START + since * DAY) & (node.time < START + (since + 60.0) * DAY)
    m = measured(replace(node, volts=np.where(odd, node.volts * 1_000.0, node.volts)))
    assert m.track.volts.max() < 4.0
    assert m.days == 500
    assert m.voltages == len(node.time)
    assert m.track.drop.max() < 0.03
    assert m.swaps == ()
    assert m.noise < 0.012
    assert m.rescaled == pytest.approx((START + (since + 0.5) * DAY, START + (since + 59.5) * DAY), abs=DAY)


def test_glitches_on_all_days_leave_every_day():
    node = make_node(thionyl, days=500.0, life=2000.0)
    rng = np.random.default_rng(8)
    hit = rng.random(len(node.time)) < 0.05
    dirty = replace(node, volts=np.where(hit, np.where(rng.random(len(node.time)) < 0.5, 0.0, 30.0), node.volts))
    m = measured(dirty)
    assert m.voltages == (~hit).sum()
    assert np.abs(m.track.volts - measured(node).track.volts).max() < 0.006


# --- noise --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("noise", [0.004, 0.012])
@pytest.mark.parametrize("pulses", [False, True])
def test_the_noise_of_the_record_is_that_of_its_half_years(noise, pulses):
    node = make_node(thionyl, days=600.0, life=2000.0, noise=noise, resolution=0.001)
    if pulses:
        node.volts = np.where(np.arange(len(node.time)) % 9 == 0, node.volts - 0.15, node.volts)
    # Two differences in nine are those of a pulse: the median of all is the 0.643 quantile of the others.
    more = norm.ppf(0.5 + 4.5 / 14) / norm.ppf(0.75) if pulses else 1.0
    assert measured(node).noise == pytest.approx(noise * more, rel=0.1)


# --- the first frost ----------------------------------------------------------------------------------------------


def test_the_first_frost_of_a_winter_is_no_drop_under_pulses():
    """Half a year with hardly any frost tells nothing of it; the winter before does."""
    node = make_node(thionyl, days=700.0, life=2000.0)
    day = (node.time - START) / DAY
    frosty = ((day > 200) & (day < 260)) | (day > 698)
    celsius = np.where(frosty, 0.0, 15.0) - 5.0 * np.cos(2 * np.pi * day)
    rng = np.random.default_rng(5)
    felt = 0.002 * (celsius - 20.0) + 0.02 * np.minimum(celsius, 0.0)
    volts = thionyl(day / 2000.0) + felt + rng.normal(0, 0.003, len(day))
    m = measured(replace(node, temperature=celsius, volts=volts))
    late = m.track.time > START + 698 * DAY
    assert late.sum() == 2
    assert m.track.drop[late].max() < 0.01  # its hours of frost taken for pulses: ten times as much
