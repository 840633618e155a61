"""What is known of a battery's life besides its voltage: its charge budget, and the lives of others like it.

Lives are counted in days at the present drain, so that a node that checks in twice as often as its class is compared
fairly. Each source gives a density of the whole life on that scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lamplighter.stats.survival import Weibull, weibull_fit

HOURS_A_YEAR = 8766.0
SECONDS_A_DAY = 86_400.0
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Drain:
    """Mean currents drawn from a battery [uA]: sleep, check-ins, and self-discharge of the present capacity."""

    sleep_ua: float
    check_in_ua: float
    self_discharge_ua: float

    @property
    def total_ua(self) -> float:
        """All together [uA]."""
        return self.sleep_ua + self.check_in_ua + self.self_discharge_ua

    @property
    def check_in_share(self) -> float:
        """Share of the consumption that check-ins cause [0..1]."""
        return self.check_in_ua / self.total_ua if self.total_ua > 0 else 0.0


def q10_factor(temperature_c: float, q10: float = 2.0, reference_c: float = 25.0) -> float:
    """Return how much faster self-discharge runs at a temperature than at the reference (the Q10 rule)."""
    return float(q10 ** ((temperature_c - reference_c) / 10.0))


def arrhenius_factor(temperature_c: float, activation_ev: float, reference_c: float = 25.0) -> float:
    """Return the Arrhenius acceleration between two temperatures; k = 8.617333262e-5 eV/K."""
    inverse = 1.0 / (reference_c + 273.15) - 1.0 / (temperature_c + 273.15)
    return float(np.exp(activation_ev / 8.617333262e-5 * inverse))


def drain_of(
    capacity_ah: float, sleep_ua: float, charge_mc: float, check_ins_a_day: float, self_discharge_a_year: float
) -> Drain:
    """Return the mean currents of a node.

    Parameters
    ----------
    capacity_ah : float
        Capacity [Ah]; self-discharge is taken as a share of it lost each year, evenly.
    sleep_ua : float
        Current while asleep [uA].
    charge_mc : float
        Charge of one check-in with its retries [mC].
    check_ins_a_day : float
    self_discharge_a_year : float
        Share of the capacity lost a year [0..1], at the node's temperature.
    """
    check_in = charge_mc * 1e3 * check_ins_a_day / SECONDS_A_DAY
    return Drain(sleep_ua, check_in, self_discharge_a_year * capacity_ah * 1e6 / HOURS_A_YEAR)


def life_days(
    capacity_ah: float, current_ua: float, self_discharge_a_year: float = 0.0, *, proportional: bool = True
) -> float:
    """Return how long a capacity lasts [days] at a mean current and self-discharge.

    ``proportional``: the share is lost of what is left, dQ/dt = -I - kQ with k = -ln(1 - share), so that
    T = ln(1 + kQ/I)/k; otherwise the share of the first capacity is lost evenly. A year is 8766 h.
    """
    hours = capacity_ah * 1e6 / current_ua if current_ua > 0 else np.inf
    if self_discharge_a_year <= 0:
        return float(hours / 24.0)
    if proportional:
        k = -np.log1p(-self_discharge_a_year) / HOURS_A_YEAR
        return float((np.log1p(k * hours) / k if np.isfinite(hours) else np.inf) / 24.0)
    return float(capacity_ah * 1e6 / (current_ua + self_discharge_a_year * capacity_ah * 1e6 / HOURS_A_YEAR) / 24.0)


@dataclass(frozen=True, slots=True)
class LifePrior:
    """Density of a whole life [days at the present drain] by a source of knowledge."""

    method: str
    median_days: float
    sd_log: float
    weibull: Weibull | None = None
    lives: int = 0

    def log_density(self, life: np.ndarray) -> np.ndarray:
        """Log density of the life per unit of log life, shape of ``life``."""
        if self.weibull is not None:
            return weibull_log_density(life, self.weibull)
        z = (np.log(life) - np.log(self.median_days)) / self.sd_log
        return -0.5 * z * z - np.log(self.sd_log)


def weibull_log_density(life: np.ndarray, law: Weibull) -> np.ndarray:
    """Log density per unit of log life, averaged over the uncertainty of the fitted scale and shape."""
    cov = np.array(law.covariance) if law.covariance is not None else np.diag([0.04, 0.1])
    sd = np.minimum(np.sqrt(np.diag(cov)), [0.5, 0.7])
    steps, share = np.array([-1.7320508, 0.0, 1.7320508]), np.array([1 / 6, 2 / 3, 1 / 6])
    total = np.zeros_like(life, dtype=float)
    for a, wa in zip(steps, share, strict=True):
        for b, wb in zip(steps, share, strict=True):
            eta, beta = law.eta * np.exp(a * sd[0]), law.beta * np.exp(b * sd[1])
            z = beta * (np.log(life) - np.log(eta))
            total += wa * wb * np.exp(np.log(beta) + z - np.exp(np.minimum(z, 50.0)))
    return np.log(total + 1e-300)


def fleet_prior(
    durations: np.ndarray, ended: np.ndarray, least: int, entered: np.ndarray | None = None
) -> LifePrior | None:
    """Return the law of life of a class from its lives, ended and running; None with too few ended.

    ``entered`` is the age at which each life came under observation: a battery older than the record was sure to have
    lived that long, and must not make the others look long-lived.
    """
    use = durations > 0
    durations, ended = durations[use], ended[use]
    if ended.sum() < least:
        return None
    late = None if entered is None else np.minimum(entered[use], durations)
    law = weibull_fit(durations, ended, entered=late, log_beta_prior=(np.log(5.0), 0.5))
    return LifePrior("fleet lives", float(law.quantile(0.5)), 1.0 / law.beta, law, int(ended.sum()))


def budget_prior(capacity_ah: float, drain: Drain, ratio: float, sd_log: float) -> LifePrior | None:
    """Return the life that a charge budget promises; ``ratio`` is what the class has really had of it."""
    if not (drain.total_ua > 0 and capacity_ah > 0):
        return None
    days = capacity_ah * 1e6 / drain.total_ua / 24.0
    return LifePrior("charge budget", days * ratio, sd_log)
