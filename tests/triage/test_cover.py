"""Days at one place: the dynamic programme against brute force and published examples."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.triage.cover import NEVER, best_cover


def brute_force(cost: np.ndarray, trip: float, skip: np.ndarray) -> float:
    """Try every set of days."""
    n_days = cost.shape[1]
    totals = [float(skip.sum())]
    for size in range(1, n_days + 1):
        for days in combinations(range(n_days), size):
            totals.append(trip * size + float(np.minimum(cost[:, days].min(axis=1), skip).sum()))
    return min(totals)


def windows(spans: list[tuple[int, int]]) -> np.ndarray:
    day = np.arange(max(b for _, b in spans) + 1)
    return np.array([np.where((day >= a) & (day <= b), 0.0, NEVER) for a, b in spans])


# Interval stabbing: greedy by earliest end is optimal (textbook result; Kleinberg & Tardos, Algorithm Design, ch. 4,
# from memory). The first set and its points 4, 8, 12 were worked out by hand; the others are public course examples.
@pytest.mark.parametrize(
    ("spans", "fewest"),
    [
        ([(1, 4), (2, 6), (5, 8), (7, 9), (3, 5), (10, 12), (11, 14)], 3),
        ([(0, 10), (3, 12), (11, 15)], 2),
        ([(0, 3), (2, 6), (3, 4), (6, 9)], 2),
        ([(1, 3), (2, 5), (3, 6)], 1),
        ([(5, 5)], 1),
        ([(0, 1), (2, 3), (4, 5)], 3),
    ],
)
def test_without_other_costs_it_is_the_fewest_points_that_stab_all_intervals(
    spans: list[tuple[int, int]], fewest: int
) -> None:
    cover = best_cover(windows(spans), 1.0)
    assert cover.total == fewest
    assert len(cover.days) == fewest
    assert all(a <= day <= b for (a, b), day in zip(spans, cover.served, strict=True))


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 9)), min_size=1, max_size=12))
def test_stabbing_agrees_with_the_greedy_rule(raw: list[tuple[int, int]]) -> None:
    spans = [(a, a + width) for a, width in raw]
    points: list[int] = []
    for a, b in sorted(spans, key=lambda span: span[1]):
        if not points or points[-1] < a:
            points.append(b)
    assert len(best_cover(windows(spans), 1.0).days) == len(points)


@pytest.mark.parametrize("seed", range(60))
def test_no_choice_of_days_is_cheaper(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, n_days = int(rng.integers(1, 6)), int(rng.integers(1, 9))
    day = np.arange(n_days)
    ideal, early, late = (rng.uniform(0, high, n)[:, None] for high in (n_days, 3.0, 2.0))
    cost = early * np.maximum(0, ideal - day) + late * np.maximum(0, day - ideal)
    if seed % 2:
        first = rng.integers(0, n_days, n)[:, None]
        last = first + rng.integers(0, 4, n)[:, None]
        cost = np.where((day >= first) & (day <= last), cost, NEVER)
    skip = np.where(rng.random(n) < 0.3, rng.uniform(0, 5, n), NEVER)
    trip = float(rng.uniform(0.5, 4))
    cover = best_cover(cost, trip, skip)
    assert cover.total == pytest.approx(brute_force(cost, trip, skip), abs=1e-6)
    paid = sum(cost[i, d] if d >= 0 else skip[i] for i, d in enumerate(cover.served))
    assert trip * len(cover.days) + paid == pytest.approx(cover.total, abs=1e-6)


def test_a_dear_trip_is_made_once_and_a_free_one_on_every_best_day() -> None:
    cost = np.abs(np.array([[2.0], [5.0], [9.0]]) - np.arange(12))
    assert len(best_cover(cost, 100.0).days) == 1
    assert best_cover(cost, 0.0).days == (2, 5, 9)


def test_a_job_that_may_wait_is_taken_along_but_gets_no_trip_of_its_own() -> None:
    both = windows([(2, 4), (3, 8)])
    skip = np.array([NEVER, 30.0])
    along = best_cover(both, 50.0, skip)
    assert along.days in ((3,), (4,))
    assert along.served.tolist() == [along.days[0]] * 2
    alone = best_cover(both[1:], 50.0, skip[1:])
    assert (alone.days, alone.served.tolist(), alone.total) == ((), [-1], 30.0)
