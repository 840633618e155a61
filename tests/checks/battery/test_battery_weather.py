"""Weather and silence: what they do to a voltage must not be read as charge that is gone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import truncnorm

from lamplighter.checks.battery.estimators import above_zero, steepening
from lamplighter.checks.battery.fleetwide import first_held
from lamplighter.checks.battery.observe import Temperature, Track, pulse_drop, usual_range
from lamplighter.checks.battery.outlook import lasting_floor
from lamplighter.checks.battery.present import aligned, present_response
from lamplighter.checks.battery.season import fit_season, ordinary_bins
from lamplighter.settings.battery import BatterySettings
from tests.checks.battery.batteries import DAY, START, Node, alkaline_pair, end_day, judged, make_node, thionyl, weather

SETTINGS = BatterySettings()


def track_of(temperature: np.ndarray, volts: np.ndarray | None = None, start: float = START) -> Track:
    """Return a track of one bin a day."""
    n = len(temperature)
    nothing = np.zeros(n)
    return Track(
        time=start + (np.arange(n) + 0.5) * DAY, volts=nothing + 3.0 if volts is None else volts,
        temperature=temperature, coldest=temperature, count=nothing + 24.0, drop=nothing, swing=nothing,
    )  # fmt: skip


def year_of(time: np.ndarray, mean: float = 9.0, swing: float = 12.0) -> np.ndarray:
    return mean - swing * np.cos(2 * np.pi * (time / DAY - 20.0) / 365.25)


# --- the season -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("days", [120, 200, 400])
@pytest.mark.parametrize("seed", [7_101, 7_102, 7_103])
def test_less_than_a_year_of_temperature_foretells_the_coming_weeks_within_its_error(days, seed):
    time = START + (np.arange(days + 60) + 0.5) * DAY
    felt = year_of(time) + weather(time, seed, mean=0.0, swing=0.0)
    season = fit_season(track_of(felt[:days]), SETTINGS)
    then = time[days:]
    assert np.abs(season.at(then) - year_of(then)).max() < 3.0 * season.error(then).max()
    assert season.sd == pytest.approx(3.0, abs=1.2)  # sd 2 of new weather a day, of which 0.75 is carried on


def test_what_a_short_record_does_not_tell_of_the_year_is_doubt():
    time = START + (np.arange(400) + 0.5) * DAY
    felt = year_of(time) + weather(time, 7_104, mean=0.0, swing=0.0)
    then = np.array([time[-1] + 60 * DAY])
    short, long = (fit_season(track_of(felt[-n:], start=time[-n] - DAY / 2), SETTINGS) for n in (30, 400))
    assert short.error(then) > 3.0 > long.error(then)


def test_a_week_at_minus_thirty_bends_neither_the_season_nor_the_fit_to_temperature():
    time = START + (np.arange(110) + 0.5) * DAY
    felt = year_of(time) + weather(time, 7_105, mean=0.0, swing=0.0)
    cold = np.where(np.arange(110) >= 103, -30.0, felt)
    one, other = fit_season(track_of(felt[:103]), SETTINGS), fit_season(track_of(cold), SETTINGS)
    assert other.at(time[-1:]) == pytest.approx(one.at(time[-1:]), abs=1.5)
    quarters = np.repeat(cold, 4)
    assert not usual_range(quarters)[103 * 4 - 10 :].any()
    assert usual_range(quarters)[: 103 * 4 - 10].all()
    assert usual_range(np.repeat(felt, 4)).all()


def test_cold_days_are_left_out_where_their_adjustment_is_in_doubt():
    time = START + (np.arange(110) + 0.5) * DAY
    felt = year_of(time) + weather(time, 7_105, mean=0.0, swing=0.0)
    felt[100:107] = -30.0
    track = track_of(felt)
    season = fit_season(track, SETTINGS)
    keep = ordinary_bins(track, Temperature(0.003, 0.005, 1e-4, 1e-4), season, SETTINGS)
    assert not keep[99:108].any(), "the cold days and those beside them"
    assert keep[:60].all()
    assert keep[60:98].sum() > 30
    assert keep[108:].all()
    assert ordinary_bins(track, Temperature(1e-5), season, SETTINGS).all(), "no response, no doubt"


def test_cold_days_are_judged_when_there_is_nothing_else():
    track = track_of(np.full(40, -30.0))
    assert ordinary_bins(track, Temperature(0.003), fit_season(track, SETTINGS), SETTINGS).all()


# --- the cold week ----------------------------------------------------------------------------------------------


def chilled(node: Node, since: float, mild: float, deep: float) -> Node:
    """Return a node through a week at -30 degC; its response there is ``deep`` [V/degC], twice what it is above."""
    day = (node.time - START) / DAY
    inside = (day >= since) & (day < since + 7)
    fall = np.where(inside, -30.0 - node.temperature, 0.0)
    beyond = np.where(inside, np.minimum(node.temperature, 0.0) + 30.0, 0.0)
    volts = node.volts + mild * fall - (deep - mild) * beyond
    return replace(node, temperature=np.round(node.temperature + fall, 1), volts=np.round(volts, 2))


@pytest.mark.parametrize(
    ("curve", "cutoff", "chemistry"), [(thionyl, 3.0, "Li-SOCl2"), (alkaline_pair, 2.0, "alkaline")]
)
@pytest.mark.parametrize("lead", [40, 90, 150])
def test_a_week_at_minus_thirty_does_not_move_the_date_up(curve, cutoff, chemistry, lead):
    """P50 with the week is no earlier than without, but for the tenth that eight days less of evidence may take."""
    for seed in range(7_110, 7_114):
        end = end_day(curve, cutoff, 450, 0.15)
        node = make_node(
            curve, days=end - lead, life=450, begin=0.15, seed=seed, season=8.0, battery_chemistry=chemistry,
            cutoff_v=cutoff, coefficient=0.002,
        )  # fmt: skip
        cold = chilled(node, end - lead - 8, 0.002, 0.006)
        (after, without) = (judged(n).facts["n1"]["eol_p50"] for n in (cold, node))
        if after is None or without is None:
            assert after is None or without is not None, "a cold week gives no date where there was none"
            continue
        left = without - node.time[-1]
        assert after - node.time[-1] > 0.88 * left, (seed, (after - node.time[-1]) / left)


def test_a_winter_that_touches_the_cutoff_and_passes_ends_no_battery():
    # Two alkaline cells half used: below their cut-off in January and February, a little above it in summer.
    node = make_node(
        alkaline_pair, days=250, life=3_000.0, begin=0.6, battery_chemistry="alkaline"
    )  # fmt: skip
    day = (node.time - START) / DAY
    node.temperature = np.round(weather(node.time, 7_120, mean=8.0, season=14.0, swing=3.0), 1)
    node.volts = np.round(alkaline_pair(0.6 + day / 3_000.0) + 0.006 * (node.temperature - 20.0), 2)
    winter, spring = (day > 60) & (day < 90), day > 246
    cutoff = float(np.median(node.volts[spring])) - 0.015
    assert np.median(node.volts[winter]) < cutoff - 0.02
    node.entry = replace(node.entry, cutoff_v=cutoff)
    facts = judged(node).facts["n1"]
    assert "battery_ended" not in facts
    assert facts["eol_p90"] > START + 250 * DAY


# --- held states ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("below", "expected"),
    [
        ([0] * 10 + [1] * 20, 10),  # for good
        ([0] * 10 + [1] * 6, 10),  # silent after six days: it has ended
        ([0] * 10 + [1] * 3, None),  # too soon to tell
        ([0] * 10 + [1] * 6 + [0] * 10, None),  # a cold week that passed
        ([0] * 10 + [1] * 6 + [0] * 10 + [1] * 12, 26),  # ... and then for good
        ([0] * 10 + [1] * 8 + [0] + [1] * 8, 10),  # one warm day does not undo it
        ([0] * 30, None),
    ],
)
def test_an_end_is_held_for_days_and_for_as_long_as_the_record_goes_on(below, expected):
    time = START + np.arange(len(below)) * DAY
    found = first_held(time, np.array(below, bool), 4.0, 10.0)
    assert np.isnan(found) if expected is None else found == START + expected * DAY


# --- the present weeks ------------------------------------------------------------------------------------------


def test_the_last_weeks_own_response_to_temperature_is_found_with_its_error():
    time = START + (np.arange(200) + 0.5) * DAY
    felt = year_of(time) + weather(time, 7_130, mean=0.0, swing=0.0)
    rng = np.random.default_rng(7_131)
    extra = np.where(np.arange(200) > 130, 0.003, 0.0) * (felt - felt[-30:].mean())
    track = track_of(felt, 3.0 - np.arange(200) * 5e-4 + extra + rng.normal(0, 0.001, 200))
    found = present_response(track, Temperature(0.004, 0.0, 1e-4), SETTINGS)
    assert found.slope == pytest.approx(0.003, abs=3.0 * found.error)
    assert 0 < found.error < 0.001
    none = present_response(track_of(felt, 3.0 + rng.normal(0, 0.001, 200)), Temperature(0.004), SETTINGS)
    assert abs(none.slope) < 4.0 * none.error
    assert found.shift(np.array([found.low - 20.0])) == found.shift(np.array([found.low])), (
        "not carried on beyond its range"
    )
    assert found.doubt(np.array([found.middle - 20.0])) > found.doubt(np.array([found.middle - 5.0]))


def test_what_cold_hours_explain_of_a_low_is_no_drop_under_pulses():
    track = replace(track_of(np.zeros(4)), coldest=np.full(4, -8.0), drop=np.array([0.0, 0.004, 0.02, 0.1]))
    # 4 mV/degC over eight degrees of night, of which a quarter is in doubt: 8 mV.
    found = pulse_drop(track, Temperature(0.004), SETTINGS)
    assert found == pytest.approx([0.0, 0.0, 0.012, 0.092])
    assert (pulse_drop(track, Temperature(), SETTINGS) == track.drop).all()


def test_a_slow_fall_ends_when_a_warm_day_no_longer_lifts_it_and_a_fast_one_at_once():
    time = START + (np.arange(730) + 0.5) * DAY
    rng = np.random.default_rng(7_140)
    season = fit_season(track_of(10.0 + rng.normal(0, 4.0, 730)), SETTINGS)
    fit, then = Temperature(0.005), time[-1] + np.arange(1.0, 60.0) * DAY
    slow, _ = lasting_floor(then, 2.0, fit, season, None, 0.0, SETTINGS)
    fast, doubt = lasting_floor(then, 2.0, fit, season, None, 0.05, SETTINGS)
    # At 10 degC a battery of 5 mV/degC reads 50 mV less than at 20 degC; a warm day has one sd of 4 degC more.
    assert fast[:40] == pytest.approx(np.full(40, 2.05), abs=0.006)
    assert fast[:40] - slow[:40] == pytest.approx(np.full(40, 0.02), abs=0.003)
    assert doubt[:40] == pytest.approx(np.full(40, 0.02), abs=0.003)


# --- silence ----------------------------------------------------------------------------------------------------


def fallen(step: float, slope: float, gap: float) -> tuple[np.ndarray, np.ndarray]:
    """Twenty days by quarters with a silence of ``gap`` days after the twelfth, across which a step happens."""
    day = np.concatenate([np.arange(0, 12, 0.25), np.arange(12 + gap, 20 + gap, 0.25)])
    return START + day * DAY, 2.7 - slope * day - step * (day >= 12)


def test_a_step_down_across_a_silence_is_no_decline():
    time, volts = fallen(0.05, 0.01, 1.0)
    found = aligned(time, volts, 0.002)
    assert found[-1] == volts[-1], "the present level stays"
    slopes = np.diff(found) / (np.diff(time) / DAY)
    assert slopes == pytest.approx(np.full(len(slopes), -0.01), abs=2e-3)


@pytest.mark.parametrize(
    ("step", "slope", "gap"), [(0.0, 0.02, 3.0), (0.05, 0.01, 0.0), (0.006, 0.01, 1.0), (-0.05, 0.01, 1.0)]
)
def test_decline_alone_no_silence_or_a_rise_are_left_as_they_are(step, slope, gap):
    time, volts = fallen(step, slope, gap)
    assert aligned(time, volts, 0.002) is volts


# --- steepening -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mean", [-3.0, -0.5, 0.0, 0.7, 4.0])
def test_mean_and_variance_of_what_is_above_zero(mean):
    """Held to scipy's truncated normal."""
    law = truncnorm(-mean / 2.0, np.inf, loc=mean, scale=2.0)
    found = above_zero(np.array([mean]), np.array([2.0]))
    assert found[0] == pytest.approx(law.mean(), rel=1e-6)
    assert found[1] == pytest.approx(law.var(), rel=1e-5)


def test_no_steepening_seen_is_not_none_to_come():
    t, ahead = np.linspace(-20.0, 0.0, 60), np.linspace(0.1, 60.0, 200)
    weight = np.full(60, 0.2 / 0.006**2)
    path, sd, _ = steepening(t, 2.5 - 0.01 * t, weight, ahead, np.array([5.0, 10.0]), 20.0, 2.5)
    line = 2.5 - 0.01 * ahead
    assert (path[:, -1] < line[-1] - 0.05).all(), "the path falls below the straight line"
    assert (sd[:, -1] > np.abs(path[:, -1] - line[-1]) / 3.0).all(), "and its doubt covers it"
    assert path[:, 0] == pytest.approx(line[0], abs=0.01)


def test_a_steepening_that_is_there_is_followed():
    t, ahead = np.linspace(-40.0, 0.0, 80), np.linspace(0.1, 12.0, 50)
    true = lambda s: 2.5 - 0.002 * s - 0.02 * np.expm1(s / 6.0)  # noqa: E731
    path, _, chi2 = steepening(t, true(t), np.full(80, 1 / 0.001**2), ahead, np.array([6.0, 60.0]), 40.0, 2.5)
    assert path[0] == pytest.approx(true(ahead), abs=0.01)
    assert chi2[0] < chi2[1]
