"""The trend test that the checks use keeps its level where others do not."""

from __future__ import annotations

import pytest

from tests.stats.trend_study import METHODS, NOISES, figures

OURS = METHODS["averaged over noise models (used)"]


@pytest.mark.slow
@pytest.mark.parametrize("noise", NOISES)
def test_false_alarms_and_coverage_are_as_promised(noise: str) -> None:
    found = figures(OURS, *NOISES[noise], 200, seed=2)
    # Binomial(200, 0.05) exceeds 19 with probability 0.3 %.
    assert found.false_alarms <= 0.095
    assert found.coverage >= 0.90


@pytest.mark.slow
@pytest.mark.parametrize("name", [n for n in METHODS if METHODS[n] is not OURS])
def test_every_other_method_fails_on_a_long_memory(name: str) -> None:
    assert figures(METHODS[name], *NOISES["30 days"], 60, seed=3).false_alarms > 0.15
