"""Stuck readings: what is called, since when, and what is left in peace."""

import numpy as np
import pytest

from lamplighter.checkins import COMPRESSED, DAY_S, FORWARD_FILLED
from lamplighter.checks import stuck
from lamplighter.fleet import RegisterEntry
from tests.checks.histories import HOUR, history, hours, kinds, live, quantised, radio, run, volts, without
from tests.open_data import motes, open_log

TIME = hours(200)
RANGE = RegisterEntry(node="N1", unit="psi", lrl=0.0, url=100.0)


def stuck_from(start_day, days=None, **more):
    """Return a live reading that stands still from a day on."""
    x = live(TIME)
    a = int(start_day * 24)
    b = len(x) if days is None else a + int(days * 24)
    x[a:b] = x[a]
    return history(TIME, x, battery_v=volts(TIME), rssi_dbm=radio(TIME), **more)


def test_a_live_reading_raises_nothing():
    result = run(stuck, history(TIME, live(TIME), rssi_dbm=radio(TIME)))
    assert result.findings == []
    assert result.verdicts["N1"].state == "good"
    assert result.facts["N1"] == {}


def test_a_reading_that_stands_still_now_is_a_failure_since_the_first_equal_check_in():
    result = run(stuck, stuck_from(190))
    (found,) = result.findings
    assert (found.kind, found.severity, found.until) == ("stuck", "F", None)
    assert abs(found.since - TIME[190 * 24]) <= 2 * HOUR
    assert result.facts["N1"]["stuck_since"] == found.since
    assert found.data["channels_alive"] == ["battery voltage", "RSSI"]
    assert result.series["N1"]["runs"][0]["kind"] == "stuck"


def test_one_that_is_over_asks_for_no_visit_once_it_is_long_past_and_leaves_no_date():
    recent, past = run(stuck, stuck_from(170, 15)), run(stuck, stuck_from(60, 15))
    assert [f.severity for f in recent.findings] == ["M"]
    assert [f.severity for f in past.findings] == ["info"]
    assert past.findings[0].until == pytest.approx(TIME[75 * 24 - 1], abs=2 * HOUR)
    assert "stuck_since" not in past.facts["N1"]


@pytest.mark.parametrize("past_days", [5, 8, 25])
def test_a_past_stuck_run_does_not_hide_one_that_lasts(past_days):
    x = stuck_from(40, past_days).reading
    x[194 * 24 :] = x[194 * 24]
    past, present = run(stuck, history(TIME, x, rssi_dbm=radio(TIME))).findings
    assert [(f.kind, f.severity) for f in (past, present)] == [("stuck", "info"), ("stuck", "F")]
    assert present.until is None
    assert present.since == pytest.approx(TIME[194 * 24], abs=2 * HOUR)


def test_a_past_stuck_run_of_the_same_length_does_not_hide_one_that_lasts():
    x = stuck_from(40, 6).reading
    x[194 * 24 :] = x[194 * 24]
    assert [f.severity for f in run(stuck, history(TIME, x)).findings] == ["info", "F"]


def test_each_of_two_past_stuck_runs_is_told():
    x = stuck_from(40, 25).reading
    x[120 * 24 : 127 * 24] = x[120 * 24]
    assert [f.severity for f in run(stuck, history(TIME, x)).findings] == ["info", "info"]


def test_a_record_that_froze_again_and_again_is_no_habit_of_the_process():
    x, rssi = live(TIME), radio(TIME)
    for day in (20, 50, 80, 110, 140, 170):
        part = slice(day * 24, day * 24 + 70)
        x[part], rssi[part] = x[day * 24], rssi[day * 24]
    assert {f.kind for f in run(stuck, history(TIME, x, rssi_dbm=rssi)).findings} == {"record_frozen"}


def test_rests_of_like_length_whose_last_digit_dithers_are_a_habit_too():
    x = rests_anywhere([20, 50, 80, 110, 140], [240, 241, 242, 243, 245])
    still = np.concatenate([[False], np.diff(x) == 0]) & (x > 29)
    x[still] += 0.01 * np.random.default_rng(4).choice([-1, 0, 0, 1], int(still.sum()))
    assert run(stuck, history(TIME, quantised(x, 0.01))).findings == []


def rests_anywhere(starts, lengths):
    """Return a live reading that is held at another level each time, for some hours from some days on."""
    x = live(TIME)
    for k, (day, length) in enumerate(zip(starts, lengths, strict=True)):
        x[day * 24 : day * 24 + length] = 30 + 1.7 * k
    return x


@pytest.mark.parametrize(
    "lengths", [[48] * 28, [48] * 6, [70, 71, 72, 73, 75], [75, 73, 72, 71, 70, 30]], ids=["year", "six", "up", "down"]
)
def test_weekend_rests_of_like_length_are_a_habit_and_raise_nothing(lengths):
    x = rests_anywhere(range(5, 5 + 7 * len(lengths), 7), lengths)
    assert run(stuck, history(TIME, x)).findings == []


def test_a_rest_that_lasts_now_as_long_as_past_ones_did_raises_nothing():
    x = rests_anywhere([20, 50, 80, 110, 140], [70, 71, 72, 73, 75])
    x[-50:] = 61.3
    result = run(stuck, history(TIME, x))
    assert result.findings == []
    assert "stuck_since" not in result.facts["N1"]


def test_a_reading_that_stands_far_longer_than_the_rests_that_are_its_habit_is_called():
    x = rests_anywhere(range(5, 170, 7), [48] * 24)
    x[175 * 24 :] = 61.3
    (found,) = run(stuck, history(TIME, x)).findings
    assert (found.kind, found.severity) == ("stuck", "F")
    assert found.data["longest_ordinary_hours"] == pytest.approx(48, abs=1)


def test_a_fault_in_pieces_is_no_habit_and_is_told_once():
    x = live(TIME)
    x[100 * 24 : 130 * 24] = x[100 * 24]
    x[[102 * 24, 110 * 24, 115 * 24, 122 * 24, 127 * 24]] += 3
    (found,) = run(stuck, history(TIME, x)).findings
    assert found.kind == "stuck"


def test_lost_check_ins_move_neither_the_call_nor_the_date():
    whole = stuck_from(190)
    kept = np.random.default_rng(5).random(len(TIME)) > 0.4
    (found,) = run(stuck, without(whole, kept)).findings
    assert found.kind == "stuck"
    assert np.searchsorted(whole.time[kept], found.since) == pytest.approx(
        np.searchsorted(whole.time[kept], TIME[190 * 24]), abs=2
    )


def test_a_long_silence_within_equal_readings_is_not_standing_still():
    x = live(TIME)
    a = 100 * 24
    x[a : a + 20 * 24] = x[a]
    kept = np.ones(len(TIME), bool)
    kept[a + 1 : a + 20 * 24 - 1] = False
    assert run(stuck, without(history(TIME, x), kept)).findings == []


def test_the_whole_record_repeating_is_the_path_and_not_the_sensor():
    x, rssi, v = live(TIME), radio(TIME), volts(TIME)
    for column in (x, rssi, v):
        column[4000:4200] = column[4000]
    result = run(stuck, history(TIME, x, rssi_dbm=rssi, battery_v=v))
    assert [f.kind for f in result.findings] == ["record_frozen"]
    assert result.findings[0].since == TIME[4000]
    assert "not at fault" in result.findings[0].evidence


def test_most_nodes_of_a_gateway_frozen_together_are_told_once_for_the_gateway():
    fleet = []
    for k in range(5):
        x, rssi = live(TIME, seed=k), radio(TIME, seed=50 + k)
        if k < 4:
            x[4000:4200], rssi[4000:4200] = x[4000], rssi[4000]
        node = f"N{k}"
        fleet.append(history(TIME, x, node=node, rssi_dbm=rssi, entry=RegisterEntry(node=node, gateway="G1")))
    result = run(stuck, *fleet)
    (found,) = result.findings
    assert (found.node, found.gateway, found.data["nodes"]) == ("", "G1", ["N0", "N1", "N2", "N3"])
    assert {v.state for v in result.verdicts.values()} == {"good"}


def test_a_frozen_reading_whose_last_digit_dithers_is_found():
    x = live(TIME)
    a = 150 * 24
    x[a:] = quantised(x[a] + 0.01 * np.random.default_rng(4).choice([-1, 0, 0, 1], len(x) - a), 0.01)
    (found,) = run(stuck, history(TIME, x)).findings
    assert found.kind == "stuck"
    assert found.data["band"] > 0
    assert found.since == pytest.approx(TIME[a], abs=12 * HOUR)


def test_a_young_record_cannot_tell_a_process_at_rest_from_a_frozen_sensor_that_dithers():
    rng = np.random.default_rng(5)
    time = hours(9)
    pumping = np.where(
        np.arange(len(time)) < 6 * 24, 27 + rng.normal(0, 4, len(time)), 6.5 + rng.normal(0, 0.04, len(time))
    )
    young = history(time, np.round(pumping, 2), battery_v=volts(time), rssi_dbm=radio(time))
    assert run(stuck, young).findings == []


def test_a_reading_jumping_to_its_range_limit_and_staying_is_pegged():
    x = live(TIME) * 10
    x[180 * 24 :] = 103.0
    (found,) = run(stuck, history(TIME, x, entry=RANGE)).findings
    assert (found.kind, found.severity) == ("pegged", "S")


@pytest.mark.parametrize(("current", "called"), [(3.6, True), (3.7, False), (20.9, False), (21.0, True)])
def test_failure_currents_are_those_of_namur_ne_43(current, called):
    """NAMUR NE 43: failure at 3.6 mA or less and at 21 mA or more; measuring information from 3.8 to 20.5 mA."""
    x = 4 + live(TIME)
    x[3000:3010] = current + np.arange(10) * 0.01 * (1 if current > 10 else -1)
    result = run(stuck, history(TIME, x, entry=RegisterEntry(node="N1", unit="mA")))
    assert any(f.kind == "failure_current" for f in result.findings) == called


def test_a_reading_that_fails_with_a_low_battery_is_put_down_to_the_battery():
    v = volts(TIME)
    v[185 * 24 :] -= 0.6
    (found,) = run(stuck, history(TIME, stuck_from(190).reading, battery_v=v)).findings
    assert found.data["low_battery"]
    assert "battery" in found.remedy


def test_wild_readings_with_a_low_battery_are_told_of():
    x, v = live(TIME), volts(TIME)
    v[175 * 24 :] -= 0.6
    x[175 * 24 :: 31] = 90.0
    result = run(stuck, history(TIME, x, battery_v=v))
    assert kinds(result) == ["low_battery_readings"]


def shut_in_line(rng):
    """Rests at exactly zero for half of every day, and then for ten weeks."""
    on = (np.arange(len(TIME)) // 12) % 2 == 1
    on[120 * 24 : 190 * 24] = False
    return np.where(on, quantised(50 + rng.normal(0, 1, len(TIME)), 0.1), 0.0)


def saturated_humidity(rng):
    """Reaches 100 by steps of its usual size, stays for hours or days."""
    wet = 85 + 25 * np.sin(2 * np.pi * TIME / (9 * DAY_S)) + 8 * np.sin(2 * np.pi * TIME / DAY_S)
    return np.minimum(quantised(wet + rng.normal(0, 0.8, len(TIME)), 0.1), 100.0)


def coarse_temperature(rng):
    """Whole degrees of a slow room."""
    return np.round(20 + 4 * np.sin(2 * np.pi * TIME / (30 * DAY_S)) + 5 * np.sin(2 * np.pi * TIME / (70 * DAY_S)))


def resting_tank(rng):
    """Fills and empties, rests between for up to three days, anywhere."""
    legs = np.cumsum(rng.choice([6, 10, 20, 40, 72], 400))
    levels = np.repeat(rng.uniform(2, 8, 200), 2)[: len(legs)]
    return quantised(np.interp(np.arange(len(TIME)), legs, levels), 0.05)


def rain_gauge(rng):
    """A total that rests for days to weeks between showers."""
    showers = rng.random(len(TIME)) < 0.02 * (np.sin(2 * np.pi * TIME / (60 * DAY_S)) > 0)
    return np.cumsum(np.where(showers, rng.integers(1, 9, len(TIME)) * 0.2, 0.0)).round(1)


def moved_gate(rng):
    """Set by hand every day or so for half a year, every fortnight for the rest."""
    rate = np.where(np.arange(len(TIME)) < 2400, 1 / 30, 1 / 300)
    moves = rng.random(len(TIME)) < rate
    return np.round(rng.uniform(5, 90, len(TIME)))[np.maximum.accumulate(np.where(moves, np.arange(len(TIME)), 0))]


NUISANCES = (shut_in_line, saturated_humidity, coarse_temperature, resting_tank, rain_gauge, moved_gate)


@pytest.mark.parametrize("process", NUISANCES, ids=lambda p: p.__name__)
@pytest.mark.parametrize("seed", range(4))
def test_processes_at_rest_raise_no_alarm(process, seed):
    x = process(np.random.default_rng(seed))
    assert kinds(run(stuck, history(TIME, x, rssi_dbm=radio(TIME)))) == []


def test_a_rest_at_zero_longer_than_ever_is_told_without_alarm():
    x = shut_in_line(np.random.default_rng(1))
    x[190 * 24 :] = 0.0
    (found,) = run(stuck, history(TIME, x)).findings
    assert (found.kind, found.severity) == ("long_rest", "info")


def test_a_line_that_rests_at_zero_is_still_called_when_it_sticks_while_running():
    x = shut_in_line(np.random.default_rng(1))
    x[120 * 24 : 190 * 24] = 0.0
    x[190 * 24 :] = 51.3
    assert kinds(run(stuck, history(TIME, x))) == ["stuck"]


@pytest.mark.parametrize("trait", [COMPRESSED, FORWARD_FILLED])
def test_stored_repeats_are_not_judged(trait):
    result = run(stuck, stuck_from(190, traits=[trait]))
    assert result.findings == []
    assert result.verdicts["N1"].state == "not evaluated"


@pytest.mark.parametrize("n", [1, 2, 10, 23])
def test_too_little_data_is_not_evaluated(n):
    result = run(stuck, history(TIME[:n], live(TIME)[:n]))
    assert result.verdicts["N1"].state == "not evaluated"


def test_a_reading_that_never_moved_is_not_evaluated_and_neither_is_one_without_any():
    for x in (np.full(len(TIME), 7.0), np.full(len(TIME), np.nan)):
        result = run(stuck, history(TIME, x))
        assert result.findings == []
        assert result.verdicts["N1"].state == "not evaluated"


def test_shifting_time_and_scaling_the_reading_change_nothing_but_dates_and_values():
    base = stuck_from(190)
    moved = history(TIME + 7 * DAY_S, base.reading * 4, battery_v=base.battery_v, rssi_dbm=base.rssi_dbm)
    (a,), (b,) = run(stuck, base).findings, run(stuck, moved).findings
    assert b.since - a.since == 7 * DAY_S
    assert b.data["p"] == pytest.approx(a.data["p"])
    assert b.value == pytest.approx(4 * a.value)


def test_live_fleets_raise_hardly_any_alarm():
    fleet = [history(TIME, live(TIME, seed=s), node=f"N{s}") for s in range(60)]
    assert kinds(run(stuck, *fleet)) == []


# Real logs; see tests/data/README.md for sources and licences.
@pytest.mark.parametrize(
    ("mote", "value", "check_ins"), [("06", 1.731, 2952), ("19", 122.153, 9547), ("23", 122.153, 12920)]
)
def test_stuck_sensors_of_the_lab_motes(mote, value, check_ins):
    log = motes(mote)
    h = history(log["time"].to_numpy(float), log["reading"].to_numpy(), battery_v=log["battery_v"].to_numpy())
    found = [f for f in run(stuck, h).findings if f.kind == "stuck"]
    longest = max(found, key=lambda f: f.data["check_ins"])
    assert longest.value == pytest.approx(value)
    assert longest.data["check_ins"] == pytest.approx(check_ins, abs=2)
    assert longest.data["low_battery"]


@pytest.mark.parametrize("name", ["lab_mote_45", "alpine_station_28"])
def test_clean_real_logs_raise_nothing(name):
    log = open_log(name)
    assert run(stuck, history(log["time"].to_numpy(float), log["reading"].to_numpy())).findings == []
