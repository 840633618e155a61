"""Findings of the radio check, in plain words."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.checkins import DAY_S
from lamplighter.checks.radio.gateway import CommonDrop
from lamplighter.checks.radio.link import outage_from_median
from lamplighter.checks.radio.measure import YEAR_D, RadioMeasure
from lamplighter.results import Finding
from lamplighter.stats.changes import Change
from lamplighter.wording import between, date, dates_between, iso, number, percent, quantity

YEAR_S = YEAR_D * DAY_S


@dataclass(frozen=True)
class Margin:
    """Fade margin of a node now [dB] with the error of its level, and where its sensitivity comes from."""

    median_db: float
    low_db: float
    error_db: float
    sensitivity_dbm: float
    stated: bool


@dataclass(frozen=True)
class Crossing:
    """When the margin falls below what is wanted, with an interval [s since 1970-01-01]; None is not foreseen."""

    likely: float | None
    early: float | None
    late: float | None


@dataclass(frozen=True)
class Decline:
    """A decline of RSSI that goes on: when it began [years since 1970-01-01], slope [dB a year], fall so far [dB]."""

    began: float
    began_low: float
    began_high: float
    slope: float
    low: float
    high: float
    fall_db: float
    p: float
    probability: float


def trend(node: str, gateway: str, d: Decline, due: Crossing, margin: Margin) -> Finding:
    """Return the finding that a node's signal is getting weaker."""
    since, when = d.began * YEAR_S, ""
    if due.likely is not None:
        span = dates_between(due.early, due.late) if due.late is not None else f"not before {date(due.early)}"
        when = f" At this rate the margin falls below what is wanted {span}."
    return Finding(
        check="radio", kind="rssi_trend", node=node, gateway=gateway, since=since, value=d.slope, unit="dB per year",
        low=d.low, high=d.high, probability=d.probability, severity="M",
        evidence=f"Signal falls by {number(-d.slope, 2)} dB a year ({between(-d.high, -d.low, 'dB', 2)}) since about "
        f"{date(since)}, {number(d.fall_db, 2)} dB so far; season and temperature are taken out. "
        f"Margin now {quantity(margin.median_db, 'dB', 2)}.{when}",
        remedy="Look for growth or building on the path, a corroding connector, water in the antenna.",
        data={"fall_db": round(d.fall_db, 2), "since_low": round(d.began_low * YEAR_S),
              "since_high": round(d.began_high * YEAR_S), "due": due.likely, "due_early": due.early,
              "due_late": due.late},
    )  # fmt: skip


def step(node: str, gateway: str, c: Change, margin: Margin) -> Finding:
    """Return the finding that a node's signal has changed at once."""
    at = c.time * YEAR_S
    drop = c.size < 0
    span = dates_between(c.time_low * YEAR_S, c.time_high * YEAR_S)
    return Finding(
        check="radio", kind="rssi_step", node=node, gateway=gateway, since=at, value=c.size, unit="dB", low=c.low,
        high=c.high, probability=c.probability, severity="M" if drop else "info", key="" if drop else iso(at)[:10],
        evidence=f"Signal {'dropped' if drop else 'rose'} by {number(abs(c.size), 2)} dB "
        f"({between(*sorted((abs(c.low), abs(c.high))), 'dB', 2)}) {span} and has stayed there. "
        f"Margin now {quantity(margin.median_db, 'dB', 2)}.",
        remedy="Check the antenna, its connector and what was put in the path that day." if drop else "",
        data={"time_low": round(c.time_low * YEAR_S), "time_high": round(c.time_high * YEAR_S)},
    )  # fmt: skip


def low_margin(node: str, gateway: str, m: RadioMeasure, margin: Margin, wanted_db: float) -> Finding:
    """Return the finding that a link has too little to spare."""
    lost = outage_from_median(margin.median_db)
    return Finding(
        check="radio", kind="low_margin", node=node, gateway=gateway, value=margin.median_db, unit="dB",
        low=margin.median_db - 1.96 * margin.error_db, high=margin.median_db + 1.96 * margin.error_db,
        probability=0.975, severity="M",
        evidence=f"Median signal {quantity(m.recent_median, 'dBm', 3)} is {number(margin.median_db, 2)} dB above the "
        f"receiver's limit; {number(wanted_db, 2)} dB is wanted. In strong fading about {percent(lost, 2)} of "
        "check-ins would be lost.",
        remedy="Raise or turn the antenna, use a better one, or bring a gateway nearer.",
        data={"fading_outage": round(lost, 4), "sensitivity_dbm": margin.sensitivity_dbm},
    )  # fmt: skip


def too_strong(node: str, gateway: str, m: RadioMeasure, limit_dbm: float) -> Finding:
    """Return the finding that two radios are too close together."""
    return Finding(
        check="radio", kind="too_strong", node=node, gateway=gateway, value=m.recent_median, unit="dBm",
        low=m.recent_low, high=m.recent_median + m.spread_db, probability=0.95, severity="M",
        evidence=f"Median signal {quantity(m.recent_median, 'dBm', 3)} is stronger than "
        f"{quantity(limit_dbm, 'dBm', 3)}: so near a gateway the radios may overload each other.",
        remedy="Move the node or the gateway apart by some metres.",
    )  # fmt: skip


def impossible(node: str, gateway: str, above_db: float, most_dbm: float) -> Finding:
    """Return the finding that the register and the signal cannot both be right."""
    return Finding(
        check="radio", kind="link_budget", node=node, gateway=gateway, value=above_db, unit="dB", probability=0.95,
        severity="info",
        evidence=f"Signal is {number(above_db, 2)} dB above {quantity(most_dbm, 'dBm', 3)}, the most that free space "
        "allows at the distance, power and gains in the register.",
        remedy="Correct distance, power or gain in the register, or the gateway it names.",
    )  # fmt: skip


def gateway_antenna(d: CommonDrop) -> Finding:
    """Return the finding that a gateway hears most of its nodes less well than before."""
    at = d.time * YEAR_S
    return Finding(
        check="radio", kind="gateway_antenna", gateway=d.gateway, since=at, value=d.size, unit="dB", low=d.size_low,
        high=d.size_high, probability=d.probability, severity="M",
        evidence=f"Signal dropped by about {number(-d.size, 2)} dB on {len(d.nodes)} of {d.present} nodes of gateway "
        f"{d.gateway} at once {dates_between(d.low * YEAR_S, d.high * YEAR_S)}: the gateway's antenna or cable, "
        "not the nodes.",
        remedy="Check the gateway's antenna, cable and connectors before visiting any of its nodes.",
        data={"nodes": list(d.nodes)[:100], "time_low": round(d.low * YEAR_S), "time_high": round(d.high * YEAR_S)},
    )  # fmt: skip
