"""The radio path: free-space loss, fading, and loss that follows the margin."""

from __future__ import annotations

import numpy as np
import pytest

from lamplighter.simulate.noise import correlated, inside, on_off
from lamplighter.simulate.options import Options
from lamplighter.simulate.radio import Link, attempt_levels, draw_link, free_space_distance_m, heard


def link(margin_db: float, **more: float) -> Link:
    from dataclasses import replace

    drawn = draw_link(np.random.default_rng(1), margin_db, False)
    return replace(drawn, stray_loss=0.0, burst_gap_s=1e12, **more)


def test_free_space_loss_of_a_kilometre_at_915_mhz_is_91_7_db() -> None:
    """ITU-R P.525: 20 log10(4 pi d / lambda) = 91.68 dB at 1 km and 915 MHz."""
    assert free_space_distance_m(91.68) == pytest.approx(1_000, rel=0.01)


def test_registered_distance_power_and_gain_are_consistent_with_the_level() -> None:
    for seed in range(30):
        drawn = draw_link(np.random.default_rng(seed), 20.0, False)
        free = 32.45 + 20 * np.log10(915) + 20 * np.log10(drawn.distance_m / 1e3)
        assert drawn.level_dbm <= drawn.tx_power_dbm + drawn.gain_dbi - free + 0.01


def test_fading_with_little_steady_path_is_rayleigh() -> None:
    """Rayleigh fading is 10 dB or more below its mean power a share 1 - exp(-0.1) = 0.0952 of the time."""
    levels = attempt_levels(np.zeros(60_000), link(20, rician_k=1e-6), np.random.default_rng(2))
    assert (levels < -10).mean() == pytest.approx(0.0952, abs=0.004)


@pytest.mark.parametrize(
    ("margin", "low", "high"), [(20, 0.0, 0.01), (6, 0.0, 0.06), (-3, 0.35, 0.95), (-15, 0.99, 1.0)]
)
def test_loss_grows_as_the_margin_shrinks(margin: float, low: float, high: float) -> None:
    rng, options = np.random.default_rng(3), Options(nodes=1, days=30, seed=1)
    path = link(margin, rician_k=10.0)
    time = options.start + np.arange(0, 20_000) * 100.0
    levels = attempt_levels(np.full(len(time), path.level_dbm), path, rng)
    which, _ = heard(time, levels, path, np.zeros(len(time)), options, rng)
    assert low <= (which == 3).mean() <= high


def test_correlated_noise_has_its_spread_and_memory() -> None:
    grid = np.arange(0, 4e8, 3_600.0)
    noise = correlated(np.random.default_rng(4), grid, 10 * 3_600.0, 2.0)
    assert noise.std() == pytest.approx(2.0, rel=0.05)
    assert np.corrcoef(noise[:-1], noise[1:])[0, 1] == pytest.approx(np.exp(-0.1), abs=0.01)


def test_on_off_periods_are_sorted_disjoint_and_as_long_as_asked() -> None:
    begins, ends = on_off(np.random.default_rng(5), 0.0, 1e8, 9_000.0, 1_000.0)
    assert (ends[:-1] <= begins[1:]).all()
    assert inside(np.arange(0, 1e8, 500.0), begins, ends).mean() == pytest.approx(0.1, abs=0.01)
