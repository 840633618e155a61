"""Records cut into blocks: nothing is lost, counted twice or taken for a change at their edges."""

from __future__ import annotations

from dataclasses import fields
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import hypothesis
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.checkins import COMPRESSED, NodeHistory
from lamplighter.checks import arrivals
from lamplighter.checks.arrivals.loss import by_local_hour
from lamplighter.fleet import RegisterEntry
from lamplighter.record import blocks_of, joined
from lamplighter.settings import Settings
from lamplighter.settings.arrivals import ArrivalsSettings
from tests.checks.arrivals.made import DAY, HOUR, START, due_times, edge, history, measured, uncut

DEFAULTS = Settings()


def thinned(time: np.ndarray, loss: float, seed: int = 1) -> tuple[np.ndarray, int]:
    """Take out check-ins at random, never the first or last; return the others and how many were taken."""
    keep = np.random.default_rng(seed).random(len(time)) >= loss
    keep[[0, -1]] = True
    return time[keep], int(np.sum(~keep))


def summarised(h: NodeHistory) -> arrivals.Summary:
    """Joined summaries of a history's blocks."""
    blocks = [b for _, b in blocks_of(h)]
    return joined([arrivals.summarise(b, DEFAULTS) for b in blocks if len(b) > b.lead])


@pytest.mark.parametrize("stated", [None, "right"])
@pytest.mark.parametrize("interval", [900.0, HOUR, 12 * HOUR, DAY, 3 * DAY, 7 * DAY])
def test_a_long_record_is_counted_to_the_last_check_in(interval: float, stated: str | None) -> None:
    time, lost = thinned(due_times(1000, interval), 0.1)
    entry = RegisterEntry(node="N-1", interval_s=interval if stated else None)
    found = measured(history(time, entry=entry), DEFAULTS)
    assert found.missed.sum() == found.gaps.missed.sum() == lost
    assert found.received.sum() == found.rows == len(time)
    assert found.spacings == len(time) - 1
    assert [round(s) for _, s in found.schedule.pieces] == [round(interval)]


@pytest.mark.parametrize("days", [0.5, 2, 13, 15, 40, 120, 300, 500])
def test_an_outage_across_edges_is_one_gap(days: float) -> None:
    time = due_times(900, HOUR)
    away = np.abs(time - edge(2)) < days / 2 * DAY
    found = measured(history(time[~away]), DEFAULTS)
    assert found.gaps.missed.tolist() == [away.sum()]
    assert found.gaps.start[0] == time[~away][time[~away] < edge(2)][-1]
    assert found.gaps.end[0] == time[~away][time[~away] > edge(2)][0]
    truth = np.bincount((time[away] // DAY).astype(int) - found.day[0], minlength=len(found.day))
    assert np.array_equal(found.missed, truth)


@pytest.mark.parametrize("from_edge", [-5.0, -0.5, 0.0, 0.5, 5.0, 45.0])
@pytest.mark.parametrize(("before", "after"), [(HOUR, 900.0), (900.0, HOUR)])
def test_a_change_of_interval_near_an_edge_has_its_date(before: float, after: float, from_edge: float) -> None:
    when = edge(1) + from_edge * DAY
    slow = due_times((when - START) / DAY, before)
    time, lost = thinned(np.append(slow, slow[-1] + after * np.arange(1, int(300 * DAY / after))), 0.05)
    found = measured(history(time), DEFAULTS)
    assert [round(s) for _, s in found.schedule.pieces] == [before, after]
    assert found.schedule.pieces[1][0] == pytest.approx(when, abs=3 * HOUR)
    assert found.schedule.current_s == pytest.approx(after, rel=1e-3)
    assert found.missed.sum() == pytest.approx(lost, abs=4)


@pytest.mark.parametrize(("days", "intervals"), [(1, [3600]), (8, [3600]), (25, [3600]), (36, [3600, 300, 3600])])
@pytest.mark.parametrize("before", [0.2, 0.6, 0.95])
def test_a_fast_spell_across_an_edge_is_judged_by_its_whole_length(
    days: float, intervals: list[int], before: float
) -> None:
    begin = edge(1) - before * days * DAY
    slow = due_times(520, HOUR)
    fast = np.arange(begin, begin + days * DAY, 300.0)
    time, _ = thinned(np.sort(np.append(slow[(slow < begin) | (slow >= fast[-1])], fast)), 0.02)
    found = measured(history(time), DEFAULTS)
    assert [round(s, -1) for _, s in found.schedule.pieces] == intervals
    assert found.schedule.fast_share == pytest.approx(days / 520 if len(intervals) == 1 else 0.0, abs=0.002)


@pytest.mark.parametrize("days", [0.1, 0.5, 1, 3, 10])
def test_a_short_first_block_is_counted_by_what_is_learned_later(days: float) -> None:
    time, lost = thinned(edge(0) - days * DAY + np.arange(300 * 24) * HOUR, 0.4)
    found = measured(history(time), DEFAULTS)
    assert found.missed.sum() == lost
    assert [round(s) for _, s in found.schedule.pieces] == [3600]


def test_few_rows_after_a_long_silence_are_counted_by_the_interval_before() -> None:
    time = due_times(530, HOUR)
    gone = (time > edge(1) - 5 * DAY) & (time < edge(2) + 20 * DAY)
    few = np.random.default_rng(2).random(len(time)) < 0.015
    kept = time[(time < edge(3)) & ~gone & ((time < edge(2)) | few)]
    assert 10 < (kept > edge(2)).sum() < 50
    as_of = edge(3) + 155 * DAY  # the half-year with few rows is closed, the open block has none
    found = measured(history(kept, as_of=as_of), DEFAULTS)
    due_later = int((as_of - kept[-1]) / HOUR - DEFAULTS.arrivals.due_tolerance)
    assert found.missed.sum() == (time < kept[-1]).sum() + 1 - len(kept) + due_later
    assert found.gaps.open
    assert [round(s) for _, s in found.schedule.pieces] == [3600]


def test_a_node_silent_since_a_closed_block_is_due_up_to_the_present() -> None:
    time = due_times(200, HOUR)
    found = measured(history(time, as_of=float(time[-1]) + 150.5 * HOUR + 150 * DAY), DEFAULTS)
    assert found.gaps.open
    assert found.missed.sum() == 150 + 150 * 24
    assert found.day[-1] == (time[-1] + 150.5 * HOUR + 150 * DAY) // DAY
    assert found.missed[-100:-1].tolist() == [24] * 99


def test_a_repeat_across_an_edge_is_no_check_in() -> None:
    time = due_times(200, HOUR)
    time = time - time[np.searchsorted(time, edge(0))] + edge(0) - 2.0  # one is due two seconds before the edge
    again = np.sort(np.append(time, edge(0) + 1.0))
    found = measured(history(again), DEFAULTS)
    assert (found.rows, found.repeated, found.missed.sum()) == (len(time), 1, 0)
    assert np.array_equal(found.received, measured(history(time), DEFAULTS).received)


def test_a_block_with_nothing_but_a_repeat_does_no_harm() -> None:
    time = np.append(np.arange(edge(0) - 60 * DAY, edge(0), HOUR), edge(0) + 1.0)
    time[-2] = edge(0) - 1.0
    found = measured(history(time, as_of=edge(0) + 250 * DAY), DEFAULTS)
    assert (found.rows, found.repeated, found.last) == (len(time) - 1, 1, edge(0) - 1.0)
    assert found.missed.sum() == pytest.approx(250 * 24, abs=1)


def made(days: float = 700, **more: object) -> NodeHistory:
    """Two years of a node that loses more with a weak signal, at low voltage and at three o'clock."""
    rng = np.random.default_rng(5)
    time = due_times(days, 1800.0) + rng.normal(0, 2, int(days * 48))
    rssi = np.round(-100 + rng.normal(0, 6, len(time)))
    battery = np.round(3.6 - 0.4 * np.linspace(0, 1, len(time)) ** 3 + rng.normal(0, 0.01, len(time)), 2)
    odds = 0.01 + 0.1 * (rssi < -107) + 0.1 * (battery < 3.4) + 0.1 * ((time // HOUR) % 24 == 3)
    kept = rng.random(len(time)) >= np.roll(odds, 1)
    kept[[0, -1]] = True
    return history(time[kept], rssi=rssi[kept], battery=battery[kept], **more)


def test_cutting_changes_nothing_that_is_measured() -> None:
    h = made()
    cut, whole = measured(h, DEFAULTS), uncut(h, DEFAULTS)
    for name in ("first", "last", "rows", "repeated", "spacings", "dropped", "counted", "judged"):
        assert getattr(cut, name) == getattr(whole, name)
    for name in ("day", "received", "missed"):
        assert np.array_equal(getattr(cut, name), getattr(whole, name))
    assert np.array_equal(cut.gaps.start, whole.gaps.start)
    assert np.array_equal(cut.gaps.missed, whole.gaps.missed)
    assert cut.schedule.current_s == pytest.approx(whole.schedule.current_s, rel=1e-5)
    assert cut.schedule.jitter == pytest.approx(whole.schedule.jitter, rel=0.02)
    assert cut.pattern.rssi == whole.pattern.rssi
    assert cut.pattern.battery == whole.pattern.battery
    assert np.array_equal(cut.pattern.hours, whole.pattern.hours)


def test_losses_as_a_battery_runs_down_over_years_are_seen() -> None:
    """Within a half-year the voltage hardly changes; its lowest and highest are years apart."""
    pattern = measured(made(), DEFAULTS).pattern
    assert pattern.battery.low > 3 * pattern.battery.high
    assert pattern.battery.p < 1e-10
    assert pattern.rssi.low > 1.8 * pattern.rssi.high
    assert pattern.rssi.p < 1e-10
    assert pattern.peak_hour in (1, 2, 3)


def test_no_more_gaps_are_remembered_than_wanted_and_none_is_forgotten() -> None:
    h = made()
    some, all_ = measured(h, Settings(arrivals=ArrivalsSettings(most_gaps=100))), measured(h, DEFAULTS)
    assert len(some.gaps) == 100
    assert some.gaps.missed.sum() + some.dropped == all_.gaps.missed.sum()
    assert np.array_equal(some.missed, all_.missed)


def test_a_row_number_is_told_by_all_blocks_together() -> None:
    """Each half-year loses fewer than would tell a row number from a counter."""
    time = due_times(900, 2 * HOUR)
    lost = np.zeros(len(time), bool)
    lost[150::250] = True
    kept = time[~lost]
    found = measured(history(kept, sequence=np.arange(len(kept), dtype=float)), DEFAULTS)
    assert not found.counted
    assert found.missed.sum() == lost.sum()


def test_a_counter_is_believed_in_every_block() -> None:
    time = due_times(900, 900.0)
    sequence = np.arange(len(time)) % 65536.0
    kept = np.random.default_rng(3).random(len(time)) >= 0.2
    kept[[0, -1]] = True
    found = measured(history(time[kept], sequence=sequence[kept]), DEFAULTS)
    assert found.counted
    assert found.missed.sum() == np.sum(~kept)


def test_two_nodes_under_one_name_that_fell_silent_are_read_again() -> None:
    entry = RegisterEntry(node="N-1", interval_s=HOUR)
    one, two = due_times(100, HOUR, 0.3, 2e-5), due_times(100, HOUR, 0.62, -3e-5)
    time = np.sort(np.append(one, two))
    found = measured(history(time, as_of=float(time[-1]) + 250 * DAY, entry=entry), DEFAULTS)
    assert found.interleaved > 0.9
    assert found.schedule.current_s == pytest.approx(HOUR, rel=0.01)


def test_what_is_stored_by_exception_is_only_counted_in() -> None:
    h = made(traits=frozenset({COMPRESSED}))
    found = measured(h, DEFAULTS)
    assert not found.judged
    assert (found.received.sum(), found.missed.sum(), found.schedule) == (len(h), 0, None)
    assert "by exception" in found.why_not
    assert all(len(getattr(summarised(h), f.name)) == 0 for f in fields(arrivals.Summary) if f.name.startswith("kept"))


def test_a_summary_is_small() -> None:
    """A half-year of 15-minute check-ins, one in twenty lost, measured with noise in every quantity."""
    rng = np.random.default_rng(9)
    time, _ = thinned(due_times(330, 900.0), 0.05)
    h = history(
        time,
        rssi=np.round(rng.normal(-90, 6, len(time))),
        battery=np.round(rng.normal(3.6, 0.02, len(time)), 3),
        temperature=np.round(rng.normal(10, 8, len(time)), 1),
    )
    _, (_, block), *_ = blocks_of(h)
    part = arrivals.summarise(block, DEFAULTS)
    assert all(getattr(part, f.name).ndim == 1 for f in fields(part))
    assert sum(getattr(part, f.name).nbytes for f in fields(part)) < 40_000


@pytest.mark.parametrize("zone", ["UTC", "America/Denver", "Asia/Kolkata", "Australia/Lord_Howe"])
def test_hours_are_local(zone: str) -> None:
    """Against the zone database, but for the six hours after clocks change."""
    time = START + np.arange(0, 400 * DAY, 1234.0)
    truth = np.array([datetime.fromtimestamp(t, UTC).astimezone(ZoneInfo(zone)).hour for t in time])
    got = by_local_hour(time, zone)
    assert got.sum() == len(time)
    assert np.abs(got - np.bincount(truth, minlength=24)).sum() <= 4 * 6 * HOUR / 1234
    day = time[(time > START + 10 * DAY) & (time < START + 20 * DAY)]
    assert np.array_equal(by_local_hour(day, zone), np.bincount(truth[np.isin(time, day)], minlength=24))


@hypothesis.settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 10_000),
    st.lists(
        st.tuples(st.floats(0.02, 150), st.sampled_from([300.0, 900.0, HOUR, 5 * HOUR, DAY]), st.floats(0, 200)),
        min_size=1,
        max_size=6,
    ),
    st.floats(0, 0.6),
    st.sampled_from([None, 900.0, DAY]),
    st.booleans(),
)
def test_whatever_comes_the_counts_agree(
    seed: int, spells: list[tuple[float, float, float]], loss: float, stated: float | None, counter: bool
) -> None:
    """Spells of any interval with any silence after each."""
    rng = np.random.default_rng(seed)
    time, at = [], START
    for days, interval, silence in spells:
        time.append(at + np.arange(max(1, min(int(days * DAY / interval), 4000))) * interval)
        at = time[-1][-1] + interval + silence * DAY
    due = np.concatenate(time) + rng.uniform(0, 3, sum(map(len, time)))
    keep = rng.random(len(due)) >= loss
    keep[0] = True
    sequence = np.arange(len(due), dtype=float) if counter else np.full(len(due), np.nan)
    h = history(
        due[keep],
        as_of=at + rng.uniform(0, 200) * DAY,
        sequence=sequence[keep],
        entry=RegisterEntry(node="N-1", interval_s=stated),
    )
    found = measured(h, DEFAULTS)
    assert found.received.sum() == found.rows == keep.sum() - found.repeated
    assert found.missed.sum() == found.gaps.missed.sum() + found.dropped
    assert (found.gaps.missed >= 1).all()
    assert (found.gaps.start[1:] >= found.gaps.end[:-1]).all()
    assert (found.missed >= 0).all()
    if found.judged:
        assert found.spacings == found.rows - 1
        assert found.schedule.current_s > 0
