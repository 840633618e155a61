"""Order statistics against those of NumPy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.stats.order import largest, quantile, sorted_within

NUMBERS = st.lists(st.floats(-1e6, 1e6) | st.integers(-3, 3).map(float), min_size=1, max_size=60)


@given(NUMBERS, st.floats(0, 1))
def test_a_quantile_is_that_of_numpy(values, share):
    assert quantile(np.array(values), share) == np.quantile(values, share)


@given(st.lists(NUMBERS, min_size=1, max_size=12))
def test_each_stretch_is_sorted_by_itself(stretches):
    found = sorted_within(np.concatenate(stretches), np.array([len(s) for s in stretches]))
    assert found.tolist() == [x for s in stretches for x in sorted(s)]


def test_one_long_stretch_among_many_short_ones_is_sorted_without_a_table():
    values = np.random.default_rng(1).normal(size=1099)
    size = np.array([1] * 99 + [1000])
    assert sorted_within(values, size).tolist() == [*values[:99], *sorted(values[99:])]


@pytest.mark.parametrize("count", [1, 3, 60])
@given(values=NUMBERS)
def test_the_largest_come_first_and_equal_ones_in_order(values, count):
    expected = np.argsort(-np.array(values), kind="stable")[:count]
    assert largest(np.array(values), count).tolist() == expected.tolist()
