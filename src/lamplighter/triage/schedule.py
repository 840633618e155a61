"""Visits of all sites fitted into the days of the crews."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from lamplighter.triage.cover import NEVER, UNSERVED, Cover, SiteProblem, best_cover
from lamplighter.triage.replan import Draft, draft_of, improve, replan

if TYPE_CHECKING:
    from scipy.sparse import csr_array

EASY_PICKS = 1_000
"""Up to this many possible jobs on possible trips, the plan is proven to be the best, or near it."""


@dataclass(frozen=True, slots=True)
class Search:
    """When the search may stop: relative gap proven [-], branches searched, and as a last resort time [s].

    Where a proof would take too long, ``tries`` is how often sites are planned anew.
    """

    gap: float
    nodes: int
    seconds: float = 60.0
    tries: int = 200


@dataclass(frozen=True)
class Schedule:
    """Which slot serves each job.

    Attributes
    ----------
    slot : list of int array, shape (n_jobs,)
        By site: index of the slot, -1 where a job is left or fits nowhere.
    cost, bound : float
        Cost of the schedule and the least any schedule can cost [money].
    method : str
        exact, fitted (mixed-integer programme), improved (move by move) or first fit.
    """

    slot: list[np.ndarray]
    cost: float
    bound: float
    method: str


def schedule(sites: Sequence[SiteProblem], slot_day: np.ndarray, slot_hours: np.ndarray, search: Search) -> Schedule:
    """Choose trips so that everything together costs least and no crew day is overfull.

    Each site is solved exactly on its own; where the crews' days hold the result, nothing can be better.
    Otherwise sites and days are chosen together: by mixed-integer programming where that proves the best plan
    soon, else by improving what fits at first.

    Parameters
    ----------
    sites : sequence of SiteProblem
    slot_day : int array, shape (n_slots,)
        Index of the day of each slot; a slot is one crew's day, slots sorted by day.
    slot_hours : array, shape (n_slots,)
        Hours in it [h].
    search : Search
        When the search may stop.
    """
    covers = [best_cover(s.cost, s.trip, s.skip) for s in sites]
    bound = float(sum(c.total for c in covers))
    packed, overfull = pack(sites, covers, slot_day, slot_hours)
    if not overfull:
        return Schedule(packed, bound, bound, "exact")
    # With late days allowed a site may cost less than by its best days in time.
    bound = float(sum(best_cover(s.late_cost, s.trip, np.minimum(s.skip, UNSERVED)).total for s in sites))
    model = tabulate(sites, slot_day)
    if len(model.pick_cost) <= EASY_PICKS:
        found = solve(model, sites, slot_hours, search)
        if found is not None:
            return replace(found, bound=min(max(bound, found.bound), found.cost))
    starts = (packed, greedy(sites, covers, slot_day, slot_hours).slot)
    drafts = [draft_of(sites, slot_day, slot_hours, start) for start in starts]
    for draft in drafts:
        improve(draft, range(len(sites)))
    best = min((replan(draft, overfull, search.tries // len(drafts)) for draft in drafts), key=Draft.cost)
    return Schedule(best.slots, best.cost(), min(bound, best.cost()), "improved")


def pack(
    sites: Sequence[SiteProblem], covers: Sequence[Cover], slot_day: np.ndarray, slot_hours: np.ndarray
) -> tuple[list[np.ndarray], set[int]]:
    """Put each site's trips into the crews' slots of their days, longest first.

    Returns
    -------
    slots : list of int array
        By site, as in :class:`Schedule`; -1 also where a trip did not fit.
    overfull : set of int
        Days on which a trip did not fit.
    """
    pairs = enumerate(zip(sites, covers, strict=True))
    trips = [(float(s.trip_hours + s.hours[c.served == d].sum()), d, k) for k, (s, c) in pairs for d in c.days]
    room, overfull = slot_hours.astype(float), set()
    slots = [np.full(len(s.hours), -1) for s in sites]
    for hours, day, k in sorted(trips, key=lambda trip: (trip[1], -trip[0], trip[2])):
        fits = [t for t in np.flatnonzero(slot_day == day) if room[t] >= hours - 1e-9]
        if not fits:
            overfull.add(day)
            continue
        room[fits[0]] -= hours
        slots[k][covers[k].served == day] = fits[0]
    return slots, overfull


@dataclass(frozen=True)
class Model:
    """Possible trips (site, slot) and possible picks (job of a site, on a trip), with their costs [money]."""

    trip_site: np.ndarray
    trip_slot: np.ndarray
    trip_cost: np.ndarray
    pick_site: np.ndarray
    pick_job: np.ndarray
    pick_trip: np.ndarray
    pick_cost: np.ndarray


def tabulate(sites: Sequence[SiteProblem], slot_day: np.ndarray) -> Model:
    """List every trip that may be made and every job that may be done on it."""
    possible = [(s.late_cost < NEVER).any(axis=0) for s in sites]
    trips = [(k, int(t)) for k, days in enumerate(possible) for t in np.flatnonzero(days[slot_day])]
    picks = [
        (k, int(i), trip, float(sites[k].late_cost[i, slot_day[t]]))
        for trip, (k, t) in enumerate(trips)
        for i in np.flatnonzero(sites[k].late_cost[:, slot_day[t]] < NEVER)
    ]
    trip_site, trip_slot = np.array(trips, dtype=int).reshape(-1, 2).T
    site, job, trip, cost = np.array(picks, dtype=float).reshape(-1, 4).T
    trip_cost = np.array([sites[k].trip for k, _ in trips])
    return Model(trip_site, trip_slot, trip_cost, site.astype(int), job.astype(int), trip.astype(int), cost)


def solve(m: Model, sites: Sequence[SiteProblem], slot_hours: np.ndarray, search: Search) -> Schedule | None:
    """Choose trips and picks at least cost; None when no schedule was found in the search allowed."""
    from scipy.optimize import Bounds, LinearConstraint, milp  # slow to load, and seldom needed

    offsets = np.cumsum([0, *(len(s.hours) for s in sites)])
    n_trips, n_picks, n_jobs = len(m.trip_cost), len(m.pick_cost), int(offsets[-1])
    skip = np.minimum(np.concatenate([s.skip for s in sites]), UNSERVED)
    pick, job = np.arange(n_picks), offsets[m.pick_site] + m.pick_job
    hours = np.concatenate([s.hours for s in sites])[job]
    trip_hours = np.array([s.trip_hours for s in sites])[m.trip_site]
    left = n_trips + n_picks
    n = left + n_jobs
    once = _rows(
        np.concatenate([job, np.arange(n_jobs)]),
        np.concatenate([n_trips + pick, left + np.arange(n_jobs)]),
        np.ones(n_picks + n_jobs),
        (n_jobs, n),
    )
    on_trip = _rows(
        np.tile(pick, 2),
        np.concatenate([n_trips + pick, m.pick_trip]),
        np.repeat([1.0, -1.0], n_picks),
        (n_picks, n),
    )
    room = _rows(
        np.concatenate([m.trip_slot, m.trip_slot[m.pick_trip]]),
        np.arange(left),
        np.concatenate([trip_hours, hours]),
        (len(slot_hours), n),
    )
    result = milp(
        np.concatenate([m.trip_cost, m.pick_cost, skip]),
        integrality=np.ones(n),
        bounds=Bounds(0, 1),
        constraints=[
            LinearConstraint(once, 1, 1),
            LinearConstraint(on_trip, -np.inf, 0),
            LinearConstraint(room, -np.inf, slot_hours),
        ],
        options={"mip_rel_gap": search.gap, "node_limit": search.nodes, "time_limit": search.seconds},
    )
    if result.x is None:
        return None
    slots = [np.full(len(s.hours), -1) for s in sites]
    for p in np.flatnonzero(result.x[n_trips:left] > 0.5):
        slots[m.pick_site[p]][m.pick_job[p]] = m.trip_slot[m.pick_trip[p]]
    bound = result.mip_dual_bound if result.mip_dual_bound is not None else -np.inf
    return Schedule(slots, float(result.fun), float(bound), "fitted")


def _rows(row: np.ndarray, column: np.ndarray, value: np.ndarray, shape: tuple[int, int]) -> csr_array:
    from scipy.sparse import csr_array

    return csr_array((value, (row, column)), shape=shape)


def greedy(
    sites: Sequence[SiteProblem], covers: Sequence[Cover], slot_day: np.ndarray, slot_hours: np.ndarray
) -> Schedule:
    """Give each trip, in the order of its own best day, the cheapest slots that have room."""
    room = slot_hours.astype(float)
    slots = [np.full(len(s.hours), -1) for s in sites]
    trips = sorted((d, k) for k, c in enumerate(covers) for d in c.days)
    cost = sum(float(s.skip[c.served < 0].sum()) for s, c in zip(sites, covers, strict=True))
    for day, k in trips:
        site, jobs = sites[k], [int(i) for i in np.flatnonzero(covers[k].served == day)]
        for t in _by_cost(site, jobs, slot_day):
            taken = _load(site, jobs, int(slot_day[t]), room[t])
            if taken:
                slots[k][taken] = t
                room[t] -= site.trip_hours + site.hours[taken].sum()
                cost += site.trip + site.late_cost[taken, slot_day[t]].sum()
                jobs = [i for i in jobs if i not in taken]
        cost += UNSERVED * len(jobs)
    return Schedule(slots, float(cost), 0.0, "first fit")


def _by_cost(site: SiteProblem, jobs: list[int], slot_day: np.ndarray) -> np.ndarray:
    """Return slots in the order of what doing all of these jobs in them would cost, earlier ones first."""
    cost = np.minimum(site.late_cost[jobs], UNSERVED).sum(axis=0)[slot_day]
    return np.argsort(cost, kind="stable")


def _load(site: SiteProblem, jobs: list[int], day: int, room: float) -> list[int]:
    """Return the jobs that a trip on a day has room for, the shortest first."""
    left, taken = room - site.trip_hours, []
    for i in sorted(jobs, key=lambda i: (site.hours[i], i)):
        if site.late_cost[i, day] < NEVER and site.hours[i] <= left + 1e-9:
            taken.append(i)
            left -= site.hours[i]
    return taken
