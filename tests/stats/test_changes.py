"""Steps and slopes found in noise with a memory, against series of known make and published ones."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.datasets
from hypothesis import given, settings
from hypothesis import strategies as st

from lamplighter.stats.changes import Scales, explain
from tests.stats.test_trend import noise_with_memory

DAY = 1 / 365.25
RSSI = Scales(step=8, slope=10, odds=0.05, margin=4 * DAY, bend_margin=45 * DAY, wander=2.0)
T = np.arange(425) * DAY
YEAR = np.column_stack([np.cos(2 * np.pi * T), np.sin(2 * np.pi * T)])


def series(seed: int, memory: float = 6.0, size: float = 1.2) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return -75 + size * noise_with_memory(rng, 425, memory, 0.5) + 2 * np.cos(2 * np.pi * (T - 0.1))


def test_nile_is_a_step_in_1899_and_no_trend() -> None:
    """A straight line fits the Nile with p below 1e-6; the flow fell once, after 1898 (Cobb, Biometrika 1978)."""
    data = statsmodels.datasets.nile.load_pandas().data
    found = explain(data["year"].to_numpy(float), data["volume"].to_numpy(float), Scales(step=200, slope=5, margin=3))
    assert [c.kind for c in found.changes] == ["step"]
    change = found.changes[0]
    assert change.time == 1899
    assert change.time_low <= 1899 <= change.time_high <= 1902
    assert change.low < 849.97 - 1097.75 < change.high
    assert change.kind_probability > 0.95
    assert found.slope.low < 0 < found.slope.high


@pytest.mark.parametrize("memory", [1.0, 6.0, 20.0])
def test_noise_alone_holds_no_change(memory: float) -> None:
    found = [explain(T, series(seed, memory), RSSI, YEAR, np.array([3.0, 3.0])) for seed in range(25)]
    assert sum(bool(f.changes) for f in found) <= 1
    covers = [f.slope.low <= 0 <= f.slope.high for f in found]
    # Binomial(25, 0.95) falls below 20 with probability 0.1 %.
    assert sum(covers) >= 20


def test_steps_are_dated_to_the_day() -> None:
    for seed, day in enumerate((60, 200, 390)):
        y = series(seed) - 6.0 * (day * DAY <= T)
        found = explain(T, y, RSSI, YEAR, np.array([3.0, 3.0]))
        steps = [c for c in found.changes if c.kind == "step"]
        assert len(steps) == 1
        assert steps[0].time / DAY == pytest.approx(day, abs=2)
        assert steps[0].low < -6.0 < steps[0].high
        assert steps[0].kind_probability > 0.5


def test_a_decline_is_a_slope_and_not_steps() -> None:
    for seed in range(4):
        found = explain(T, series(seed, 3.0) - 12.0 * T, RSSI, YEAR, np.array([3.0, 3.0]))
        assert [c.kind for c in found.changes] == ["bend"]
        assert found.slope.low < -12.0 < found.slope.high < 0


def test_a_decline_that_begins_later_is_found_with_honest_bounds() -> None:
    """Season and onset are both unknown in fourteen months: the slope's bounds must say so."""
    held, dated = 0, 0
    for seed in range(100, 112):
        found = explain(T, series(seed, 3.0) - 20.0 * np.maximum(T - 0.5, 0), RSSI, YEAR, np.array([3.0, 3.0]))
        assert [c.kind for c in found.changes] == ["bend"]
        held += found.slope.low < -20.0 < found.slope.high < 0
        dated += found.changes[0].time_low - 0.05 <= 0.5 <= found.changes[0].time_high + 0.05
    # Binomial(12, 0.9) falls below 8 with probability 0.4 %.
    assert held >= 8
    assert dated >= 8


def falling_twice(seed: int, first: float, then: float) -> tuple[np.ndarray, np.ndarray]:
    """Level for 100 days, one rate for 250, another for 350: made so, hence the true rate at the end is ``then``."""
    t = np.arange(700) * DAY
    fall = first * np.clip(t - 100 * DAY, 0, 250 * DAY) + then * np.maximum(t - 350 * DAY, 0)
    return t, -70 + fall + np.random.default_rng(seed).normal(0, 1.0, 700)


@pytest.mark.parametrize(("then", "declines"), [(-10.0, True), (0.0, False)])
def test_the_slope_at_the_end_is_that_of_all_bends_together(then: float, declines: bool) -> None:
    """A fall that slows down is still a fall, one that stops is none."""
    held, seen = 0, 0
    for seed in range(10):
        t, y = falling_twice(seed, -30.0, then)
        season = np.column_stack([np.cos(2 * np.pi * t), np.sin(2 * np.pi * t)])
        found = explain(t, y, RSSI, season, np.array([3.0, 3.0]))
        assert [c.time for c in found.changes] == sorted(c.time for c in found.changes)
        held += found.slope.low <= then <= found.slope.high
        seen += found.slope.high < 0
    # Binomial(10, 0.95) falls below 7 with probability 0.1 %.
    assert held >= 7
    assert seen >= 9 if declines else seen <= 1


def test_the_slope_of_bends_that_cancel_is_known_closely_where_each_is_not() -> None:
    """By ordinary least squares of the last part alone, which no bend reaches (numpy.polyfit)."""
    t, y = falling_twice(3, -30.0, -10.0)
    found = explain(t, y, RSSI)
    bends = [c for c in found.changes if c.kind == "bend"]
    assert len(bends) == 2
    end = t > 370 * DAY
    line, covariance = np.polyfit(t[end], y[end], 1, cov=True)
    assert found.slope.value == pytest.approx(line[0], abs=3 * np.sqrt(covariance[0, 0]))
    assert found.slope.p < 1e-6


def test_known_work_is_not_found_again() -> None:
    y = series(5) + 9.0 * (T >= 0.6)
    assert [c.kind for c in explain(T, y, RSSI, YEAR).changes] == ["step"]
    assert explain(T, y, RSSI, YEAR, known=(0.6,)).changes == ()


def test_lone_outliers_are_no_change() -> None:
    y = series(6)
    y[[50, 120, 300]] -= 25.0
    assert explain(T, y, RSSI, YEAR, np.array([3.0, 3.0])).changes == ()


def test_parts_add_up() -> None:
    y = series(7) - 7.0 * (T >= 0.4)
    found = explain(T, y, RSSI, YEAR, np.array([3.0, 3.0]))
    rest = y - found.fitted - found.others
    assert found.fitted.shape == found.others.shape == y.shape
    assert np.std(rest) < 1.2 * found.noise_sd
    assert found.others.mean() == pytest.approx(0, abs=1e-9)


def test_gaps_and_uneven_times_do_no_harm() -> None:
    rng = np.random.default_rng(8)
    keep = np.sort(rng.choice(425, 250, replace=False))
    keep = keep[(keep < 150) | (keep > 190)]
    y = series(9) - 8.0 * (T >= 0.7)
    found = explain(T[keep], y[keep], RSSI, YEAR[keep], np.array([3.0, 3.0]))
    assert [c.kind for c in found.changes] == ["step"]
    assert found.changes[0].time == pytest.approx(0.7, abs=5 * DAY)


def test_too_few_points_give_none() -> None:
    assert explain(T[:5], series(1)[:5], RSSI) is None
    assert explain(np.zeros(30), np.arange(30.0), RSSI) is None


@settings(max_examples=8, deadline=None)
@given(st.floats(-1000, 1000), st.floats(-20, 20))
def test_shifts_of_value_and_time_do_not_matter(level: float, years: float) -> None:
    y = series(11) - 8.0 * (T >= 0.55)
    plain, moved = explain(T, y, RSSI, YEAR), explain(T + years, y + level, RSSI, YEAR)
    assert [c.kind for c in plain.changes] == [c.kind for c in moved.changes]
    assert plain.changes[0].time + years == pytest.approx(moved.changes[0].time, abs=1e-6)
    assert plain.changes[0].size == pytest.approx(moved.changes[0].size, abs=1e-5)
