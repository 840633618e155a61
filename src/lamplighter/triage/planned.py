"""When a battery on which nothing was found is best replaced: a window that wastes little life and risks little.

Nothing is wrong yet, and every week's forecast is sharper than the last. So neither the early date of a wide range
nor a crew that happens to be near is a reason to throw away a battery with much of its life likely left.

How often an end comes unannounced is a setting, 0.2, and a cautious one: on two simulated fleets of 50 nodes a finding
stood 60 days before the end for 42 of 49 batteries, 28 days before for 43 of 43, and 14 days before for 41 of 41.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from lamplighter.results import NodeRow
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.prices import trip_money
from lamplighter.triage.risk import PHI0, Z10

LEAST_SD = 1.0
"""Least standard deviation of a battery's end [days]: a day is as sharp as a plan gets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryOutlook:
    """When a battery will be empty [days from the present], its whole life [days], what changing it costs [money].

    cold : when it likely falls short on its coldest days [days from the present]; None when that is no earlier.
    """

    p10: float
    p50: float
    p90: float
    life: float
    worth: float
    cold: float | None = None


def to_meet(p10: float | None, cold_p50: float | None) -> float | None:
    """Return the end that must be met: the early date of the lasting end, or the middle one of the cold shortfall.

    The two differ in what they cost. An end that lasts loses every day until somebody comes: one chance in ten is
    enough to go by. A shortfall in the cold loses some cold hours and recovers, and its range is wide: its middle date
    is meant, for an earlier one would throw away months of life that most such batteries still have.
    """
    return min((v for v in (p10, cold_p50) if v is not None), default=None)


def fails_how(row: NodeRow) -> str:
    """Say what befalls a battery at the end that must be met: ``be empty`` or ``fall short in the cold``."""
    return "be empty" if to_meet(row.eol_p10, row.eol_cold_p50) == row.eol_p10 else "fall short in the cold"


def mean_end(o: BatteryOutlook) -> float:
    """Return when the battery ends on average [days from the present]: later than its middle where the range is long.

    Mean of two halves of a normal distribution joined at the median.
    """
    return o.p50 + PHI0 * ((o.p90 - o.p50) - (o.p50 - o.p10)) / Z10


def opens(end: float, life: float, s: TriageSettings) -> float:
    """Return from when a battery that likely ends then may be changed [days]: before, too much of its life is left."""
    return end - min(s.wasted_life_share * life, s.wasted_life_days)


def window(o: BatteryOutlook, place: str, cost_per_day: float, s: TriageSettings) -> tuple[float, float]:
    """Return the window of a planned replacement [days from the present].

    It closes on the early date, or later where the risk of waiting is smaller than the life that waiting saves, and
    no sooner than one planning interval after it opens: by then the forecast has been made anew several times. Where
    the battery likely falls short on cold days before that, it closes then.

    Parameters
    ----------
    o : BatteryOutlook
    place : str
        Where the trip goes.
    cost_per_day : float
        Cost of a day on which the node is dark [money a day].
    """
    first = opens(mean_end(o), o.life, s)
    due = max(o.p10, risk_date(o, place, cost_per_day, s), first + s.planning_interval_days)
    if o.cold is not None:
        due = min(due, max(math.ceil(o.cold), 0))
    return min(max(0.0, first), due), due


def risk_date(o: BatteryOutlook, place: str, cost_per_day: float, s: TriageSettings) -> float:
    """Return the day from which waiting costs more than it saves [days from the present], the middle date at most.

    A day of waiting saves worth / life. It costs the hazard of the end on that day times what an end costs that no
    later forecast announced in time: the days until somebody comes, and a trip of its own (age replacement with
    monitoring; Barlow & Proschan 1965, Mathematical Theory of Reliability, from memory).
    """
    failure = s.response_days * cost_per_day + (1 - s.postponed_trip_share) * trip_money(place, s)
    early = max((o.p50 - o.p10) / Z10, LEAST_SD)
    days = np.arange(0.0, max(np.floor(o.p50), 0.0) + 1)
    z = (days - o.p50) / early
    hazard = PHI0 * np.exp(-z * z / 2) / early / ndtr(-z)
    dear = np.flatnonzero(s.unforeseen_share * failure * hazard >= o.worth / o.life)
    return float(days[dear[0]]) if len(dear) else max(o.p50, 0.0)
