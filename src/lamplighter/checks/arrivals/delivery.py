"""Delivery over time: how good, how sure, and whether it is getting worse."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lamplighter.settings.arrivals import ArrivalsSettings
from lamplighter.stats.changes import Change, Scales, Slope, explain
from lamplighter.stats.proportions import Interval, wilson

WEEK = 7
LEAST_WEEKS = 4
USUAL_STEP = 0.15
"""Usual size of a change of delivery on the angular scale: a loss of 2 % that becomes 8 %."""
USUAL_SLOPE = 0.3
"""The same for a slope, a year."""
USUAL_WANDER = 0.06
"""Usual slow wander of the angle: good and bad weeks."""
BEND_MARGIN_D = 30.0
DAYS_A_YEAR = 365.25


@dataclass(frozen=True)
class Fall:
    """A lasting fall of delivery.

    Attributes
    ----------
    since, since_low, since_high : float
        When it began, with an interval [d since 1970-01-01].
    before, now : float
        Share lost before and now, fitted.
    p : float
        p-value that nothing changed.
    probability : float
        Probability that it is real.
    sudden : bool
        Whether it came in a step.
    """

    since: float
    since_low: float
    since_high: float
    before: float
    now: float
    p: float
    probability: float
    sudden: bool


def clinging(expected: np.ndarray, missed: np.ndarray) -> float:
    """How many times more the weekly loss varies than independent losses would; at least 1.

    Losses come in spells, so a thousand check-ins tell less than a thousand coin tosses.
    """
    weeks = len(expected) // WEEK
    if weeks < LEAST_WEEKS:
        return 2.0
    n = expected[-weeks * WEEK :].reshape(weeks, WEEK).sum(1).astype(float)
    m = missed[-weeks * WEEK :].reshape(weeks, WEEK).sum(1).astype(float)
    some = n > 0
    n, m = n[some], m[some]
    share = (m.sum() + 0.5) / (n.sum() + 1)
    return max(1.0, float(np.sum((m - n * share) ** 2 / (n * share * (1 - share)))) / max(len(n) - 1, 1))


def delivery(expected: np.ndarray, missed: np.ndarray, confidence: float, usual: float = 1.0) -> Interval:
    """Share received with Wilson's interval on the effective number of check-ins.

    ``usual`` is how losses cling over a longer time: a few weeks alone may by luck hold hardly a spell.
    """
    n, lost = float(expected.sum()), float(missed.sum())
    if n <= 0:
        return Interval(math.nan, math.nan, math.nan)
    size = max(n / max(clinging(expected, missed), usual), 1.0)
    got = wilson((1 - lost / n) * size, size, confidence)
    return Interval(1 - lost / n, got.low, got.high)


def angle(expected: np.ndarray, missed: np.ndarray) -> np.ndarray:
    """Loss on Anscombe's angular scale, on which its scatter does not depend on its size, shape (n,)."""
    return np.arcsin(np.sqrt((missed + 0.375) / (expected + 0.75)))


def share_of(value: float) -> float:
    """Undo :func:`angle`."""
    return math.sin(min(max(value, 0.0), math.pi / 2)) ** 2


def fall(day: np.ndarray, expected: np.ndarray, missed: np.ndarray, s: ArrivalsSettings) -> Fall | None:
    """Find a fall of delivery that lasts to the end.

    Parameters
    ----------
    day, expected, missed : ndarray, shape (n,)
        Days with counts; outages not counted.
    s : ArrivalsSettings

    Returns
    -------
    Fall or None
    """
    some = expected > 0
    day, expected, missed = day[some].astype(float), expected[some], missed[some]
    if len(day) < 2 * WEEK or not _suspicious(expected, missed, s):
        return None
    scales = Scales(
        step=USUAL_STEP, slope=USUAL_SLOPE, odds=s.falling_odds, margin=s.falling_lasts_days / DAYS_A_YEAR,
        bend_margin=BEND_MARGIN_D / DAYS_A_YEAR, wander=USUAL_WANDER,
    )  # fmt: skip
    found = explain(day / DAYS_A_YEAR, angle(expected, missed), scales)
    worse = [c for c in found.changes if c.size > 0] if found else []
    if found is None or not worse:
        return None
    last = max(worse, key=lambda c: c.time)
    before = (
        float(found.fitted[np.searchsorted(day / DAYS_A_YEAR, last.time - 1e-9) - 1])
        if last.time > day[0] / DAYS_A_YEAR
        else float(found.fitted[0])
    )
    # A slope is tested by its own size, a step by the evidence for a change, which pays for the search of its place.
    p = _one_sided(found.slope) if last.kind == "bend" else min(1.0, math.exp(-last.log_bayes))
    return _fall(last, before, float(found.fitted[-1]), p)


def _one_sided(slope: Slope) -> float:
    """p-value of a slope that is not upwards; the slope at the end may have turned since the last bend up."""
    return slope.p / 2 if slope.value > 0 else 1 - slope.p / 2


def _suspicious(expected: np.ndarray, missed: np.ndarray, s: ArrivalsSettings) -> bool:
    """Whether the last days lost more than the earlier ones at all; spares the search for most nodes."""
    recent = max(int(s.recent_days), WEEK)
    now, before = (
        missed[-recent:].sum() / expected[-recent:].sum(),
        missed[:-recent].sum() / max(expected[:-recent].sum(), 1),
    )
    return bool(now - before > 0.3 * s.falling_loss)


def _fall(change: Change, before: float, now: float, p: float) -> Fall:
    return Fall(
        change.time * DAYS_A_YEAR, change.time_low * DAYS_A_YEAR, change.time_high * DAYS_A_YEAR,
        share_of(before), share_of(now), p,
        change.probability, change.kind == "step",
    )  # fmt: skip
