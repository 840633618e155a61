"""Stuck readings from summaries of blocks: what straddles an edge, and that cutting a record changes nothing."""

from dataclasses import fields, replace

import numpy as np
import pytest

from lamplighter.checkins import DAY_S, NodeArrays, NodeHistory, columns_of
from lamplighter.checks import stuck
from lamplighter.checks.base import measure, measure_rows, summarise
from lamplighter.checks.stuck.measure import StuckMeasures
from lamplighter.checks.stuck.sketch import SHARES, sketch, together
from lamplighter.checks.stuck.summary import SLOT_S, Summary
from lamplighter.fleet import RegisterEntry
from lamplighter.record import Fetch, block_at, block_start, blocks_of, joined
from lamplighter.settings import Settings
from lamplighter.stats.runs import encode_runs
from tests.checks.histories import HOUR, START, history, hours, kinds, live, quantised, radio, run, volts

TIME = hours(865)
EDGES = [int((block_start(block_at(START) + k) - START) / HOUR) for k in range(1, 5)]
"""Places in TIME at which a half-year begins; the last block is open."""


def untouched(since: float, until: float) -> NodeArrays:
    """Stand in for reading rows again where that should not be needed."""
    raise AssertionError(f"rows from {since} to {until} were read again")


def measured(h: NodeHistory, *, cut: bool, fetch: Fetch = untouched) -> StuckMeasures:
    """Measure a history in its blocks, or as one block."""
    blocks = [block for _, block in blocks_of(h)] if cut else [h]
    parts = [summarise([stuck], block, Settings()) for block in blocks]
    summaries = {name: joined([part[name] for part in parts]) for name in parts[0]}
    return measure([stuck], summaries, blocks[-1], fetch, Settings())[1]["stuck"]


def whole_and_cut(h: NodeHistory) -> tuple[StuckMeasures, StuckMeasures]:
    """Measure a history as one block, and in its blocks with rows read again where the check asks for them."""
    return measured(h, cut=False), measure_rows([stuck], h, Settings())["stuck"]


def summaries_of(h: NodeHistory) -> Summary:
    """Return the joined summaries of a history's blocks."""
    return joined([stuck.summarise(block, Settings()) for _, block in blocks_of(h)])


def held(start: int, count: int, **more) -> NodeHistory:
    """Return a live reading that stands still from a place on for some check-ins."""
    x = live(TIME)
    x[start : start + count] = x[start]
    return history(TIME, x, battery_v=volts(TIME), rssi_dbm=radio(TIME), **more)


def test_the_edges_lie_where_the_record_is_cut():
    assert [block.own.time[0] for _, block in blocks_of(held(0, 1))][1:] == [TIME[e] for e in EDGES]


@pytest.mark.parametrize(
    ("start", "count"),
    [
        (EDGES[1] - 100, 200),  # over an edge
        (EDGES[1] - 100, EDGES[3] - EDGES[1] + 150),  # over three of them, longer than a lead-in
        (EDGES[0], EDGES[1] - EDGES[0]),  # all of a block and nothing else
        (EDGES[2] - 1, 200),  # only its first check-in before the edge
        (EDGES[2] - 199, 200),  # only its last after it
    ],
)
def test_a_stand_over_an_edge_is_one_and_keeps_its_dates(start, count):
    whole, cut = whole_and_cut(held(start, count))
    a, b = whole.stands[0], cut.stands[0]
    assert (b.start, b.end, b.check_ins) == (TIME[start], TIME[start + count - 1], count)
    assert (b.start, b.end, b.check_ins, b.watched_s) == (a.start, a.end, a.check_ins, pytest.approx(a.watched_s))
    assert (b.entry, b.leave) == (pytest.approx(a.entry, rel=0.05), pytest.approx(a.leave, rel=0.05))
    assert b.longest_s == pytest.approx(a.longest_s, rel=0.2)
    assert b.p < 1e-6
    assert cut.runs == whole.runs == len(encode_runs(held(start, count).reading).start)


def test_equal_readings_at_either_side_of_an_edge_and_of_a_silence_are_one_stand():
    h = held(EDGES[1] - 600, 900)
    kept = (np.arange(len(TIME)) < EDGES[1] - 350) | (np.arange(len(TIME)) >= EDGES[1] + 50)
    h = replace(h, **{name: column[kept] for name, column in columns_of(h).items()})
    assert [block.lead for _, block in blocks_of(h)][2] == 0
    whole, cut = whole_and_cut(h)
    assert cut.stands[0].check_ins == whole.stands[0].check_ins == 900 - 400
    assert cut.stands[0].watched_s == pytest.approx(whole.stands[0].watched_s)
    assert cut.stands[0].watched_s < 510 * HOUR


def test_different_readings_at_either_side_of_an_edge_are_two_stands():
    x = held(EDGES[1] - 150, 150).reading
    x[EDGES[1] : EDGES[1] + 120] = x[EDGES[1] - 1] + 2
    _, cut = whole_and_cut(history(TIME, x))
    first, second = sorted((s for s in cut.stands if not s.band and s.p < 1e-3), key=lambda s: s.start)
    assert (first.check_ins, second.check_ins) == (150, 120)
    assert first.leave == second.entry == pytest.approx(2 / np.ptp(live(TIME)), rel=0.5)


def test_a_sensor_dead_since_before_the_last_edges_is_called_since_its_first_equal_check_in():
    (found,) = run(stuck, held(EDGES[2] + 30, len(TIME))).findings
    assert (found.kind, found.severity, found.since) == ("stuck", "F", TIME[EDGES[2] + 30])
    assert found.data["channels_alive"] == ["battery voltage", "RSSI"]


def test_a_dithering_stand_over_edges_begins_and_ends_at_the_check_ins_that_do():
    x = live(TIME)
    a, b = EDGES[1] - 501, EDGES[2] + 502
    x[a:b] = quantised(5 + 0.01 * np.random.default_rng(4).choice([-1, 0, 0, 1], b - a), 0.01)
    x[[a - 1, b]] = 7.0
    whole, cut = whole_and_cut(history(TIME, x))
    stand = max((s for s in cut.stands if s.band), key=lambda s: s.watched_s)
    assert (stand.start, stand.end) == (TIME[a], TIME[b - 1])
    assert stand.check_ins == pytest.approx(b - a, abs=SLOT_S / HOUR)
    assert stand.value == pytest.approx(5, abs=0.011)
    assert stand.p == pytest.approx(max(whole.stands, key=lambda s: s.watched_s).p, abs=1e-6)
    assert stand.entry > 0.2
    assert stand.leave == pytest.approx(stand.entry, rel=0.05)


def test_a_record_frozen_over_an_edge_is_told_once():
    x, rssi, v = live(TIME), radio(TIME), volts(TIME)
    part = slice(EDGES[1] - 90, EDGES[1] + 110)
    for column in (x, rssi, v):
        column[part] = column[part.start]
    h = history(TIME, x, rssi_dbm=rssi, battery_v=v)
    whole, cut = whole_and_cut(h)
    assert (cut.frozen[0].start, cut.frozen[0].check_ins) == (whole.frozen[0].start, whole.frozen[0].check_ins)
    assert (cut.frozen[0].start, cut.frozen[0].check_ins) == (TIME[EDGES[1] - 90], 200)
    assert [f.kind for f in run(stuck, h).findings] == ["record_frozen"]


def test_a_record_that_changes_at_an_edge_while_the_reading_stands_is_not_frozen_across():
    x, rssi = live(TIME), radio(TIME)
    x[EDGES[1] - 90 : EDGES[1] + 110] = 5.0
    rssi[EDGES[1] - 90 : EDGES[1]], rssi[EDGES[1] : EDGES[1] + 110] = -70, -71
    _, cut = whole_and_cut(history(TIME, x, rssi_dbm=rssi))
    assert sorted(s.check_ins for s in cut.frozen if s.p < 1e-3) == [90, 110]


@pytest.mark.parametrize("before", [0, 1, 2, 5])
def test_a_failure_current_over_an_edge_is_one_period(before):
    x = 4 + live(TIME)
    x[EDGES[1] - before : EDGES[1] + 6 - before] = 3.5
    h = history(TIME, x, entry=RegisterEntry(node="N1", unit="mA"))
    _, cut = whole_and_cut(h)
    assert cut.failure_ma == ((TIME[EDGES[1] - before], TIME[EDGES[1] + 5 - before], 3.5),)


def test_single_failed_check_ins_at_edges_are_no_period():
    x = 4 + live(TIME)
    x[[EDGES[0], EDGES[1] - 1]] = 3.5
    _, cut = whole_and_cut(history(TIME, x, entry=RegisterEntry(node="N1", unit="mA")))
    assert cut.failure_ma == ()


def test_each_wild_reading_about_an_edge_counts_once_and_with_its_voltage():
    x, v = live(TIME), volts(TIME)
    wild = [EDGES[0] - 1, EDGES[1] - 5, EDGES[1], EDGES[1] + 6, EDGES[2] - 2, EDGES[3] + 1, EDGES[3] + 40]
    x[wild] = 90.0
    v[wild[-3:]] -= 0.8
    v[EDGES[3] + 100 :] -= 0.8
    h = history(TIME, x, battery_v=v)
    assert summaries_of(h).spike_time.tolist() == [TIME[k] for k in wild]
    whole, cut = whole_and_cut(h)
    assert (cut.spikes.low, cut.spikes.usual) == (3, 4)
    assert cut.spikes.low_of == pytest.approx(np.count_nonzero(v < 0.88 * 3.6), rel=0.05)
    assert cut.spikes.low_of + cut.spikes.usual_of == len(TIME)
    assert (
        (cut.spikes.first, cut.spikes.last)
        == (whole.spikes.first, whole.spikes.last)
        == (TIME[wild[0]], TIME[wild[-1]])
    )


def test_what_is_counted_by_blocks_adds_up_to_the_record():
    x = live(TIME)
    x[np.random.default_rng(3).random(len(x)) < 0.05] = np.nan
    h = history(TIME, x, battery_v=volts(TIME), rssi_dbm=radio(TIME))
    cut, whole = summaries_of(h), stuck.summarise(h, Settings())
    for name in ("readings", "steps", "volts", "rows"):
        assert getattr(cut, name).sum() == getattr(whole, name).sum(), name
    for name in ("slot", "slot_low", "slot_high", "slot_step", "slot_count"):
        assert np.array_equal(getattr(cut, name), getattr(whole, name)), name
    assert cut.slot_watched.sum() == pytest.approx(whole.slot_watched.sum(), abs=len(EDGES) * HOUR)


def test_what_is_learned_by_blocks_describes_the_record():
    season = 20 * np.sin(2 * np.pi * TIME / (365 * DAY_S))
    h = history(TIME, quantised(live(TIME) + season, 0.05), battery_v=volts(TIME))
    whole, cut = whole_and_cut(h)
    assert cut.levels == pytest.approx(whole.levels, rel=0.03)
    assert cut.usual_v == pytest.approx(whole.usual_v, abs=0.01)
    assert cut.stands[0].watched_s == pytest.approx(whole.stands[0].watched_s, abs=SLOT_S)


def test_the_range_outside_a_stand_of_many_blocks_is_that_of_the_other_readings():
    whole, cut = whole_and_cut(held(1000, EDGES[3] - 1000))
    x = held(1000, EDGES[3] - 1000).reading
    outside = np.delete(x, np.s_[1000 : EDGES[3]])
    assert cut.levels == pytest.approx(np.ptp(np.quantile(outside, [0.05, 0.95])) / 0.01, rel=0.05)
    assert cut.levels == pytest.approx(whole.levels, rel=0.05)


def test_quantiles_of_parts_together_are_those_of_the_whole():
    rng = np.random.default_rng(7)
    parts = [rng.normal(0, 1, 3000), rng.normal(6, 2, 1000), np.zeros(0), np.full(500, 3.0)]
    spread = together(np.concatenate([sketch(p) for p in parts]), np.array([len(p) for p in parts]))
    every = np.concatenate(parts)
    for share in (0.05, 0.3, 0.5, 0.95):
        assert spread.at(share) == pytest.approx(np.quantile(every, share), abs=0.12)
    assert (spread.value[0], spread.value[-1]) == (every.min(), every.max())
    for value in (-1.0, 3.0, 7.0):
        assert spread.share_below(value) == pytest.approx((every < value).mean(), abs=0.01)
    assert len(SHARES) == len(sketch(parts[0]))


@pytest.mark.parametrize("rows", [1, 2, 5])
def test_a_block_of_hardly_any_rows_changes_nothing(rows):
    first = EDGES[0] - rows
    h = history(TIME[first:], held(EDGES[2] + 30, 200).reading[first:], rssi_dbm=radio(TIME)[first:])
    whole, cut = whole_and_cut(h)
    assert (cut.check_ins, cut.runs, cut.stands[0].start) == (whole.check_ins, whole.runs, whole.stands[0].start)
    assert cut.stands[0].start == TIME[EDGES[2] + 30]


def test_blocks_without_readings_are_bridged():
    x = live(TIME)
    x[EDGES[0] : EDGES[1]] = np.nan
    x[-100:] = x[-100]
    (found,) = run(stuck, history(TIME, x, rssi_dbm=radio(TIME))).findings
    assert (found.kind, found.since) == ("stuck", TIME[-100])


def resting_line(rng: np.random.Generator) -> np.ndarray:
    """Rests at exactly zero for half of every day, and then over two edges."""
    on = (np.arange(len(TIME)) // 12) % 2 == 1
    on[EDGES[1] - 400 : EDGES[2] + 300] = False
    return np.where(on, quantised(50 + rng.normal(0, 1, len(TIME)), 0.1), 0.0)


def seasonal(rng: np.random.Generator) -> np.ndarray:
    """Follows the year, with a noise that is small in winter and large in summer."""
    warm = 1 - np.cos(2 * np.pi * TIME / (365.25 * DAY_S))
    return quantised(10 * warm + (0.05 + warm) * rng.normal(0, 0.5, len(TIME)), 0.01)


def emptied_tank(rng: np.random.Generator) -> np.ndarray:
    """Fills and empties, rests between for up to three days, anywhere."""
    legs = np.cumsum(rng.choice([6, 10, 20, 40, 72], 900))
    moved = np.repeat(rng.uniform(2, 8, 450), 2)[: len(legs)]
    return quantised(np.interp(np.arange(len(TIME)), legs, moved), 0.05)


@pytest.mark.parametrize("process", [resting_line, seasonal, emptied_tank], ids=lambda p: p.__name__)
@pytest.mark.parametrize("seed", range(4))
def test_processes_over_many_blocks_raise_no_alarm(process, seed):
    x = process(np.random.default_rng(seed))
    assert kinds(run(stuck, history(TIME, x, rssi_dbm=radio(TIME)))) == []


def always_moving(rng: np.random.Generator) -> np.ndarray:
    """Follows the day and the weather."""
    return live(TIME, seed=int(rng.integers(1000)))


@pytest.mark.parametrize("process", [always_moving, resting_line, seasonal, emptied_tank], ids=lambda p: p.__name__)
@pytest.mark.parametrize("seed", range(4))
def test_healthy_nodes_are_measured_without_reading_closed_blocks_again(process, seed):
    x = process(np.random.default_rng(seed))
    m = measured(history(TIME, x, rssi_dbm=radio(TIME), battery_v=volts(TIME)), cut=True, fetch=untouched)
    assert m.check_ins == len(TIME)


@pytest.mark.parametrize("process", [resting_line, seasonal, emptied_tank], ids=lambda p: p.__name__)
def test_a_stuck_sensor_of_such_a_process_is_called(process):
    x = process(np.random.default_rng(1))
    x[-30 * 24 :] = x[-30 * 24] + 0.35
    assert kinds(run(stuck, history(TIME, x, rssi_dbm=radio(TIME)))) == ["stuck"]


def test_a_half_year_at_fifteen_minutes_is_kept_in_little_room():
    time = hours(184, 0.25)
    s = stuck.summarise(history(time, live(time), battery_v=volts(time), rssi_dbm=radio(time)), Settings())
    assert sum(getattr(s, f.name).nbytes for f in fields(s)) < 47_000
    assert {getattr(s, f.name).ndim for f in fields(s)} == {1}
