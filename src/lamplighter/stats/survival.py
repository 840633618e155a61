"""Lives that have ended and lives that still run: Kaplan-Meier, Weibull with censoring, Fieller's interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

__all__ = ["Fieller", "KaplanMeier", "Weibull", "fieller_crossing", "kaplan_meier", "weibull_fit"]


@dataclass(frozen=True, slots=True)
class KaplanMeier:
    """Survival steps: at ``time`` the curve falls to ``survival``; arrays of shape (n_distinct_events,)."""

    time: np.ndarray
    survival: np.ndarray
    at_risk: np.ndarray
    deaths: np.ndarray
    std_error: np.ndarray
    """Greenwood's standard error."""

    def at(self, time: np.ndarray | float) -> np.ndarray:
        """Survival at given times, right-continuous."""
        steps = np.concatenate([[1.0], self.survival])
        return steps[np.searchsorted(self.time, time, side="right")]

    def quantile(self, share: float) -> float:
        """Return the first time by which at least ``share`` have ended; NaN when not reached."""
        reached = np.flatnonzero(self.survival <= 1.0 - share + 1e-12)
        return float(self.time[reached[0]]) if len(reached) else float("nan")


def kaplan_meier(duration: np.ndarray, ended: np.ndarray, entered: np.ndarray | None = None) -> KaplanMeier:
    """Estimate survival from lives of which some still run.

    Parameters
    ----------
    duration : array, shape (n,)
        Length of each life, ended or not yet.
    ended : array of bool, shape (n,)
        False for a life that was cut short or still runs (censored); it counts as at risk at its own duration.
    entered : array, shape (n,), optional
        Age at which each life came under observation; it is not at risk before (left truncation).

    References
    ----------
    Kaplan and Meier, J. Am. Stat. Assoc. 53 (1958) 457-481; standard error after Greenwood (1926).
    """
    duration, ended = np.asarray(duration, float), np.asarray(ended, bool)
    time = np.unique(duration[ended])
    late = np.zeros_like(duration) if entered is None else np.asarray(entered, float)
    under_risk = (duration[None, :] >= time[:, None]) & (late[None, :] < time[:, None])
    at_risk = under_risk.sum(axis=1)
    deaths = (duration[ended][None, :] == time[:, None]).sum(axis=1)
    survival = np.cumprod(1.0 - deaths / np.maximum(at_risk, 1))
    alive = np.maximum(at_risk - deaths, 1e-300)
    spread = np.sqrt(np.cumsum(deaths / (np.maximum(at_risk, 1) * alive)))
    error = np.where(survival > 0, survival * spread, 0.0)
    return KaplanMeier(time, survival, at_risk, deaths, error)


@dataclass(frozen=True, slots=True)
class Weibull:
    """A Weibull law of life: scale ``eta`` in the unit of the durations, shape ``beta``."""

    eta: float
    beta: float
    log_likelihood: float = float("nan")
    covariance: tuple[tuple[float, float], tuple[float, float]] | None = None
    """Of (log eta, log beta), from the observed information."""

    def survival(self, time: np.ndarray | float) -> np.ndarray:
        """Share that lives beyond ``time``."""
        return np.exp(-np.power(np.maximum(time, 0.0) / self.eta, self.beta))

    def quantile(self, share: np.ndarray | float) -> np.ndarray:
        """Age by which ``share`` have ended."""
        return self.eta * np.power(-np.log1p(-np.asarray(share, float)), 1.0 / self.beta)

    def remaining_quantile(self, age: float, share: np.ndarray | float) -> np.ndarray:
        """Further life of one that has reached ``age``, by which ``share`` of such have ended."""
        cumulated = (age / self.eta) ** self.beta - np.log1p(-np.asarray(share, float))
        return self.eta * np.power(cumulated, 1.0 / self.beta) - age

    @property
    def mean(self) -> float:
        """Mean life."""
        return float(self.eta * special.gamma(1.0 + 1.0 / self.beta))


def weibull_fit(
    duration: np.ndarray,
    ended: np.ndarray,
    *,
    entered: np.ndarray | None = None,
    log_beta_prior: tuple[float, float] | None = None,
) -> Weibull:
    """Fit a Weibull law to lives of which some still run, by maximum likelihood.

    Parameters
    ----------
    duration, ended : arrays, shape (n,)
        As for :func:`kaplan_meier`; durations must be positive and at least one life ended.
    entered : array, shape (n,), optional
        Age at which each life came under observation (left truncation); 0 when seen from its start.
    log_beta_prior : (mean, sd), optional
        A normal prior on log beta, for fleets with few completed lives.

    Raises
    ------
    ValueError
        When no life has ended or a duration is not positive.

    References
    ----------
    Meeker and Escobar, Statistical Methods for Reliability Data (1998), ch. 8.
    """
    t, d = np.asarray(duration, float), np.asarray(ended, bool)
    if not d.any() or not (t > 0).all():
        raise ValueError("a Weibull fit needs a life that has ended and positive durations")
    scale = float(np.exp(np.mean(np.log(t))))
    logt = np.log(t / scale)
    late = np.zeros_like(t) if entered is None else np.asarray(entered, float)
    loge = np.log(late[late > 0] / scale)

    def minus(p: np.ndarray) -> float:
        beta = np.exp(p[1])
        z = beta * (logt - p[0])
        value = np.sum(d * (p[1] + z - (logt + np.log(scale)))) - np.sum(np.exp(np.minimum(z, 600.0)))
        value += np.sum(np.exp(np.minimum(beta * (loge - p[0]), 600.0)))
        if log_beta_prior is not None:
            value -= 0.5 * ((p[1] - log_beta_prior[0]) / log_beta_prior[1]) ** 2
        return -float(value)

    start = np.array([np.log(t.sum() / d.sum() / scale), log_beta_prior[0] if log_beta_prior else 0.3])
    from scipy.optimize import minimize  # slow to load, and seldom needed

    found = minimize(minus, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000})
    p = found.x
    return Weibull(float(np.exp(p[0]) * scale), float(np.exp(p[1])), -float(found.fun), _covariance(minus, p))


def _covariance(minus, p: np.ndarray) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Inverse of the numerical Hessian of minus the log-likelihood; None when it is not positive definite."""
    h = 1e-4
    e = np.eye(2) * h
    hess = np.array([
        [minus(p + a + b) - minus(p + a - b) - minus(p - a + b) + minus(p - a - b) for b in e] for a in e
    ]) / (4 * h * h)  # fmt: skip
    try:
        cov = np.linalg.inv(hess)
    except np.linalg.LinAlgError:
        return None
    if not (np.all(np.isfinite(cov)) and cov[0, 0] > 0 and np.linalg.det(cov) > 0):
        return None
    return ((float(cov[0, 0]), float(cov[0, 1])), (float(cov[1, 0]), float(cov[1, 1])))


@dataclass(frozen=True, slots=True)
class Fieller:
    """Where a fitted line reaches a level, with Fieller's limits; infinite limits when g >= 1."""

    estimate: float
    low: float
    high: float
    g: float
    slope: float
    slope_std_error: float


def fieller_crossing(
    x: np.ndarray, y: np.ndarray, level: float, *, confidence: float = 0.95, single: bool = False
) -> Fieller:
    """Return the x at which a least-squares line reaches ``level``, with its inverse-prediction interval.

    Parameters
    ----------
    x, y : arrays, shape (n,), n >= 3
    level : float
        The level to reach, in the unit of ``y``.
    confidence : float
        Two-sided confidence [0..1].
    single : bool
        True for the crossing of a single observation rather than of the mean.

    Returns
    -------
    Fieller
        With g >= 1 the slope is not told from zero and the interval is unbounded: it is returned as such.

    References
    ----------
    Fieller, J. R. Stat. Soc. B 16 (1954) 175-185; Draper and Smith, Applied Regression Analysis, ch. 3 (inverse
    regression).
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    n = len(x)
    centre, mean = x.mean(), y.mean()
    sxx = float(((x - centre) ** 2).sum())
    slope = float(((x - centre) * (y - mean)).sum() / sxx)
    s = float(np.sqrt(((y - mean - slope * (x - centre)) ** 2).sum() / (n - 2)))
    t = float(special.stdtrit(n - 2, 0.5 + confidence / 2))
    g = t * t * s * s / (slope * slope * sxx) if slope else float("inf")
    u = (level - mean) / slope if slope else float("inf")
    if not g < 1:
        return Fieller(centre + u, -np.inf, np.inf, g, slope, s / np.sqrt(sxx))
    half = t * s / abs(slope) * np.sqrt((1 - g) * (1.0 * single + 1 / n) + u * u / sxx)
    low, high = (centre + (u - half) / (1 - g), centre + (u + half) / (1 - g))
    return Fieller(centre + u, float(low), float(high), g, slope, s / float(np.sqrt(sxx)))
