"""At what age a battery is best replaced when nothing but its age is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gamma, gammainc

from lamplighter.results import Assessment
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.jobs import BATTERY
from lamplighter.triage.prices import replacement_money, trip_money
from lamplighter.triage.risk import day_cost
from lamplighter.triage.rules import load_rules

YEAR_D = 365.25


@dataclass(frozen=True, slots=True, kw_only=True)
class BestAge:
    """For one type of battery: the age at which replacing is cheapest [days], None when that is never.

    ``by_age`` and ``on_failure`` are the yearly cost of a node when its battery is replaced at that age and when it
    is replaced once it has failed [money a year].
    """

    chemistry: str
    nodes: int
    age_days: float | None
    by_age: float
    on_failure: float


def best_age(shape: float, scale: float, planned: float, failed: float) -> tuple[float, float]:
    """Return the age at which replacing is cheapest in the long run, and what it then costs per unit of time.

    Age replacement (Barlow & Proschan 1965, Mathematical Theory of Reliability, from memory): the least of
    (planned R(T) + failed F(T)) / integral of R up to T, for lives with a Weibull distribution. The age is infinite
    when failures grow no likelier with age, or cost no more than a planned job.

    Parameters
    ----------
    shape, scale : float
        Of the Weibull distribution; the scale in the unit of the age.
    planned, failed : float
        Cost of a planned replacement, and of one after a failure [money].
    """
    mean = gamma(1 + 1 / shape)
    if shape <= 1 or failed <= planned:
        return float("inf"), float(failed / (scale * mean))
    wanted = planned / (failed - planned)

    def surplus(u: float) -> float:
        lived = mean * float(gammainc(1 / shape, u**shape))
        return shape * u ** (shape - 1) * lived + np.expm1(-(u**shape)) - wanted

    high = 1.0
    while surplus(high) < 0:
        high *= 2
    from scipy.optimize import brentq  # slow to load, and seldom needed

    u = float(brentq(surplus, 0.0, high, xtol=1e-13))
    return scale * u, (failed - planned) * shape * u ** (shape - 1) / scale


def best_ages(assessment: Assessment, s: TriageSettings) -> tuple[BestAge, ...]:
    """Return the best age for each type of battery whose lives the assessment has learned."""
    minutes = load_rules(s.rules_file).cause(BATTERY).minutes
    planned = replacement_money("", "", minutes, s)
    failed = planned + (1 - s.postponed_trip_share) * trip_money("", s) + s.response_days * day_cost(None, s)
    ages = []
    for known in assessment.fleet.get("battery", {}).get("classes", ()):
        shape, middle = known.get("weibull_shape"), known.get("median_life_days")
        if shape and middle:
            scale = middle / np.log(2) ** (1 / shape)
            age, rate = best_age(shape, scale, planned, failed)
            ages.append(
                BestAge(
                    chemistry=known["chemistry"],
                    nodes=int(known["nodes"]),
                    age_days=age if np.isfinite(age) else None,
                    by_age=rate * YEAR_D,
                    on_failure=float(failed / (scale * gamma(1 + 1 / shape)) * YEAR_D),
                )
            )
    return tuple(ages)
