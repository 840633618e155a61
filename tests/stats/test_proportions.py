"""Intervals for shares and counts against the tables of the papers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from lamplighter.stats.proportions import newcombe_difference, poisson_mean, two_share_p, wilson, wilson_bounds


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    # R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3.
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_as_in_newcombes_table(successes: int, trials: int, low: float, high: float) -> None:
    found = wilson(successes, trials)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)
    assert (found.low, found.high) == pytest.approx(proportion_confint(successes, trials, method="wilson"), abs=1e-12)


@pytest.mark.parametrize(
    ("a", "n", "b", "m", "low", "high"),
    # R. G. Newcombe, Statistics in Medicine 17 (1998) 873-890, table II, method 10.
    [(56, 70, 48, 80, 0.0524, 0.3339), (9, 10, 3, 10, 0.1705, 0.8090), (5, 56, 0, 29, -0.0381, 0.1926)],
)
def test_difference_as_in_newcombes_table(a: int, n: int, b: int, m: int, low: float, high: float) -> None:
    found = newcombe_difference(a, n, b, m)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    # F. Garwood, Biometrika 28 (1936) 437-442; recomputed from the chi-square distribution.
    [(0, 0.0, 3.6889), (1, 0.0253, 5.5716), (3, 0.6187, 8.7673), (5, 1.6235, 11.6683), (10, 4.7954, 18.3904)],
)
def test_poisson_as_in_garwoods_table(count: int, low: float, high: float) -> None:
    found = poisson_mean(count)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


def test_no_trial_gives_no_number() -> None:
    assert math.isnan(wilson(0, 0).low)
    assert np.isnan(wilson_bounds(np.array([0]), np.array([0]))[0]).all()
    assert math.isnan(two_share_p(0, 0, 1, 2))


@pytest.mark.parametrize(("successes", "trials"), [(-1, 5), (6, 5)])
def test_impossible_counts_are_refused(successes: int, trials: int) -> None:
    with pytest.raises(ValueError, match="successes of"):
        wilson(successes, trials)


@given(st.integers(0, 5000), st.integers(1, 5000))
def test_interval_holds_the_share_and_mirrors(successes: int, trials: int) -> None:
    successes = min(successes, trials)
    found, mirror = wilson(successes, trials), wilson(trials - successes, trials)
    assert 0 <= found.low <= found.value <= found.high <= 1
    assert found.low == pytest.approx(1 - mirror.high, abs=1e-12)


def test_equal_shares_are_not_told_apart() -> None:
    assert two_share_p(10, 100, 20, 200) == pytest.approx(1.0)
    assert two_share_p(10, 100, 60, 200) < 0.001
