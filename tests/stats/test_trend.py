"""Slopes and rank tests against published examples and reference libraries."""

from __future__ import annotations

import math

import numpy as np
import pymannkendall
import pytest
import statsmodels.datasets
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats as scipy_stats

from lamplighter.stats.trend import (
    kendall_s,
    kendall_variance,
    mann_kendall,
    pair_slopes,
    seasonal_kendall,
    theil_sen,
    trend,
)

# USEPA, Statistical Analysis of Groundwater Monitoring Data at RCRA Facilities, Unified Guidance,
# EPA 530/R-09-007 (2009), example 17-6, sulfate; output also printed in the help of the R package EnvStats.
SULFATE_T = np.array(
    [89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6, 94.1, 94.6, 95.1, 95.6, 95.8,
     96.1, 96.3, 96.6, 96.8]
)  # fmt: skip
SULFATE = np.array(
    [480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600, 700, 570, 610, 650, 620, 830, 720, 590]
)
# The same, example 17-7, sodium.
SODIUM_T = np.array([89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3])
SODIUM = np.array([56, 53, 51, 55, 52, 60, 62, 59, 61, 63])
# The same, example 14-8, unadjusted concentrations of three years.
SEASONS = np.array(
    [1.99, 2.10, 2.12, 2.12, 2.11, 2.15, 2.19, 2.18, 2.16, 2.08, 2.05, 2.08,
     2.01, 2.10, 2.17, 2.13, 2.13, 2.18, 2.25, 2.24, 2.22, 2.13, 2.08, 2.16,
     2.15, 2.17, 2.27, 2.23, 2.24, 2.26, 2.31, 2.32, 2.28, 2.22, 2.19, 2.22]
)  # fmt: skip
# Rhine at Maxau, suspended sediment 1965-2009, CHR report I-22 (2010), as in the R package trend.
MAXAU = np.array(
    [37.3836, 31.2822, 26.4192, 28.8279, 32.8822, 37.5726, 27.3425, 29.8579, 35.4932, 28.9041, 25.6932, 16.9699,
     28.9014, 20.2521, 19.2685, 19.1913, 24.337, 28.811, 17.6959, 19.6366, 20.9562, 29.1041, 27.3452, 27.6038,
     20.989, 26.9699, 27.4438, 32.7923, 27.5616, 30.7288, 33.1452, 25.7787, 25.2877, 24.4082, 28.3836, 17.9727,
     16.0959, 17.2685, 11.8904, 13.7705, 21.469, 23.0986, 16.4441, 15.7732, 13.8736]
)  # fmt: skip


NOTTEM = """
40.6 40.8 44.4 46.7 54.1 58.5 57.7 56.4 54.3 50.5 42.9 39.8 44.2 39.8 45.1 47.0 54.1 58.7 66.3 59.9 57.0 54.2
39.7 42.8 37.5 38.7 39.5 42.1 55.7 57.8 56.8 54.3 54.3 47.1 41.8 41.7 41.8 40.1 42.9 45.8 49.2 52.7 64.2 59.6
54.4 49.2 36.3 37.6 39.3 37.5 38.3 45.5 53.2 57.7 60.8 58.2 56.4 49.8 44.4 43.6 40.0 40.5 40.8 45.1 53.8 59.4
63.5 61.0 53.0 50.0 38.1 36.3 39.2 43.4 43.4 48.9 50.6 56.8 62.5 62.0 57.5 46.7 41.6 39.8 39.4 38.5 45.3 47.1
51.7 55.0 60.4 60.5 54.7 50.3 42.3 35.2 40.8 41.1 42.8 47.3 50.9 56.4 62.2 60.5 55.4 50.2 43.0 37.3 34.8 31.3
41.0 43.9 53.1 56.9 62.5 60.3 59.8 49.2 42.9 41.9 41.6 37.1 41.2 46.9 51.2 60.4 60.1 61.6 57.0 50.9 43.0 38.8
37.1 38.4 38.4 46.5 53.5 58.4 60.6 58.2 53.8 46.6 45.5 40.6 42.4 38.4 40.3 44.6 50.9 57.0 62.1 63.5 56.3 47.3
43.6 41.8 36.2 39.3 44.5 48.7 54.2 60.8 65.5 64.9 60.1 50.2 42.1 35.8 39.4 38.2 40.4 46.9 53.4 59.6 66.5 60.4
59.2 51.2 42.8 45.8 40.0 42.6 43.5 47.1 50.0 60.5 64.6 64.0 56.8 48.6 44.2 36.4 37.3 35.0 44.0 43.9 52.7 58.6
60.0 61.1 58.1 49.6 41.6 41.3 40.8 41.0 38.4 47.4 54.1 58.6 61.4 61.8 56.3 50.9 41.4 37.1 42.1 41.2 47.3 46.6
52.4 59.0 59.6 60.4 57.0 50.7 47.8 39.2 39.4 40.9 42.4 47.8 52.4 58.0 60.7 61.8 58.2 46.7 46.6 37.8
"""


@pytest.fixture(scope="module")
def nile() -> np.ndarray:
    """Annual flow of the Nile at Aswan 1871-1970 (Cobb, Biometrika 65, 1978), as statsmodels ships it."""
    return statsmodels.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=float)


def noise_with_memory(rng: np.random.Generator, n: int, memory: float, white: float) -> np.ndarray:
    """An exponentially forgetting series of unit variance with white noise on top."""
    keep = math.exp(-1 / memory)
    kicks = rng.standard_normal(n) * math.sqrt(1 - keep**2)
    slow = np.empty(n)
    slow[0] = rng.standard_normal()
    for k in range(1, n):
        slow[k] = keep * slow[k - 1] + kicks[k]
    return slow + white * rng.standard_normal(n)


def test_sulfate_as_printed_by_the_epa() -> None:
    found = theil_sen(SULFATE_T, SULFATE)
    assert found.slope == pytest.approx(26.6666667, abs=1e-7)
    assert found.intercept == pytest.approx(-1909.3333333, abs=1e-6)
    # Ranks interpolated, the upper one M2 + 1; rounding them would give 35.849057.
    assert (found.low, found.high) == pytest.approx((20.0, 35.71182), abs=1e-5)
    assert found.pairs == 253
    test = mann_kendall(SULFATE, SULFATE_T)
    assert (test.s, test.variance) == (194, 1428.0)
    assert test.z == pytest.approx(5.107322, abs=1e-6)
    assert test.p == pytest.approx(3.267574e-07, rel=1e-6)
    # S over the number of pairs; with ties this is not tau-b.
    assert test.tau == pytest.approx(0.7667984, abs=1e-7)


def test_sodium_as_printed_by_the_epa() -> None:
    found, test = theil_sen(SODIUM_T, SODIUM), mann_kendall(SODIUM, SODIUM_T)
    assert (found.slope, found.intercept) == pytest.approx((1.3333333, -65.9666667), abs=1e-6)
    assert (found.low, found.high) == pytest.approx((0.3992083, 2.3333333), abs=1e-6)
    assert (test.s, test.variance) == (25, 125)
    assert (test.z, test.p) == pytest.approx((2.146625, 0.03182313), abs=1e-6)


def test_seasonal_example_as_printed_by_the_epa() -> None:
    k = np.arange(36)
    found = seasonal_kendall(1983 + k // 12, SEASONS, k % 12)
    assert (found.s, found.variance) == pytest.approx((35, 43.0))
    assert found.z == pytest.approx(5.1849514, abs=1e-6)
    assert found.slope == pytest.approx(0.06, abs=1e-9)
    assert (found.low, found.high) == pytest.approx((0.05786914, 0.07213086), abs=1e-7)
    assert found.heterogeneity == pytest.approx(0.1071882, abs=1e-6)


def test_nottingham_with_and_without_covariance() -> None:
    """R package trend, vignette: z 2.0919 of nottem, and 1.5974 with the covariance between seasons."""
    y = nottem()
    k = np.arange(240)
    plain = seasonal_kendall(1920 + k // 12, y, k % 12)
    assert (plain.s, plain.variance) == pytest.approx((224, 11364))
    assert (plain.z, plain.p, plain.slope) == pytest.approx((2.0919, 0.03645, 0.05), abs=1e-4)
    dependent = seasonal_kendall(1920 + k // 12, y, k % 12, covariance=True)
    assert dependent.variance == pytest.approx(19663.33, abs=0.01)
    assert dependent.z == pytest.approx(1.5974, abs=1e-4)
    reference = pymannkendall.correlated_seasonal_test(y, period=12)
    assert dependent.z == pytest.approx(reference.z, abs=1e-9)


def test_a_season_of_equal_values_changes_nothing_but_the_pairs() -> None:
    """As a censored month does: its S and its variance are both 0, so the published example keeps its score."""
    k = np.arange(36)
    t, month = np.append(1983 + k // 12, [1983, 1984, 1985]), np.append(k % 12, [12, 12, 12])
    found = seasonal_kendall(t, np.append(SEASONS, [2.0, 2.0, 2.0]), month)
    assert (found.s, found.variance) == pytest.approx((35, 43.0))
    assert found.heterogeneity == pytest.approx(0.1071882, abs=1e-6)
    nothing = seasonal_kendall(t, np.full(39, 2.0), month)
    assert np.isnan(nothing.p)


def nottem() -> np.ndarray:
    """Monthly mean temperature at Nottingham 1920-1939 (Anderson 1976; R data set nottem)."""
    return np.array(NOTTEM.split(), dtype=float)


def test_maxau_as_printed_in_the_vignette_of_the_r_package_trend() -> None:
    t = np.arange(45.0)
    found, test = theil_sen(t, MAXAU), mann_kendall(MAXAU)
    # The data above are rounded to four decimals.
    assert found.slope == pytest.approx(-0.2876139, abs=1e-5)
    assert (found.low, found.high) == pytest.approx((-0.4196477, -0.1519026), abs=1e-3)
    assert (test.s, test.variance) == (-394, 10450)
    assert (test.z, test.p) == pytest.approx((-3.8445, 0.0001208), abs=1e-4)


@pytest.mark.parametrize(
    ("t", "x", "s", "variance"),
    [
        # Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), page 211.
        (None, [10, 15, 14, 20], 4, 26 / 3),
        (None, [23, 24, 0, 6, 0, 24, 24, 0, 23], None, 83.66667),
        # The same, example 16.3: several values at one time.
        ([1, 1, 1, 2, 3, 3, 4, 5], [10, 22, 21, 30, 22, 30, 40, 40], 19, 58.0952),
        # The same, example 17.1, two stations.
        ([1, 1, 2, 3], [8, 10, 12, 15], 5, 7.667),
        ([1, 2, 2, 3], [15, 20, 18, 20], 4, 6.834),
        # van Belle and Hughes, Water Resources Research 20 (1984), pages 129 and 136.
        (None, [10, 14, 14, 14, 17, 22, 22, 23, 27, 27], 40, 119.3333),
        ([1, 1, 1, 1, 2, 2, 2, 3, 3, 3], [1.0, 1.0, 1.5, 1.7, 1.6, 1.7, 1.8, 1.7, 2.2, 2.3], 26, 105.4333),
        # EPA QA/G-9S (2006), page 109.
        (None, [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15], 22, 155.3333),
    ],
)
def test_s_and_its_variance_with_ties(t: list | None, x: list, s: int | None, variance: float) -> None:
    time = np.arange(len(x), dtype=float) if t is None else np.array(t, dtype=float)
    values = np.array(x, dtype=float)
    assert s is None or kendall_s(time, values) == s
    assert kendall_variance(time, values) == pytest.approx(variance, abs=2e-3)


def test_gilberts_example_with_several_values_at_one_time() -> None:
    """Example 16.3: median slope 5.5 of 24, 90 % limits 2.6 and 9.3 in the text."""
    found = theil_sen(np.array([1, 1, 1, 2, 3, 3, 4, 5]), np.array([10, 22, 21, 30, 22, 30, 40, 40]), 0.90)
    assert (found.slope, found.pairs) == (5.5, 24)
    assert (found.low, found.high) == pytest.approx((2.572, 9.269), abs=1e-3)


def test_hamed_and_rao_on_the_nile(nile: np.ndarray) -> None:
    for lags in (None, 1, 3, 10):
        ours = mann_kendall(nile, correction="hamed-rao", lags=lags)
        theirs = pymannkendall.hamed_rao_modification_test(nile, lag=lags)
        assert (ours.s, ours.variance, ours.z, ours.p) == pytest.approx((theirs.s, theirs.var_s, theirs.z, theirs.p))
    assert mann_kendall(nile, correction="hamed-rao").variance == pytest.approx(241565.357, abs=1e-3)


def test_hamed_and_rao_can_shrink_the_variance() -> None:
    y = np.array([round(10 + 0.05 * k + 2 * math.sin(k / 3), 6) for k in range(60)])
    plain, corrected = mann_kendall(y), mann_kendall(y, correction="hamed-rao")
    assert (plain.s, plain.z) == pytest.approx((462, 2.940224827101))
    assert corrected.variance == pytest.approx(16570.613923727215)
    assert corrected.p < plain.p


def test_plain_interval_misses_the_truth_where_the_honest_one_holds_it() -> None:
    """A seeded series of known slope -0.01 whose plain 95 % interval, as scipy gives it, misses."""
    rng = np.random.default_rng(20250101)
    e = rng.standard_normal(120)
    x = np.empty(120)
    x[0] = e[0]
    for i in range(1, 120):
        x[i] = 0.6 * x[i - 1] + e[i]
    y = np.round(-70 - 0.01 * np.arange(120) + x, 3)
    plain, honest = theil_sen(np.arange(120.0), y), trend(np.arange(120.0), y)
    assert not plain.low <= -0.01 <= plain.high
    assert honest.low <= -0.01 <= honest.high
    assert honest.slope == pytest.approx(plain.slope)
    assert honest.factor > 2


def test_slope_agrees_with_scipy() -> None:
    rng = np.random.default_rng(4)
    t, y = np.sort(rng.uniform(0, 9, 80)), rng.standard_normal(80)
    theirs = scipy_stats.theilslopes(y, t)
    ours = theil_sen(t, y)
    assert ours.slope == pytest.approx(theirs.slope)
    # scipy rounds ranks, we interpolate: a rank apart at most.
    slopes, _ = pair_slopes(t, y)
    place = np.searchsorted(slopes, [ours.low, theirs.low_slope, ours.high, theirs.high_slope])
    assert abs(place[0] - place[1]) <= 1
    assert abs(place[2] - place[3]) <= 1


def test_long_series_use_an_even_part_of_the_pairs() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(3000.0)
    y = 0.002 * t + rng.standard_normal(3000)
    slopes, share = pair_slopes(t, y)
    assert len(slopes) <= 420_000
    assert 0 < share < 0.2
    part, whole = theil_sen(t, y), theil_sen(t, y, most_pairs=10_000_000)
    assert part.slope == pytest.approx(whole.slope, rel=0.01)
    assert part.high - part.low == pytest.approx(whole.high - whole.low, rel=0.1)


@pytest.mark.parametrize("y", [[], [1.0], [1.0, 2.0], [math.nan] * 5])
def test_too_little_gives_no_number(y: list) -> None:
    found = trend(np.arange(float(len(y))), np.array(y))
    assert math.isnan(found.slope)
    assert math.isnan(found.p)


def test_constant_values_have_no_trend() -> None:
    found = mann_kendall(np.full(30, 5.0))
    assert (found.s, found.z, found.p) == (0, 0.0, 1.0)
    flat = trend(np.arange(30.0), np.full(30, 5.0))
    assert flat.slope == 0


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(-50, 50), min_size=5, max_size=40),
    st.floats(0.1, 10),
    st.floats(-100, 100),
    st.floats(-5, 5),
)
def test_slope_follows_shift_scale_and_time(y: list, scale: float, shift: float, slope: float) -> None:
    t, values = np.arange(float(len(y))), np.array(y, dtype=float)
    found = theil_sen(t, values)
    assert theil_sen(t, values * scale + shift).slope == pytest.approx(found.slope * scale, abs=1e-8)
    assert theil_sen(t, values + slope * t).slope == pytest.approx(found.slope + slope, abs=1e-8)
    assert theil_sen(-t, values).slope == pytest.approx(-found.slope, abs=1e-8)
    assert theil_sen(t + 1e9, values).slope == pytest.approx(found.slope, abs=1e-5)
    assert kendall_s(-t, values) == -kendall_s(t, values)


@pytest.mark.parametrize(
    ("memory", "white"), [(0.01, 0.0), (3.0, 1.0), (10.0, 0.0), (30.0, 2.0), (30.0, 0.0)], ids=lambda v: f"{v:g}"
)
def test_false_alarms_stay_near_their_level_whatever_the_memory(memory: float, white: float) -> None:
    """Fourteen months of daily values without a trend: at most a little over 5 % of tests may call one."""
    rng = np.random.default_rng(6)
    t = np.arange(425.0) / 365.25
    p = np.array([trend(t, noise_with_memory(rng, 425, memory, white)).p for _ in range(60)])
    # Binomial(60, 0.05) exceeds 8 with probability 0.2 %.
    assert np.sum(p < 0.05) <= 8
    assert np.sum(p < 0.001) <= 1


def test_other_columns_are_taken_out() -> None:
    """A season that would pass for a trend in half a year does not once it is a column."""
    rng = np.random.default_rng(7)
    t = np.arange(200.0) / 365.25
    season = np.cos(2 * np.pi * t)[:, None]
    held = 0
    for _ in range(20):
        y = 3 * season[:, 0] + 0.3 * rng.standard_normal(200)
        told = trend(t, y, others=season)
        held += told.low <= 0 <= told.high
        assert trend(t, y).high < -5
    # Binomial(20, 0.95) falls below 16 with probability 0.3 %.
    assert held >= 16
