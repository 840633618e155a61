"""What a person should know of a battery: its end, a new one, a cold night, a charger that fails."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.special import ndtr

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.cells import CHEMISTRIES, UNKNOWN
from lamplighter.checks.battery.charger import Balance
from lamplighter.checks.battery.fleetwide import Battery, actual_low
from lamplighter.checks.battery.measure import BatteryMeasures
from lamplighter.checks.battery.predict import Prediction
from lamplighter.results import Finding
from lamplighter.settings.battery import BatterySettings
from lamplighter.wording import battery_ends, date, duration, falls_short_in_the_cold, iso, quantity

Z10 = 1.2815515655446004
"""Standard normal quantile of 0.9."""
ENDED_BY = {
    "voltage": "below the cut-off",
    "readings": "readings gone invalid at low voltage",
    "check-ins": "check-ins failing at low voltage",
}
"""Name of the method when the end has come."""


def cautions(battery: Battery) -> tuple[str, ...]:
    """Return keys of the cautions that go with changing this battery; an unknown one may be lithium."""
    if battery.cell.chemistry == UNKNOWN:
        return ("battery_unknown", "lithium")
    if CHEMISTRIES[battery.cell.chemistry].lithium:
        return ("lithium",)
    return ("lead-acid",) if battery.cell.chemistry == "lead-acid" else ()


def prediction_facts(p: Prediction) -> dict[str, Any]:
    """Return the columns of the end of life."""
    if p.forecast is None:
        end = p.ended_at
        method = ENDED_BY[p.ended_by]
        return {
            "eol_p10": end,
            "eol_p50": end,
            "eol_p90": end,
            "eol_not_before": end,
            "eol_method": method,
            "battery_ended": end,
        }
    f = p.forecast
    return {
        "eol_p10": p.instant(f.p10),
        "eol_p50": p.instant(f.p50),
        "eol_p90": p.instant(f.p90),
        "eol_not_before": p.instant(f.not_before),
        "eol_method": f.method,
        "eol_by_method": {m: [p.instant(d) for d in q] for m, q in sorted(f.methods.items())},
    }


def cold_facts(p: Prediction, settings: BatterySettings) -> dict[str, Any]:
    """Return the columns of the first shortfall in the cold; nothing where it is hardly earlier than the end."""
    f = p.forecast
    if f is None or f.cold is None or not f.p50 - f.cold[1] >= settings.cold_earlier_days:
        return {}
    return {f"eol_cold_{name}": p.instant(days) for name, days in zip(("p10", "p50", "p90"), f.cold, strict=True)}


def in_the_cold(p: Prediction, as_of: float, settings: BatterySettings) -> str:
    """Say in a sentence when the battery falls short in the cold, after a space; nothing where that is not told."""
    said = falls_short_in_the_cold(cold_facts(p, settings).get("eol_cold_p50"), as_of)
    return f" {said}" if said else ""


def good_reason(p: Prediction, settings: BatterySettings) -> str:
    """Say in a sentence why nothing needs doing yet."""
    f = p.forecast
    if f is None:
        return ""
    if not np.isfinite(f.p50):
        return f"voltage is on the flat part of its curve: no earlier than {date(p.instant(f.not_before))}"
    ends = f"battery {battery_ends(p.instant(f.p10), p.instant(f.p50), p.instant(f.p90), p.now)}"
    cold = in_the_cold(p, p.now, settings)
    return f"{ends}.{cold.removesuffix('.')}" if cold else ends


def end_findings(battery: Battery, p: Prediction, as_of: float, settings: BatterySettings) -> list[Finding]:
    """Return the finding that a battery is empty, overdue, or probably ends within the planning time; else none.

    What decides is the probability of ending in time, not a date: the early date of a wide range demands nothing.
    """
    if p.forecast is None:
        return [ended_finding(battery, p, as_of)]
    f = p.forecast
    if not np.isfinite(f.p50):
        return []
    late = (as_of - p.now) / DAY_S
    left = [f.p10 - late, f.p50 - late, f.p90 - late]
    in_plan = ended_share(p, max(late, 0.0) + settings.plan_ahead_days)
    soon = ended_share(p, max(late, 0.0) + settings.certain_within_days)
    if left[1] <= 0:
        severity, words = overdue(battery), f"Battery was likely empty by {date(p.instant(f.p50))}"
    elif in_plan >= settings.plan_ahead_probability or soon >= settings.certain_within_probability:
        ends = battery_ends(p.instant(f.p10), p.instant(f.p50), p.instant(f.p90), as_of)
        severity, words = "M", f"Battery {ends}"
    else:
        return []
    assert p.outlook is not None
    cut = f"cut-off {quantity(battery.cutoff_v, 'V')} ({origin_words(battery)})"
    evidence = f"{words}: {quantity(p.outlook.level, 'V')} at {settings.reference_c:g} °C, {cut}; judged by {f.method}."
    evidence += in_the_cold(p, as_of, settings)
    return [
        Finding(
            check="battery",
            kind="battery_end",
            node=battery.node,
            gateway=battery.entry.gateway,
            value=round(left[1], 2),
            unit="days",
            low=round(left[0], 2),
            high=round(left[2], 2),
            probability=in_plan,
            severity=severity,
            evidence=evidence,
            remedy=swap_words(battery),
            data=end_data(battery, p) | cold_data(p, settings),
        )
    ]


def cold_data(p: Prediction, settings: BatterySettings) -> dict[str, Any]:
    """Return the instants of the first shortfall in the cold, for the finding's data."""
    return {name.removeprefix("eol_"): when for name, when in cold_facts(p, settings).items()}


def overdue(battery: Battery) -> str:
    """Return the signal of an empty battery: a failure, but only maintenance where the cut-off is an assumption."""
    return "M" if battery.cutoff_origin == "assumption" else "F"


def ended_share(p: Prediction, days: float) -> float:
    """Return the share of such batteries that end within so many days: two log-normal halves through P10, P50, P90."""
    f = p.forecast
    if f is None or not f.p50 > 0:
        return 1.0
    near, far = (f.p50, f.p90) if days > f.p50 else (f.p10, f.p50)
    sd = max(np.log(max(far, 1e-3) / max(near, 1e-3)) / Z10, 1e-3)
    return float(np.round(ndtr(np.log(max(days, 1e-3) / f.p50) / sd), 4))


def ended_finding(battery: Battery, p: Prediction, as_of: float) -> Finding:
    """Return the finding that a battery has ended, and by what."""
    cause = {
        "voltage": f"below its cut-off of {quantity(battery.cutoff_v, 'V')} ({origin_words(battery)})",
        "readings": "so low that readings are no longer valid",
        "check-ins": "so low that most check-ins fail",
    }[p.ended_by]
    gone = (p.ended_at - as_of) / DAY_S
    return Finding(
        check="battery",
        kind="battery_end",
        node=battery.node,
        gateway=battery.entry.gateway,
        since=p.ended_at,
        value=round(gone, 2),
        unit="days",
        low=round(gone, 2),
        high=round(gone, 2),
        probability=0.99,
        severity=overdue(battery),
        evidence=f"Battery is {cause} since {date(p.ended_at)}.",
        remedy=swap_words(battery),
        data=end_data(battery, p),
    )


def end_data(battery: Battery, p: Prediction) -> dict[str, Any]:
    """Return the numbers behind a battery's end, for diagnosis and report; instants in seconds."""
    facts = prediction_facts(p)
    f = p.forecast
    return {
        "p10": facts["eol_p10"],
        "p50": facts["eol_p50"],
        "p90": facts["eol_p90"],
        "not_before": facts["eol_not_before"],
        "cutoff_v": battery.cutoff_v,
        "cutoff_origin": battery.cutoff_origin,
        "chemistry": battery.cell.chemistry,
        "method": facts["eol_method"],
        "weights": dict(f.weights) if f else {},
        "by_method": facts.get("eol_by_method", {}),
        "part": battery.entry.battery_part,
        "cautions": list(cautions(battery)),
    }


def origin_words(battery: Battery) -> str:
    """Say where the cut-off comes from."""
    return {"register": "from the register", "chemistry": "usual for its chemistry", "assumption": "assumed"}[
        battery.cutoff_origin
    ]


def swap_words(battery: Battery) -> str:
    """Say what mends it."""
    part = f" ({battery.entry.battery_part})" if battery.entry.battery_part else ""
    return f"Replace the battery{part} and note it in the work log."


def swap_findings(battery: Battery, m: BatteryMeasures) -> list[Finding]:
    """Return one finding for each battery found or logged to have been put in."""
    out = []
    for s in m.swaps:
        if s.origin == "register" or s.time > m.last or s.time < m.first:
            continue
        rise = float(s.rise) if np.isfinite(s.rise) else None
        told = f"voltage rose by {quantity(rise, 'V', 2)}" if rise is not None else "no rise shows in the voltage"
        words = "in the work log" if s.origin == "logged" else "found in the data, not in the work log"
        out.append(
            Finding(
                check="battery",
                kind="battery_swap",
                node=battery.node,
                gateway=battery.entry.gateway,
                since=s.time,
                until=s.time,
                value=None if rise is None else round(rise, 4),
                unit="V",
                low=None if rise is None else round(rise - 2 * s.error, 4),
                high=None if rise is None else round(rise + 2 * s.error, 4),
                severity="info",
                evidence=f"Battery replaced on {date(s.time)} ({words}): {told}.",
                key=iso(s.time)[:10],
                data={"origin": s.origin},
            )
        )
    return out


def cold_findings(battery: Battery, p: Prediction, settings: BatterySettings) -> list[Finding]:
    """Return the finding that cold alone took a battery under its cut-off lately: the next cold may end it."""
    if p.forecast is None:
        return []
    track = p.life.track
    low = actual_low(track, battery.temperature, settings)
    recent = track.time >= p.now - 30 * DAY_S
    under = recent & (low < battery.cutoff_v)
    if not under.any() or not np.isfinite(track.coldest[under]).any():
        return []
    lately = track.time >= p.now - settings.below_hold_days * DAY_S
    after = "it recovered" if np.median(low[lately]) >= battery.cutoff_v else "it has not recovered yet"
    worst = float(low[under].min())
    cold = float(np.nanmin(track.coldest[under]))
    return [
        Finding(
            check="battery",
            kind="battery_cold",
            node=battery.node,
            gateway=battery.entry.gateway,
            since=float(track.time[under][0]),
            value=round(worst, 4),
            unit="V",
            low=round(worst - 2 * p.outlook.noise, 4),
            high=round(worst + 2 * p.outlook.noise, 4),
            severity="M",
            evidence=f"The cold took it below its cut-off of {quantity(battery.cutoff_v, 'V')} on "
            f"{date(float(track.time[under][0]))}: {quantity(worst, 'V')} at {round(cold) + 0} °C; {after}.",
            remedy=swap_words(battery),
            data={"coldest_c": cold, "cautions": list(cautions(battery))},
        )
    ]


def charge_findings(battery: Battery, balance: Balance, settings: BatterySettings) -> list[Finding]:
    """Return the finding that a charger no longer keeps a battery up."""
    level = float(balance.low[-1])
    fall = settings.solar_fall_share_per_week * level
    below = level < battery.cutoff_v
    falling = (
        balance.falling >= settings.solar_min_weeks
        and balance.per_week < -fall
        and balance.per_week < -2 * balance.error
    )
    if not below and not falling:
        return []
    what = (
        f"below {quantity(battery.cutoff_v, 'V')}" if below else f"falling for {duration(balance.falling * 7 * DAY_S)}"
    )
    known = np.isfinite(balance.per_week)
    return [
        Finding(
            check="battery",
            kind="battery_charge",
            node=battery.node,
            gateway=battery.entry.gateway,
            since=float(balance.week[-1 - max(balance.falling, 0)]) if falling else float(balance.week[-1]),
            value=round(balance.per_week, 4) if known else None,
            unit="V/week",
            low=round(balance.per_week - 2 * balance.error, 4) if known else None,
            high=round(balance.per_week + 2 * balance.error, 4) if known else None,
            severity="F" if below else "M",
            evidence=f"Charged battery {what}: {quantity(level, 'V')} at night; it gets less than it gives.",
            remedy="Check the panel, its charger and the battery.",
            data={"cautions": list(cautions(battery))},
        )
    ]
