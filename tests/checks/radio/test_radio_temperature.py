"""Temperature that radio levels are compared with: known on the days looked at, or not used."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from lamplighter.checks.radio.measure import temperature_of

DAYS = np.arange(18_000, 19_800)
YEARLY = 10 + 10 * np.sin(DAYS * 2 * np.pi / 365.25)
LOOKED_AT = DAYS[1_000:]


def of(unknown: np.ndarray, day: np.ndarray = LOOKED_AT) -> np.ndarray | None:
    """Temperature on given days of a record in which some days are unknown."""
    daily = SimpleNamespace(day=DAYS, temperature_median=np.where(unknown, np.nan, YEARLY))
    return temperature_of(daily, day)


def test_temperature_known_only_before_the_days_looked_at_is_not_used() -> None:
    assert of(~np.isin(DAYS, DAYS[:1_000])) is None


@pytest.mark.parametrize("end", ["first", "last"])
def test_a_sensor_dead_for_a_season_is_no_season_of_one_temperature(end: str) -> None:
    """A hundred of eight hundred days: few enough, were they scattered."""
    dead = np.isin(DAYS, DAYS[:100] if end == "first" else DAYS[-100:])
    assert of(dead, DAYS[:800] if end == "first" else LOOKED_AT) is None


def test_days_unknown_here_and_there_are_filled_between_their_neighbours() -> None:
    unknown = np.random.default_rng(1).random(len(DAYS)) < 0.15
    unknown[-3:] = True
    got = of(unknown)
    assert got is not None
    assert np.abs(got - YEARLY[1_000:]).max() < 1.0


def test_a_quarter_unknown_is_too_much() -> None:
    assert of(np.arange(len(DAYS)) % 4 == 0) is None
    assert of(np.arange(len(DAYS)) % 6 == 0) is not None


def test_no_temperature_at_all() -> None:
    assert of(np.ones(len(DAYS), bool)) is None
