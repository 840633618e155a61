"""What a plan costs, beside three simpler ones that a planner would recognise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from lamplighter.fleet import RegisterEntry
from lamplighter.results import Assessment
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.jobs import BATTERY, Job, outlook_of, place_of
from lamplighter.triage.risk import day_cost
from lamplighter.triage.rules import load_rules

YEAR_D = 365.25


@dataclass(frozen=True, slots=True, kw_only=True)
class CostParts:
    """What a way of working costs over the horizon [money], and how it was reckoned."""

    label: str
    trips: float
    travel: float
    work: float
    wasted: float
    waiting: float
    reckoned: str = ""

    @property
    def total(self) -> float:
        """Sum of the parts [money]."""
        return self.travel + self.work + self.wasted + self.waiting


class Trip(Protocol):
    """What is needed of a visit here."""

    @property
    def place(self) -> str:
        """Where it goes."""


def compare(
    done: Sequence[tuple[Job, float]], visits: Sequence[Trip], assessment: Assessment, s: TriageSettings, horizon: float
) -> tuple[CostParts, ...]:
    """Return the cost of the plan and of its alternatives, all for the same jobs.

    Parameters
    ----------
    done : sequence of (Job, float)
        Planned jobs and the day of each [days from the present].
    """
    return (
        planned(done, visits, s),
        on_failure(done, s),
        yearly(done, assessment, s, horizon),
        one_trip_each(done, s),
    )


def trip_money(place: str, s: TriageSettings) -> float:
    """Return what one trip to a place costs before any job is done [money]."""
    return s.trip_cost + s.hourly_cost * trip_hours(place, s)


def trip_hours(place: str, s: TriageSettings) -> float:
    """Return driving, arrival and departure of one trip [h]."""
    return s.site_travel_hours.get(place, s.travel_hours) + s.visit_minutes / 60


def work_money(jobs: Sequence[Job], s: TriageSettings) -> float:
    """Return what the jobs' time on site costs [money]."""
    return s.hourly_cost * sum(j.minutes for j in jobs) / 60


def planned(done: Sequence[tuple[Job, float]], visits: Sequence[Trip], s: TriageSettings) -> CostParts:
    """Return the cost of the plan."""
    return CostParts(
        label="this plan",
        trips=len(visits),
        travel=sum(trip_money(v.place, s) for v in visits),
        work=work_money([j for j, _ in done], s),
        wasted=sum(float(j.wasted(np.array([d]))[0]) for j, d in done),
        waiting=sum(float(j.waiting(np.array([d]))[0]) for j, d in done),
        reckoned="the visits listed here",
    )


def on_failure(done: Sequence[tuple[Job, float]], s: TriageSettings) -> CostParts:
    """Return the cost of waiting for each battery to fail, then going for it alone."""
    dark = sum(s.response_days * (j.rate if j.outlook is None else j.cost_per_day) for j, _ in done)
    return CostParts(
        label="replace on failure",
        trips=len(done),
        travel=sum(trip_money(j.place, s) for j, _ in done),
        work=work_money([j for j, _ in done], s),
        wasted=0.0,
        waiting=dark,
        reckoned="each job has a trip of its own once the node is dark, which it stays until somebody comes",
    )


def one_trip_each(done: Sequence[tuple[Job, float]], s: TriageSettings) -> CostParts:
    """Return the cost of doing each job on its own best day, on a trip of its own."""
    best = []
    for job, _ in done:
        days = np.arange(np.ceil(max(job.not_before, 1.0)), max(job.due, job.not_before, 1.0) + 1)
        best.append((job, float(days[np.argmin(job.cost(days))])))
    return CostParts(
        label="one trip an item",
        trips=len(done),
        travel=sum(trip_money(j.place, s) for j, _ in done),
        work=work_money([j for j, _ in done], s),
        wasted=sum(float(j.wasted(np.array([d]))[0]) for j, d in best),
        waiting=sum(float(j.waiting(np.array([d]))[0]) for j, d in best),
        reckoned="each job on its own best day, on a trip of its own",
    )


def yearly(done: Sequence[tuple[Job, float]], assessment: Assessment, s: TriageSettings, horizon: float) -> CostParts:
    """Return the cost of a yearly round that changes every battery, in its steady state: the horizon's share of a year.

    A battery whose life is shorter than a year is dark for the rest of it; what is no battery gets a trip of its own.
    """
    share = horizon / YEAR_D
    minutes = load_rules(s.rules_file).cause(BATTERY).minutes
    places, wasted, dark = set(), 0.0, 0.0
    for row in assessment.nodes:
        entry = RegisterEntry(**{**assessment.register.get(row.node, {}), "node": row.node})
        outlook = outlook_of(row, entry, assessment.as_of, s)
        life = s.typical_life_days if outlook is None else outlook.life
        wasted += s.part_prices.get(entry.battery_part, s.battery_price) * max(0.0, 1 - YEAR_D / life)
        dark += day_cost(row.criticality, s) * max(0.0, YEAR_D - life)
        places.add(place_of(row.site, row.gateway, row.node))
    others = [j for j, _ in done if j.outlook is None]
    return CostParts(
        label="replace everything yearly",
        trips=share * len(places) + len(others),
        travel=share * sum(trip_money(p, s) for p in sorted(places)) + sum(trip_money(j.place, s) for j in others),
        work=share * s.hourly_cost * len(assessment.nodes) * minutes / 60 + work_money(others, s),
        wasted=share * wasted,
        waiting=share * dark + s.response_days * sum(j.rate for j in others),
        reckoned="every place once a year and every battery changed; what is no battery has a trip of its own",
    )
