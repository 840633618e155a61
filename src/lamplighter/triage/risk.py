"""What waiting costs: expected days of lost or wrong data until the next planned visit, times the cost of a day."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.special import ndtr

from lamplighter.checkins import DAY_S
from lamplighter.checks.base import Context
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.cases import NodeCase, min_margin_db, zero_tolerance

Z10 = 1.2815515655446004
"""Standard normal quantile of 0.9: from P50 to P10 or P90 of a normal distribution."""
Z975 = 1.959963984540054
PHI0 = 0.3989422804014327
"""Standard normal density at zero."""
YEAR_D = 365.25

LOST_KINDS = {
    "silence": ("silent", "never_seen"),
    "stuck": ("stuck", "pegged", "record_frozen", "noise_gone", "plugged", "failure_current"),
    "wrong": ("scale_step", "span_mismatch", "two_identities", "bad_quality", "peer_disagrees", "low_battery_readings"),
}
"""Hazards that are there already: the findings that say so."""


def day_cost(criticality: float | None, settings: TriageSettings) -> float:
    """Return the cost of a day of lost or wrong data, geometric between the whole criticalities [money a day]."""
    level = settings.default_criticality if criticality is None else criticality
    costs = np.maximum(settings.loss_cost_per_day, 1e-9)
    return float(np.exp(np.interp(level, (1, 2, 3, 4, 5), np.log(costs))))


def split_normal_cdf(t: np.ndarray, p10: float, p50: float, p90: float, least: float) -> np.ndarray:
    """Return the distribution with these percentiles: two halves of a normal one joined at the median.

    Parameters
    ----------
    t : array, shape (n,)
    p10, p50, p90 : float
        Percentiles, same unit as t.
    least : float
        Smallest standard deviation of either half, same unit.
    """
    early, late = max((p50 - p10) / Z10, least), max((p90 - p50) / Z10, least)
    return ndtr((t - p50) / np.where(t < p50, early, late))


def expected_dark(t: np.ndarray, p10: float, p50: float, p90: float, least: float) -> np.ndarray:
    """Return the expected time between an end with these percentiles and t, should the end come first.

    The integral of the distribution up to t, in closed form; same arguments as :func:`split_normal_cdf`.
    """
    early, late = max((p50 - p10) / Z10, least), max((p90 - p50) / Z10, least)
    t = np.asarray(t, dtype=float)
    before = early * _lost(np.minimum(t - p50, 0.0) / early)
    return before + late * (_lost(np.maximum(t - p50, 0.0) / late) - PHI0)


def expected_left(t: np.ndarray, p10: float, p50: float, p90: float, least: float) -> np.ndarray:
    """Return the expected time between t and an end with these percentiles, should t come first.

    The integral of one less the distribution from t on, in closed form.
    """
    t = np.asarray(t, dtype=float)
    return expected_dark(2 * p50 - t, 2 * p50 - p90, p50, 2 * p50 - p10, least)


def _lost(z: np.ndarray) -> np.ndarray:
    """Return the integral of the standard normal distribution up to z: the loss function of inventory theory."""
    return np.exp(-z * z / 2) * PHI0 + z * ndtr(z)


def hazard_curves(case: NodeCase, context: Context, t: np.ndarray) -> dict[str, np.ndarray]:
    """Return for each hazard the probability that data are lost or wrong ``t`` days from now.

    Parameters
    ----------
    t : array, shape (n,)
        Days from now.

    Returns
    -------
    dict of hazard to array of shape (n,)
        silence, stuck, wrong, battery, link, delivery, zero.
    """
    s = context.settings.triage
    curves = {
        "silence": np.full_like(t, present_probability(case, LOST_KINDS["silence"])),
        "stuck": np.full_like(t, present_probability(case, LOST_KINDS["stuck"])),
        "wrong": np.full_like(t, s.wrong_reading_share * present_probability(case, LOST_KINDS["wrong"])),
        "battery": battery_curve(case, context.as_of, t, s),
        "link": link_curve(case, t, s, min_margin_db(context)),
        # What a silent node loses is in its silence already.
        "delivery": np.full_like(t, delivery_loss(case, s) * (1 - present_probability(case, LOST_KINDS["silence"]))),
        "zero": zero_curve(case, t, s),
    }
    return curves


def present_probability(case: NodeCase, kinds: tuple[str, ...]) -> float:
    """Return how probable it is that one of these findings is real; one when it does not say."""
    found = [f.probability if f.probability is not None else 1.0 for f in case.findings if f.kind in kinds]
    return max(found, default=0.0)


def battery_curve(case: NodeCase, as_of: float, t: np.ndarray, s: TriageSettings) -> np.ndarray:
    """Return the probability that the battery is empty after ``t`` days."""
    days = [None if v is None else (v - as_of) / DAY_S for v in map(case.fact, ("eol_p10", "eol_p50", "eol_p90"))]
    p10, p50, p90 = days
    if p50 is not None:
        early = p50 - s.battery_uncertainty_days * Z10 if p10 is None else p10
        late = p50 + (p50 - early) if p90 is None else p90
        return split_normal_cdf(t, early, p50, late, s.battery_uncertainty_days)
    earliest = p10 if p10 is not None else case.fact("eol_not_before")
    if earliest is None:
        return np.zeros_like(t)
    earliest = earliest if p10 is not None else (earliest - as_of) / DAY_S
    return -np.expm1(-np.maximum(t - earliest, 0.0) / s.unknown_life_days)


def link_curve(case: NodeCase, t: np.ndarray, s: TriageSettings, min_margin_db: float) -> np.ndarray:
    """Return the share of check-ins at risk because the margin falls below its minimum in the meantime.

    What a thin margin costs already shows in the delivery; counted here is what the trend will add, and a little
    for a margin that is thin and has not yet cost anything.
    """
    margin = case.fact("fade_margin_db")
    if margin is None:
        return np.zeros_like(t)
    slope = case.fact("rssi_slope_db_per_year") or 0.0
    low, high = case.fact("rssi_slope_low"), case.fact("rssi_slope_high")
    spread = 0.0 if low is None or high is None else (high - low) / (2 * Z975)
    years = t / YEAR_D
    # A signal that seems to rise is not counted on: only falling is a hazard.
    expected = margin + np.minimum(slope, 0.0) * years
    sd = np.hypot(max(s.margin_uncertainty_db, case.fact("margin_error_db") or 0.0), spread * years)
    below = ndtr((min_margin_db - expected) / sd)
    now = ndtr((min_margin_db - margin) / max(s.margin_uncertainty_db, case.fact("margin_error_db") or 0.0))
    return s.weak_link_share * np.maximum(below - now, 0.0) + s.thin_margin_share * below


def delivery_loss(case: NodeCase, s: TriageSettings) -> float:
    """Return the share of check-ins lost beyond what the radio ordinarily loses."""
    delivery = case.fact("recent_delivery")
    delivery = case.fact("delivery") if delivery is None else delivery
    if delivery is None:
        return 0.0
    return float(np.clip(s.acceptable_delivery - delivery, 0, None) / s.acceptable_delivery)


def zero_curve(case: NodeCase, t: np.ndarray, s: TriageSettings) -> np.ndarray:
    """Return the probability that the zero error is outside its tolerance, times the cost share of a wrong reading."""
    error, tolerance = case.fact("zero_error_pct_span"), zero_tolerance(case)
    if error is None or not tolerance or tolerance <= 0:
        return np.zeros_like(t)
    drift = case.fact("zero_drift_pct_span_per_year") or 0.0
    low, high = case.fact("zero_drift_low"), case.fact("zero_drift_high")
    spread = 0.0 if low is None or high is None else (high - low) / (2 * Z975)
    years = t / YEAR_D
    sd = np.hypot(s.zero_uncertainty_share * tolerance, spread * years)
    expected = error + drift * years
    return s.wrong_reading_share * (ndtr((expected - tolerance) / sd) + ndtr((-expected - tolerance) / sd))


def risk_parts(curves: Mapping[str, np.ndarray], interval_days: float, cost_per_day: float) -> dict[str, float]:
    """Return the expected cost of waiting, split over the hazards.

    The chance that anything is wrong is taken with the hazards independent, and shared out in proportion
    to each hazard's own; every step is smooth, so small changes in the data make small changes here.

    Parameters
    ----------
    curves : dict of hazard to array, shape (n,)
        Probability at n moments evenly spread over the interval.
    interval_days : float
        Time until the next planned visit [days].
    cost_per_day : float
        Cost of a day of lost or wrong data [money a day].

    Returns
    -------
    dict of hazard to float
        Cost to the hundredth [money]; hazards that round to nothing are left out.
    """
    stacked = np.clip(np.array(list(curves.values())), 0.0, 1.0)
    total = float((1 - np.prod(1 - stacked, axis=0)).mean()) * interval_days * cost_per_day
    own = stacked.mean(axis=1)
    if own.sum() <= 0:
        return {}
    parts = np.round(total * own / own.sum(), 2)
    return {name: float(part) for name, part in zip(curves, parts, strict=True) if part > 0}


def total_risk(parts: Mapping[str, float]) -> float:
    """Return the sum of the parts, to the hundredth so that what is shown adds up."""
    return round(sum(parts.values()), 2)


def moments(interval_days: float) -> np.ndarray:
    """Return the middle of each day until the next planned visit [days from now]."""
    n = max(1, round(interval_days))
    return (np.arange(n) + 0.5) * interval_days / n
