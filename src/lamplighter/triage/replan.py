"""Schedules of many sites made cheaper move by move, and by planning some sites anew from nothing.

Moves one at a time (a job to another trip, a trip to another day, two trips exchanged) end where none helps alone.
Taking a few sites out and putting them back leads on from there: large neighbourhood search by ruin and recreate
(Schrimpf et al., J. Comput. Phys. 159, 2000, 139-171), with a fixed seed, so that runs
agree, and going on from any schedule near the best one (Dueck, J. Comput. Phys. 104, 1993, 86-92).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lamplighter.triage.cover import NEVER, UNSERVED, SiteProblem

SEED, STALE = 1, 40
"""Seed of the search, and tries in a row without gain after which it ends."""
DETOUR = 0.01
"""The search goes on from a schedule dearer than the best by up to this share, lest it stay where it is."""
GAIN = 1e-6
"""Least gain of a move [money]."""
NEAR_DAYS = 8
"""Days on either side within which trips of two sites are in each other's way."""
COMPANY = 6
"""Most other sites that make room while some are planned anew."""


@dataclass
class Draft:
    """A schedule on the way: slots of the jobs by site, the hours left in each slot, and jobs by trip.

    Attributes
    ----------
    price : list of array, shape (n_jobs, n_slots)
        Cost of each job of a site in each slot besides the trip [money]; infinite where it must not be.
    leave : list of array, shape (n_jobs,)
        What leaving each job of a site costs [money].
    slots : list of int array, shape (n_jobs,)
        Slot of each job, -1 where it is left.
    room : array, shape (n_slots,)
        Hours left [h].
    """

    sites: Sequence[SiteProblem]
    slot_day: np.ndarray
    price: list[np.ndarray]
    leave: list[np.ndarray]
    slots: list[np.ndarray]
    room: np.ndarray

    def trips(self, k: int) -> list[int]:
        """Return the slots in which a site is visited, in order."""
        return sorted({*self.slots[k].tolist()} - {-1})

    def hours(self, k: int, jobs: np.ndarray | int) -> float:
        """Return how long some jobs of a site take [h]."""
        return float(self.sites[k].hours[jobs].sum())

    def cost(self) -> float:
        """Return what the schedule costs [money]."""
        total = 0.0
        for k, site in enumerate(self.sites):
            done = np.flatnonzero(self.slots[k] >= 0)
            total += float(self.price[k][done, self.slots[k][done]].sum()) + site.trip * len(self.trips(k))
            total += float(self.leave[k][self.slots[k] < 0].sum())
        return total

    def without(self, some: Collection[int]) -> Draft:
        """Return a copy in which some sites have no trip."""
        slots, room = [s.copy() for s in self.slots], self.room.copy()
        for k in some:
            for t in self.trips(k):
                room[t] += self.sites[k].trip_hours + self.hours(k, slots[k] == t)
            slots[k][:] = -1
        return replace(self, slots=slots, room=room)


def draft_of(
    sites: Sequence[SiteProblem], slot_day: np.ndarray, slot_hours: np.ndarray, slots: Sequence[np.ndarray]
) -> Draft:
    """Take up a schedule that fits."""
    price = [np.where(s.late_cost < NEVER, s.late_cost, np.inf)[:, slot_day] for s in sites]
    leave = [np.minimum(s.skip, UNSERVED) for s in sites]
    draft = Draft(sites, slot_day, price, leave, [s.copy() for s in slots], slot_hours.astype(float))
    for k in range(len(sites)):
        for t in draft.trips(k):
            draft.room[t] -= sites[k].trip_hours + draft.hours(k, slots[k] == t)
    return draft


def replan(draft: Draft, crowded: Collection[int], tries: int) -> Draft:
    """Improve a draft by planning up to three sites at a time anew.

    Parameters
    ----------
    draft : Draft
    crowded : collection of int
        Days on which not all trips fit that were wanted: only sites near them are planned anew.
    tries : int
        Most times that sites are planned anew; fewer when :data:`STALE` of them in a row brought nothing.
    """
    rng, best, least = np.random.default_rng(SEED), draft, draft.cost()
    stale = 0
    while tries > 0 and stale < STALE:
        tries, stale = tries - 1, stale + 1
        some = group(draft, crowded, rng)
        tried, beside = draft.without(some), company(draft, some)
        if rng.random() < 0.5:  # the others make use of the room first
            improve(tried, [k for k in beside if k not in some])
        for k in some:
            put_back(tried, k, together=bool(rng.random() < 0.5))
        improve(tried, beside)
        cost = tried.cost()
        if cost < least * (1 + DETOUR):
            draft = tried
        if cost < least - GAIN:
            best, least, stale = tried, cost, 0
    return best


def group(draft: Draft, crowded: Collection[int], rng: np.random.Generator) -> list[int]:
    """Pick one to three sites near crowded days that are in each other's way, in the order in which they choose."""
    near = [k for k in range(len(draft.sites)) if _close(draft, k, crowded)] or list(range(len(draft.sites)))
    first = near[int(rng.integers(len(near)))]
    days = _days(draft, first)
    others = rng.permutation([k for k in near if k != first and _close(draft, k, days)])
    return rng.permutation([first, *others[: int(rng.integers(3))].astype(int)]).tolist()


def put_back(draft: Draft, k: int, together: bool) -> None:
    """Give a site's jobs slots again, each for itself or all on one trip where there is room for it."""
    if together:
        site, cost = draft.sites[k], draft.price[k].sum(axis=0)
        hours = site.trip_hours + float(site.hours.sum())
        cost[hours > draft.room + 1e-9] = np.inf
        best = int(np.argmin(cost))
        if np.isfinite(cost[best]):
            draft.room[best] -= hours
            draft.slots[k][:] = best
    for i in range(len(draft.sites[k].hours)):
        move_job(draft, k, i)


def company(draft: Draft, some: Collection[int]) -> list[int]:
    """Return some sites with those that have most trips near theirs, in order."""
    days = [d for k in some for d in _days(draft, k)]
    others = [k for k in range(len(draft.sites)) if k not in some]
    crowd = {k: sum(abs(d - e) <= NEAR_DAYS for d in _days(draft, k) for e in days) for k in others}
    beside = sorted((k for k in others if crowd[k]), key=lambda k: (-crowd[k], k))[:COMPANY]
    return sorted([*some, *beside])


def _days(draft: Draft, k: int) -> list[int]:
    return draft.slot_day[draft.trips(k)].tolist()


def _close(draft: Draft, k: int, days: Collection[int]) -> bool:
    """Whether a site has a trip near one of some days, or a job without one."""
    return bool((draft.slots[k] < 0).any()) or any(abs(d - e) <= NEAR_DAYS for d in _days(draft, k) for e in days)


def improve(draft: Draft, among: Sequence[int]) -> None:
    """Make all moves that help by themselves, of some sites."""
    moved = True
    while moved:
        moved = False
        for k in among:
            moved |= sum(move_job(draft, k, i) for i in range(len(draft.sites[k].hours))) > 0
            moved |= sum(move_trip(draft, k, t) for t in draft.trips(k)) > 0
        moved |= exchange(draft, among)


def move_job(draft: Draft, k: int, i: int) -> bool:
    """Move one job to the slot where it costs least, its own trip or a new one, or leave it; say whether that helps."""
    site, slot, leave = draft.sites[k], int(draft.slots[k][i]), float(draft.leave[k][i])
    trips, hours = draft.trips(k), float(site.hours[i])
    cost = draft.price[k][i] + site.trip
    cost[draft.room < site.trip_hours + hours - 1e-9] = np.inf
    for t in trips:
        cost[t] = draft.price[k][i, t] if draft.room[t] >= hours - 1e-9 else np.inf
    now, alone = leave, False
    if slot >= 0:
        alone = int((draft.slots[k] == slot).sum()) == 1
        now = float(draft.price[k][i, slot]) + (site.trip if alone else 0.0)
        cost[slot] = np.inf
    best = int(np.argmin(cost))
    if min(float(cost[best]), leave) >= now - GAIN:
        return False
    if slot >= 0:
        draft.room[slot] += hours + (site.trip_hours if alone else 0.0)
    if cost[best] <= leave:
        draft.room[best] -= hours + (0.0 if best in trips else site.trip_hours)
        draft.slots[k][i] = best
    else:
        draft.slots[k][i] = -1
    return True


def move_trip(draft: Draft, k: int, slot: int) -> bool:
    """Move a whole trip to the slot where it costs least, or into another trip; say whether that helps."""
    site, jobs = draft.sites[k], np.flatnonzero(draft.slots[k] == slot)
    if not len(jobs):
        return False
    hours = site.trip_hours + draft.hours(k, jobs)
    trips = [t for t in draft.trips(k) if t != slot]
    cost, need = draft.price[k][jobs].sum(axis=0), np.full(len(draft.room), hours)
    now = float(cost[slot])
    cost[trips] -= site.trip
    need[trips] -= site.trip_hours
    cost[need > draft.room + 1e-9] = np.inf
    cost[slot] = np.inf
    best = int(np.argmin(cost))
    if cost[best] >= now - GAIN:
        return False
    draft.room[slot] += hours
    draft.room[best] -= need[best]
    draft.slots[k][jobs] = best
    return True


def exchange(draft: Draft, among: Sequence[int]) -> bool:
    """Let trips of two sites change slots, the pair that gains most first; say whether any did."""
    changed = False
    while True:
        trips = [(k, t) for k in among for t in draft.trips(k)]
        if len(trips) < 2:
            return changed
        pair = _best_exchange(draft, trips)
        if pair is None:
            return changed
        (k, t), (l, u) = (trips[i] for i in pair)
        a, b = draft.slots[k] == t, draft.slots[l] == u
        more = draft.sites[k].trip_hours + draft.hours(k, a) - draft.sites[l].trip_hours - draft.hours(l, b)
        draft.slots[k][a], draft.slots[l][b] = u, t
        draft.room[t] += more
        draft.room[u] -= more
        changed = True


def _best_exchange(draft: Draft, trips: Sequence[tuple[int, int]]) -> tuple[int, int] | None:
    site, slot = np.array(trips).T
    cost = np.array([draft.price[k][draft.slots[k] == t].sum(axis=0) for k, t in trips])[:, slot]
    hours = np.array([draft.sites[k].trip_hours + draft.hours(k, draft.slots[k] == t) for k, t in trips])
    own, room = np.diag(cost), draft.room[slot]
    with np.errstate(invalid="ignore"):  # neither may be where the other is: infinite both ways
        gain = own[:, None] + own - cost - cost.T
    more = hours - hours[:, None]
    fits = (more <= room[:, None] + 1e-9) & (-more <= room + 1e-9)
    taken = {(k, t) for k, t in trips}
    for i, (k, _) in enumerate(trips):
        # Where the site is already, it would be there twice.
        fits[i] &= np.array([(k, int(u)) not in taken for u in slot])
    gain[~(fits & fits.T) | (site[:, None] == site) | ~np.isfinite(gain)] = 0.0
    best = int(np.argmax(gain))
    if gain.flat[best] <= GAIN:
        return None
    return best // len(trips), best % len(trips)
