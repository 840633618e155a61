"""Discharge curves and charge: shapes and sums that are publicly known of the chemistries."""

from __future__ import annotations

import numpy as np
import pytest

from lamplighter.simulate.battery import CHEMISTRIES, Battery, Drain, crossing, cutoff_depth, lasting, loaded_voltage
from lamplighter.simulate.options import DAY_S, YEAR_S

WARM = 20.0


def cell(chemistry: str, **more: float) -> Battery:
    return Battery(**({"chemistry": chemistry, "capacity_ah": 8.5, "sleep_ua": 10.0, "charge_mc": 50.0} | more))


def volts(chemistry: str, depth: float, temperature: float = WARM, **more: float) -> float:
    return float(loaded_voltage(cell(chemistry, **more), np.array([depth]), np.array([temperature]))[0])


# Lithium thionyl chloride: 3.6 V nominal and nearly flat, lithium manganese dioxide 3.0 V, alkaline 1.5 V a cell
# (IEC 60086 designations, as quoted in public tables).
@pytest.mark.parametrize(
    ("chemistry", "nominal"), [("Li-SOCl2", 3.6), ("Li-MnO2", 3.0), ("alkaline", 3.0), ("Li-FeS2", 3.0)]
)
def test_a_cell_is_near_its_nominal_voltage_early_in_life(chemistry: str, nominal: float) -> None:
    assert volts(chemistry, 0.15) == pytest.approx(nominal, rel=0.12)


def test_thionyl_chloride_is_flat_and_then_falls_off() -> None:
    flat = volts("Li-SOCl2", 0.1) - volts("Li-SOCl2", 0.75)
    fall = volts("Li-SOCl2", 0.9) - volts("Li-SOCl2", 0.99)
    assert flat < 0.05
    assert fall > 0.6


def test_alkaline_slopes_all_the_way() -> None:
    at = [volts("alkaline", x) for x in (0.1, 0.3, 0.5, 0.7, 0.9)]
    assert (np.diff(at) < -0.1).all()


@pytest.mark.parametrize("chemistry", list(CHEMISTRIES))
def test_voltage_falls_with_depth_and_with_cold(chemistry: str) -> None:
    depth = np.linspace(0, 1.05, 200)
    for temperature in (-20.0, 20.0):
        assert (np.diff(loaded_voltage(cell(chemistry), depth, np.full(200, temperature))) <= 1e-12).all()
    assert volts(chemistry, 0.3, -20.0) < volts(chemistry, 0.3, 20.0)


@pytest.mark.parametrize("chemistry", list(CHEMISTRIES))
def test_cut_off_lies_late_in_life(chemistry: str) -> None:
    assert 0.85 < cutoff_depth(cell(chemistry), WARM) < 1.02


def test_charge_budget_of_a_worked_example() -> None:
    """8500 mAh, 1.6 uA always, 40 mA for 3 s every 30 min: 0.068264 mA, 14.21 years.

    Source: electronics.stackexchange.com question 384430 (the currents); the division by the capacity is ours.
    """
    battery = cell("Li-SOCl2", sleep_ua=1.6, charge_mc=40.0 * 3)
    day = np.arange(0, 20 * YEAR_S, DAY_S)
    per_day = battery.sleep_ua * 1e-6 * DAY_S + battery.charge_mc * 1e-3 * 48
    drain = Drain(day, np.arange(len(day)) * per_day / 3_600, np.full(len(day), WARM), np.zeros(len(day)))
    years = np.interp(1.0, drain.depth(battery, 0.0, 0.0, day), day) / (365 * DAY_S)
    assert years == pytest.approx(14.2142, rel=2e-3)


def test_a_battery_lasts_as_long_as_it_was_drawn_to() -> None:
    battery = lasting(cell("Li-SOCl2"), 4.0, 24.0, 0.4)
    day = np.arange(0, 8 * YEAR_S, DAY_S)
    per_day = battery.sleep_ua * 1e-6 * DAY_S + battery.charge_mc * 1e-3 * 24
    aging = 2 ** ((10.0 - 25) / 10) * day / YEAR_S
    drain = Drain(day, np.arange(len(day)) * per_day / 3_600, np.full(len(day), 10.0), aging)
    assert crossing(battery, drain, 0.0, 0.0)[0] / YEAR_S == pytest.approx(4.0, rel=0.03)


def test_a_cold_week_touches_cut_off_but_does_not_end_a_life() -> None:
    """Ended means under cut-off for ten days on end; seven cold days do not."""
    battery = lasting(cell("alkaline"), 3.0, 24.0, 0.4)
    day = np.arange(0, 5 * YEAR_S, DAY_S)
    per_day = battery.sleep_ua * 1e-6 * DAY_S + battery.charge_mc * 1e-3 * 24
    temperature = np.full(len(day), 10.0)
    temperature[950:957] = -30.0
    drain = Drain(day, np.arange(len(day)) * per_day / 3_600, temperature, np.zeros(len(day)))
    ended, touched = crossing(battery, drain, 0.0, 0.0)
    assert 950 <= touched / DAY_S < 957
    assert ended > touched + 60 * DAY_S
