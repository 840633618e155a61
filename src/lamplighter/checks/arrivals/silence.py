"""How long a node may be silent before that says something."""

from __future__ import annotations

import math

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.arrivals.measure import ArrivalsMeasure
from lamplighter.settings.arrivals import ArrivalsSettings

MOST_LONE = 5
"""More silences than this are a node's habit."""
APART = 3.0
"""Silences this many times as long as the longest gap below them stand apart from a node's gaps."""


def past_silences(m: ArrivalsMeasure, lost: np.ndarray, s: ArrivalsSettings) -> np.ndarray:
    """Mark gaps that were breakdowns and not the node's habit: few, long, and far beyond all its other gaps.

    Parameters
    ----------
    m : ArrivalsMeasure
    lost : ndarray, shape (g,)
        Missed check-ins by gap that an outage took.
    s : ArrivalsSettings

    Returns
    -------
    ndarray of bool, shape (g,)
        Never the gap that is still open.
    """
    answer = np.zeros(len(m.gaps), bool)
    own = np.flatnonzero(_own(m, lost))
    if not len(own) or m.schedule is None:
        return answer
    own = own[np.argsort(-(m.gaps.end - m.gaps.start)[own], kind="stable")]
    length = (m.gaps.end - m.gaps.start)[own]
    below = np.append(length[1:], m.gaps.interval[own[-1]])
    silence = (length >= s.silence_days * DAY_S) & (m.gaps.missed[own] > s.silent_missed)
    ends = np.flatnonzero((silence & (length >= APART * below))[:MOST_LONE])
    if len(ends):
        answer[own[: ends[-1] + 1]] = True
    return answer


def silence_limit(m: ArrivalsMeasure, lost: np.ndarray, s: ArrivalsSettings) -> float:
    """How long a node may be silent before it is called so [s].

    The greater of some missed check-ins and a high quantile of the node's own spacings, outages and past
    breakdowns taken out, the latter at most some days. Where there
    are too few spacings to have such a quantile, it comes from how often losses begin and how they cling.

    Parameters
    ----------
    m : ArrivalsMeasure
    lost : ndarray, shape (g,)
        Missed check-ins by gap that an outage took.
    s : ArrivalsSettings
    """
    interval = m.schedule.current_s if m.schedule else math.nan
    least = (s.silent_missed + s.due_tolerance) * interval
    own = _own(m, lost) & ~past_silences(m, lost, s)
    beyond = int((1 - s.silent_quantile) * m.spacings)
    if beyond:
        spacings = np.sort((m.gaps.end - m.gaps.start)[own])[::-1]
        usual = float(spacings[beyond]) if beyond < len(spacings) else 0.0
    else:
        usual = (losses_in_a_row(m.gaps.missed[own], m.spacings, s.silent_quantile) + 1 + s.due_tolerance) * interval
    return max(least, min(usual, s.silent_most_days * DAY_S))


def losses_in_a_row(missed: np.ndarray, spacings: int, quantile: float) -> int:
    """Return how many losses in a row a share of all spacings does not exceed, losses clinging to each other.

    A spacing begins with a loss at one rate, and a loss is followed by another at a second (Gilbert's
    two-state channel seen from its losses), so that runs of losses are geometric. Each rate has one loss added.

    Parameters
    ----------
    missed : ndarray of int, shape (g,)
        Losses in a row, run by run.
    spacings : int
        Spacings in all, those without a loss included.
    quantile : float

    References
    ----------
    E. N. Gilbert, Bell System Technical Journal 39 (1960) 1253-1265.
    """
    runs, lost = len(missed), float(np.sum(missed))
    begins, goes_on = (runs + 1) / (spacings + 2), (lost - runs + 1) / (lost + 2)
    return max(0, math.ceil(math.log((1 - quantile) / begins) / math.log(goes_on)))


def _own(m: ArrivalsMeasure, lost: np.ndarray) -> np.ndarray:
    """Mark gaps that are over and the node's own."""
    own = lost == 0
    own[len(own) - int(m.gaps.open) :] = False
    return own
