"""What if: how a battery's life changes with check-in interval, fast sampling and temperature.

Faster check-ins shorten life (common practice); how much depends on the share of the consumption that check-ins cause.
With the register's figures that share is computed; without them it is taken to lie anywhere from a fifth to four
fifths, and the interval of the answer says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.checks.battery.cells import CHEMISTRIES, UNKNOWN, Cell
from lamplighter.checks.battery.prior import DAYS_A_YEAR, SECONDS_A_DAY, drain_of, q10_factor
from lamplighter.settings.battery import BatterySettings

NORMAL_P90 = 1.2815515594
COLD_LOSS_PER_C = 0.006
"""Share of capacity out of reach for each degree under 10 degC: alkaline AA 2500 mAh at 20 degC, about 1200 mAh at
-20 degC (one secondary page); lithium cells lose less, and a third of it is taken for them (from memory)."""
LITHIUM_COLD = 1.0 / 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """How a node is to be run.

    interval_s : check-in interval [s]; fast_share : share of the time spent fast sampling [0..1]; fast_interval_s : its
    interval [s]; temperature_c : mean temperature of the battery [degC].
    """

    interval_s: float
    fast_share: float = 0.0
    fast_interval_s: float | None = None
    temperature_c: float = 20.0

    @property
    def check_ins_a_day(self) -> float:
        """Check-ins sent a day, fast ones included."""
        fast = self.fast_interval_s or self.interval_s
        return SECONDS_A_DAY * ((1.0 - self.fast_share) / self.interval_s + self.fast_share / fast)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lifetime:
    """Life of a battery under a plan [days]: early, middle, late; and where the charge goes (shares that sum to 1)."""

    p10: float
    p50: float
    p90: float
    sleep_share: float | None = None
    check_in_share: float | None = None
    self_discharge_share: float | None = None
    basis: str = "charge budget"

    @property
    def years(self) -> tuple[float, float, float]:
        """The same in years of 365.25 days."""
        return self.p10 / DAYS_A_YEAR, self.p50 / DAYS_A_YEAR, self.p90 / DAYS_A_YEAR


def budget_lifetime(
    cell: Cell, capacity_ah: float, sleep_ua: float, charge_mc: float, plan: Plan, settings: BatterySettings
) -> Lifetime:
    """Return the life that a charge budget gives.

    Parameters
    ----------
    cell : Cell
        For self-discharge and cold; unknown chemistry counts as 1 % a year.
    capacity_ah : float
        Nominal capacity [Ah].
    sleep_ua : float
        Current while asleep [uA].
    charge_mc : float
        Charge of one check-in [mC].
    plan : Plan
    settings : BatterySettings
        Spreads of capacity and consumption.
    """
    chemistry = CHEMISTRIES.get(cell.chemistry)
    yearly = chemistry.self_discharge if chemistry else 0.01
    warm = q10_factor(plan.temperature_c, settings.self_discharge_q10)
    usable = capacity_ah * settings.usable_capacity * usable_share(cell, plan.temperature_c)
    drain = drain_of(usable, sleep_ua, charge_mc, plan.check_ins_a_day, yearly * warm)
    days = usable * 1e6 / drain.total_ua / 24.0
    sd = float(np.hypot(settings.capacity_sd, settings.charge_sd))
    return Lifetime(
        p10=days * np.exp(-NORMAL_P90 * sd),
        p50=days,
        p90=days * np.exp(NORMAL_P90 * sd),
        sleep_share=drain.sleep_ua / drain.total_ua,
        check_in_share=drain.check_in_share,
        self_discharge_share=drain.self_discharge_ua / drain.total_ua,
    )


def usable_share(cell: Cell, temperature_c: float) -> float:
    """Return the share of the capacity that cold leaves within reach."""
    loss = COLD_LOSS_PER_C * (
        LITHIUM_COLD if cell.chemistry != UNKNOWN and CHEMISTRIES[cell.chemistry].lithium else 1.0
    )
    return max(1.0 - 2.0 * loss * max(10.0 - temperature_c, 0.0), 0.2)


def scaled_lifetime(
    life_days: tuple[float, float, float], now: Plan, then: Plan, settings: BatterySettings
) -> Lifetime:
    """Return the life under another plan of a battery whose life under the present one is known.

    The share that check-ins cause is not known and taken to lie between 0.2 and 0.8, the middle 0.5.
    """
    rate = then.check_ins_a_day / now.check_ins_a_day
    warm = settings.self_discharge_q10 ** ((then.temperature_c - now.temperature_c) / 10.0)
    self_share = 0.05
    factor = [1.0 / ((1.0 - s - self_share) + s * rate + self_share * warm) for s in (0.8, 0.5, 0.2)]
    low, high = min(factor), max(factor)
    return Lifetime(
        p10=life_days[0] * low,
        p50=life_days[1] * factor[1],
        p90=life_days[2] * high,
        basis="life so far, check-in share not known",
    )
