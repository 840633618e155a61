"""What waiting costs: parts that add up, smooth in the data, larger for what matters more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.checkins import DAY_S
from lamplighter.fleet import RegisterEntry
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.cases import NodeCase
from lamplighter.triage.risk import (
    battery_curve,
    day_cost,
    delivery_loss,
    hazard_curves,
    link_curve,
    moments,
    risk_parts,
    total_risk,
    zero_curve,
)
from tests.triage.build import NOW, Fleet, battery, finding

S = TriageSettings()
T = moments(S.planning_interval_days)


def case(*found, **facts) -> NodeCase:
    entry = RegisterEntry(node="A", zero_tolerance_pct_span=1.0, criticality=3.0)
    return NodeCase(node="A", entry=entry, findings=tuple(found), facts=facts)


def test_the_default_costs_rise_with_criticality_and_are_met_at_whole_steps() -> None:
    costs = [day_cost(level, S) for level in (1.0, 2.0, 3.0, 4.0, 5.0)]
    assert costs == pytest.approx(list(S.loss_cost_per_day))
    assert day_cost(None, S) == pytest.approx(day_cost(S.default_criticality, S))
    assert costs[2] < day_cost(3.5, S) < costs[3]


def test_a_battery_is_empty_with_its_forecast_s_own_percentages() -> None:
    days = np.array([30.0, 50.0, 90.0])
    assert battery_curve(case(**battery(30, 50, 90)), NOW, days, S) == pytest.approx([0.1, 0.5, 0.9], abs=0.001)


def test_a_battery_with_only_an_earliest_date_is_safe_until_then() -> None:
    curve = battery_curve(case(eol_not_before=NOW + 10 * DAY_S), NOW, np.array([5.0, 10.0, 20.0]), S)
    assert curve[:2].tolist() == [0.0, 0.0]
    assert 0 < curve[2] < 0.02


@pytest.mark.parametrize(
    ("facts", "loss"),
    [
        ({}, 0.0),
        ({"delivery": 0.99}, 0.0),
        ({"delivery": 0.95}, 0.0),
        ({"delivery": 0.475}, 0.5),
        ({"delivery": 0.99, "recent_delivery": 0.475}, 0.5),
        ({"delivery": 0.0}, 1.0),
    ],
)
def test_ordinary_losses_cost_nothing_and_the_rest_by_its_share(facts: dict[str, float], loss: float) -> None:
    assert delivery_loss(case(**facts), S) == pytest.approx(loss)


def test_a_falling_signal_adds_risk_only_as_it_nears_the_least_margin() -> None:
    def at_risk(margin: float, slope: float) -> float:
        facts = {
            "fade_margin_db": margin, "rssi_slope_db_per_year": slope, "rssi_slope_low": slope - 2,
            "rssi_slope_high": slope + 2,
        }  # fmt: skip
        return float(link_curve(case(**facts), T, S, 10.0).mean())

    assert at_risk(30.0, -20.0) < 1e-6
    assert at_risk(11.0, -40.0) > at_risk(11.0, -20.0) > at_risk(14.0, -20.0) > 0
    assert at_risk(11.0, 0.0) < 0.1 * at_risk(11.0, -40.0)
    assert at_risk(11.0, 15.0) <= at_risk(11.0, 0.0), "a rise is not counted on, nor held against the node"


def test_a_zero_at_its_tolerance_is_as_likely_outside_as_inside() -> None:
    still = {"zero_drift_pct_span_per_year": 0.0, "zero_drift_low": 0.0, "zero_drift_high": 0.0}
    at = [
        zero_curve(case(zero_error_pct_span=e, **still), T, S)[0] / S.wrong_reading_share for e in (0.0, 1.0, -1.0, 3.0)
    ]
    assert at == pytest.approx([0.0, 0.5, 0.5, 1.0], abs=1e-6)


def test_a_silent_node_is_not_charged_for_its_lost_check_ins_twice() -> None:
    silent = finding("A", "arrivals", "silent", "F", probability=1.0)
    curves = hazard_curves(case(silent, delivery=0.3), Fleet().context(), T)
    parts = risk_parts(curves, 28.0, 10.0)
    assert parts == {"silence": 280.0}


def test_the_parts_add_up_to_the_risk_to_the_last_digit_shown() -> None:
    curves = {"a": np.full(28, 0.123), "b": np.full(28, 0.456), "c": np.linspace(0, 0.9, 28)}
    parts = risk_parts(curves, 28.0, 12.0)
    assert total_risk(parts) == round(sum(parts.values()), 2)
    together = 12.0 * 28.0 * float((1 - (1 - 0.123) * (1 - 0.456) * (1 - curves["c"])).mean())
    assert total_risk(parts) == pytest.approx(together, abs=0.02)


shares = st.lists(st.floats(0, 1), min_size=1, max_size=7)


@given(shares, st.floats(0.01, 500), st.floats(1, 365))
def test_parts_are_never_negative_never_more_than_all_and_add_up(p: list[float], cost: float, days: float) -> None:
    parts = risk_parts({f"h{i}": np.full(5, v) for i, v in enumerate(p)}, days, cost)
    assert all(v > 0 for v in parts.values())
    assert total_risk(parts) <= cost * days + 0.01 * len(p)
    assert total_risk(parts) == pytest.approx(sum(parts.values()), abs=1e-9)


@given(shares, st.integers(0, 6), st.floats(0, 1e-3))
def test_a_small_change_of_one_hazard_makes_a_small_change_of_the_risk(p: list[float], which: int, step: float) -> None:
    def risk(values: list[float]) -> float:
        return total_risk(risk_parts({f"h{i}": np.full(5, v) for i, v in enumerate(values)}, 28.0, 10.0))

    moved = list(p)
    moved[which % len(p)] = min(1.0, moved[which % len(p)] + step)
    # At most its own share of the whole cost, and the rounding of the parts.
    assert abs(risk(moved) - risk(p)) <= 280.0 * step + 0.01 * (len(p) + 1)


@pytest.mark.parametrize(
    ("name", "base", "step"),
    [
        ("eol_p50", NOW + 25 * DAY_S, 0.5 * DAY_S),
        ("fade_margin_db", 10.5, 0.1),
        ("recent_delivery", 0.94, 0.002),
        ("zero_error_pct_span", 0.95, 0.01),
        ("rssi_slope_db_per_year", -12.0, 0.3),
    ],
)
def test_the_risk_has_no_jumps_in_any_fact(name: str, base: float, step: float) -> None:
    facts = {
        **battery(15, 25, 60), "fade_margin_db": 10.5, "rssi_slope_db_per_year": -12.0, "rssi_slope_low": -16.0,
        "rssi_slope_high": -8.0, "recent_delivery": 0.94, "zero_error_pct_span": 0.95,
        "zero_drift_pct_span_per_year": 0.4, "zero_drift_low": 0.2, "zero_drift_high": 0.6,
    }  # fmt: skip
    context = Fleet().context()
    values = [
        total_risk(
            risk_parts(hazard_curves(replace(case(), facts={**facts, name: base + k * step}), context, T), 28.0, 12.0)
        )
        for k in range(-15, 16)
    ]
    jumps = np.abs(np.diff(values))
    assert jumps.max() <= 0.08 * max(values)
