"""One section for each gateway, and for the host, that needs a person."""

from __future__ import annotations

from lamplighter.report.common import Source, signal
from lamplighter.report.model import Fact, NodeSection
from lamplighter.report.nodes import cause_line, finding_line, risk_facts
from lamplighter.report.wording import first_sentence, risk_note, shared_kind
from lamplighter.results import Item, Outage
from lamplighter.triage.cautions import cautions_for
from lamplighter.wording import count, date, duration, known, moment

MOST_OUTAGES = 12


def shared_sections(source: Source) -> tuple[NodeSection, ...]:
    """Return what is known of each gateway or host fault, in rank order."""
    items = sorted(source.shared.items(), key=lambda s: (s[1].rank, s[0]))
    return tuple(_section(source, anchor, item) for anchor, item in items)


def _section(source: Source, anchor: str, item: Item) -> NodeSection:
    findings = [source.finding[name] for name in item.findings if name in source.finding]
    always, triage = cautions_for(()), source.assessment.settings.get("triage") or {}
    return NodeSection(
        anchor=anchor,
        node=item.subject,
        name=item.name if item.name != item.subject else "",
        place=item.site or shared_kind(item.subject_kind),
        signal=signal(item.status),
        lead=first_sentence(item.reason),
        reason="" if any(f.evidence == item.reason for f in findings) else item.reason,
        due=date(item.due) if known(item.due) else "",
        action=item.action,
        facts=tuple(_outage(o) for o in _outages(source, item)),
        causes=tuple(cause_line(c) for c in item.causes),
        findings=tuple(finding_line(f) for f in findings),
        verdicts=(),
        risk=risk_facts(item.risk_parts, triage.get("currency", "")),
        risk_note=risk_note(triage.get("planning_interval_days"), triage.get("currency", "")),
        work=(),
        cautions=tuple(c for c in item.cautions if c not in always),
        charts=(),
        noticed=(),
        note="The charts of its nodes show these outages in grey.",
        data="",
    )


def _outages(source: Source, item: Item) -> list[Outage]:
    """Return the latest outages of a gateway, or of the host."""
    level = "host" if item.subject_kind == "host" else "gateway"
    own = [o for o in source.assessment.outages if o.level == level and (level == "host" or o.subject == item.subject)]
    return sorted(own, key=lambda o: -o.start)[:MOST_OUTAGES]


def _outage(outage: Outage) -> Fact:
    lasted = "still going on" if outage.open else duration(outage.end - outage.start)
    return Fact(label=moment(outage.start), value=f"{lasted}, {count(outage.nodes, 'node')} silent")
