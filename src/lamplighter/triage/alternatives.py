"""What a plan costs, beside three simpler ones that a planner would recognise."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from lamplighter.fleet import RegisterEntry
from lamplighter.results import Assessment
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.jobs import BATTERY, Job, outlook_of, place_of
from lamplighter.triage.prices import replacement_money, trip_money, work_money
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
    catch: str = ""
    """What it does not keep that the plan keeps: why it cannot stand in for the plan where it looks cheaper."""

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


def planned(done: Sequence[tuple[Job, float]], visits: Sequence[Trip], s: TriageSettings) -> CostParts:
    """Return the cost of the plan."""
    return CostParts(
        label="this plan",
        trips=len(visits),
        travel=sum(trip_money(v.place, s) for v in visits),
        work=work_money(sum(j.minutes for j, _ in done), s),
        wasted=sum(float(j.wasted(np.array([d]))[0]) for j, d in done),
        waiting=sum(float(j.waiting(np.array([d]))[0]) for j, d in done),
        reckoned="the visits listed here",
    )


def on_failure(done: Sequence[tuple[Job, float]], s: TriageSettings) -> CostParts:
    """Return the cost of waiting for each battery to fail, then going for it alone."""
    dark = sum(s.response_days * (j.rate if j.outlook is None else day_cost(j.criticality, s)) for j, _ in done)
    return CostParts(
        label="replace on failure",
        trips=len(done),
        travel=sum(trip_money(j.place, s) for j, _ in done),
        work=work_money(sum(j.minutes for j, _ in done), s),
        wasted=0.0,
        waiting=dark,
        reckoned="each job has a trip of its own once the node is dark, which it stays until somebody comes",
        catch="it keeps no due date and lets every node go dark first",
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
        work=work_money(sum(j.minutes for j, _ in done), s),
        wasted=sum(float(j.wasted(np.array([d]))[0]) for j, d in best),
        waiting=sum(float(j.waiting(np.array([d]))[0]) for j, d in best),
        reckoned="each job on its own best day, on a trip of its own",
        catch="it takes no account of the crews' days and hours",
    )


def yearly(done: Sequence[tuple[Job, float]], assessment: Assessment, s: TriageSettings, horizon: float) -> CostParts:
    """Return the cost of a yearly round that changes every battery, the horizon's share of a year of it.

    Each place is visited once, on the day of the year best for its jobs; what is wrong waits for it.
    """
    share, days = horizon / YEAR_D, np.arange(1.0, np.ceil(YEAR_D))
    jobs: dict[str, list[Job]] = defaultdict(list)
    for job, _ in done:
        jobs[job.place].append(job)
    waiting = sum(float(np.sum([j.waiting(days) for j in some], axis=0).min()) for some in jobs.values())
    minutes, wasted, places = load_rules(s.rules_file).cause(BATTERY).minutes, 0.0, set(jobs)
    for row in assessment.nodes:
        entry = RegisterEntry(**{**assessment.register.get(row.node, {}), "node": row.node})
        outlook, place = outlook_of(row, entry, assessment.as_of, s), place_of(row.site, row.gateway, row.node)
        life = s.typical_life_days if outlook is None else outlook.life
        wasted += replacement_money(place, entry.battery_part, minutes, s) * max(0.0, 1 - YEAR_D / life)
        places.add(place)
    others = sum(j.minutes for j, _ in done if j.outlook is None)
    return CostParts(
        label="replace everything yearly",
        trips=share * len(places),
        travel=share * sum(trip_money(p, s) for p in sorted(places)),
        work=share * work_money(minutes, s) * len(assessment.nodes) + work_money(others, s),
        wasted=share * wasted,
        waiting=waiting,
        reckoned="every place once a year on its best day, every battery changed; what is wrong waits for that day",
        catch="it keeps no due date, and this is only the horizon's share of a year's round",
    )
