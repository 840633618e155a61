"""Titles and text alternatives of a node's charts: each title states what the chart shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lamplighter.report.model import Chart
from lamplighter.report.wording import first_sentence
from lamplighter.results import Finding, NodeRow, Verdict
from lamplighter.wording import count, date, dates_between, known, number, percent, quantity


@dataclass(frozen=True)
class Drawn:
    """One node as its charts see it."""

    row: NodeRow
    findings: Sequence[Finding]
    verdicts: Mapping[str, Verdict]
    series: Mapping[str, Any]
    unit: str = ""


def node_charts(n: Drawn) -> tuple[Chart, ...]:
    """Return the charts that a node's data allow, in reading order."""
    makers = (_reading, _zero, _radio, _battery, _arrivals)
    charts = [make(n) for make in makers]
    return tuple(c for c in charts if c is not None)


def _title(checks: tuple[str, ...], findings: Sequence[Finding], plain: str) -> str:
    """Return the evidence of the worst finding of some checks, or a plain statement when there is none."""
    own = [f for f in findings if f.check in checks and f.severity != "info"] or [
        f for f in findings if f.check in checks
    ]
    rank = ("F", "C", "S", "M", "info")
    return first_sentence(min(own, key=lambda f: rank.index(f.severity)).evidence).rstrip(".") if own else plain


def _span(values: Sequence[float | None], unit: str) -> str:
    there = [v for v in values if v is not None]
    return f"between {number(min(there))} and {quantity(max(there), unit)}" if there else "not there"


def _reading(n: Drawn) -> Chart | None:
    daily = n.series.get("daily") or {}
    values = [*(daily.get("reading_low") or ()), *(daily.get("reading_high") or ())]
    if not any(v is not None for v in values):
        return None
    span = _span(values, n.unit)
    plain = f"Reading moves {span}" + ("" if _good(n.verdicts, "stuck") else "; whether it is stuck was not evaluated")
    return Chart(
        key="reading",
        title=_title(("stuck", "data"), n.findings, plain),
        axis=f"Reading, {n.unit}" if n.unit else "Reading",
        alt=f"Daily median, lowest and highest reading, {span}, over {count(len(daily['day']), 'day')} with check-ins.",
    )


def _good(verdicts: Mapping[str, Verdict], check: str) -> bool:
    return check in verdicts and verdicts[check].state != "not evaluated"


def _zero(n: Drawn) -> Chart | None:
    zero = n.series.get("zero") or {}
    if not any(v is not None for v in zero.get("error_pct") or ()):
        return None
    plain = f"Zero error is {quantity(n.row.zero_error_pct_span, '% of span', 2)}, within its tolerance"
    return Chart(
        key="zero",
        title=_title(("zero",), n.findings, plain),
        axis="Zero error, % of span",
        alt=f"Zero error at {count(len(zero['time']), 'rest')}, {_span(zero['error_pct'], '% of span')};"
        f" tolerance {quantity(zero.get('tolerance_pct'), '% of span')}.",
    )


def _radio(n: Drawn) -> Chart | None:
    radio, daily = n.series.get("radio") or {}, n.series.get("daily") or {}
    values = radio.get("level") or daily.get("rssi_median") or ()
    if not any(v is not None for v in values):
        return None
    margin = (
        f", {quantity(n.row.fade_margin_db, 'dB', 2)} above the receiver's floor" if known(n.row.fade_margin_db) else ""
    )
    plain = f"RSSI is steady at {quantity(n.row.rssi_median_dbm, 'dBm')}{margin}" if _good(n.verdicts, "radio") else (
        f"RSSI around {quantity(n.row.rssi_median_dbm, 'dBm')}{margin}; its trend was not evaluated"
    )  # fmt: skip
    floor = f" Receiver sensitivity {quantity(radio.get('floor_dbm'), 'dBm')}." if known(radio.get("floor_dbm")) else ""
    return Chart(
        key="radio",
        title=_title(("radio",), n.findings, plain),
        axis="RSSI, dBm",
        alt=f"Daily median RSSI, season taken out, {_span(values, 'dBm')}.{floor}",
    )


def _battery(n: Drawn) -> Chart | None:
    battery, daily = n.series.get("battery") or {}, n.series.get("daily") or {}
    values = battery.get("volts") or daily.get("battery_v") or ()
    if not any(v is not None for v in values):
        return None
    now = f"Battery is at {quantity(n.row.battery_v, 'V')}"
    if known(battery.get("lost_since")):
        plain = f"Battery was at {quantity(n.row.battery_v, 'V')} on {date(battery['lost_since'])}, its last voltage"
    elif known(n.row.eol_p10):
        plain = f"{now}; it will likely be empty {dates_between(n.row.eol_p10, n.row.eol_p90)}"
    elif known(n.row.eol_not_before):
        plain = f"{now}; no earlier end than {date(n.row.eol_not_before)}"
    else:
        plain = f"{now}; its end cannot be told yet"
    cutoff = f" Cut-off {quantity(battery.get('cutoff_v'), 'V')}." if known(battery.get("cutoff_v")) else ""
    return Chart(
        key="battery",
        title=_title(("battery",), n.findings, plain),
        axis="Battery, V",
        alt=f"Daily battery voltage, temperature taken out, {_span(values, 'V')}.{cutoff}",
    )


def _arrivals(n: Drawn) -> Chart | None:
    arrivals = n.series.get("arrivals") or {}
    if not arrivals.get("day"):
        return None
    plain = f"{percent(n.row.delivery)} of {count(n.row.expected, 'expected check-in')} arrived"
    if known(n.row.delivery_low):
        plain += f" ({percent(n.row.delivery_low)} to {percent(n.row.delivery_high)})"
    outage = sum(v or 0 for v in arrivals.get("outage") or ())
    return Chart(
        key="arrivals",
        title=_title(("arrivals",), n.findings, plain),
        axis="Missed a day",
        alt=f"Check-ins missed each day: {count(n.row.missed, 'check-in')} in all"
        + (f", {number(outage, 9)} of them while a gateway or the host was down." if outage else "."),
    )
