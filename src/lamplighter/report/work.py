"""What must be done, and what changed since last time."""

from __future__ import annotations

from typing import Any

from lamplighter.report.common import Source, signal
from lamplighter.report.model import ChangeGroup, ChangeLine, Changes, Spark, WorkLine
from lamplighter.report.sketch import evidence_spark
from lamplighter.report.wording import (
    CHANGES,
    DAY_S,
    NO_CHANGE,
    NO_COMPARISON,
    due_note,
    first_sentence,
    near_date,
    short_percent,
    sure_words,
)
from lamplighter.results import Item
from lamplighter.wording import date, duration, known

MOST_CHANGES = 4


def split_work(source: Source) -> tuple[list[Item], list[Item]]:
    """Return the items due within the week and all others, each in rank order."""
    until = source.assessment.as_of + source.settings.week_days * DAY_S
    items = sorted(source.assessment.items, key=lambda i: (i.rank, i.id))
    week = [i for i in items if known(i.due) and i.due <= until]  # type: ignore[operator]
    inside = {id(i) for i in week}
    return week, [i for i in items if id(i) not in inside]


def work_line(source: Source, item: Item) -> WorkLine:
    """Return one item in words."""
    as_of = source.assessment.as_of
    effort = [f"Bring {item.part}"] if item.part else []
    effort += [f"{duration(item.minutes * 60)} on site"] if known(item.minutes) and item.minutes else []
    return WorkLine(
        rank=item.rank,
        signal=signal(item.status),
        action=item.action or "Go and see",
        subject=item.subject,
        name=item.name if item.name != item.subject else "",
        place=item.site or (item.gateway if item.subject_kind == "node" else item.subject_kind),
        href=source.href(item.subject) if item.subject_kind == "node" else "",
        due=near_date(item.due, as_of) or "no date",
        due_note=due_note(item.due, as_of),
        overdue=known(item.due) and item.due < as_of,  # type: ignore[operator]
        sure=sure_words(item.cause_probability),
        sure_note=short_percent(item.cause_probability),
        cause=item.cause,
        reason=first_sentence(item.reason),
        effort=", ".join(effort),
        cautions=tuple(item.cautions),
        spark=_spark(source, item),
    )


def _spark(source: Source, item: Item) -> Spark | None:
    series = source.assessment.series.get(item.subject)
    if item.subject_kind != "node" or not series:
        return None
    for name in item.findings:
        finding = source.finding.get(name)
        if finding is None:
            continue
        spark = evidence_spark(finding.check, series, source.assessment.as_of, finding.since)
        if spark is not None:
            return spark
    return None


def changes(source: Source) -> Changes:
    """Return what changed since the last run."""
    data = source.assessment.changes
    if not data:
        return Changes(since="", groups=(), note=NO_COMPARISON)
    groups = tuple(_group(source, kind, data[kind]) for kind in CHANGES if data.get(kind))
    return Changes(since=_day(data.get("since", "")), groups=groups, note="" if groups else NO_CHANGE)


def _group(source: Source, kind: str, entries: list[dict[str, Any]]) -> ChangeGroup:
    lines = tuple(
        ChangeLine(
            subject=e.get("node") or e.get("gateway") or "all nodes",
            href=source.href(e.get("node", "")),
            text=e.get("text") or e.get("reason") or "",
        )
        for e in entries
    )
    return ChangeGroup(kind=kind, label=CHANGES[kind], lines=lines, more=max(0, len(lines) - MOST_CHANGES))


def _day(since: Any) -> str:
    if isinstance(since, (int, float)):
        return date(since)
    from datetime import datetime

    try:
        return date(datetime.fromisoformat(str(since)).timestamp())
    except ValueError:
        return str(since)
