"""What must be done, and what changed since last time."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any

from lamplighter.report.common import Source, anchor, signal
from lamplighter.report.model import ChangeGroup, ChangeLine, Changes, Spark, WorkLine
from lamplighter.report.sketch import evidence_spark
from lamplighter.report.wording import (
    CHANGES,
    DAY_S,
    NO_CHANGE,
    NO_COMPARISON,
    due_note,
    first_sentence,
    in_short,
    is_overdue,
    near_date,
    plain_kind,
    quiet_until,
    short_percent,
    sure_words,
)
from lamplighter.results import Item
from lamplighter.wording import date, duration, known

MOST_CHANGES = 4


def acknowledged(source: Source) -> dict[str, str]:
    """Return what is said of findings that a person knows about, by identity."""
    entries = source.assessment.changes.get("acknowledged") or ()
    return {e["id"]: quiet_until(_seconds(e.get("until")), e.get("note", "")) for e in entries}


def split_work(source: Source) -> tuple[list[Item], list[Item]]:
    """Return the items due within the week and all others, in rank order; what is acknowledged stands last."""
    until = source.assessment.as_of + source.settings.week_days * DAY_S
    quiet = acknowledged(source)
    items = sorted(source.assessment.items, key=lambda i: (_is_quiet(i, quiet), i.rank, i.id))
    week = [i for i in items if known(i.due) and i.due <= until and not _is_quiet(i, quiet)]  # type: ignore[operator]
    inside = {id(i) for i in week}
    return week, [i for i in items if id(i) not in inside]


def _is_quiet(item: Item, quiet: Collection[str]) -> bool:
    return bool(item.findings) and set(item.findings) <= set(quiet)


def work_line(source: Source, item: Item) -> WorkLine:
    """Return one item in words."""
    as_of, quiet = source.assessment.as_of, acknowledged(source)
    hushed = _is_quiet(item, quiet)
    effort = [f"Bring {item.part}"] if item.part else []
    effort += [f"{duration(item.minutes * 60)} on site"] if known(item.minutes) and item.minutes else []
    return WorkLine(
        rank=item.rank,
        signal=signal(item.status),
        action=item.action or "Go and see",
        subject=item.subject,
        name=item.name if item.name != item.subject else "",
        place=item.site or (item.gateway if item.subject_kind == "node" else item.subject_kind),
        href=source.href(item.subject) if item.subject_kind == "node" else f"#{anchor(item.id)}",
        due=near_date(item.due, as_of) or "no date",
        due_note=f"known, quiet {quiet[item.findings[0]]}" if hushed else due_note(item.due, as_of, source.doubtful),
        overdue=is_overdue(item.due, as_of) and not hushed,
        quiet=hushed,
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
    groups = tuple(_group(source, kind, data[kind]) for kind in CHANGES if data.get(kind))
    if not data.get("since"):
        return Changes(since="", groups=groups, note=NO_COMPARISON)
    moved = any(g.kind != "acknowledged" for g in groups)
    return Changes(since=date(_seconds(data["since"])), groups=groups, note="" if moved else NO_CHANGE)


def _group(source: Source, kind: str, entries: list[dict[str, Any]]) -> ChangeGroup:
    """Return the changes of one kind, those of one subject together."""
    texts: dict[str, list[str]] = {}
    for entry in entries:
        texts.setdefault(_subject(source, entry), []).append(_change_text(kind, entry))
    lines = tuple(
        ChangeLine(subject=subject, href=source.href(subject), text=in_short(said)) for subject, said in texts.items()
    )
    return ChangeGroup(kind=kind, label=CHANGES[kind], lines=lines, more=max(0, len(lines) - MOST_CHANGES))


def _subject(source: Source, entry: dict[str, Any]) -> str:
    finding = source.finding.get(entry.get("id", ""))
    named = entry.get("node") or entry.get("gateway")
    return named or (finding and (finding.node or finding.gateway)) or "all nodes"


def _change_text(kind: str, entry: dict[str, Any]) -> str:
    """Return a change in words; what is new explains itself, of the rest the finding's kind is named."""
    text = entry.get("text") or quiet_until(_seconds(entry.get("until")), entry.get("note", ""))
    name = entry.get("id", "").split(":")[1:2]
    return first_sentence(text) if kind == "new" or not name else f"{plain_kind(name[0])}: {first_sentence(text)}"


def _seconds(when: Any) -> float | None:
    """Return an instant of the plain data, which may stand as a number or as ISO 8601 text, in seconds."""
    if isinstance(when, str):
        return datetime.fromisoformat(when).timestamp() if when else None
    return when
