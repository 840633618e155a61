"""Noise with a memory: transforms that whiten it, and quantiles of mixtures, against NumPy and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lamplighter.stats.noise import (
    BLOCK,
    Asked,
    ask,
    mixture_below,
    mixture_density,
    mixture_interval,
    prepare,
    regress,
    whitener,
)


@pytest.mark.parametrize("n", [2, BLOCK - 1, BLOCK, BLOCK + 1, 5 * BLOCK + 3])
def test_whitening_makes_the_identity_of_the_correlation_matrix(n):
    rng = np.random.default_rng(n)
    t = np.cumsum(rng.uniform(0.2, 3.0, n))
    weight = rng.uniform(0.3, 1.0, n)
    white = whitener(t, weight, np.array([0.7, 5.0, 40.0]), (0.0, 0.6, 0.99))
    turned = white.whiten(np.eye(n))
    for tau, share, log_det, one in zip(white.tau, white.share, white.log_det, turned, strict=True):
        # Exponential memory of the slow share, the rest on the diagonal, by the definition.
        r = share * np.exp(-np.abs(t[:, None] - t) / tau) + (1 - share) * np.diag(1 / weight)
        assert one @ r @ one.T == pytest.approx(np.eye(n), abs=1e-8)
        assert np.allclose(one, np.tril(one))
        assert log_det == pytest.approx(np.linalg.slogdet(r)[1])


def test_candidates_are_whitened_as_any_column_is():
    white = whitener(np.arange(50.0))
    assert white.steps.white[:, :, 7] == pytest.approx(white.whiten((np.arange(50.0) >= 7)[:, None] * 1.0)[:, :, 0])
    assert white.steps.squares[:, 7] == pytest.approx((white.steps.white[:, :, 7] ** 2).sum(axis=1))
    assert white.whiten(np.zeros((50, 0))).shape == (len(white.tau), 50, 0)


def series(n=60):
    """Return transforms, values and columns: a level and a slope beside noise."""
    rng = np.random.default_rng(4)
    t = np.cumsum(rng.uniform(0.5, 2.0, n))
    columns = np.column_stack([np.ones(n), t / t[-1]])
    return (
        whitener(t, None, np.array([0.7, 5.0, 40.0]), (0.0, 0.6, 0.99)),
        columns @ [3.0, -2.0] + rng.normal(0, 0.5, n),
        columns,
    )


def generalised(white, y, columns):
    """Coefficients and standard errors of generalised least squares by their definition, by noise model."""
    found = []
    for tau, share in zip(white.tau, white.share, strict=True):
        r = share * np.exp(-np.abs(white.t[:, None] - white.t) / tau) + (1 - share) * np.eye(len(y))
        inner = columns.T @ np.linalg.solve(r, columns)
        coefficient = np.linalg.solve(inner, columns.T @ np.linalg.solve(r, y))
        rest = y - columns @ coefficient
        variance = rest @ np.linalg.solve(r, rest) / (len(y) - columns.shape[1])
        found.append([coefficient, np.sqrt(variance * np.diag(np.linalg.inv(inner)))])
    return np.array(found).transpose(1, 0, 2)


def test_a_regression_without_priors_is_generalised_least_squares():
    white, y, columns = series()
    coefficient, scale = generalised(white, y, columns)
    for fit in (regress(white, y, columns), prepare(white, y, columns).fit):
        assert fit.coefficient == pytest.approx(coefficient, rel=1e-9)
        assert fit.scale == pytest.approx(scale, rel=1e-9)


@pytest.mark.parametrize("prior", [None, np.array([np.inf, 0.7]), np.array([2.0, 0.7])])
def test_a_regression_is_the_same_with_and_without_its_basis(prior):
    white, y, columns = series()
    one, other = regress(white, y, columns, prior), prepare(white, y, columns, prior).fit
    for name in ("weight", "log_evidence", "coefficient", "scale"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-9), name


def test_a_candidate_without_a_prior_is_what_a_regression_with_it_would_find():
    white, y, columns = series()
    late = np.maximum(np.arange(len(y)) - 40.0, 0.0)[:, None]
    answer = ask(prepare(white, y, columns), Asked(white.whiten(late)), 1e9)
    coefficient, scale = generalised(white, y, np.column_stack([columns, late]))
    freedom = (len(y) - 3) / (len(y) - 2)  # a candidate with a prior costs no degree of freedom
    assert answer.coefficient[:, 0] == pytest.approx(coefficient[:, 2], rel=1e-6)
    assert answer.scale[:, 0] == pytest.approx(scale[:, 2] * np.sqrt(freedom), rel=1e-6)


def test_both_ends_of_an_interval_are_found_to_the_last_digits():
    """Also the one that is found first, while the search for the other goes on."""
    rng = np.random.default_rng(6)
    for _ in range(200):
        n = int(rng.integers(1, 30))
        centre, scale, weight = rng.normal(0, 0.3, n), rng.uniform(0.3, 1.5, n), rng.dirichlet(np.ones(n))
        weight[weight < 1e-3] = 0.0
        weight /= weight.sum()
        ends = mixture_interval(centre, scale, weight, 149.0, 0.95)
        below = mixture_below(np.array(ends), centre, scale, weight, 149.0)
        assert below == pytest.approx([0.025, 0.975], abs=1e-13)


MIXTURE = st.lists(
    st.tuples(st.floats(-50, 50), st.floats(1e-3, 30), st.floats(0.01, 1.0)), min_size=1, max_size=12
).map(lambda rows: np.array(rows).T)


@given(MIXTURE, st.floats(2, 200), st.sampled_from([0.5, 0.8, 0.95]))
def test_the_ends_of_an_interval_leave_equal_tails(parts, freedom, confidence):
    centre, scale, weight = parts[0], parts[1], parts[2] / parts[2].sum()
    low, high = mixture_interval(centre, scale, weight, freedom, confidence)
    tail = (1 - confidence) / 2
    below = [float(weight @ stats.t.cdf((x - centre) / scale, freedom)) for x in (low, high)]
    assert below == pytest.approx([tail, 1 - tail], abs=1e-4)


def test_steep_parts_beside_wide_ones_do_not_lead_astray():
    rng = np.random.default_rng(1)
    for _ in range(2000):
        n = int(rng.integers(1, 13))
        centre, scale = rng.uniform(-50, 50, n) * rng.choice([0, 1, 1]), 10 ** rng.uniform(-3, 1.5, n)
        weight, freedom = rng.dirichlet(np.ones(n)), float(rng.uniform(2, 200))
        low, high = mixture_interval(centre, scale, weight, freedom, 0.5)
        below = mixture_below(np.array([low, high]), centre, scale, weight, freedom)
        assert below == pytest.approx([0.25, 0.75], abs=1e-4)


def test_the_interval_of_one_part_is_that_of_its_distribution():
    found = mixture_interval(np.array([3.0]), np.array([2.0]), np.array([1.0]), 7.0, 0.95)
    assert found == pytest.approx(stats.t.interval(0.95, 7, loc=3.0, scale=2.0), rel=1e-6)


def test_parts_without_a_scale_are_steps_of_the_distribution():
    centre, scale, weight = np.array([-1.0, 4.0]), np.zeros(2), np.array([0.5, 0.5])
    low, high = mixture_interval(centre, scale, weight, 10.0, 0.9)
    assert (low, high) == pytest.approx((-1.0, 4.0), abs=1e-5)


def test_the_density_is_the_slope_of_the_distribution():
    rng = np.random.default_rng(3)
    centre, scale, weight = rng.normal(size=5), rng.uniform(0.2, 2, 5), rng.dirichlet(np.ones(5))
    x, h = np.linspace(-4, 4, 9), 1e-6
    slope = mixture_below(x + h, centre, scale, weight, 9.0) - mixture_below(x - h, centre, scale, weight, 9.0)
    assert mixture_density(x, centre, scale, weight, 9.0) == pytest.approx(slope / (2 * h), rel=1e-5)
