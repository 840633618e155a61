"""Runs: encoding, exact probabilities and the tail of the ordinary ones."""

import math
from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.stats.runs import (
    _feller,
    _recursion,
    encode_runs,
    longest_run_moments,
    run_durations,
    run_probability,
    tail_probability,
    watched_until,
)


def test_runs_are_split_where_any_column_changes():
    runs = encode_runs(np.array([5.0, 5, 5, 7, 7, 5]), np.array([1.0, 1, 2, 2, 2, 2]))
    assert runs.start.tolist() == [0, 2, 3, 5]
    assert runs.length.tolist() == [2, 1, 2, 1]
    assert runs.last.tolist() == [1, 2, 4, 5]


def test_nothing_has_no_runs_and_nan_equals_nothing():
    assert len(encode_runs(np.zeros(0)).start) == 0
    assert encode_runs(np.array([np.nan, np.nan, 1.0])).length.tolist() == [1, 1, 1]


@given(st.lists(st.integers(0, 2), max_size=60))
def test_run_lengths_add_up_and_neighbours_differ(values):
    x = np.array(values, dtype=float)
    runs = encode_runs(x)
    assert runs.length.sum() == len(x)
    assert np.array_equal(np.repeat(x[runs.start], runs.length), x)
    assert (np.diff(x[runs.start]) != 0).all()


def test_a_gap_within_a_run_counts_no_more_than_the_longest_step():
    runs = encode_runs(np.array([1.0, 1, 1, 2]))
    time = np.array([0.0, 10, 500, 510])
    assert run_durations(runs, watched_until(time, longest_step=30), own_step=10).tolist() == [50, 10]


# Schilling, College Math. J. 21 (1990) 196-207: of the 1024 sequences of ten tosses 773 have no head run over 3.
# The others: exact rational dynamic programming; recursion checked by hand against full enumeration below.
@pytest.mark.parametrize(
    ("n", "length", "p", "expected"),
    [
        (5, 4, 0.5, 3 / 32),
        (10, 4, 0.5, 251 / 1024),
        (10, 5, 0.5, 112 / 1024),
        (100, 7, 0.5, 0.3175203875),
        (200, 6, 0.5, 0.8009321842),
        (200, 7, 0.5, 0.5437079159),
        (200, 8, 0.5, 0.3196979138),
        (288, 3, 0.05, 0.0334118631700917),
        (288, 4, 0.05, 0.0016911133254014),
        (96, 3, 0.1, 0.0814539312303168),
        (1440, 3, 0.02, 0.0112110712612502),
        (96, 3, 0.05, 0.0111111209909871),
        (1000, 3, 0.05, 0.11180854407),
        (1440, 3, 0.01, 0.00142262204),
        (100, 4, 0.1, 0.00870534836),
    ],
)
def test_run_probabilities_agree_with_published_and_exact_values(n, length, p, expected):
    assert run_probability(n, length, p) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(("n", "length"), [(6, 2), (9, 3), (11, 1), (12, 12)])
def test_run_probability_agrees_with_counting_all_sequences(n, length):
    p = Fraction(3, 10)
    total = Fraction(0)
    for tosses in product((0, 1), repeat=n):
        if "1" * length in "".join(map(str, tosses)):
            total += p ** sum(tosses) * (1 - p) ** (n - sum(tosses))
    assert run_probability(n, length, 0.3) == pytest.approx(float(total), rel=1e-12)


# Schilling: about log2(n) - 2/3; exact by rational dynamic programming.
@pytest.mark.parametrize(
    ("n", "mean", "variance"),
    [(10, 2.798828125, 1.938045502), (100, 5.991780256, 3.215743639), (200, 6.984205528, 3.340814550)],
)
def test_moments_of_the_longest_run_of_a_fair_coin(n, mean, variance):
    found = longest_run_moments(n, 0.5)
    assert found == pytest.approx((mean, variance), rel=1e-8)
    assert found[0] == pytest.approx(math.log2(n) - 2 / 3, abs=0.15)


@pytest.mark.parametrize(
    ("n", "length", "p"), [(5000, 12, 0.5), (20000, 30, 0.7), (9000, 3, 0.01), (8000, 60, 0.9), (9000, 4, 0.5)]
)
def test_the_formula_for_long_series_agrees_with_the_recursion(n, length, p):
    assert _feller(n, length, p) == pytest.approx(_recursion(n, length, p), rel=1e-7, abs=1e-12)


def test_tiny_probabilities_keep_their_size():
    assert run_probability(100_000, 200, 0.5) == pytest.approx((100_000 - 200 + 2) * 0.5**201, rel=1e-3)


def test_certain_and_impossible_runs():
    assert run_probability(10, 11, 0.9) == 0
    assert run_probability(10, 3, 0.0) == 0
    assert run_probability(10, 3, 1.0) == 1
    with pytest.raises(ValueError, match="at least 1"):
        run_probability(10, 0, 0.5)


def tail(reference, value, shape=0.5):
    return tail_probability(np.asarray(reference, dtype=float), value, tails=(10, 30), shape=shape, prior=2.0)


def share_below(draw, level, **more):
    """Share of samples whose longest run, judged against the others, comes out below a level."""
    rng = np.random.default_rng(11)
    hits = []
    for _ in range(600):
        runs = np.sort(draw(rng))
        hits.append(tail(runs[:-1], runs[-1], **more) < level)
    return np.mean(hits)


@pytest.mark.parametrize("level", [0.01, 0.1])
@pytest.mark.parametrize("shape", [0.5, 0.7, 1.0, 2.0])
def test_the_longest_of_ordinary_runs_is_called_rare_no_more_often_than_it_should_be(shape, level):
    """Weibull runs at least as light as the shape assumed; twice the level allows for the two tails tried."""
    assert share_below(lambda rng: rng.weibull(shape, 400) + 0.05, level) <= 2 * level


@pytest.mark.parametrize("heavy", [0.3, 0.6, 1.0])
def test_a_shape_near_zero_covers_power_laws(heavy):
    assert share_below(lambda rng: (1 - rng.random(400)) ** -heavy, 0.01, shape=0.05) <= 0.02


def test_a_run_far_beyond_the_others_is_improbable_and_one_like_them_is_not():
    rng = np.random.default_rng(3)
    runs = rng.geometric(0.3, 3000)
    assert tail(runs, 500) < 1e-4
    assert tail(runs, runs.max()) > 0.05


def test_runs_that_never_repeat_still_leave_room_for_a_short_one():
    assert tail(np.ones(500), 2) > 1e-8
    assert tail(np.ones(500), 100) < 1e-15


def test_without_a_reference_nothing_is_improbable():
    assert tail([], 100) == 1
    assert tail([3, 3], 2) == 1
