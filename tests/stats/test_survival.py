"""Lives ended and running: published tables, worked examples, and a general reference library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats
from statsmodels.duration.survfunc import SurvfuncRight

from lamplighter.stats.survival import Weibull, fieller_crossing, kaplan_meier, weibull_fit

# Freireich et al. (1963), 6-MP arm: weeks of remission; 0 where it still lasted.
WEEKS = np.array([6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35], dtype=float)
ENDED = np.array([1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0], dtype=bool)
PLACEBO = np.array([1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23], dtype=float)

# Printed by R survfit in two public course files: t, at risk, ended, S, Greenwood's standard error.
PRINTED = [
    (6, 21, 3, 0.857, 0.0764),
    (7, 17, 1, 0.807, 0.0869),
    (10, 15, 1, 0.753, 0.0963),
    (13, 12, 1, 0.690, 0.1068),
    (16, 11, 1, 0.627, 0.1141),
    (22, 7, 1, 0.538, 0.1282),
    (23, 6, 1, 0.448, 0.1346),
]

# Montgomery, Peck and Vining, Introduction to Linear Regression Analysis, example 2.1: age [weeks], shear strength.
AGE = np.array(
    [15.5, 23.75, 8, 17, 5.5, 19, 24, 2.5, 7.5, 11, 13, 3.75, 25, 9.75, 22, 18, 6, 12.5, 2, 21.5], dtype=float
)
STRENGTH = np.array(
    [2158.70, 1678.15, 2316.00, 2061.30, 2207.50, 1708.30, 1784.70, 2575.00, 2357.90, 2256.70,
     2165.20, 2399.55, 1779.80, 2336.75, 1765.30, 2053.50, 2414.40, 2200.50, 2654.20, 1753.70]
)  # fmt: skip


@pytest.mark.parametrize(("time", "at_risk", "ended", "survival", "error"), PRINTED)
def test_kaplan_meier_gives_the_printed_table(time, at_risk, ended, survival, error):
    km = kaplan_meier(WEEKS, ENDED)
    row = list(km.time).index(time)
    assert (km.at_risk[row], km.deaths[row]) == (at_risk, ended)
    assert km.survival[row] == pytest.approx(survival, abs=5e-4)
    assert km.std_error[row] == pytest.approx(error, abs=5e-5)


def test_the_medians_of_both_arms():
    assert kaplan_meier(WEEKS, ENDED).quantile(0.5) == 23
    assert kaplan_meier(PLACEBO, np.ones(21, bool)).quantile(0.5) == 8


def test_a_life_censored_at_an_event_is_still_at_risk_there():
    # The trap: S(6) is 18/21, not 17/20.
    assert kaplan_meier(WEEKS, ENDED).at(6.0) == pytest.approx(18 / 21)


def test_survival_before_the_first_end_is_one_and_an_unreached_quantile_is_unknown():
    km = kaplan_meier(WEEKS, ENDED)
    assert km.at(5.9) == 1.0
    assert np.isnan(km.quantile(0.9))


@given(st.lists(st.tuples(st.integers(1, 40), st.booleans()), min_size=2, max_size=40))
def test_kaplan_meier_agrees_with_statsmodels(lives):
    time = np.array([t for t, _ in lives], dtype=float)
    ended = np.array([e for _, e in lives])
    if not ended.any():
        assert len(kaplan_meier(time, ended).time) == 0
        return
    with np.errstate(divide="ignore", invalid="ignore"):
        reference = SurvfuncRight(time, ended.astype(int))
    km = kaplan_meier(time, ended)
    assert km.time == pytest.approx(reference.surv_times)
    assert km.survival == pytest.approx(reference.surv_prob)


def test_late_entry_counts_a_life_only_from_when_it_is_seen():
    # Two lives of 5 and 10; the second came under observation at 7, so it was not at risk at 5.
    km = kaplan_meier(np.array([5.0, 10.0]), np.array([True, True]), np.array([0.0, 7.0]))
    assert list(km.at_risk) == [1, 1]


def test_weibull_of_the_remission_times():
    # Computed with an independent survival library: eta 33.76519, beta 1.353732, log-likelihood -41.658675.
    law = weibull_fit(WEEKS, ENDED)
    assert (law.eta, law.beta) == (pytest.approx(33.76519, rel=1e-4), pytest.approx(1.353732, rel=1e-4))
    assert law.log_likelihood == pytest.approx(-41.658675, abs=1e-5)
    assert law.quantile(0.5) == pytest.approx(25.7565, rel=1e-4)


# scipy weibull_min: beta, eta, mean, median, B10.
TABLE = [
    (2.0, 1000.0, 886.226925452758, 832.554611157698, 324.592845974501),
    (1.0, 1000.0, 1000.0, 693.147180559945, 105.360515657826),
    (3.5, 10.0, 8.997471765028, 9.005784703387, 5.257328455208),
    (1.5, 100.0, 90.274529295093, 78.321976877465, 22.307552563692),
]


@pytest.mark.parametrize(("beta", "eta", "mean", "median", "b10"), TABLE)
def test_weibull_mean_median_and_b10(beta, eta, mean, median, b10):
    law = Weibull(eta, beta)
    assert law.mean == pytest.approx(mean, rel=1e-9)
    assert law.quantile(0.5) == pytest.approx(median, rel=1e-9)
    assert law.quantile(0.1) == pytest.approx(b10, rel=1e-9)
    assert law.survival(median) == pytest.approx(0.5)


def test_the_chance_of_ending_in_the_next_year_at_age_five():
    # Conditional Weibull, beta 3, eta 8: 0.162835 at age 5, 0.00195122 new; computed with scipy.
    law = Weibull(8.0, 3.0)
    assert 1 - law.survival(6.0) / law.survival(5.0) == pytest.approx(0.162835, abs=1e-6)
    assert 1 - law.survival(1.0) == pytest.approx(0.00195122, abs=1e-8)
    assert law.remaining_quantile(5.0, 0.162835) == pytest.approx(1.0, abs=1e-4)


def test_weibull_fit_needs_an_ended_life():
    with pytest.raises(ValueError, match="ended"):
        weibull_fit(np.array([3.0, 4.0]), np.array([False, False]))


def test_weibull_fit_finds_the_law_of_many_lives_and_late_entry_does_not_bias_it():
    rng = np.random.default_rng(3)
    life = stats.weibull_min.rvs(4.0, scale=900.0, size=4000, random_state=rng)
    entered = rng.uniform(0, 1200, 4000)
    seen = life > entered
    end = np.minimum(life, entered + 400)[seen]
    ended = (life <= entered + 400)[seen]
    law = weibull_fit(end, ended, entered=entered[seen])
    assert law.eta == pytest.approx(900, rel=0.02)
    assert law.beta == pytest.approx(4.0, rel=0.05)
    assert weibull_fit(end, ended).eta > 1.05 * law.eta  # without the entry ages the lives look longer


@given(st.floats(0.01, 100))
def test_the_unit_of_time_does_not_matter_to_the_shape(factor):
    law, scaled = weibull_fit(WEEKS, ENDED), weibull_fit(factor * WEEKS, ENDED)
    assert scaled.beta == pytest.approx(law.beta, rel=1e-5)
    assert scaled.eta == pytest.approx(factor * law.eta, rel=1e-5)


def test_fieller_gives_when_the_propellant_falls_to_1500():
    # Closed form and root-finding on statsmodels' bands agree (computed).
    mean = fieller_crossing(AGE, STRENGTH, 1500.0)
    assert mean.estimate == pytest.approx(30.355676, abs=1e-6)
    assert (mean.low, mean.high) == (pytest.approx(27.714757, abs=1e-6), pytest.approx(33.928558, abs=1e-6))
    assert mean.g == pytest.approx(0.02668981, abs=1e-8)
    single = fieller_crossing(AGE, STRENGTH, 1500.0, single=True)
    assert (single.low, single.high) == (pytest.approx(24.497374, abs=1e-6), pytest.approx(37.145940, abs=1e-6))


def test_fieller_limits_lie_where_the_band_meets_the_level():
    found = fieller_crossing(AGE, STRENGTH, 1500.0)
    n, t = len(AGE), stats.t.ppf(0.975, len(AGE) - 2)
    slope, intercept = np.polyfit(AGE, STRENGTH, 1)
    s = np.sqrt(((STRENGTH - intercept - slope * AGE) ** 2).sum() / (n - 2))
    sxx = ((AGE - AGE.mean()) ** 2).sum()
    band = lambda x: intercept + slope * x - t * s * np.sqrt(1 / n + (x - AGE.mean()) ** 2 / sxx) - 1500  # noqa: E731
    assert optimize.brentq(band, 20, 31) == pytest.approx(found.low)


def test_a_slope_not_told_from_zero_gives_no_bound():
    rng = np.random.default_rng(1)
    found = fieller_crossing(np.arange(20.0), rng.normal(0, 1, 20), -50.0)
    assert found.g > 1
    assert (found.low, found.high) == (-np.inf, np.inf)
