"""The targets of the checks, on fleets whose truth is known. Minutes long: run with ``-m slow``."""

from __future__ import annotations

import pytest

from tests.accuracy.harness import ScoreRow
from tests.accuracy.suite import plain_table, score_modules, scores

pytestmark = pytest.mark.slow


@pytest.fixture(scope="session")
def rows() -> list[ScoreRow]:
    return scores()


@pytest.mark.parametrize("area", [module.AREA for module in score_modules()])
def test_targets_of_an_area_are_met(rows: list[ScoreRow], area: str) -> None:
    mine = [r for r in rows if r.area == area]
    judged = [r for r in mine if r.ok is not None]
    assert judged or all(r.target == "-" for r in mine), f"no target of {area} could be judged"
    missed = [r for r in judged if not r.ok]
    assert not missed, "\n" + plain_table(missed)
