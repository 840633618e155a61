"""The fewest and best days on which to serve jobs at one place, exactly, by dynamic programming."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NEVER = 1e9
"""Cost of a day on which a job must not be done [money]: finite, so that sums stay numbers."""
UNSERVED = 1e5
"""Cost of a needed job that fits nowhere [money]: above any other cost, well below :data:`NEVER`."""


@dataclass(frozen=True, kw_only=True)
class SiteProblem:
    """The jobs of one place.

    Attributes
    ----------
    cost : array, shape (n_jobs, n_days)
        Cost of each job on each day besides the trip [money]; NEVER where it must not be.
    late_cost : array, shape (n_jobs, n_days)
        The same with days after the due date allowed at a penalty: used when crews are full.
    skip : array, shape (n_jobs,)
        Cost of leaving a job for after the horizon [money]; NEVER when it is needed.
    hours : array, shape (n_jobs,)
        Time each job takes [h].
    trip : float
        Cost of one trip [money].
    trip_hours : float
        Driving, arrival and departure [h].
    """

    place: str
    cost: np.ndarray
    late_cost: np.ndarray
    skip: np.ndarray
    hours: np.ndarray
    trip: float
    trip_hours: float


@dataclass(frozen=True)
class Cover:
    """Days chosen, and which of them serves each job.

    Attributes
    ----------
    total : float
        Trips, days' costs and what is skipped [money].
    days : tuple of int
        Indices of the days on which a trip is made, rising.
    served : int array, shape (n_jobs,)
        Index of the day that serves each job, -1 where it is skipped.
    """

    total: float
    days: tuple[int, ...]
    served: np.ndarray


def best_cover(cost: np.ndarray, trip: float, skip: np.ndarray | None = None) -> Cover:
    """Choose days so that trips and the jobs' own costs are least together.

    Each job's cost must fall and then rise over the days (or be :data:`NEVER` before and after a window):
    then the best open day is the last one before its own best day or the first one after it, and the least cost
    up to an open day depends on the open day before it alone (facility location on a line; Hassin & Tamir 1991,
    Oper. Res. Lett. 10:395, from memory). With costs of 0 inside a window this is the fewest points that stab
    all intervals.

    Parameters
    ----------
    cost : array, shape (n_jobs, n_days)
        Cost of doing a job on a day besides the trip [money].
    trip : float
        Cost of a trip [money].
    skip : array, shape (n_jobs,), optional
        Cost of leaving a job for later [money]; infinite (the default) when it must be done.

    Returns
    -------
    Cover
    """
    n, n_days = cost.shape
    leave = np.full(n, NEVER) if skip is None else np.minimum(skip, NEVER)
    capped = np.minimum(cost, leave[:, None])
    best = np.argmin(cost, axis=1) if n_days else np.zeros(n, dtype=int)
    least = np.full(n_days, np.inf)
    before = np.full(n_days, -1)
    for j in range(n_days):
        own = capped[:, j]
        options = np.concatenate([[own[best < j].sum()], _between(capped, best, j) + least[:j]])
        before[j] = int(np.argmin(options)) - 1
        least[j] = trip + options[before[j] + 1]
    ends = np.array([leave.sum(), *(least[j] + capped[best >= j, j].sum() for j in range(n_days))])
    last = int(np.argmin(ends)) - 1
    days = _walk(before, last)
    return Cover(float(ends[last + 1]), days, _serve(cost, leave, days))


def _between(capped: np.ndarray, best: np.ndarray, j: int) -> np.ndarray:
    """Cost of the jobs whose best day lies from i up to j, when i and j are open and none between, shape (j,)."""
    some = best < j
    cheaper = np.minimum(capped[some, :j], capped[some, j : j + 1])
    return np.where(best[some, None] >= np.arange(j), cheaper, 0.0).sum(axis=0)


def _walk(before: np.ndarray, last: int) -> tuple[int, ...]:
    days = []
    while last >= 0:
        days.append(last)
        last = int(before[last])
    return tuple(reversed(days))


def _serve(cost: np.ndarray, leave: np.ndarray, days: tuple[int, ...]) -> np.ndarray:
    """Give each job the cheapest open day, the later of equals; -1 where leaving it is cheaper."""
    if not days:
        return np.full(len(cost), -1)
    open_days = np.array(days)[::-1]
    choice = np.argmin(cost[:, open_days], axis=1)
    served = open_days[choice]
    return np.where(cost[np.arange(len(cost)), served] < leave, served, -1)
