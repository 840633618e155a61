"""Order statistics against those of NumPy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.stats.order import (
    crowded,
    largest,
    quantile,
    quantiles,
    quantiles_within,
    ranked_within,
    stretches,
    weighted_median,
)

NUMBERS = st.lists(st.floats(-1e6, 1e6) | st.integers(-3, 3).map(float), min_size=1, max_size=60)


@given(NUMBERS, st.floats(0, 1))
def test_a_quantile_is_that_of_numpy(values, share):
    assert quantile(np.array(values), share) == np.quantile(values, share)


@given(NUMBERS, st.lists(st.floats(0, 1), min_size=1, max_size=4))
def test_several_quantiles_are_those_taken_one_by_one(values, shares):
    assert quantiles(np.array(values), *shares) == [quantile(np.array(values), share) for share in shares]


@given(st.lists(NUMBERS | st.just([]), min_size=1, max_size=12).filter(any), st.floats(0, 1))
def test_the_quantile_of_each_stretch_is_that_of_numpy(stretches, share):
    found = quantiles_within(np.concatenate(stretches), np.array([len(s) for s in stretches]), (share,))[0]
    expected = [np.quantile(s, share) if s else np.nan for s in stretches]
    assert found == pytest.approx(expected, rel=1e-12, abs=1e-9, nan_ok=True)


@given(st.lists(NUMBERS, min_size=1, max_size=12))
def test_the_order_statistic_of_each_stretch_is_taken_from_it_sorted(stretches):
    size = np.array([len(s) for s in stretches])
    found = ranked_within(np.concatenate(stretches), size, size // 2)
    assert found.tolist() == [sorted(s)[len(s) // 2] for s in stretches]


def test_one_long_stretch_among_many_short_ones_is_sorted_without_a_table():
    values = np.random.default_rng(1).normal(size=1099)
    size = np.array([1] * 99 + [1000])
    assert ranked_within(values, size, size - 1).tolist() == [*values[:99], values[99:].max()]


@given(st.lists(st.integers(0, 3), max_size=40))
def test_stretches_of_equal_neighbours_put_together_are_the_whole(values):
    first, size = stretches(np.array(values))
    assert np.repeat(np.array(values, dtype=int)[first], size).tolist() == values
    assert (np.diff(np.array(values)[first]) != 0).all()


def test_the_crowded_middle_is_the_usual_spacing_whatever_lies_about_it():
    rng = np.random.default_rng(2)
    spacing = np.concatenate([900 + rng.integers(-3, 4, 500), 1800 + rng.integers(-3, 4, 60), np.full(200, 60)])
    assert crowded(rng.permutation(spacing).astype(float)) == 900
    distinct, times = np.unique(spacing.astype(float), return_counts=True)
    assert crowded(distinct, times=times) == 900


@given(st.floats(1.0, 1e6), st.floats(0.5, 2.0))
def test_a_crowd_that_straddles_two_classes_is_not_cut(middle, factor):
    near = middle * np.array([0.992, 0.996, 1.0, 1.004, 1.008])
    assert crowded(np.concatenate([near, factor * middle * np.array([3.0, 3.3, 3.7, 4.1])])) == pytest.approx(middle)


@pytest.mark.parametrize("count", [1, 3, 60])
@given(values=NUMBERS)
def test_the_largest_come_first_and_equal_ones_in_order(values, count):
    expected = np.argsort(-np.array(values), kind="stable")[:count]
    assert largest(np.array(values), count).tolist() == expected.tolist()


def test_a_median_by_weight_counts_each_value_so_often():
    values, weight = np.array([5.0, 1.0, np.nan, 3.0]), np.array([1, 2, 9, 4])
    assert weighted_median(values, weight) == np.median([5.0, 1, 1, 3, 3, 3, 3])
    assert np.isnan(weighted_median(np.array([np.nan]), np.array([3])))
    assert np.isnan(weighted_median(np.array([2.0]), np.array([0])))
