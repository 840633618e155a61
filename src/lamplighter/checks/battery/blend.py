"""One forecast from several readings, with stated weights.

The voltage is read in three ways (:mod:`~lamplighter.checks.battery.estimators`): discharge curves fitted in depth of
discharge, a decline that steepens, and a local trend shortened by what straight lines promise too much. Their
distributions are pooled linearly with the weights of the settings (0.30, 0.45, 0.25); each fit is trusted less the
farther it reaches beyond the record that it is a fit to. What is known of the whole life besides the voltage (charge
budget, lives of the class) then multiplies the pool in place of the uninformed prior of a life seen at a random moment,
p(L) ~ 1/L^2. Last the distribution is widened or narrowed about its median by one factor in log remaining time: 0.48
where the battery's start is known, 0.84 where it is not, a further 1.25 where the chemistry is not known, and 1.5 while
the voltage is flat and other knowledge carries the forecast; a few days are added for the weather that tips it.

A voltage that has not fallen beyond its own scatter, or whose forecast is wide while most of the way to the cut-off is
left, gets no date: only the bound that 95 % of batteries in this state outlast.

The end that is forecast is the one that lasts: the loaded voltage falls below the cut-off at the temperature expected
of its season and stays there. A front or a cold week that takes it below and lets it recover is no end (the finding
battery_cold tells of it). How warm the coming weeks will be is part of the doubt: the scatter of days about their
season, and what a record of less than a year does not tell of the season itself.

Before that end a battery may fall short on the coldest days. The same fits, weights and widths are then held against
the floor of the coldest expected day (:mod:`lamplighter.checks.battery.coldest`), and the day on which weather brings
it is in doubt besides; that shortfall never comes after the end that lasts.

Calibration: weights, trust, widths and the rule of the local trend were set on completed lives of simulated fleets of
four chemistries, standing 90, 60, 30 and 14 days before the end, and on five real batteries run until they died, 4 to
10 days before; reports/accuracy.md has the figures on other fleets. Near the end of alkaline batteries in a cold season
P50 is some days early: their response to temperature grows faster than the last weeks show.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from lamplighter.checks.battery.coldest import Coldest
from lamplighter.checks.battery.estimators import (
    CurveFit,
    Estimate,
    KneeFit,
    NoTrend,
    Shape,
    TrendFit,
    fit_curves,
    fit_knee,
    fit_trend,
    pair_slope,
    scatter,
)
from lamplighter.checks.battery.outlook import Outlook
from lamplighter.checks.battery.prior import LifePrior
from lamplighter.settings.battery import BatterySettings

SHARES = np.array([0.05, 0.10, 0.50, 0.90])


@dataclass(frozen=True, slots=True)
class Forecast:
    """Days from now to the end of a battery.

    p10, p50, p90 : NaN when only a bound can be given; not_before : outlasted by 95 %; method : the reading that
    dominates; methods : (p10, p50, p90) of each reading; weights : its share of the blend; flat : whether the voltage
    alone gives no date; cold : (p10, p50, p90) of the first shortfall on the coldest days, None where it is not told.
    """

    p10: float
    p50: float
    p90: float
    not_before: float
    method: str
    flat: bool
    methods: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    weights: dict[str, float] = field(default_factory=dict)
    cold: tuple[float, float, float] | None = None


def quantiles(ahead: np.ndarray, ended: np.ndarray, shares: np.ndarray = SHARES) -> np.ndarray:
    """Return the days by which given shares have ended, straight between grid days; the last day when not reached."""
    top = np.maximum.accumulate(np.concatenate([[0.0], ended])) + 1e-12 * np.arange(len(ended) + 1)
    return np.interp(shares, top, np.concatenate([[0.0], ahead]))


def pool(estimates: list[Estimate], base: dict[str, float]) -> tuple[np.ndarray, dict[str, float]]:
    """Return the linear pool of estimates and each one's weight in it."""
    informed = [e for e in estimates if e.informed]
    weight = np.array([base[e.method] * e.trust for e in informed])
    weight = weight / weight.sum()
    mixed = weight @ np.array([e.ended for e in informed])
    return mixed, dict(zip([e.method for e in informed], weight.tolist(), strict=True))


def with_priors(o: Outlook, ended: np.ndarray, priors: list[LifePrior]) -> np.ndarray:
    """Return the pool updated by what is known of whole lives; the uninformed prior it carries is taken out."""
    if not priors:
        return ended
    edges = np.concatenate([[0.0], o.ahead])
    mass = np.diff(np.concatenate([[0.0], ended, [1.0]]))
    middle = np.concatenate([0.5 * (edges[1:] + edges[:-1]), [1.3 * edges[-1]]])
    life = o.x_now + middle
    log = np.log(np.maximum(mass, 1e-12)) + np.log(life)
    for prior in priors:
        log = log + prior.log_density(life)
    weight = np.exp(log - log.max())
    return np.cumsum(weight / weight.sum())[:-1]


def widened(q: np.ndarray, median: float, factor: np.ndarray) -> np.ndarray:
    """Return quantiles moved from the median by factors in log time."""
    return median * (np.maximum(q, 1e-3) / median) ** factor if median > 0 else q


def headroom(o: Outlook, fresh_v: float) -> float:
    """Share of the way from fresh to cut-off that the level still has before it."""
    return (o.level - o.cutoff_v) / max(fresh_v - o.cutoff_v, 1e-6)


def has_fallen(o: Outlook, settings: BatterySettings) -> bool:
    """Whether the voltage fell over the record, beyond its scatter and the error of its slope."""
    slope, error = pair_slope(o.x, o.volts, scatter(o, settings))
    return bool(slope < -3.0 * error and -slope * (o.x[-1] - o.x[0]) > settings.fall_sigma * scatter(o, settings))


def uninformed(o: Outlook, early: float, late: float, fresh_v: float, settings: BatterySettings) -> bool:
    """Whether the voltage says too little for a date.

    Either it has not fallen yet by more than its own scatter, or the forecast is wide while most of the way to the
    cut-off is left.
    """
    if not has_fallen(o, settings) and headroom(o, fresh_v) > settings.flat_headroom:
        return True
    wide = late > settings.uninformative_ratio * max(early, settings.uninformative_days) or late >= 0.98 * o.ahead[-1]
    return bool(wide and headroom(o, fresh_v) > settings.flat_headroom)


def tipped(q: np.ndarray, sd: float) -> np.ndarray:
    """Return quantiles with a few days of their own added: on which day weather tips a battery is not known."""
    reach = np.array([1.6448536, 1.2815516, 0.0, -1.2815516]) * sd
    off = q[2] - q
    return q[2] - np.sign(reach) * np.hypot(off, reach)


def spread_of(o: Outlook, flat: bool, chemistry_known: bool, settings: BatterySettings) -> float:
    """Return the factor on the width of a forecast, by what it rests on."""
    if flat:
        return settings.spread_flat
    spread = settings.spread_known if o.start_known else settings.spread_unknown
    return spread if chemistry_known else spread * settings.spread_chemistry


def forecast(
    o: Outlook,
    shapes: list[Shape],
    priors: list[LifePrior],
    fresh_v: float,
    settings: BatterySettings,
    *,
    chemistry_known: bool = True,
) -> Forecast:
    """Blend all readings of one battery into its forecast.

    Parameters
    ----------
    o : Outlook
        The life so far and the days ahead.
    shapes : list of Shape
        Curves to try, with prior weights.
    priors : list of LifePrior
        What is known of the whole life besides the voltage; empty when its start is not known.
    fresh_v : float
        Voltage of a fresh battery, or the best seen [V].
    settings : BatterySettings
    chemistry_known : bool
    """
    fits = (fit_curves(o, shapes, settings), fit_knee(o, settings), fit_trend(o, settings))
    estimates = [fit.against(o, settings) for fit in fits]
    tipping = settings.tipping_share * (o.x[-1] - o.x[0])
    lasting = blended(o, estimates, priors, fresh_v, tipping, settings, chemistry_known=chemistry_known)
    if o.coldest is None or lasting.flat or not np.isfinite(lasting.p50):
        return lasting
    estimates = in_the_cold(o, o.coldest, fits, settings)
    tipping = np.hypot(tipping, o.coldest.tipping)
    first = blended(o, estimates, priors, fresh_v, tipping, settings, chemistry_known=chemistry_known)
    early, late = (np.array([f.p10, f.p50, f.p90]) for f in (first, lasting))
    return replace(lasting, cold=tuple(np.fmin(early, late).tolist())) if np.isfinite(early).all() else lasting


Fits = tuple[CurveFit, KneeFit, TrendFit | NoTrend]
"""The three readings of one life."""


def in_the_cold(o: Outlook, coldest: Coldest, fits: Fits, settings: BatterySettings) -> list[Estimate]:
    """Hold the fits of one life against the floor of the coldest expected days.

    What cold takes out of reach counts as used: a cold day stands where a mild one stands so much later.
    """
    used = (fits[0].before + o.x_now + o.ahead) * (1.0 + coldest.lost)
    as_late = np.maximum.accumulate(used - (fits[0].before + o.x_now))
    volts, sd = (np.interp(o.ahead, as_late, values) for values in (coldest.volts, coldest.sd))
    moved = replace(o, floor=volts, cold_sd=sd)
    met = [fit.against(moved, settings) for fit in fits]
    return [replace(e, ended=np.interp(as_late, o.ahead, e.ended)) for e in met]


def blended(
    o: Outlook,
    estimates: list[Estimate],
    priors: list[LifePrior],
    fresh_v: float,
    tipping: float | np.ndarray,
    settings: BatterySettings,
    *,
    chemistry_known: bool,
) -> Forecast:
    """Blend what the readings of one battery foretell.

    ``tipping`` is the scatter of the very day of an end [days], at the days ahead or at all of them.
    """
    base = {
        "discharge curve": settings.weight_curve,
        "steepening": settings.weight_knee,
        "local trend": settings.weight_trend,
    }
    voltage, weights = pool(estimates, base)
    if headroom(o, fresh_v) <= settings.flat_headroom:
        # A battery so far down does end: what was left beyond the horizon is not a chance of lasting for ever.
        voltage = voltage / max(voltage[-1], 1e-9)
    _, early, _, late = quantiles(o.ahead, voltage)
    flat = uninformed(o, early, late, fresh_v, settings)
    methods = {e.method: tuple(quantiles(o.ahead, e.ended)[1:].tolist()) for e in estimates if e.informed}
    for prior in priors:
        alone = with_priors(o, np.clip(1 - o.x_now**2 / (o.x_now + o.ahead) ** 2, 0, 1), [prior])
        methods[prior.method] = tuple(quantiles(o.ahead, alone)[1:].tolist())
    mixed = with_priors(o, voltage, priors)
    q = quantiles(o.ahead, mixed)
    # The early tail, of which the bound is made, is heavier than the middle of the distribution.
    spread = spread_of(o, flat, chemistry_known, settings) * np.array([settings.spread_bound, 1.0, 1.0, 1.0])
    scatter_d = float(np.interp(q[2], o.ahead, np.broadcast_to(tipping, o.ahead.shape)))
    q = tipped(widened(q, q[2], spread), scatter_d)
    q = np.maximum(q, 0.0)  # it is alive today
    if flat and not priors:
        return Forecast(np.nan, np.nan, np.nan, float(q[0]), "voltage still flat", True, methods, weights)
    method = dominant(methods, priors, flat, weights, q)
    return Forecast(float(q[1]), float(q[2]), float(q[3]), float(q[0]), method, flat, methods, weights)


def dominant(
    methods: dict[str, tuple[float, float, float]],
    priors: list[LifePrior],
    flat: bool,
    weights: dict[str, float],
    q: np.ndarray,
) -> str:
    """Name the reading that decides: the narrowest knowledge of lives for a flat voltage, else the nearest reading."""
    if flat and priors:
        return min(priors, key=lambda p: p.sd_log).method
    near = {m: weights[m] / (0.1 + abs(np.log(max(methods[m][1], 0.1) / max(q[2], 0.1)))) for m in weights}
    return max(near, key=near.get)
