"""The trips that are planned: what to do where on which day, what to bring, and what the plan costs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from itertools import groupby
from typing import Any

from lamplighter.checkins import DAY_S
from lamplighter.report.common import Source, anchor
from lamplighter.report.model import CostLine, CostShare, DeskLine, Fact, TripDay, TripJob, TripLine, Trips
from lamplighter.report.wording import (
    COSTS,
    capitalised,
    cost_headline,
    cost_share,
    days_off,
    money,
    near_day,
    parts_words,
    time_on_site,
    trips_title,
)
from lamplighter.results import Item, NodeRow
from lamplighter.triage.planned import fails_how, to_meet
from lamplighter.wording import count, instant, known, number

BAR_WIDTH = 400.0
"""Width of the longest bar of the costs [SVG units]."""


def trips(source: Source) -> Trips | None:
    """Return the visit plan in words, None when nobody planned."""
    plan = source.assessment.fleet.get("visits")
    if not plan:
        return None
    visits, most = plan["visits"], source.settings.trip_rows
    items = {i.id: i for i in source.assessment.items}
    today = instant(source.assessment.as_of).date()
    desk = _desk(source, plan["desk"])
    parts = _parts(plan["parts"])
    return Trips(
        title=trips_title(len(visits), len({v["place"] for v in visits}), date.fromisoformat(plan["to"])),
        soon=_soon(source, visits),
        days=tuple(_days(source, visits[:most], items, today)),
        more=len(visits[most:]),
        unmet_words=f"{count(len(plan['unmet']), 'job')} cannot be done in time" if plan["unmet"] else "",
        unmet=tuple(plan["unmet"][:most]),
        unmet_more=len(plan["unmet"][most:]),
        desk=desk[:most],
        desk_more=len(desk[most:]),
        parts=parts[:most],
        parts_more=len(parts[most:]),
        cost_title=cost_headline(plan["costs"], plan["currency"]),
        cost_unit=f"Expected cost, {_span(plan)}",
        costs=_costs(plan["costs"], plan["currency"]),
        proof=plan["proof"],
        notes=(*plan["notices"], *plan["ages"]),
    )


def _span(plan: Mapping[str, Any]) -> str:
    return f"{_day_words(plan['from'])} to {_day_words(plan['to'])}"


def _day_words(iso: str) -> str:
    day = date.fromisoformat(iso)
    return f"{day.day} {day:%b %Y}"


def _soon(source: Source, visits: Sequence[Mapping[str, Any]]) -> tuple[TripDay, ...]:
    """Return the trips of the coming week."""
    until = instant(source.assessment.as_of + source.settings.week_days * DAY_S).date().isoformat()
    today = instant(source.assessment.as_of).date()
    return tuple(_days(source, [v for v in visits if v["day"] <= until], {}, today))


def _days(
    source: Source, visits: Iterable[Mapping[str, Any]], items: Mapping[str, Item], today: date
) -> Iterable[TripDay]:
    """Return the trips of each day, days in order."""
    for iso, same in groupby(sorted(visits, key=lambda v: v["day"]), key=lambda v: v["day"]):
        day = date.fromisoformat(iso)
        lines = tuple(_line(source, v, items) for v in same)
        yield TripDay(
            day=near_day(day, today), note="" if source.doubtful else days_off((day - today).days), trips=lines
        )


def _line(source: Source, visit: Mapping[str, Any], items: Mapping[str, Item]) -> TripLine:
    jobs = visit["jobs"]
    parts = [part for job in jobs for part in job["part"].split("; ") if part]
    return TripLine(
        place=visit["place"],
        crew=visit["crew"],
        jobs_count=count(len(jobs), "job"),
        hours=time_on_site(visit["minutes"]),
        jobs=tuple(_job(source, job, items, date.fromisoformat(visit["day"])) for job in jobs),
        bring=parts_words((part, parts.count(part)) for part in dict.fromkeys(parts)),
    )


def _job(source: Source, job: Mapping[str, Any], items: Mapping[str, Item], day: date) -> TripJob:
    """Return one job; a battery that falls due without being trouble yet has no item, but its node has a section."""
    item, kind_and_name = items.get(job["item"]), job["item"].split(":", 1)
    subject = item.subject if item else kind_and_name[-1]
    row: NodeRow | None = source.rows.get(subject) if item is None or item.subject_kind == "node" else None
    href = f"#{anchor(item.id)}" if item and item.subject_kind != "node" else source.href(subject)
    due = item.due if item else to_meet(row.eol_p10, row.eol_cold_p50) if row else None
    today = instant(source.assessment.as_of).date()
    end = instant(due).date() if known(due) else None  # type: ignore[arg-type]
    when = near_day(end, today, weekday=False) if end else ""
    return TripJob(
        action=job["action"],
        subject=subject,
        name=job["name"] if job["name"] != subject else "",
        href=href,
        due=f"due {when}" if item and when else f"may {fails_how(row)} from {when}" if row and when else "",
        late=bool(item and end and end < day),
    )


def _desk(source: Source, texts: Sequence[str]) -> tuple[DeskLine, ...]:
    """Return what needs no trip; each text is matched to its item, so that the node can be told and linked."""
    waiting: dict[str, list[Item]] = {}
    for i in source.assessment.items:
        if not i.minutes:
            waiting.setdefault(f"{i.name}: {i.action}.", []).append(i)
    return tuple(_desk_line(source, text, waiting) for text in texts)


def _desk_line(source: Source, text: str, waiting: Mapping[str, list[Item]]) -> DeskLine:
    found = waiting.get(text)
    if not found:
        return DeskLine(subject="", name="", href="", text=text)
    item = found.pop(0)
    href = source.href(item.subject) if item.subject_kind == "node" else f"#{anchor(item.id)}"
    name = item.name if item.name != item.subject else ""
    return DeskLine(subject=item.subject, name=name, href=href, text=item.action)


def _parts(parts: Sequence[Mapping[str, Any]]) -> tuple[Fact, ...]:
    """Return the parts of each month."""
    months: dict[str, list[tuple[str, int]]] = {}
    for line in parts:
        months.setdefault(line["month"], []).append((line["part"], line["count"]))
    return tuple(
        Fact(label=f"{datetime.strptime(month, '%Y-%m'):%b %Y}", value=parts_words(some))
        for month, some in sorted(months.items())
    )


def _costs(costs: Sequence[Mapping[str, Any]], currency: str) -> tuple[CostLine, ...]:
    """Return the plan and its alternatives, the plan first, each with a bar of what it is made of."""
    dearest = max((c["total"] for c in costs), default=0.0) or 1.0
    return tuple(
        CostLine(
            way=capitalised(c["way"]),
            reckoned=c["reckoned"],
            total=money(c["total"], currency),
            trips=f"{number(c['trips'], 2)} trip{'' if c['trips'] == 1 else 's'}",
            own=place == 0,
            parts=", ".join(cost_share(key, c[key], currency) for key in COSTS),
            bar=_bar(c, dearest),
        )
        for place, c in enumerate(costs)
    )


def _bar(cost: Mapping[str, Any], dearest: float) -> tuple[CostShare, ...]:
    shares, left = [], 0.0
    for key in COSTS:
        width = BAR_WIDTH * max(0.0, cost[key]) / dearest
        shares.append(CostShare(key=key, x=round(left, 1), width=round(width, 1)))
        left += width
    return tuple(s for s in shares if s.width)
