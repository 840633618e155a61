"""Days on which a job can be done: its window, the crews' days, the months in which a place can be reached."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from lamplighter import wording
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.crews import Crew, parse_months
from lamplighter.triage.jobs import Job
from lamplighter.triage.prices import trip_hours


@dataclass(frozen=True)
class Window:
    """Days on which a job fits its window, days on which it may be done at a pinch, and why if the former are none."""

    inside: np.ndarray
    pinch: np.ndarray
    why: str = ""


def window_of(job: Job, reachable: np.ndarray, ahead: np.ndarray, too_long: str, season: str) -> Window:
    """Return a job's days.

    Parameters
    ----------
    reachable : bool array, shape (n_days,)
        Whether the place can be reached.
    ahead : array, shape (n_days,)
        Working days as days from the present.
    too_long : str
        Why the job is longer than any crew's day; empty when it is not.
    season : str
        When the place can be reached, in words; empty when always.
    """
    none = np.zeros(len(ahead), dtype=bool)
    if too_long:
        return Window(none, none, too_long)
    early_enough, late_enough = ahead <= job.due, ahead >= np.ceil(job.not_before)
    inside = reachable & early_enough & late_enough
    if inside.any() or not job.needed:
        return Window(inside, reachable & late_enough)
    if job.due < ahead[0]:
        why = "it is due before the first day on which a crew can go"
    elif season and (early_enough & late_enough).any():
        why = f"the place can be reached in {season} alone"
    else:
        why = "no crew works on a day of its window"
    # At a pinch any day will do: too early wastes battery life, too late is paid for day by day.
    return Window(none, reachable if season else reachable & (late_enough | early_enough), why)


def windows_at(
    place: str, jobs: Sequence[Job], days: Sequence[date], ahead: np.ndarray, crews: Sequence[Crew], s: TriageSettings
) -> list[Window]:
    """Return the window of each job at a place."""
    months = parse_months(place, s.site_months[place]) if place in s.site_months else frozenset(range(1, 13))
    reachable = np.array([d.month in months for d in days])
    longest, drive = max(c.hours for c in crews), trip_hours(place, s)
    windows = []
    for job in jobs:
        hours = drive + job.minutes / 60
        too_long = "" if hours <= longest else (
            f"with the drive it takes {wording.number(hours)} h, more than a crew's day of {wording.number(longest)} h"
        )  # fmt: skip
        windows.append(window_of(job, reachable, ahead, too_long, months_in_words(months)))
    return windows


def months_in_words(months: frozenset[int]) -> str:
    """Return months in words; empty when they are all twelve."""
    names = [date(2000, m, 1).strftime("%b") for m in sorted(months)]
    return "" if len(names) == 12 else wording.joined(names, most=12)
