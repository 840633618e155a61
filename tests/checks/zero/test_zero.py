"""Zero: what the rests at zero say of a transmitter's zero error, its drift, its steps, its temperature."""

import numpy as np
import pytest

from lamplighter.checkins import DAY_S
from lamplighter.checks import zero
from lamplighter.fleet import RegisterEntry, WorkEntry
from tests.checks.histories import HOUR, START, history, hours, kinds, quantised, run

DAYS = 300
TIME = hours(DAYS)
YEARS = (TIME - TIME[0]) / (365.25 * DAY_S)
SPAN = 100.0
RESTING = RegisterEntry(node="N1", unit="psi", lrl=0.0, url=SPAN, rests_at_zero=True, zero_tolerance_pct_span=1.0)
UNSAID = RegisterEntry(node="N1", unit="psi", lrl=0.0, url=SPAN, zero_tolerance_pct_span=1.0)


def weather(seed=9):
    """Temperature with season, day and passing weather."""
    rng = np.random.default_rng(seed)
    passing = np.interp(TIME, TIME[::72], rng.normal(0, 3, len(TIME[::72])))
    return 12 + 11 * np.sin(2 * np.pi * YEARS) + 5 * np.sin(2 * np.pi * TIME / DAY_S) + passing


def line(error=0.0, seed=1, *, thermal=0.0, entry=RESTING, with_temperature=True, **more):
    """Return a line that runs for some hours of most days and drains to zero between; error in % of span."""
    rng = np.random.default_rng(seed)
    temperature = weather()
    hour = (TIME % DAY_S) / HOUR
    on = (hour > 6) & (hour < 6 + 3 + 8 * rng.random(DAYS)[((TIME - TIME[0]) // DAY_S).astype(int)])
    wander = np.interp(TIME, TIME[:: 24 * 10], rng.normal(0, 0.05, len(TIME[:: 24 * 10])))
    zero_error = error + thermal * (temperature - 20) + wander + rng.normal(0, 0.02, len(TIME))
    x = quantised(np.where(on, 55 + rng.normal(0, 2, len(TIME)), 0.0) + zero_error * SPAN / 100, 0.05)
    beside = {"temperature_c": temperature} if with_temperature else {}
    return history(TIME, x, entry=entry, **beside, **more)


def test_a_sound_zero_is_good_with_its_numbers():
    result = run(zero, line())
    assert result.findings == []
    assert result.verdicts["N1"].state == "good"
    facts = result.facts["N1"]
    assert abs(facts["zero_error_pct_span"]) < 0.2
    assert facts["zero_drift_low"] <= facts["zero_drift_pct_span_per_year"] <= facts["zero_drift_high"]
    assert len(result.series["N1"]["time"]) == len(result.series["N1"]["fit"]) > 200


@pytest.mark.parametrize("rate", [3.0, -3.0, 6.0])
@pytest.mark.parametrize("entry", [RESTING, UNSAID])
def test_a_drift_is_found_with_its_rate_and_an_interval(rate, entry):
    result = run(zero, line(rate * YEARS, entry=entry))
    (found,) = result.findings
    assert found.kind == "zero_drift"
    assert found.value == pytest.approx(rate, rel=0.2)
    assert found.low <= rate <= found.high
    assert result.facts["N1"]["zero_drift_pct_span_per_year"] == found.value


@pytest.mark.parametrize(("days", "rate"), [(180, 0.8), (180, 2.0), (270, 0.4), (270, 1.0)])
def test_in_less_than_a_year_without_temperature_the_interval_holds_the_true_drift(days, rate):
    """A season may pass for a drift and a drift for a season: the interval must say so."""
    n, held = days * 24, 0
    for seed in range(10):
        wander = np.repeat(np.random.default_rng(500 + seed).normal(0, 0.1, DAYS), 24)
        whole = line(rate * YEARS + wander, seed, with_temperature=False)
        short = history(whole.time[:n], whole.reading[:n], entry=RESTING)
        facts = run(zero, short).facts["N1"]
        held += facts["zero_drift_low"] <= rate <= facts["zero_drift_high"]
    # Binomial(10, 0.95) falls below 8 with probability 1 %.
    assert held >= 8


def test_a_drift_that_begins_later_is_dated():
    began = 100 * DAY_S
    (found,) = run(zero, line(6.0 * np.maximum(TIME - TIME[0] - began, 0) / (365.25 * DAY_S))).findings
    assert found.since == pytest.approx(START + began, abs=20 * DAY_S)


def test_a_drift_still_inside_its_tolerance_has_a_date_for_leaving_it():
    entry = RegisterEntry(node="N1", lrl=0.0, url=SPAN, rests_at_zero=True, zero_tolerance_pct_span=3.0)
    result = run(zero, line(3.0 * YEARS, entry=entry))
    (found,) = result.findings
    facts = result.facts["N1"]
    due = START + 365.25 * DAY_S
    assert facts["zero_due_low"] < due < facts["zero_due_high"]
    assert facts["zero_due"] == pytest.approx(due, abs=15 * DAY_S)
    assert found.severity == "M"


@pytest.mark.parametrize("thermal", [0.02, -0.015])
def test_temperature_is_taken_out_and_is_no_drift(thermal):
    assert run(zero, line(thermal=thermal)).findings == []
    (found,) = run(zero, line(3.0 * YEARS, thermal=thermal)).findings
    assert found.value == pytest.approx(3.0, rel=0.2)
    assert found.data["temperature_used"]


@pytest.mark.parametrize("size", [3.0, -3.0])
def test_a_step_is_a_step_and_no_drift(size):
    at = TIME[150 * 24]
    result = run(zero, line(np.where(at <= TIME, size, 0.0)))
    (found,) = result.findings
    assert found.kind == "zero_step"
    assert found.value == pytest.approx(size, rel=0.1)
    assert found.since == pytest.approx(at, abs=3 * DAY_S)


def test_a_lift_of_the_last_weeks_may_be_a_line_that_does_not_drain():
    young = run(zero, line(np.where(TIME[285 * 24] <= TIME, 3.0, 0.0))).findings
    assert [(f.kind, f.severity) for f in young] == [("zero_step", "info")]
    assert "drained" in young[0].remedy
    assert [f.severity for f in run(zero, line(np.where(TIME[285 * 24] <= TIME, -3.0, 0.0))).findings] == ["S"]


def test_some_weeks_above_zero_in_between_are_no_step():
    lifted = (TIME[150 * 24] <= TIME) & (TIME[170 * 24] > TIME)
    assert run(zero, line(np.where(lifted, 8.0, 0.0))).findings == []


def test_a_re_zero_in_the_work_log_is_no_step_and_starts_anew():
    at = TIME[200 * 24]
    error = np.where(at <= TIME, 0.0, 4.0 * YEARS)
    work = [WorkEntry(node="N1", time=at, action="zeroed")]
    result = run(zero, line(error, worklog=work))
    assert "zero_step" not in [f.kind for f in result.findings]
    assert abs(result.facts["N1"]["zero_error_pct_span"]) < 0.3
    assert result.facts["N1"]["zero_reset"] == at


def test_a_step_back_to_zero_that_nobody_logged_is_told_without_alarm():
    error = np.where(TIME[150 * 24] <= TIME, 0.0, 3.0)
    found = run(zero, line(error)).findings
    assert [(f.kind, f.severity) for f in found] == [("zero_reset", "info")]


def test_slow_wander_is_no_drift():
    fleet = [
        line(seed=s, entry=RegisterEntry(node=f"N{s}", lrl=0, url=SPAN, rests_at_zero=True), node=f"N{s}")
        for s in range(25)
    ]
    assert kinds(run(zero, *fleet)) == []


def test_a_constant_error_outside_its_tolerance_is_told():
    (found,) = run(zero, line(2.0)).findings
    assert found.kind == "zero_error"
    assert found.low < 2.0 < found.high


def test_a_negative_zero_of_a_gauge_is_evidence():
    (found,) = run(zero, line(-5.0 * YEARS)).findings
    assert "cannot read below zero" in found.evidence


def test_a_process_that_never_rests_at_zero_cannot_be_judged_and_the_remedy_is_said():
    rng = np.random.default_rng(3)
    x = quantised(30 + 10 * np.sin(2 * np.pi * TIME / DAY_S) + rng.normal(0, 1, len(TIME)), 0.1)
    verdict = run(zero, history(TIME, x, entry=UNSAID)).verdicts["N1"]
    assert verdict.state == "not evaluated"
    assert "vent it" in verdict.reason


def test_a_low_process_that_lingers_near_zero_is_not_taken_for_a_rest():
    rng = np.random.default_rng(3)
    x = quantised(np.exp(rng.normal(0.3, 0.2, len(TIME)) + 1.2 * np.sin(2 * np.pi * TIME / (40 * DAY_S))), 0.01)
    assert run(zero, history(TIME, x, entry=UNSAID)).verdicts["N1"].state == "not evaluated"


def test_without_a_range_nothing_is_said_in_per_cent_of_span():
    verdict = run(zero, line(3 * YEARS, entry=RegisterEntry(node="N1"))).verdicts["N1"]
    assert verdict.state == "not evaluated"
    assert "range" in verdict.reason


@pytest.mark.parametrize("n", [1, 3, 200])
def test_too_little_data_is_not_evaluated(n):
    h = line()
    short = history(TIME[:n], h.reading[:n], entry=RESTING)
    assert run(zero, short).verdicts["N1"].state == "not evaluated"


def test_readings_well_below_the_range_show_a_shifted_zero_even_without_rests():
    rng = np.random.default_rng(3)
    x = quantised(3 + 10 * np.sin(2 * np.pi * TIME / DAY_S) + rng.normal(0, 1, len(TIME)), 0.1)
    entry = RegisterEntry(node="N1", lrl=0.0, url=SPAN, rests_at_zero=False)
    assert kinds(run(zero, history(TIME, x, entry=entry))) == ["below_range"]


def test_peers_on_one_process_that_part_are_compared():
    rng = np.random.default_rng(8)
    level = 40 + np.cumsum(rng.normal(0, 0.2, len(TIME)))
    a = history(TIME, quantised(level + rng.normal(0, 0.2, len(TIME)), 0.1), node="A",
                entry=RegisterEntry(node="A", lrl=0, url=SPAN, rests_at_zero=False, same_process_as="B"))  # fmt: skip
    b = history(TIME, quantised(level + 6 * YEARS + rng.normal(0, 0.2, len(TIME)), 0.1), node="B",
                entry=RegisterEntry(node="B", lrl=0, url=SPAN, rests_at_zero=False))  # fmt: skip
    (found,) = run(zero, a, b).findings
    assert found.kind == "peer_disagrees"
    assert abs(found.data["slope_pct_span_per_year"]) == pytest.approx(6, rel=0.2)


def test_adding_a_constant_leaves_the_rate_alone_and_a_week_later_is_a_week_later():
    base, lifted = run(zero, line(3 * YEARS)), run(zero, line(3 * YEARS + 1.0))
    a, b = base.findings[0], lifted.findings[0]
    assert b.value == pytest.approx(a.value, rel=0.02)
    assert b.data["error_pct_span"] - a.data["error_pct_span"] == pytest.approx(1.0, abs=0.05)
