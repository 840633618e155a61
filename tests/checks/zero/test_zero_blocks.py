"""Rests at zero condensed by half-years: nothing is lost, doubled or moved where a block ends."""

from dataclasses import fields

import numpy as np
import pytest

from lamplighter.checkins import BAD, DAY_S
from lamplighter.checks import zero
from lamplighter.checks.base import measure_rows
from lamplighter.checks.zero.summary import summarise
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.record import blocks_of, joined
from lamplighter.settings import Settings
from tests.checks.histories import HOUR, START, history, hours, quantised, run

DAYS = 1_000
TIME = hours(DAYS)
DAY = ((TIME - TIME[0]) // DAY_S).astype(int)
YEARS = (TIME - TIME[0]) / (365.25 * DAY_S)
RESTING = RegisterEntry(node="N1", lrl=0.0, url=100.0, rests_at_zero=True, zero_tolerance_pct_span=1.0)
NEVER_AT_REST = RegisterEntry(node="N1", lrl=0.0, url=100.0, rests_at_zero=False)


def line(error=0.0, seed=1, **more):
    """Return a line that runs by day and drains at night; error in % of span, which is 100."""
    rng = np.random.default_rng(seed)
    hour = (TIME % DAY_S) / HOUR
    running = (hour > 6) & (hour < 9 + 8 * rng.random(DAYS)[DAY])
    wander = np.interp(TIME, TIME[:: 24 * 10], rng.normal(0, 0.05, len(TIME[:: 24 * 10])))
    reading = np.where(running, 55 + rng.normal(0, 2, len(TIME)), 0.0) + error + wander + rng.normal(0, 0.02, len(TIME))
    return history(TIME, quantised(reading, 0.05), entry=more.pop("entry", RESTING), **more)


def summaries(h, settings=None):
    """Summaries of the blocks of a history."""
    return [summarise(b, settings or Settings()) for _, b in blocks_of(h) if len(b) > b.lead]


def measured(h):
    return measure_rows([zero], h, Settings())["zero"]


def test_blocks_joined_hold_the_rest_of_every_day_once():
    parts = summaries(line())
    whole = joined(parts)
    assert len(parts) == 6
    np.testing.assert_array_equal(whole.time // DAY_S, TIME[0] // DAY_S + np.arange(DAYS))
    assert np.abs(whole.error).max() < 0.3


def test_the_first_reading_of_a_block_is_quiet_beside_the_last_of_the_block_before():
    """It is the only one that rests before the evening: the middle of the day's rest tells whether it was seen."""
    edge = list(blocks_of(line()))[1][1].own.time[0]
    reading = np.full(len(TIME), 55.0)
    reading[np.isin(TIME, edge + HOUR * np.array([-1, 0, 20, 21]))] = 0.0
    _, block = list(blocks_of(history(TIME, reading, entry=RESTING)))[1]
    assert summarise(block, Settings()).time.tolist() == [pytest.approx(edge + (0 + 20 + 21) / 3 * HOUR)]
    assert summarise(block.own, Settings()).time.tolist() == [edge + 20.5 * HOUR]


def test_readings_and_steps_are_counted_once():
    h = line(-3.0, entry=NEVER_AT_REST)
    whole = joined(summaries(h))
    steps = np.abs(np.diff(h.reading))
    assert whole.below.sum() == (h.reading < -1.0).sum()
    assert whole.steps.sum() == (steps > 0).sum()
    assert np.nanmin(whole.below_since) == TIME[h.reading < -1.0][0]


def test_a_bad_or_missing_reading_at_the_edge_is_passed_over():
    h = line()
    edge = next(b.own.time[0] for _, b in list(blocks_of(h))[1:])
    missing = np.abs(TIME - edge) < 3 * HOUR
    quality = np.where(missing & (edge < TIME), BAD, 0).astype(np.int8)
    spoilt = history(TIME, np.where(missing & (edge >= TIME), np.nan, h.reading), entry=RESTING, quality=quality)
    whole = joined(summaries(spoilt))
    good = np.isfinite(spoilt.good_reading)
    assert whole.steps.sum() == (np.diff(spoilt.good_reading[good]) != 0).sum()
    assert len(whole.time) == DAYS


@pytest.mark.parametrize("rate", [1.5, -1.5])
def test_a_drift_over_years_is_found_with_its_rate(rate):
    (found,) = run(zero, line(rate * YEARS)).findings
    assert found.kind == "zero_drift"
    assert found.value == pytest.approx(rate, rel=0.15)
    assert found.low <= rate <= found.high


@pytest.mark.parametrize("offset", [-2, 0, 2])
def test_a_step_at_the_edge_of_a_block_is_dated(offset):
    edge = list(blocks_of(line()))[3][1].own.time[0]
    at = edge + offset * DAY_S
    (found,) = run(zero, line(np.where(at <= TIME, 3.0, 0.0))).findings
    assert found.kind == "zero_step"
    assert found.value == pytest.approx(3.0, rel=0.1)
    assert found.since == pytest.approx(at, abs=3 * DAY_S)


def test_a_line_that_stays_full_across_an_edge_is_no_step():
    """Fifteen days to either side: only the days before and after them show where the zero lies."""
    edge = list(blocks_of(line()))[3][1].own.time[0]
    assert run(zero, line(np.where(np.abs(TIME - edge) < 15 * DAY_S, 8.0, 0.0))).findings == []


def test_a_re_zero_years_ago_still_starts_anew():
    at = TIME[400 * 24]
    work = [WorkEntry(node="N1", time=at, action="zeroed")]
    result = run(zero, line(np.where(at <= TIME, 0.0, 4.0 * YEARS), worklog=work))
    assert "zero_step" not in [f.kind for f in result.findings]
    assert result.facts["N1"]["zero_reset"] == at


def test_readings_below_the_range_add_up_over_the_blocks():
    """Some hours in each of five half-years, at levels that together are enough."""
    rng = np.random.default_rng(3)
    x = quantised(30 + 5 * np.sin(2 * np.pi * TIME / DAY_S) + rng.normal(0, 1, len(TIME)), 0.1)
    levels = np.array([-2.0, -3.0, -4.0, -5.0, -6.0])
    for k, level in enumerate(levels):
        x[(150 + 180 * k == DAY) & (TIME % DAY_S < 2 * HOUR)] = level
    m = measured(history(TIME, x, entry=NEVER_AT_REST))
    assert m.below_s == 10 * HOUR
    assert m.below_since == START + 150 * DAY_S
    assert m.below_levels == 5
    assert m.below_pct == -4.0
    stuck = x.copy()
    stuck[x < 0] = -2.0
    assert measured(history(TIME, stuck, entry=NEVER_AT_REST)).below_levels == 1


def test_resolution_is_that_of_most_of_the_record():
    h = line()
    coarse = (DAY >= 360) & (DAY < 560)  # all of a half-year, and some days of those about it
    reading = np.where(coarse, np.round(h.reading), h.reading)
    assert measured(history(TIME, reading, entry=RESTING)).grain == pytest.approx(0.05)
    assert measured(history(TIME, np.round(h.reading), entry=RESTING)).grain == pytest.approx(1.0)


def test_without_a_range_or_a_reading_there_is_nothing_to_keep():
    for h in (line(entry=RegisterEntry(node="N1")), history(TIME, np.full(len(TIME), np.nan), entry=RESTING)):
        whole = joined(summaries(h))
        assert len(whole.time) == 0
        assert whole.below.sum() == whole.steps.sum() == 0
        assert measured(h).explained is None


def test_a_half_year_is_kept_in_few_bytes():
    (_, block), *_ = blocks_of(line())
    kept = [getattr(summarise(block, Settings()), f.name) for f in fields(zero.summarise(block, Settings()))]
    assert all(a.ndim == 1 for a in kept)
    assert sum(a.nbytes for a in kept) < 10_000
