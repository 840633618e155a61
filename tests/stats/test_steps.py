"""Classical tests of one change against published series."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.datasets
from ruptures import Dynp

from lamplighter.stats.steps import best_split, cusum, pettitt, poisson_split

# Page's data in A. N. Pettitt, Applied Statistics 28 (1979) 126-135, table 1.
PAGE = np.array(
    [-1.05, 0.96, 1.22, 0.58, -0.98, -0.03, -1.54, -0.71, -0.35, 0.66, 0.44, 0.91, -0.02, -1.42, 1.26, -1.02, -0.81,
     1.66, 1.05, 0.97, 2.14, 1.22, -0.24, 1.60, 0.72, -0.12, 0.44, 0.03, 0.66, 0.56, 1.37, 1.66, 0.10, 0.80, 1.29,
     0.49, -0.07, 1.18, 3.29, 1.84]
)  # fmt: skip
# British coal-mining disasters a year, 1851-1962: R. G. Jarrett, Biometrika 66 (1979) 191-193.
COAL = np.array(
    [int(c) for c in "4541043406334026335453144155342522342132211113001011003103220111010100021000110233112111123300"
                     "014000100000100101"]
)  # fmt: skip


@pytest.fixture(scope="module")
def nile() -> np.ndarray:
    return statsmodels.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=float)


def test_pettitt_on_pages_data() -> None:
    found = pettitt(PAGE)
    assert (found.index, found.statistic) == (17, 232)
    assert found.p == pytest.approx(0.0146, abs=5e-5)
    assert (found.before, found.after) == pytest.approx((-0.111765, 0.984348), abs=1e-6)


def test_nile_changes_after_1898(nile: np.ndarray) -> None:
    """G. W. Cobb, Biometrika 65 (1978): one change, after the 28th year."""
    rank, squares = pettitt(nile), best_split(nile)
    assert (rank.index, rank.statistic) == (28, 1617)
    assert rank.p == pytest.approx(3.591e-07, rel=1e-3)
    assert squares.index == 28 == Dynp(model="l2", min_size=2, jump=1).fit(nile).predict(1)[0]
    assert (squares.before, squares.after) == pytest.approx((1097.75, 849.9722222))
    assert squares.statistic == pytest.approx(75.9297694275)


def test_coal_mining_rate_changes_after_1891() -> None:
    """Counts want a Poisson model: least squares would say 1886."""
    assert (len(COAL), COAL.sum()) == (112, 191)
    found = poisson_split(COAL)
    assert 1850 + found.index == 1891
    assert (found.before, found.after) == pytest.approx((3.0976, 0.9014), abs=1e-4)
    assert found.statistic == pytest.approx(34.9942, abs=1e-4)
    assert 1850 + best_split(COAL).index == 1886
    assert 1850 + pettitt(COAL).index == 1891


def test_cusum_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook, 6.3.2.3: target 325, k 0.3175, h 4.1959, first signal at group 14."""
    x = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
         328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip
    up, down = cusum(np.array(x), 325, 0.3175)
    assert 1 + int(np.argmax(up > 4.1959)) == 14
    assert up[12:16] == pytest.approx([3.0075, 4.94, 7.4475, 10.63], abs=1e-9)
    assert down.max() == pytest.approx(0.715, abs=1e-9)


def test_cusum_of_montgomerys_example() -> None:
    """Introduction to Statistical Quality Control, table 9.2: C+ passes 5 at period 29."""
    x = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62,
         10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52]  # fmt: skip
    up, down = cusum(np.array(x), 10, 0.5)
    assert 1 + int(np.argmax(up > 5)) == 29
    assert up[28] == pytest.approx(5.28, abs=1e-9)
    assert down.max() == pytest.approx(1.77, abs=0.2)


def test_equal_rates_do_not_change() -> None:
    assert poisson_split(np.full(40, 3)).p == 1.0
    assert poisson_split(np.array([3, 6, 3, 6]), np.array([1, 2, 1, 2])).statistic == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("test", [pettitt, best_split, poisson_split])
def test_too_little_gives_no_number(test: object) -> None:
    assert math.isnan(test(np.array([1.0])).p)
