"""Three readings of a falling voltage, each a distribution of the day on which it meets the cut-off.

Every estimator is fitted to the level once and can be held against more than one floor: the fit's ``against`` returns
P(ended by) at the days ahead, shape (m,), never falling. None of them is trusted alone; see
:mod:`lamplighter.checks.battery.blend`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.special import ndtr

from lamplighter.checks.battery.outlook import Outlook
from lamplighter.settings.battery import BatterySettings

NU = 4.0
"""Degrees of freedom of the Student likelihood: a fit is not ruled out by misjudged noise."""
COARSE, FINE = 24, 36
"""Candidate remaining lives on the coarse and on the fine grid."""
EVERY = 2
"""Curves are followed to every so many of the days ahead: they are smooth."""
UNLIKELY = 7.0
"""Log weight below the best at which a curve is let go."""
SLIGHT = 0.01
"""Share of all weight that the candidates of least weight may hold together and still be left out of the forecast."""
LEAST_TRUST = 0.05
"""A discharge curve always has a say: it alone knows that a flat voltage may fall."""
DRIFT = 0.35
"""Share of the model error that a forecast's own level gains for each doubling of the history it looks beyond."""


@dataclass(frozen=True, slots=True)
class Shape:
    """A discharge curve of a whole battery: depth of discharge, volts; with the spread of real ones about it."""

    name: str
    depth: np.ndarray
    volts: np.ndarray
    prior: float
    level_sd: float
    scale_sd: float

    middle: float = field(init=False)
    """Volts at three tenths of the discharge, about which a fit scales the curve."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "middle", float(np.interp(0.3, self.depth, self.volts)))

    def at(self, depth: np.ndarray) -> np.ndarray:
        """Volts at a depth of discharge; beyond the end the last slope goes on."""
        volts = np.interp(depth, self.depth, self.volts)
        if depth.max() > self.depth[-1]:
            end = (self.volts[-1] - self.volts[-2]) / (self.depth[-1] - self.depth[-2])
            volts += end * np.maximum(depth - self.depth[-1], 0.0)
        return volts


@dataclass(frozen=True, slots=True)
class Estimate:
    """P(ended by) at the days ahead, and how well the data back it (log evidence, up to a constant)."""

    method: str
    ended: np.ndarray
    evidence: float = 0.0
    informed: bool = True
    trust: float = 1.0
    """Factor on its weight: a fit to a record is trusted less the farther it reaches beyond that record."""


def evidence_weights(o: Outlook, settings: BatterySettings) -> np.ndarray:
    """Bins' weights, scaled to the number of independent pieces of evidence that they hold together."""
    return o.weight / o.weight.sum() * min(settings.evidence_bins, len(o.x))


def scatter(o: Outlook, settings: BatterySettings) -> float:
    """Scatter of the level about a good curve [V]: noise of the bins and the curve's own error."""
    return float(np.hypot(o.noise, settings.model_error_share * abs(o.level)) + 1e-6)


def student(chi2: np.ndarray, pieces: float) -> np.ndarray:
    """Log-likelihood of residuals whose scale is only roughly known."""
    return -0.5 * (NU + pieces) * np.log1p(chi2 / NU)


def growing_error(o: Outlook, settings: BatterySettings) -> np.ndarray:
    """Return the standard deviation of the level at the days ahead [V], shape (m,)."""
    span = max(o.x[-1] - o.x[0], 1.0)
    model = settings.model_error_share * abs(o.level) * (1.0 + DRIFT * np.log2(1.0 + o.ahead / span * 4.0))
    return np.sqrt(o.level_error**2 + model**2 + o.cold_sd**2)


def never_falling(ended: np.ndarray) -> np.ndarray:
    """Return shares in which what has ended stays ended."""
    return np.maximum.accumulate(ended, axis=-1)


def reach_trust(o: Outlook, ended: np.ndarray) -> float:
    """Trust in a fit whose median lies so far ahead: one half where it reaches half as far as the record goes back."""
    under = np.flatnonzero(ended >= 0.5)
    if not len(under):
        return 0.0
    span = max(o.x[-1] - o.x[0], 1e-6)
    return float(1.0 / (1.0 + (2.0 * o.ahead[under[0]] / span) ** 4))


# --- discharge curves ---------------------------------------------------------------------------------------------


def remaining_grid(low: float, high: float, points: int) -> np.ndarray:
    """Candidate remaining lives to full discharge [days at the present drain], even in the logarithm."""
    return np.geomspace(low, high, points)


STARTS = np.array([0.0, 0.2, 0.4, 0.55, 0.67, 0.77, 0.85, 0.91])
"""Candidate depths of discharge at the start of a record that begins within a battery's life."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """One curve from some starting depths (s) at all candidate remaining lives (k); arrays of shape (s, k)."""

    shape: Shape
    start: np.ndarray
    life: np.ndarray
    level: np.ndarray
    scale: np.ndarray
    log: np.ndarray


def fit_candidates(
    o: Outlook, tried: list[tuple[Shape, np.ndarray]], rest: np.ndarray, settings: BatterySettings
) -> list[Candidates]:
    """Fit curves from their starting depths at candidate remaining lives; log weights per unit of log rest."""
    w = evidence_weights(o, settings)
    weight = w / scatter(o, settings) ** 2
    total = o.x_now + rest
    prior = np.log(rest) + np.log(max(o.x_now, 1.0)) - 2.0 * np.log(total)
    out = []
    for shape, starts in tried:
        start, life = np.broadcast_arrays(starts[:, None], total / (1.0 - starts[:, None]))
        c = shape.at(start.reshape(-1, 1) + o.x / life.reshape(-1, 1)) - shape.middle
        level, scale, chi2 = (
            a.reshape(life.shape)
            for a in ridge_line(c, o.volts, weight, (shape.middle, shape.level_sd), (1.0, shape.scale_sd))
        )
        log = student(chi2, w.sum()) + prior + np.log(shape.prior)
        out.append(Candidates(shape, start, life, level, scale, log))
    return out


@dataclass(frozen=True, slots=True)
class CurveFit:
    """Discharge curves fitted to one life: weights of the candidates (k,), their paths at the days looked at (k, j).

    before : use of the battery before x counts, as the curves have it [days at the present drain].
    """

    weight: np.ndarray
    path: np.ndarray
    looked: np.ndarray
    evidence: float
    before: float

    def against(self, o: Outlook, settings: BatterySettings) -> Estimate:
        """Return when the curves meet the floor."""
        sd = growing_error(o, settings)[self.looked]
        ended = self.weight @ never_falling(ndtr((o.floor[self.looked] - self.path) / sd))
        ended = np.interp(o.ahead, o.ahead[self.looked], never_falling(ended))
        trust = 1.0 if o.start_known else reach_trust(o, ended)
        return Estimate("discharge curve", ended, self.evidence, trust=max(trust, LEAST_TRUST))


def fit_curves(o: Outlook, shapes: list[Shape], settings: BatterySettings) -> CurveFit:
    """Fit every curve at every candidate remaining life (and starting depth), and follow them ahead.

    Level and scale of each curve are fitted in closed form under normal priors; the candidates' weights are their
    Student likelihood times the prior of a life seen at a random moment, p(L) ~ 1/L^2. A coarse grid of remaining
    lives finds which curves and lives have weight, a fine one carries the forecast.
    """
    starts = STARTS[:1] if o.start_known else STARTS
    coarse = remaining_grid(0.5, settings.longest_days, COARSE)
    rough = fit_candidates(o, [(shape, starts) for shape in shapes], coarse, settings)
    pooled = np.logaddexp.reduce(np.concatenate([c.log for c in rough]))
    likely = np.flatnonzero(pooled > pooled.max() - UNLIKELY)
    low, high = coarse[max(likely[0] - 1, 0)], coarse[min(likely[-1] + 1, len(coarse) - 1)]
    best = max(c.log.max() for c in rough)
    kept = [(c.shape, starts[c.log.max(axis=1) > best - UNLIKELY]) for c in rough]
    kept = [(shape, some) for shape, some in kept if len(some)]
    candidates = fit_candidates(o, kept, remaining_grid(low, high, FINE), settings)
    evidence = float(np.logaddexp.reduce(np.concatenate([c.log for c in candidates]), axis=None))
    weight = np.concatenate([np.exp(c.log - evidence) for c in candidates])
    weight[slight(weight.ravel()).reshape(weight.shape)] = 0.0
    parts = np.split(weight, np.cumsum([len(c.log) for c in candidates])[:-1])
    looked = np.append(np.arange(0, len(o.ahead) - 1, EVERY), len(o.ahead) - 1)
    told = [(c, w) for c, w in zip(candidates, parts, strict=True) if w.any()]
    path = np.concatenate([path_ahead(o, c, w, looked) for c, w in told])
    before = sum(float((w * c.start * c.life).sum()) for c, w in told) / float(weight.sum())
    return CurveFit(np.concatenate([w[w > 0] for _, w in told]) / weight.sum(), path, looked, evidence, before)


def slight(weight: np.ndarray) -> np.ndarray:
    """Mark the candidates of least weight that together hold no more than a share of it all, shape (k,)."""
    order = np.argsort(weight, kind="stable")
    slightest = np.zeros(len(weight), dtype=bool)
    slightest[order[np.cumsum(weight[order]) <= SLIGHT * weight.sum()]] = True
    return slightest


def path_ahead(o: Outlook, c: Candidates, weight: np.ndarray, looked: np.ndarray) -> np.ndarray:
    """Return the voltages of one curve's candidates of any weight at some of the days ahead, shape (k, j).

    Their recent misfit is carried on.
    """
    some = weight > 0
    start, life, level, scale = (a[some][:, None] for a in (c.start, c.life, c.level, c.scale))
    w = o.weight * np.exp(-(o.x[-1] - o.x) / max(0.06 * (o.x[-1] - o.x[0]), 1.0))
    recent = w > 0.02 * w.max()
    x, v, w = o.x[recent], o.volts[recent], w[recent]
    seen = level + scale * (c.shape.at(start + x[None, :] / life) - c.shape.middle)
    miss = ((v[None, :] - seen) @ w / w.sum())[:, None]
    return level + scale * (c.shape.at(start + (o.x_now + o.ahead[looked]) / life) - c.shape.middle) + miss


def ridge_line(
    c: np.ndarray, v: np.ndarray, w: np.ndarray, level: tuple[float, float], scale: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fit v = a + b c for every row of c (k, n) under normal priors (mean, sd) on a and b; return a, b, chi2."""
    pa, pb = 1.0 / level[1] ** 2, 1.0 / scale[1] ** 2
    s0 = w.sum() + pa
    s1 = c @ w
    s2 = (c * c) @ w + pb
    t0 = float(w @ v) + pa * level[0]
    t1 = c @ (w * v) + pb * scale[0]
    det = s0 * s2 - s1 * s1
    a = (s2 * t0 - s1 * t1) / det
    b = np.maximum((s0 * t1 - s1 * t0) / det, 0.2)
    # The squares of what is left, from the sums; about the mean, so that little is lost to rounding.
    middle = float(w @ v) / w.sum()
    off, about = a - middle, w * (v - middle)
    left = about @ (v - middle) + off * off * w.sum() + b * (b * (s2 - pb) + 2 * (off * s1 - c @ about))
    chi2 = np.maximum(left, 0.0) + pa * (a - level[0]) ** 2 + pb * (b - scale[0]) ** 2
    return a, b, chi2


# --- steepening -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KneeFit:
    """Declines that steepen, fitted to one life: weights (k,), paths ahead and their standard deviations (k, m) [V]."""

    weight: np.ndarray
    path: np.ndarray
    sd: np.ndarray
    evidence: float

    def against(self, o: Outlook, settings: BatterySettings) -> Estimate:
        """Return when the declines meet the floor."""
        ended = never_falling(ndtr((o.floor - self.path) / np.hypot(self.sd, growing_error(o, settings))))
        pooled = never_falling(self.weight @ ended / self.weight.sum())
        return Estimate("steepening", pooled, self.evidence, trust=reach_trust(o, pooled))


def fit_knee(o: Outlook, settings: BatterySettings, points: int = 14) -> KneeFit:
    """Fit a decline that steepens: v = a - b t - c exp(t / tau), t counted from now, for many tau.

    Knows no chemistry. The present fall and its growth are free but may not be negative; tau runs from 3 % of the
    record to twice the record, weighted by Student likelihood.
    """
    t = o.x - o.x_now
    span = max(-t[0], 1.0)
    taus = np.geomspace(0.03, 2.0, points) * span
    w = evidence_weights(o, settings)
    focus = w * np.exp(t / (0.6 * span))
    focus = focus / focus.sum() * w.sum() / scatter(o, settings) ** 2
    path, sd, chi2 = steepening(t, o.volts, focus, o.ahead, taus, span, abs(o.level))
    log = student(chi2, w.sum())
    weight = np.exp(log - log.max())
    return KneeFit(weight, path, sd, float(log.max() + np.log(weight.mean())))


def steepening(
    t: np.ndarray, v: np.ndarray, w: np.ndarray, ahead: np.ndarray, taus: np.ndarray, span: float, volts: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fit each of k tau; return paths ahead and their standard deviations [V], shape (k, m), and chi2, shape (k,).

    The growth of the fall is not negative, but no growth seen is not none to come: its posterior mean is taken, which
    is above zero by what the record cannot tell, and not its mode, which would carry on a straight line for ever.
    """
    basis, front = steepening_basis(t, taus, span), steepening_basis(ahead, taus, span)
    weighted = basis * w[:, None]
    gram = basis.transpose(0, 2, 1) @ weighted + np.diag([1e-9, 1.0, 1.0]) / (0.15 * volts) ** 2
    target = v @ weighted
    beta = np.linalg.solve(gram, target[:, :, None])[:, :, 0]
    rising = beta[:, 1] < 0
    if rising.any():
        # A battery does not rise: these fits go without their slope.
        front[rising, :, 1] = gram[rising, 1, :] = gram[rising, :, 1] = target[rising, 1] = 0.0
        gram[rising, 1, 1] = 1.0
        beta = np.linalg.solve(gram, target[:, :, None])[:, :, 0]
    cov = np.linalg.inv(gram)
    growth, spare = beta[:, 2], cov[:, 2, 2]
    mean, variance = above_zero(growth, np.sqrt(spare))
    lean = cov[:, :, 2] / spare[:, None]
    tilt = np.einsum("kmi,ki->km", front, lean)
    sd = np.einsum("kmi,kmi->km", front @ cov, front) + tilt**2 * (variance - spare)[:, None]
    path = np.einsum("kmi,ki->km", front, beta + lean * (mean - growth)[:, None])
    most_likely = beta + lean * (np.maximum(growth, 0.0) - growth)[:, None]
    r = v - np.einsum("kni,ki->kn", basis, most_likely)
    return path, np.sqrt(np.maximum(sd, 0.0)), (r * r) @ w


def steepening_basis(t: np.ndarray, taus: np.ndarray, span: float) -> np.ndarray:
    """Return the columns of level, fall and its growth at times from now, shape (k, n, 3)."""
    out = np.empty((len(taus), len(t), 3))
    out[:, :, 0] = 1.0
    out[:, :, 1] = -t / span
    out[:, :, 2] = -np.expm1(np.minimum(t / taus[:, None], 30.0))
    return out


def above_zero(mean: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return means and variances of normal variables that are known to be above zero."""
    z = np.maximum(mean / sd, -8.0)
    hazard = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi) / ndtr(z)
    return sd * (z + hazard), sd * sd * np.maximum(1.0 - hazard * (z + hazard), 1e-6)


# --- local trend ------------------------------------------------------------------------------------------------

SHORTENED, PER_WINDOW, POWER, SPREAD_LOG = 0.85, 1.5, 0.5, 0.42
FARTHEST, TRUSTED_WINDOWS = 6.0, 4.0
"""What remains over what a straight line promises: 0.85 (1 + q / 1.5)^-0.5 for a promise of q windows; spread in log.
Promises of more than six windows are not shortened further, and what lies four windows ahead is half trusted."""


@dataclass(frozen=True, slots=True)
class TrendFit:
    """The recent slope of one life and its standard error [V a day of use], and the window it is taken over [days]."""

    slope: float
    error: float
    window: float

    def against(self, o: Outlook, settings: BatterySettings) -> Estimate:
        """Return when the trend meets the floor; nothing when it never does."""
        under = self.under(o)
        if not len(under):
            return NoTrend().against(o, settings)
        promised = float(o.ahead[under[0]])
        reach = min(promised / self.window, FARTHEST)
        remaining = promised * SHORTENED * (1.0 + reach / PER_WINDOW) ** -POWER
        level = o.level_error / max(-self.slope * remaining, 1e-9)
        sd = float(np.sqrt(SPREAD_LOG**2 + (self.error / self.slope) ** 2 + level**2))
        trust = 1.0 / (1.0 + (remaining / (TRUSTED_WINDOWS * self.window)) ** 2)
        return Estimate("local trend", ndtr(np.log(o.ahead / remaining) / sd), trust=trust)

    def under(self, o: Outlook) -> np.ndarray:
        """Return the places of the days ahead on which a straight line lies under the floor."""
        return np.flatnonzero(o.level + self.slope * (o.ahead + o.x_now - o.x[-1]) < o.floor)


@dataclass(frozen=True, slots=True)
class NoTrend:
    """A voltage without a falling trend that meets the floor."""

    def against(self, o: Outlook, _settings: BatterySettings) -> Estimate:
        """Return that nothing is told."""
        return Estimate("local trend", np.zeros(len(o.ahead)), informed=False)


def fit_trend(o: Outlook, settings: BatterySettings) -> TrendFit | NoTrend:
    """Carry on the recent slope, shortened by what straight lines have been found to promise too much.

    The slope is the median of pair slopes over the newest eighth of the record, weighted by distance (Theil and Sen). A
    battery steepens, so that less remains than the line says, and the less the farther it reaches beyond its window;
    the rule and its spread are calibrated on completed lives (simulated fleets of four chemistries, and real logs).
    """
    for window in trend_windows(o):
        recent = o.x >= o.x[-1] - window
        x, v = o.x[recent], o.volts[recent]
        fit = TrendFit(*pair_slope(x, v, scatter(o, settings)), float(x[-1] - x[0]))
        if fit.slope < -2.0 * fit.error and len(fit.under(o)):
            return fit
    return NoTrend()


def trend_windows(o: Outlook) -> list[float]:
    """Windows to try for the recent slope [days at the present drain]: an eighth of the record, then wider ones."""
    span = o.x[-1] - o.x[0]
    least = max(min(span, 3.0), o.x[-1] - o.x[-min(5, len(o.x))])
    return [max(span / part, least) for part in (8.0, 4.0, 2.0)]


def pair_slope(x: np.ndarray, v: np.ndarray, sigma: float) -> tuple[float, float]:
    """Return the median of pair slopes weighted by their distance, and a standard error for it."""
    i, j = np.triu_indices(len(x), 1)
    dx = x[j] - x[i]
    keep = dx > 0
    slopes, weight = (v[j] - v[i])[keep] / dx[keep], dx[keep]
    order = np.argsort(slopes)
    total = np.cumsum(weight[order])
    slope = float(slopes[order][np.searchsorted(total, 0.5 * total[-1])])
    sxx = float(((x - x.mean()) ** 2).sum())
    return slope, float(sigma / np.sqrt(max(sxx, 1e-12)) * np.sqrt(2.0))
