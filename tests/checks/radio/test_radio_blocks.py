"""RSSI condensed by half-years: the same levels, whatever the hours at which check-ins came."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from lamplighter.checks.radio.summary import HOURS, Summary, missed_hours, summarise
from lamplighter.record import blocks_of, joined
from lamplighter.settings import Settings
from tests.checks.radio.made import DAY, START, history, measured, signal, times

LONG = times(800)
HOUR_OF = (LONG % DAY) / 3600
WAVE = 6 * np.cos(2 * np.pi * HOUR_OF / 24)


def summaries(time: np.ndarray, rssi: np.ndarray) -> list[Summary]:
    """Summaries of the blocks of a history."""
    return [summarise(b, Settings()) for _, b in blocks_of(history(time, rssi)) if len(b) > b.lead]


def test_joined_blocks_count_every_check_in_once() -> None:
    rssi = signal(LONG, 31)
    rssi[::7] = -999.0
    valid = rssi > -200
    parts = summaries(LONG, rssi)
    whole = joined(parts)
    assert len(parts) == 5
    assert whole.count.sum() == valid.sum()
    np.testing.assert_array_equal(whole.day, np.unique(LONG[valid] // DAY))
    np.testing.assert_array_equal(whole.days, [len(p.day) for p in parts])
    at = np.searchsorted(whole.day, LONG[valid] // DAY)
    low = [np.quantile(rssi[valid][at == k], 0.1) for k in range(len(whole.day))]
    np.testing.assert_allclose(whole.low, low)
    assert whole.last[-1] == LONG[valid][-1]


def test_a_long_record_keeps_its_level_and_its_step() -> None:
    """Level, size and date as they were made, three half-years before the present."""
    rng = np.random.default_rng(32)
    step = START + 200.5 * DAY
    m = measured(history(LONG, np.round(-75 + WAVE - 5.0 * (step <= LONG) + rng.normal(0, 1, len(LONG)))))
    (change,) = m.found.changes
    assert change.kind == "step"
    assert change.low < -5 < change.high
    assert change.time * 365.25 == pytest.approx(step / DAY, abs=1.5)
    off = m.level - np.where(m.day < step // DAY, -75, -80)
    # The median of a day of 24 values with 1 dB of noise errs by 0.27 dB: five times that on no day but the step's.
    assert np.abs(off[m.day != step // DAY]).max() < 1.3


@pytest.mark.parametrize("lost", [(300, 800), (448, 629), (500, 640), (700, 800)])
def test_half_years_of_which_only_nights_arrived_keep_the_level(lost: tuple[int, int]) -> None:
    """No check-in by day for all or most of a half-year: its own pattern cannot say how much the days are weaker."""
    rng = np.random.default_rng(33)
    dark = (START + lost[0] * DAY <= LONG) & (START + lost[1] * DAY > LONG)
    kept = ~(dark & (HOUR_OF > 6) & (HOUR_OF < 18))
    rssi = -75 - 4 * np.sin(2 * np.pi * LONG / (300 * DAY)) + WAVE + rng.normal(0, 1, len(LONG))
    m = measured(history(LONG[kept], rssi[kept]))
    truth = -75 - 4 * np.sin(2 * np.pi * (m.day + 0.5) / 300)
    few = np.isin(m.day, np.unique(LONG[dark] // DAY))
    assert np.median(m.level[few] - truth[few]) == pytest.approx(np.median(m.level[~few] - truth[~few]), abs=0.5)


def test_hours_that_blocks_do_not_share_are_left_as_they_are() -> None:
    """A node that reports by night at first and by day later: nothing says whether the level or the hour moved."""
    later = START + 400 * DAY <= LONG
    kept = np.where(later, HOUR_OF > 12, HOUR_OF < 6)
    rssi = -75 - 3.0 * later + np.random.default_rng(34).normal(0, 1, len(LONG))
    parts = summaries(LONG[kept], rssi[kept])
    apart = [p for p in parts if np.count_nonzero(p.hour_rows) <= 12]
    np.testing.assert_allclose(missed_hours(joined(apart)), 0.0, atol=1e-9)


def test_a_block_too_short_to_learn_from_takes_nothing_out() -> None:
    few = LONG[0] + 3 * DAY > LONG
    summary = joined(summaries(LONG[few], (-75 + WAVE)[few]))
    np.testing.assert_array_equal(summary.hour_mean, 0.0)
    at = LONG[few] // DAY == summary.day[1]
    assert summary.level[1] == pytest.approx(np.median((-75 + WAVE)[few][at]))


def test_the_lead_in_teaches_the_hours_and_is_not_counted() -> None:
    block = history(LONG[: 17 * HOURS], -75 + WAVE[: 17 * HOURS])
    summary = summarise(replace(block, lead=14 * HOURS), Settings())
    assert len(summary.day) in (3, 4)
    assert summary.count.sum() == 3 * HOURS
    np.testing.assert_allclose(summary.level, -75, atol=0.1)


def test_a_half_year_is_kept_in_few_bytes() -> None:
    time = times(264, 900.0)
    summary = summaries(time, signal(time, 35))[1]
    assert len(summary.day) == 181
    kept = [getattr(summary, f.name) for f in fields(summary)]
    assert all(a.ndim == 1 for a in kept)
    assert sum(a.nbytes for a in kept) < 10_000


def test_without_rssi_there_is_nothing_to_keep() -> None:
    summary = joined(summaries(LONG, np.full(len(LONG), np.nan)))
    assert len(summary.day) == 0
    assert np.isnan(summary.last).all()
