"""How long a node may be silent: three missed check-ins or its usual gaps, not its longest ever."""

from __future__ import annotations

import numpy as np
import pytest

from lamplighter.checks.arrivals.silence import losses_in_a_row
from lamplighter.settings import Settings
from tests.checks.arrivals.made import DAY, HOUR, START, due_times, history, judged


def broken_once(interval: float, count: int, gap_d: float) -> np.ndarray:
    """Check-ins in two halves with one old breakdown between them."""
    half = count // 2
    first = START + np.arange(half) * interval
    return np.append(first, first[-1] + gap_d * DAY + np.arange(count - half) * interval)


@pytest.mark.parametrize(
    ("interval", "count", "gap_d", "silent_d"),
    [
        (DAY, 500, 60, 40),
        (DAY, 500, 60, 55),
        (DAY, 500, 60, 4),
        (HOUR, 900, 20, 15),
        (HOUR, 900, 20, 0.5),
        (4 * HOUR, 1_500, 45, 40),
    ],
)
def test_an_old_breakdown_does_not_excuse_the_next(interval: float, count: int, gap_d: float, silent_d: float) -> None:
    time = broken_once(interval, count, gap_d)
    found = judged({"N-1": history(time, as_of=float(time[-1]) + silent_d * DAY)})
    assert [f.kind for f in found.findings] == ["silent"]
    assert found.facts["N-1"]["silent_limit_s"] == pytest.approx(3.25 * interval, rel=0.01)


def test_two_old_breakdowns_of_unlike_length_do_not_either() -> None:
    first = broken_once(DAY, 400, 60)
    time = np.append(first, first[-1] + 17 * DAY + np.arange(100) * DAY)
    found = judged({"N-1": history(time, as_of=float(time[-1]) + 5 * DAY)})
    assert [f.kind for f in found.findings] == ["silent"]


def test_little_is_known_of_a_node_seen_for_three_days_but_not_that_it_sleeps_for_two() -> None:
    time = broken_once(HOUR, 60, 2)
    assert judged({"N-1": history(time)}).facts["N-1"]["silent_limit_s"] <= 7 * HOUR


def test_a_young_node_on_a_poor_link_is_given_its_own_time() -> None:
    """Of independent losses of 30 %, k in a row or more come in 0.3 ** k of spacings: 0.1 % lies at k = 5.7.

    So a silence of six is new to such a node; a month tells it within two.
    """
    limits = []
    for seed in range(10):
        time = due_times(30, HOUR)
        keep = np.random.default_rng(seed).random(len(time)) >= 0.3
        keep[-1] = True
        limits.append(judged({"N-1": history(time[keep])}).facts["N-1"]["silent_limit_s"] / HOUR)
    assert 5.74 <= np.mean(limits) <= 7.25
    assert np.abs(np.array(limits) - 6.25).max() <= 2.0


@pytest.mark.parametrize(("begins", "goes_on"), [(0.3, 0.3), (0.02, 0.6), (0.1, 0.8)])
def test_losses_in_a_row_of_a_channel_with_two_states(begins: float, goes_on: float) -> None:
    """Against the quantile counted over a million drawn spacings."""
    rng = np.random.default_rng(8)
    runs = np.where(rng.random(1_000_000) < begins, rng.geometric(1 - goes_on, 1_000_000), 0)
    counted = np.quantile(runs, 0.999)
    assert abs(losses_in_a_row(runs[runs > 0], len(runs), 0.999) - counted) <= 1


def test_nothing_ever_lost_leaves_no_run_to_expect() -> None:
    assert losses_in_a_row(np.zeros(0, np.int64), 500, 0.999) <= 1


def test_a_habit_of_long_gaps_excuses_no_more_than_two_weeks() -> None:
    """Asleep for every second three weeks, fifteen times: a habit, but three weeks are told all the same."""
    time = np.concatenate([START + k * 42 * DAY + np.arange(21 * 24) * HOUR for k in range(15)])
    most = Settings().arrivals.silent_most_days
    for days, told in ((10, False), (15, True)):
        found = judged({"N-1": history(time, as_of=float(time[-1]) + days * DAY)})
        assert ("silent" in [f.kind for f in found.findings]) is told
        assert found.facts["N-1"]["silent_limit_s"] == most * DAY


def test_a_slow_node_is_not_silent_before_three_are_missed() -> None:
    time = START + np.arange(60) * 7 * DAY
    for missed, told in ((3.0, False), (3.3, True)):
        found = judged({"N-1": history(time, as_of=float(time[-1]) + missed * 7 * DAY)})
        assert ("silent" in [f.kind for f in found.findings]) is told
