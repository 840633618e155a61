"""When to replace: age replacement and the newsvendor's balance of early against late."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from lamplighter.triage.ages import best_age, best_ages
from lamplighter.triage.jobs import BatteryOutlook, Job
from lamplighter.triage.risk import Z10, expected_dark, expected_left, split_normal_cdf
from tests.triage.build import Fleet


# Barlow & Proschan 1965 (from memory); the second row is a public reliability example (beta 2.5, eta 1000 h, planned 1,
# failed 5: 493.0470 h); all rows recomputed with scipy by the definition, independently of this code.
@pytest.mark.parametrize(
    ("shape", "scale", "planned", "failed", "age", "rate"),
    [
        (2.0, 1000.0, 1.0, 5.0, 510.6552242954, 0.004085241794),
        (2.5, 1000.0, 1.0, 5.0, 493.0469575966, 0.003462042739),
        (3.0, 10.0, 100.0, 500.0, 5.0260958210, 30.313967042557),
        (3.0, 10.0, 1.0, 10.0, 3.824555, 0.394935),
    ],
)
def test_age_replacement_gives_the_published_ages(
    shape: float, scale: float, planned: float, failed: float, age: float, rate: float
) -> None:
    assert best_age(shape, scale, planned, failed) == pytest.approx((age, rate), rel=2e-6)


@pytest.mark.parametrize(("shape", "planned", "failed"), [(1.0, 1.0, 5.0), (0.7, 1.0, 5.0), (3.0, 5.0, 5.0)])
def test_without_ageing_or_gain_nothing_is_replaced_early(shape: float, planned: float, failed: float) -> None:
    age, rate = best_age(shape, 100.0, planned, failed)
    assert age == float("inf")
    mean = quad(lambda t: np.exp(-((t / 100) ** shape)), 0, np.inf)[0]
    assert rate == pytest.approx(failed / mean, rel=1e-6)


def test_the_age_is_the_least_of_the_long_run_cost() -> None:
    def long_run(t: float) -> float:
        alive = lambda u: np.exp(-((u / 900) ** 2.2))  # noqa: E731
        return (60 * alive(t) + 400 * (1 - alive(t))) / quad(alive, 0, t)[0]

    found = minimize_scalar(long_run, bounds=(50, 3000), method="bounded", options={"xatol": 1e-6})
    assert best_age(2.2, 900.0, 60.0, 400.0) == pytest.approx((found.x, found.fun), rel=1e-5)


def swap(p10: float, p50: float, p90: float, wasted_a_day: float, lost_a_day: float) -> Job:
    outlook = BatteryOutlook(p10=p10, p50=p50, p90=p90, life=1.0, worth=wasted_a_day)
    return Job(
        id="node:A", subject_kind="node", subject="A", name="A", place="North", status="M", cause="", action="",
        reason="", part="", minutes=25.0, not_before=0.0, due=1e9, criticality=3.0, rate=0.0, cost_per_day=lost_a_day,
        outlook=outlook, cautions=(), steps=(), log_actions=(),
    )  # fmt: skip


# Newsvendor, order quantity at the critical ratio. Cachon & Terwiesch, Matching Supply with Demand, Q12.1d: demand
# N(200, 80), underage 8, overage 4 -> 234.4582 (the book's table, rounding up, gives 235.2). The other two computed
# with scipy's normal quantile. A day of battery life thrown away is underage, a dark day overage.
@pytest.mark.parametrize(
    ("mean", "sd", "under", "over", "best"),
    [
        (200.0, 80.0, 8.0, 4.0, 234.4582),
        (100.0, 20.0, 3.0, 1.0, 113.489795003922),
        (50.0, 10.0, 9.0, 1.0, 62.815515655446),
    ],
)
def test_the_cheapest_day_for_a_swap_is_the_newsvendor_s(
    mean: float, sd: float, under: float, over: float, best: float
) -> None:
    job = swap(mean - Z10 * sd, mean, mean + Z10 * sd, under, over)
    days = np.arange(0.0, 400.0, 0.01)
    assert days[np.argmin(job.cost(days))] == pytest.approx(best, abs=0.02)


def test_a_swap_that_costs_more_late_than_early_is_done_before_the_middle() -> None:
    days = np.arange(0.0, 400.0, 0.5)
    job = swap(60.0, 100.0, 200.0, 1.0, 9.0)
    best = days[np.argmin(job.cost(days))]
    assert split_normal_cdf(np.array([best]), 60.0, 100.0, 200.0, 1.0)[0] == pytest.approx(0.1, abs=0.01)
    assert best == pytest.approx(60.0, abs=0.5), "P10 is the day on which one in ten is empty"


@pytest.mark.parametrize("t", [-30.0, 3.0, 10.0, 25.0, 90.0])
def test_expected_times_are_the_areas_under_the_distribution(t: float) -> None:
    outlook = (2.0, 10.0, 40.0, 1.0)

    def share(x: float) -> float:
        return float(split_normal_cdf(np.array([x]), *outlook)[0])

    dark = sum(quad(share, a, b)[0] for a, b in ((-200, min(t, 10)), (min(t, 10), t)))
    left = sum(quad(lambda x: 1 - share(x), a, b)[0] for a, b in ((t, max(t, 10)), (max(t, 10), 600)))
    assert expected_dark(np.array([t]), *outlook)[0] == pytest.approx(dark, abs=1e-6)
    assert expected_left(np.array([t]), *outlook)[0] == pytest.approx(left, abs=1e-6)


def test_the_distribution_passes_through_its_percentiles() -> None:
    assert split_normal_cdf(np.array([60.0, 100.0, 200.0]), 60.0, 100.0, 200.0, 1.0) == pytest.approx([0.1, 0.5, 0.9])
    assert norm.ppf(0.9) == pytest.approx(Z10, abs=1e-15)


def test_the_best_age_is_given_for_each_type_whose_lives_are_known() -> None:
    fleet = Fleet()
    found = fleet.assessment()
    found.fleet["battery"] = {
        "classes": [
            {"chemistry": "li-socl2", "nodes": 9, "weibull_shape": 4.0, "median_life_days": 1800.0},
            {"chemistry": "alkaline", "nodes": 3, "weibull_shape": None, "median_life_days": None},
        ]
    }
    (age,) = best_ages(found, fleet.settings.triage)
    assert (age.chemistry, age.nodes) == ("li-socl2", 9)
    assert age.age_days is not None
    assert 300 < age.age_days < 1900
    assert age.by_age < age.on_failure
