"""Which trips to make together: windows, days, crews, and what the plan costs beside simpler ones."""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from lamplighter import wording
from lamplighter.errors import InputError
from lamplighter.results import Assessment, Instant, Item
from lamplighter.settings import Settings, load_settings
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.ages import BestAge, best_ages
from lamplighter.triage.alternatives import CostParts, compare
from lamplighter.triage.cover import NEVER, SiteProblem
from lamplighter.triage.crews import Crew, days_off, parse_crews, working_days
from lamplighter.triage.jobs import Job, find_jobs, place_of
from lamplighter.triage.prices import trip_hours, trip_money
from lamplighter.triage.schedule import Schedule, Search, schedule
from lamplighter.triage.windows import Window, windows_at

_NAMES = uuid.UUID("6f1c2f0e-5d0b-5a44-9f0a-2f7f3f3f6d11")
"""Namespace of the visits' identifiers; any fixed value serves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One trip of one crew to one place.

    Attributes
    ----------
    uid : str
        Identity that stays when the plan moves the visit: the place and the first of its jobs by name.
    start, end : Instant
        From leaving to being back [s since 1970-01-01 UTC].
    """

    uid: str
    place: str
    day: date
    crew: str
    start: Instant
    end: Instant
    travel_hours: float
    minutes_on_site: float
    jobs: tuple[Job, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmet:
    """A job that cannot be done in its window, and why; ``day`` is when it is planned instead, None when it is not."""

    job: Job
    reason: str
    day: date | None = None


@dataclass(frozen=True, kw_only=True)
class VisitPlan:
    """Visits of all crews over the horizon, with what they cost.

    Attributes
    ----------
    visits : tuple of Visit
        By day, then crew and hour.
    unmet : tuple of Unmet
    left : tuple of Job
        May be left for after the horizon.
    desk : tuple of Item
        What needs a person but no trip.
    costs : tuple of CostParts
        This plan first, then three simpler ones.
    method : str
        exact, fitted or improved.
    gap : float
        Largest share by which a better plan could be cheaper [-].
    parts : tuple of (str, str, int)
        Month, part, how many.
    ages : tuple of BestAge
        By type of battery, where ended lives have taught one.
    notices : tuple of str
        What in the settings was of no use.
    """

    as_of: Instant
    first: date
    last: date
    crews: tuple[Crew, ...]
    visits: tuple[Visit, ...]
    unmet: tuple[Unmet, ...]
    left: tuple[Job, ...]
    desk: tuple[Item, ...]
    costs: tuple[CostParts, ...]
    method: str
    gap: float
    parts: tuple[tuple[str, str, int], ...]
    currency: str = ""
    ages: tuple[BestAge, ...] = ()
    notices: tuple[str, ...] = ()


def plan_visits(
    assessment: Assessment,
    settings: Settings | None = None,
    *,
    crew: Sequence[str] | None = None,
    horizon: int | None = None,
) -> VisitPlan:
    """Plan the trips of the coming months.

    Parameters
    ----------
    assessment : Assessment
    settings : Settings, optional
        Default: those of the assessment.
    crew : sequence of str, optional
        Crews like ``Mon-Fri 8h`` or ``North=Mon-Thu 7h``; default: those of the settings.
    horizon : int, optional
        Days to plan ahead; default: that of the settings.

    Raises
    ------
    InputError
        When no crew works on any day of the horizon.
    SettingsError
        When a crew or a month is not understood.
    """
    settings = settings or load_settings(assessment.settings)
    s = settings.triage
    days_ahead = s.horizon_days if horizon is None else horizon
    crews = parse_crews(list(crew) if crew else None, s.crews)
    today = wording.instant(assessment.as_of).astimezone(ZoneInfo(settings.timezone)).date()
    days = working_days(today + timedelta(days=1), today + timedelta(days=days_ahead), crews, days_off(s))
    if not days:
        raise InputError("no crew works on any day of the horizon", remedy="lengthen --horizon or change --crew")
    jobs, desk = find_jobs(assessment, settings, float(days_ahead))
    ahead = np.array([(d - today).days for d in days], dtype=float)
    windows = {j.id: window for place, some in by_place(jobs).items()
               for j, window in zip(some, windows_at(place, some, days, ahead, crews, s), strict=True)}  # fmt: skip
    possible = by_place([j for j in jobs if (windows[j.id].inside | windows[j.id].pinch).any()])
    problems = [site_problem(p, some, [windows[j.id] for j in some], ahead, s) for p, some in possible.items()]
    slots = [(n, c) for n, d in enumerate(days) for c in crews if d.weekday() in c.weekdays]
    plan = _schedule(problems, slots, s)
    done = [(job, days[slots[t][0]], slots[t][1].name)
            for some, chosen in zip(possible.values(), plan.slot, strict=True)
            for job, t in zip(some, chosen, strict=True) if t >= 0]  # fmt: skip
    visits = make_visits(done, s, settings.timezone)
    day_of = {job.id: day for job, day, _ in done}
    return VisitPlan(
        as_of=assessment.as_of,
        first=days[0],
        last=days[-1],
        crews=crews,
        visits=visits,
        unmet=unmet_jobs(jobs, day_of, today, windows),
        left=tuple(j for j in jobs if j.id not in day_of and not j.needed),
        desk=tuple(desk),
        costs=compare([(job, float((day - today).days)) for job, day, _ in done], visits, assessment, s, days_ahead),
        method=plan.method,
        gap=max(0.0, 1 - plan.bound / plan.cost) if plan.cost > 0 else 0.0,
        parts=parts_by_month(visits),
        currency=s.currency,
        ages=best_ages(assessment, s),
        notices=unknown_sites(assessment, s),
    )


def _schedule(problems: Sequence[SiteProblem], slots: Sequence[tuple[int, Crew]], s: TriageSettings) -> Schedule:
    slot_day, slot_hours = np.array([n for n, _ in slots]), np.array([c.hours for _, c in slots])
    search = Search(s.planner_gap, s.planner_nodes, s.planner_seconds, s.planner_tries)
    return schedule(problems, slot_day, slot_hours, search)


def unknown_sites(assessment: Assessment, s: TriageSettings) -> tuple[str, ...]:
    """Return a notice for each site in the settings at which no node stands: likely a slip of the pen."""
    places = {place_of(r.site, r.gateway, r.node) for r in assessment.nodes}
    return tuple(
        f"{name} in the settings names {site}, but no node stands there"
        for name in ("site_travel_hours", "site_months")
        for site in getattr(s, name)
        if site not in places
    )


def by_place(jobs: Sequence[Job]) -> dict[str, list[Job]]:
    """Return jobs by the place a trip goes to, places sorted."""
    places: dict[str, list[Job]] = defaultdict(list)
    for job in jobs:
        places[job.place].append(job)
    return dict(sorted(places.items()))


def site_problem(
    place: str, jobs: Sequence[Job], windows: Sequence[Window], ahead: np.ndarray, s: TriageSettings
) -> SiteProblem:
    """Return the problem of one place; every job has at least one possible day."""
    own = np.array([job.cost(ahead) for job in jobs])
    late = own + s.late_cost_per_day * np.array([np.maximum(0.0, np.floor(ahead - job.due)) for job in jobs])
    inside = np.array([w.inside for w in windows])
    pinch = np.array([w.pinch for w in windows])
    without = np.logical_not(inside.any(axis=1, keepdims=True))
    trip = trip_money(place, s)
    return SiteProblem(
        place=place,
        cost=np.where(inside, own, np.where(pinch & without, late, NEVER)),
        late_cost=np.where(pinch | inside, late, NEVER),
        skip=np.array([NEVER if job.needed else leaving(job, float(ahead[-1]), trip, s) for job in jobs]),
        hours=np.array([job.minutes / 60 for job in jobs]),
        trip=trip,
        trip_hours=trip_hours(place, s),
    )


def leaving(job: Job, last: float, trip: float, s: TriageSettings) -> float:
    """Return what a job will cost when it is left for after the horizon [money]."""
    later = np.arange(last, max(job.due, last) + 1)
    return s.postponed_trip_share * trip + float(job.cost(later).min())


def make_visits(done: Sequence[tuple[Job, date, str]], s: TriageSettings, timezone: str) -> tuple[Visit, ...]:
    """Put jobs of one place, day and crew into visits, one after another through the day.

    Parameters
    ----------
    done : sequence of (Job, date, str)
        Jobs with day and crew.
    """
    trips: dict[tuple[date, str, str], list[Job]] = defaultdict(list)
    for job, day, crew in done:
        trips[day, crew, job.place].append(job)
    clock: dict[tuple[date, str], float] = {}
    visits = []
    for (day, crew, place), jobs in sorted(trips.items()):
        jobs.sort(key=lambda j: (-(j.rate + j.cost_per_day * (j.outlook is None)), j.id))
        start = clock.get((day, crew), _day_start(day, s.day_start, timezone))
        minutes = s.visit_minutes + sum(j.minutes for j in jobs)
        travel = s.site_travel_hours.get(place, s.travel_hours)
        end = clock[day, crew] = start + 3600 * travel + 60 * minutes
        visits.append(
            Visit(
                uid=visit_uid(place, jobs),
                place=place,
                day=day,
                crew=crew,
                start=start,
                end=end,
                travel_hours=travel,
                minutes_on_site=minutes,
                jobs=tuple(jobs),
            )
        )
    return tuple(visits)


def visit_uid(place: str, jobs: Sequence[Job]) -> str:
    """Return a visit's identity: its place and the first of its jobs by name, whatever the day and the urgency."""
    return f"{uuid.uuid5(_NAMES, f'{place}|{min(j.id for j in jobs)}')}@lamplighter"


def _day_start(day: date, clock: str, timezone: str) -> float:
    return datetime.combine(day, time.fromisoformat(clock), ZoneInfo(timezone)).timestamp()


def unmet_jobs(
    jobs: Sequence[Job], done: Mapping[str, date], today: date, windows: Mapping[str, Window]
) -> tuple[Unmet, ...]:
    """Return the jobs that are not done in their window, with the reason, by due date."""
    unmet = []
    for job in sorted(jobs, key=lambda j: (j.due, j.id)):
        day = done.get(job.id)
        why = windows[job.id].why
        if day is None and job.needed:
            unmet.append(Unmet(job=job, reason=why or "the crews' days are full"))
        elif day is not None and (why or (day - today).days > job.due):
            unmet.append(Unmet(job=job, reason=why or "the crews' days are full until then", day=day))
    return tuple(unmet)


def parts_by_month(visits: Sequence[Visit]) -> tuple[tuple[str, str, int], ...]:
    """Return (month, part, how many) for what the visits need."""
    counts = Counter((f"{v.day:%Y-%m}", part) for v in visits for j in v.jobs for part in j.part.split("; ") if part)
    return tuple((month, part, n) for (month, part), n in sorted(counts.items()))
