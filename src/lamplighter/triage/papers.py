"""What a planner and a crew hold in their hands: visits.csv, calendar, job sheets, results to fill in, parts."""

from __future__ import annotations

from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from lamplighter import wording
from lamplighter.checkins import DAY_S
from lamplighter.errors import InputError
from lamplighter.results import Assessment, Item
from lamplighter.settings import Settings
from lamplighter.tables import write_csv
from lamplighter.triage.ages import BestAge
from lamplighter.triage.calendar import calendar_text
from lamplighter.triage.cautions import cautions_for
from lamplighter.triage.jobs import Job
from lamplighter.triage.visits import Visit, VisitPlan, plan_visits

VISIT_COLUMNS = (
    "visit", "day", "crew", "start", "end", "place", "subject", "name", "item", "action", "cause", "status", "part",
    "minutes", "not_before", "due", "in_window", "criticality", "reason", "uid",
)  # fmt: skip
RESULT_COLUMNS = ("node", "time", "action", "note", "visit", "day", "place", "name", "as_found", "as_left")
PART_COLUMNS = ("month", "part", "count")
ON_EVERY_TRIP = ("alone",)
"""Cautions shown on every job sheet, besides the general one."""
COST_COLUMNS = ("way", "trips", "travel", "work", "battery_life_wasted", "data_lost", "total", "reckoned")


def write_visits(plan: VisitPlan, folder: str | Path, previous: str | Path | None = None) -> list[Path]:
    """Write the plan's files into a folder, made when missing; return their paths.

    Parameters
    ----------
    previous : path, optional
        The calendar made last time, or its folder: what is not planned any more is cancelled in the new one.

    Raises
    ------
    InputError
        When the earlier calendar cannot be read.
    """
    folder, before = Path(folder), read_calendar(previous)
    folder.mkdir(parents=True, exist_ok=True)
    write_csv(folder / "visits.csv", VISIT_COLUMNS, visit_rows(plan))
    write_csv(folder / "job_results.csv", RESULT_COLUMNS, result_rows(plan))
    write_csv(folder / "parts.csv", PART_COLUMNS, plan.parts)
    write_csv(folder / "visit_costs.csv", COST_COLUMNS, cost_rows(plan))
    (folder / "visits.ics").write_text(calendar_text(plan, before), encoding="utf-8", newline="")
    (folder / "job_sheets.html").write_text(job_sheets(plan), encoding="utf-8", newline="")
    names = ("visits.csv", "visits.ics", "job_sheets.html", "job_results.csv", "parts.csv", "visit_costs.csv")
    return [folder / name for name in names]


def read_calendar(path: str | Path | None) -> str:
    """Return the text of an earlier calendar, empty when none is named.

    Raises
    ------
    InputError
        When it cannot be read.
    """
    if path is None:
        return ""
    path = Path(path) / "visits.ics" if Path(path).is_dir() else Path(path)
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as bad:
        raise InputError("cannot read the earlier calendar", file=path, remedy="name visits.ics or its folder") from bad


def day_in_words(day: date) -> str:
    """Return a day with its weekday: ``Tue 12 Jan 2027``."""
    return f"{day:%a} {day.day} {day:%b %Y}"


def visit_rows(plan: VisitPlan) -> list[list[Any]]:
    """Return one row a job of a visit."""
    unmet = {u.job.id for u in plan.unmet}
    return [
        [
            n, visit.day.isoformat(), visit.crew, wording.iso(visit.start), wording.iso(visit.end), visit.place,
            job.subject, job.name, job.id, job.action, job.cause, job.status, job.part, float(job.minutes),
            wording.iso(plan.as_of + job.not_before * DAY_S), wording.iso(plan.as_of + job.due * DAY_S),
            job.id not in unmet, float(job.criticality), job.reason, visit.uid,
        ]
        for n, visit in enumerate(plan.visits, start=1) for job in visit.jobs
    ]  # fmt: skip


def result_rows(plan: VisitPlan) -> list[list[Any]]:
    """Return one row a work log action of a visit; time and note are for the crew to fill in."""
    return [
        [job.subject, "", action, "", n, visit.day.isoformat(), visit.place, job.name, "", ""]
        for n, visit in enumerate(plan.visits, start=1)
        for job in visit.jobs
        if job.subject_kind == "node"
        for action in job.log_actions
    ]


def cost_rows(plan: VisitPlan) -> list[list[Any]]:
    """Return the cost of the plan and of its alternatives, money to the hundredth."""
    return [
        [c.label, round(float(c.trips), 1), *(round(v, 2) for v in (c.travel, c.work, c.wasted, c.waiting, c.total)),
         "; ".join(filter(None, (c.reckoned, c.catch)))]
        for c in plan.costs
    ]  # fmt: skip


def job_sheets(plan: VisitPlan) -> str:
    """Return one printable page a visit, every text from the files escaped."""
    from jinja2 import Environment, StrictUndefined

    text = files("lamplighter.triage").joinpath("templates", "job_sheets.html").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    sheets = [sheet(n, visit, plan) for n, visit in enumerate(plan.visits, start=1)]
    return environment.from_string(text).render(
        sheets=sheets,
        made=wording.moment(plan.as_of),
        unmet=[unmet_line(u.job, u.reason, u.day) for u in plan.unmet],
        desk=[desk_line(i) for i in plan.desk],
    )


def called(job: Job) -> str:
    """Return a job's name with the node's, where they differ: ``Tank level (LL-008)``."""
    return job.name if job.name in ("", job.subject) or job.subject_kind != "node" else f"{job.name} ({job.subject})"


def desk_line(item: Item) -> str:
    """Return what an item asks for that needs no trip, in words."""
    both = item.subject_kind == "node" and item.name not in ("", item.subject)
    return f"{item.name} ({item.subject}): {item.action}." if both else f"{item.name or item.subject}: {item.action}."


def trips_in_words(n: float) -> str:
    """Return a number of trips: ``1 trip``, ``about 5 trips``."""
    whole = int(np.floor(n + 0.5))
    return f"{'' if abs(n - whole) < 1e-9 else 'about '}{wording.count(whole, 'trip')}"


def unmet_line(job: Job, reason: str, day: date | None) -> str:
    """Return why a job misses its window, in words."""
    instead = f"planned for {day_in_words(day)}" if day else "not planned"
    return f"{called(job)}, {job.place}: {instead}; {reason}."


def sheet(number: int, visit: Visit, plan: VisitPlan) -> dict[str, Any]:
    """Return what one job sheet shows."""
    cautions = dict.fromkeys([*cautions_for(ON_EVERY_TRIP), *(text for job in visit.jobs for text in job.cautions)])
    return {
        "number": number,
        "place": visit.place,
        "day": day_in_words(visit.day),
        "crew": visit.crew,
        "time": f"{hours(visit.travel_hours)} driving, {hours(visit.minutes_on_site / 60)} on site",
        "bring": bring(visit),
        "cautions": list(cautions),
        "jobs": [job_lines(job, plan) for job in visit.jobs],
    }


def hours(length: float) -> str:
    """Return a length of time in hours: ``2.25 h``."""
    return wording.quantity(length, "h")


def bring(visit: Visit) -> list[str]:
    """Return what to bring, by part number, with counts."""
    parts = [part for job in visit.jobs for part in job.part.split("; ") if part]
    return [f"{part}: for {wording.count(parts.count(part), 'job')}" for part in dict.fromkeys(parts)]


def job_lines(job: Job, plan: VisitPlan) -> dict[str, Any]:
    """Return what a job sheet shows of one job."""
    due = wording.date(plan.as_of + job.due * DAY_S)
    return {
        "name": job.name,
        "subject": job.subject if job.subject != job.name else "",
        "action": job.action,
        "cause": job.cause,
        "reason": job.reason,
        "due": f"due by {due}, {wording.number(job.minutes)} min",
        "steps": list(job.steps),
        "log_actions": list(job.log_actions),
    }


def plan_text(plan: VisitPlan) -> str:
    """Return the plan as a few lines for the screen: the visits, what cannot be met, what it costs."""
    lines = [
        f"{day_in_words(v.day)}  {v.crew}  {v.place}: {wording.count(len(v.jobs), 'job')}, "
        f"{wording.joined([called(j) for j in v.jobs])}"
        for v in plan.visits
    ] or ["No job fits into the crews' days." if plan.unmet else "Nothing needs a trip within the horizon."]
    if plan.unmet:
        lines += ["", "Cannot be done in time:", *(f"  {unmet_line(u.job, u.reason, u.day)}" for u in plan.unmet)]
    if plan.left:
        some = wording.joined([called(j) for j in plan.left])
        lines += ["", f"May be taken along, not worth a trip yet: {some}."]
    if plan.desk:
        lines += ["", "No trip needed:", *(f"  {desk_line(item)}" for item in plan.desk)]
    lines += cost_lines(plan) if plan.visits or not plan.unmet else []
    lines += ["", *(f"Notice: {text}." for text in plan.notices), *(age_words(a, plan.currency) for a in plan.ages)]
    return "\n".join(lines).rstrip()


def cost_lines(plan: VisitPlan) -> list[str]:
    """Say what the plan costs beside simpler ones, and how much a better one could save."""
    width = max(len(c.label) for c in plan.costs)
    costs = [
        f"  {c.label:<{width}}  {money(c.total, plan.currency):>12}  {trips_in_words(c.trips)}" for c in plan.costs
    ]
    head = "What it costs, with data lost and battery life wasted:"
    return ["", head, *costs, *catches(plan), "", proof_words(plan)]


def catches(plan: VisitPlan) -> list[str]:
    """Say of each alternative that looks cheaper than the plan why it cannot stand in for it."""
    this, *others = plan.costs
    return [f"  {c.label!r} looks cheaper, but {c.catch}." for c in others if round(c.total) < round(this.total)]


def age_words(a: BestAge, currency: str) -> str:
    """Say at what age a type of battery is best replaced when nothing but its age is known."""
    each = f"{money(a.on_failure, currency)} a node and year on failure"
    if a.age_days is None:
        return f"{a.chemistry}: by age alone never replace early ({each})."
    length = wording.duration(a.age_days * DAY_S)
    return (
        f"{a.chemistry}: by age alone, replacing at {length} is cheapest ({money(a.by_age, currency)} against {each})."
    )


def money(amount: float, currency: str) -> str:
    """Return an amount of money in whole units: ``1,240 EUR``."""
    return f"{round(amount):,} {currency}".strip()


def proof_words(plan: VisitPlan) -> str:
    """Say how good the plan is."""
    if plan.method == "exact":
        return "No plan that keeps these windows and crews is cheaper."
    full = "The crews' days are full, so that windows give way."
    if plan.gap <= 1e-6:
        return f"{full} No plan for these crews is cheaper."
    return f"{full} No plan for these crews is more than {wording.percent(max(plan.gap, 0.001), 2)} cheaper."


def attach_plan(assessment: Assessment, settings: Settings) -> VisitPlan:
    """Plan the visits of an assessment and keep a summary in it, for the report; return the plan."""
    plan = plan_visits(assessment, settings)
    assessment.fleet["visits"] = plan_summary(plan)
    return plan


def plan_summary(plan: VisitPlan) -> dict[str, Any]:
    """Return the plan as plain data for a report: visits, unmet windows, costs, parts; instants as ISO 8601."""
    return {
        "as_of": wording.iso(plan.as_of),
        "from": plan.first.isoformat(),
        "to": plan.last.isoformat(),
        "visits": [
            {
                "day": v.day.isoformat(), "crew": v.crew, "place": v.place, "minutes": v.minutes_on_site,
                "jobs": [{"item": j.id, "name": j.name, "action": j.action, "part": j.part} for j in v.jobs],
            }
            for v in plan.visits
        ],
        "unmet": [unmet_line(u.job, u.reason, u.day) for u in plan.unmet],
        "desk": [desk_line(i) for i in plan.desk],
        "costs": [dict(zip(COST_COLUMNS, row, strict=True)) for row in cost_rows(plan)],
        "parts": [dict(zip(PART_COLUMNS, row, strict=True)) for row in plan.parts],
        "catches": [text.strip() for text in catches(plan)],
        "left": [called(j) for j in plan.left],
        "proof": proof_words(plan),
        "currency": plan.currency,
        "notices": list(plan.notices),
        "ages": [age_words(a, plan.currency) for a in plan.ages],
    }  # fmt: skip
