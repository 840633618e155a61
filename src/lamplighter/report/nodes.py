"""The node table and one section a node."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lamplighter.report.charts import Drawn, node_charts
from lamplighter.report.common import ORDER, Source, anchor, place, signal
from lamplighter.report.model import CauseLine, Cell, Fact, FindingLine, NodeLine, NodeSection, VerdictLine
from lamplighter.report.wording import (
    CHECKS,
    DAY_S,
    capitalised,
    first_sentence,
    hazard,
    money,
    risk_note,
    short_percent,
)
from lamplighter.results import Cause, Finding, Item, NodeRow, Verdict
from lamplighter.triage.cautions import cautions_for
from lamplighter.wording import (
    between,
    count,
    date,
    dates_between,
    duration,
    instant,
    known,
    moment,
    number,
    percent,
    quantity,
)

NEVER = 9e15
"""Sorts after every date."""


def node_line(source: Source, row: NodeRow) -> NodeLine:
    """Return a node's row of the table."""
    return NodeLine(
        href=source.href(row.node),
        signal=signal(row.status),
        node=row.node,
        name=row.name if row.name != row.node else "",
        site=row.site,
        gateway=row.gateway,
        action=row.action or ("" if row.status == "good" else row.reason),
        window=_window(source, row.due),
        rank=Cell(text=str(row.rank or ""), key=row.rank or NEVER),
        status=Cell(text=signal(row.status).label, key=ORDER[signal(row.status).key]),
        due=_cell(date(row.due), row.due, NEVER),
        delivery=_cell(percent(row.delivery), row.delivery, NEVER),
        margin=_cell(quantity(row.fade_margin_db, "dB", 2), row.fade_margin_db, NEVER),
        battery=battery_cell(row),
    )


def _cell(text: str, key: float | None, otherwise: float) -> Cell:
    return Cell(text=text, key=float(key)) if known(key) else Cell(text="", key=otherwise)  # type: ignore[arg-type]


def battery_cell(row: NodeRow) -> Cell:
    """Return when the battery ends, short: an interval of months, or no earlier than."""
    if known(row.eol_p10) and known(row.eol_p90):
        return Cell(text=_months(row.eol_p10, row.eol_p90), key=row.eol_p50 or row.eol_p10 or NEVER)  # type: ignore[arg-type]
    if known(row.eol_not_before):
        return Cell(text=f"after {_month(row.eol_not_before)}", key=float(row.eol_not_before or NEVER))
    return Cell(text="", key=NEVER)


def _month(seconds: float | None) -> str:
    return f"{instant(seconds):%b %Y}" if known(seconds) else ""  # type: ignore[arg-type]


def _months(low: float | None, high: float | None) -> str:
    first, last = _month(low), _month(high)
    if first == last:
        return first
    return f"{first[:3] if first[-4:] == last[-4:] else first} to {last}"


def _window(source: Source, due: float | None) -> str:
    if not known(due):
        return "none"
    days = (due - source.assessment.as_of) / DAY_S  # type: ignore[operator]
    return "week" if days <= source.settings.week_days else "month" if days <= 31 else "later"


def node_section(
    source: Source, row: NodeRow, item: Item | None, work: Sequence[dict[str, Any]], data: str, note: str
) -> NodeSection:
    """Return everything about one node, in words."""
    a = source.assessment
    findings, verdicts = source.findings.get(row.node, []), a.verdicts.get(row.node, {})
    unit = (a.register.get(row.node) or {}).get("unit") or ""
    drawn = Drawn(row, findings, verdicts, a.series.get(row.node, {}), unit)
    always, triage = cautions_for(()), a.settings.get("triage") or {}
    return NodeSection(
        anchor=anchor(row.node),
        node=row.node,
        name=row.name if row.name != row.node else "",
        place=place(row.site, row.gateway),
        signal=signal(row.status),
        lead=first_sentence(row.reason),
        reason="" if any(f.evidence == row.reason for f in findings) else row.reason,
        due=date(row.due) if known(row.due) else "",
        action=row.action,
        facts=facts(row),
        causes=tuple(cause_line(c) for c in item.causes) if item else (),
        findings=tuple(finding_line(f) for f in findings),
        verdicts=tuple(_verdict(name, verdicts.get(name)) for name in CHECKS if name in verdicts or name != "outage"),
        risk=risk_facts(row.risk_parts, triage.get("currency", "")),
        risk_note=risk_note(triage.get("planning_interval_days"), triage.get("currency", "")),
        work=tuple(
            Fact(label=date(w["time"]), value=": ".join(filter(None, (w["action"], w.get("note", ""))))) for w in work
        ),
        cautions=tuple(c for c in item.cautions if c not in always) if item else (),
        charts=node_charts(drawn) if data else (),
        noticed=tuple(n.text for n in a.account.notes if row.node in n.nodes),
        note=note,
        data=data,
    )


def risk_facts(risk_parts: Mapping[str, float], currency: str) -> tuple[Fact, ...]:
    """Return the parts of the risk, largest first; parts too small to see are left out."""
    parts = sorted(risk_parts.items(), key=lambda p: (-p[1], p[0]))
    least = 0.005 * max((v for _, v in parts), default=0.0)
    return tuple(Fact(label=hazard(k), value=money(v, currency)) for k, v in parts if v > least)


def cause_line(cause: Cause) -> CauseLine:
    """Return a probable cause in words."""
    return CauseLine(
        cause=cause.cause,
        probability=short_percent(cause.probability),
        evidence_for=tuple(cause.evidence_for),
        evidence_against=tuple(cause.evidence_against),
    )


def finding_line(f: Finding) -> FindingLine:
    """Return a finding in words, with when it holds."""
    since, until = date(f.since), date(f.until)
    when = (
        ""
        if not known(f.since)
        else f"since {since}"
        if not known(f.until)
        else since
        if since == until
        else f"{since} to {until}"
    )
    return FindingLine(signal=signal(f.severity), check=CHECKS[f.check], when=when, text=f.evidence, remedy=f.remedy)


def _verdict(check: str, verdict: Verdict | None) -> VerdictLine:
    if verdict is None:
        return VerdictLine(check=CHECKS[check], state="not evaluated", reason="This check has not run on the node.")
    return VerdictLine(check=CHECKS[check], state=verdict.state, reason=capitalised(verdict.reason))


def facts(row: NodeRow) -> tuple[Fact, ...]:
    """Return a node's figures, each with its interval; what is not known is left out."""
    pairs = (
        ("Last check-in", moment(row.last_seen) if known(row.last_seen) else ""),
        ("Check-in interval", duration(row.interval_s) if known(row.interval_s) else ""),
        ("Delivered", _delivered(row)),
        ("RSSI, median", quantity(row.rssi_median_dbm, "dBm") if known(row.rssi_median_dbm) else ""),
        ("RSSI trend", _slope(row.rssi_slope_db_per_year, row.rssi_slope_low, row.rssi_slope_high, "dB a year")),
        ("Fade margin", quantity(row.fade_margin_db, "dB") if known(row.fade_margin_db) else ""),
        ("Margin too small from", date(row.margin_due) if known(row.margin_due) else ""),
        ("Zero error", quantity(row.zero_error_pct_span, "% of span") if known(row.zero_error_pct_span) else ""),
        ("Zero drift", _zero_drift(row)),
        ("Stuck since", date(row.stuck_since) if known(row.stuck_since) else ""),
        ("Battery", quantity(row.battery_v, "V") if known(row.battery_v) else ""),
        ("In use since", date(row.battery_since) if known(row.battery_since) else ""),
        ("Battery empty", _end(row)),
        ("Short in the cold", _cold(row)),
        ("Forecast by", row.eol_method),
        ("Criticality", f"{number(row.criticality)} of 5" if known(row.criticality) else ""),
    )  # fmt: skip
    return tuple(Fact(label=k, value=v) for k, v in pairs if v)


def _delivered(row: NodeRow) -> str:
    if not known(row.delivery):
        return ""
    span = f" ({percent(row.delivery_low)} to {percent(row.delivery_high)})" if known(row.delivery_low) else ""
    counts = f", {row.received or 0:,} of {count(row.expected, 'check-in')}" if known(row.expected) else ""
    return f"{percent(row.delivery)}{span}{counts}"


def _slope(value: float | None, low: float | None, high: float | None, unit: str) -> str:
    if not known(value):
        return ""
    return f"{quantity(value, unit)} ({between(low, high)})" if known(low) else quantity(value, unit)


def _zero_drift(row: NodeRow) -> str:
    return _slope(row.zero_drift_pct_span_per_year, row.zero_drift_low, row.zero_drift_high, "% of span a year")


def _cold(row: NodeRow) -> str:
    if not known(row.eol_cold_p50):
        return ""
    return f"{dates_between(row.eol_cold_p10, row.eol_cold_p90)}, most likely from {date(row.eol_cold_p50)}"


def _end(row: NodeRow) -> str:
    if known(row.eol_p10) or known(row.eol_p90):
        return f"{dates_between(row.eol_p10, row.eol_p90)}, most likely about {date(row.eol_p50)}"
    return f"no earlier than {date(row.eol_not_before)}" if known(row.eol_not_before) else ""
