"""Loss in free space, fading, margin: against the standards' formulas and printed values."""

from __future__ import annotations

import math

import pytest
from scipy import constants
from scipy.stats import expon, rayleigh

from lamplighter.checks.radio.link import (
    MEDIAN_BELOW_MEAN_DB,
    expected_rssi,
    fading_outage,
    free_space_loss,
    outage_from_median,
)


@pytest.mark.parametrize(
    ("mhz", "km", "loss"),
    # ITU-R P.525: 32.4 + 20 log f + 20 log d, with 32.4 rounded from 32.448.
    [
        (868, 0.1, 71.170),
        (868, 1, 91.170),
        (915, 0.3, 81.171),
        (915, 5, 105.608),
        (2400, 1, 100.004),
        (2450, 10, 120.183),
    ],
)
def test_free_space_loss_as_in_itu_r_p525(mhz: float, km: float, loss: float) -> None:
    assert free_space_loss(km * 1000, mhz) == pytest.approx(loss, abs=0.05)
    assert free_space_loss(km * 1000, mhz) == pytest.approx(loss + 0.04778, abs=1e-3)


def test_free_space_loss_printed_by_a_public_library() -> None:
    """92.44778322188337 dB at 1 km and 1 GHz; twice the distance costs 6.0206 dB."""
    assert free_space_loss(1000, 1000) == pytest.approx(92.44778322188337, abs=1e-9)
    assert free_space_loss(2000, 915) - free_space_loss(1000, 915) == pytest.approx(6.0206, abs=1e-4)
    wave = constants.c / 915e6
    assert free_space_loss(250, 915) == pytest.approx(20 * math.log10(4 * math.pi * 250 / wave), abs=1e-9)


@pytest.mark.parametrize(("distance", "mhz"), [(0.0, 915.0), (-5.0, 915.0), (100.0, 0.0), (math.nan, 915.0)])
def test_no_path_no_loss(distance: float, mhz: float) -> None:
    with pytest.raises(ValueError, match="no loss"):
        free_space_loss(distance, mhz)


@pytest.mark.parametrize(
    ("margin", "outage"),
    [(3, 1 - 0.605811), (5, 0.2711066), (10, 0.0951626), (20, 0.0099502), (30, 0.0009995)],
)
def test_rayleigh_outage(margin: float, outage: float) -> None:
    """10 dB about 10 %, 20 dB about 1 %; against scipy's distributions of power and amplitude."""
    assert fading_outage(margin) == pytest.approx(outage, abs=1e-6)
    limit = 10 ** (-margin / 10)
    assert fading_outage(margin) == pytest.approx(expon.cdf(limit), rel=1e-9)
    assert fading_outage(margin) == pytest.approx(rayleigh.cdf(math.sqrt(2 * limit)), rel=1e-9)


def test_a_median_stands_below_the_mean() -> None:
    assert pytest.approx(1.591745390, abs=1e-8) == MEDIAN_BELOW_MEAN_DB
    assert outage_from_median(0.0) == pytest.approx(0.5)
    assert outage_from_median(10 - MEDIAN_BELOW_MEAN_DB) == pytest.approx(0.0951626, abs=1e-6)


def test_link_budget_adds_up() -> None:
    assert expected_rssi(14, 2, 3, 1000, 915) == pytest.approx(19 - 91.6762, abs=1e-3)
