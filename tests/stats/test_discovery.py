"""False discovery control against the worked example of the paper and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import false_discovery_control

from lamplighter.stats.discovery import benjamini_hochberg

# Y. Benjamini, Y. Hochberg, J. Royal Statistical Society B 57 (1995) 289-300, section 4: 15 comparisons.
PAPER = np.array(
    [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
)


def test_the_papers_example_calls_four() -> None:
    found = benjamini_hochberg(PAPER, 0.05)
    assert found.called.sum() == 4
    assert found.cutoff == 0.0095
    assert found.adjusted[:5] == pytest.approx([0.0015, 0.003, 0.0095, 0.035625, 0.0603], abs=1e-6)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=60))
def test_adjusted_values_agree_with_scipy(p: list) -> None:
    values = np.array(p)
    assert benjamini_hochberg(values).adjusted == pytest.approx(false_discovery_control(values), abs=1e-12)


def test_values_not_tested_are_never_called_and_not_counted() -> None:
    with_gaps = np.insert(PAPER, [0, 7], np.nan)
    found = benjamini_hochberg(with_gaps)
    assert found.called.sum() == 4
    assert np.isnan(found.adjusted[0])
    assert not found.called[0]


def test_unlisted_tests_count() -> None:
    assert benjamini_hochberg(PAPER, 0.05, tests=400).called.sum() == 1
    assert benjamini_hochberg(PAPER, 0.05, tests=1000).called.sum() == 0


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        benjamini_hochberg(np.array([0.5, 1.5]))
    with pytest.raises(ValueError, match="from only"):
        benjamini_hochberg(PAPER, tests=3)


def test_rounding_is_drawn_in_and_no_more_than_that() -> None:
    found = benjamini_hochberg(np.array([-1e-12, 1 + 1e-12, 0.5]))
    assert found.called.tolist() == [True, False, False]
    assert found.cutoff == 0
    for wrong in (-1e-6, 1 + 1e-6, np.inf, -np.inf):
        with pytest.raises(ValueError, match="between 0 and 1"):
            benjamini_hochberg(np.array([0.5, wrong]))


def test_nothing_to_test() -> None:
    assert benjamini_hochberg(np.array([])).cutoff == 0
