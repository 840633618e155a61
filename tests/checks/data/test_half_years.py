"""The data check over half-years: what lies about their edges, and what is joined from all of them."""

from dataclasses import fields, replace

import numpy as np
import pytest

from lamplighter.checkins import DAY_S, NodeArrays, NodeHistory, columns_of
from lamplighter.checks import base, data
from lamplighter.checks.data.join import best_step, join_splits
from lamplighter.fleet import RegisterEntry
from lamplighter.record import between, block_at, block_start, blocks_of, joined
from lamplighter.settings import Settings
from tests.checks.data.test_data import merged
from tests.checks.histories import HOUR, START, history, hours, kinds, live, quantised, radio, run, volts

TIME = hours(640)
FIRST, SECOND, THIRD = (block_start(block_at(START) + k) for k in (1, 2, 3))
"""Where half-years end: 2025-07-01, 2026-01-01, 2026-07-01; the last block is open."""
S = Settings()


def one(seed=1, level=-70.0, voltage=3.6, offset=0.0):
    time = TIME + offset
    return {
        "time": time,
        "reading": live(time, seed=seed),
        "rssi_dbm": radio(time, seed=seed + 1, level=level),
        "battery_v": volts(time, seed=seed + 2, level=voltage),
    }


def visited(*spells):
    """Return a node under whose name a second one checks in during some spells."""
    other = one(7, level=-88.0, voltage=3.3, offset=900.0)
    inside = np.any([(other["time"] >= a) & (other["time"] < b) for a, b in spells], axis=0)
    h = merged(one(1), {name: values[inside] for name, values in other.items()})
    return replace(h, entry=RegisterEntry(node="N1", interval_s=HOUR))


def summaries(h: NodeHistory):
    return [data.summarise(block, S) for _, block in blocks_of(h) if len(block) > block.lead]


def measured(h: NodeHistory, fetched: list):
    """Measure a history, and note what was read again."""
    blocks = [block for _, block in blocks_of(h)]
    parts = [base.summarise([data], block, S) for block in blocks]

    def fetch(since, until):
        fetched.append((since, until))
        return NodeArrays(**columns_of(between(h, since, until)))

    kept = {name: joined([part[name] for part in parts]) for name in parts[0]}
    return base.measure([data], kept, blocks[-1], fetch, S)


def test_what_is_kept_of_a_half_year_is_flat_and_small():
    for part in summaries(visited((FIRST, SECOND))):
        values = [getattr(part, f.name) for f in fields(part)]
        assert {x.ndim for x in values} == {1}
        assert sum(x.nbytes for x in values) < 2000


@pytest.mark.parametrize("days", [-30.0, -8.0, -6.0, -1.0, -0.2, 0.0, 0.2, 1.0, 8.0, 30.0])
@pytest.mark.parametrize("factor", [6.894757, 1 / 3.28084])
def test_a_change_of_unit_is_found_wherever_it_lies_in_a_half_year(days, factor):
    since = SECOND + days * DAY_S
    x = live(TIME)
    (found,) = run(data, history(TIME, np.where(since <= TIME, x * factor, x))).findings
    assert found.kind == "scale_step"
    assert found.value == pytest.approx(factor, rel=1e-4)
    assert found.since == pytest.approx(since, abs=6 * HOUR)


@pytest.mark.parametrize("days", [-9.0, -4.0, 4.0, 9.0])
def test_a_step_near_an_edge_is_measured_over_the_weeks_on_both_sides(days):
    """A level that doubles and more for some days only, and takes its ripple along: weeks show that it came back."""
    since = SECOND + days * DAY_S
    step = next(k for k, t in enumerate(TIME) if t >= since)
    x = live(TIME)
    x[step:] *= 6.894757
    h, fetched = history(TIME, x), []
    record, measures = measured(h, fetched)
    found = measures["data"].scale
    whole = between(h, found.time - 56 * DAY_S, found.time + 56 * DAY_S)
    place = int(np.searchsorted(whole.time, found.time))
    extent = np.quantile(whole.reading[place:], 0.95) / np.quantile(whole.reading[:place], 0.95) / found.ratio
    assert found.extent == pytest.approx(np.log(extent), abs=0.01)
    assert 0 < len(fetched) <= 2
    assert all(since >= record.first for since, _ in fetched)


def test_a_second_node_that_came_and_went_about_an_edge_is_found_and_dated():
    spell = (FIRST - 3 * DAY_S, FIRST + 3 * DAY_S)
    h = visited(spell)
    (found,) = run(data, h).findings
    assert found.kind == "two_identities"
    assert found.since == pytest.approx(spell[0], abs=1.5 * DAY_S)
    split = join_splits(joined(summaries(h)))
    assert split.until == pytest.approx(spell[1], abs=1.5 * DAY_S)
    # Two nodes an hour for six days, in blocks of 48 check-ins.
    assert split.split == pytest.approx(6, abs=1)


def test_counts_of_half_years_add_up_to_those_of_the_record():
    """A second node for two weeks of one summer and two weeks of the next: the share is that of all blocks between."""
    h = visited((FIRST + 5 * DAY_S, FIRST + 19 * DAY_S), (THIRD + 5 * DAY_S, THIRD + 19 * DAY_S))
    split = join_splits(joined(summaries(h)))
    rows = len(between(h, FIRST + 5 * DAY_S, THIRD + 19 * DAY_S))
    assert split.split == pytest.approx(28, abs=3)
    assert split.share_since == pytest.approx(28 / (rows / 48), rel=0.1)
    assert split.blocks == pytest.approx(len(h) / 48, abs=len(summaries(h)))
    assert split.differs["rssi_dbm"] == pytest.approx(18, abs=1)
    assert split.differs["battery_v"] == pytest.approx(0.3, abs=0.03)
    assert split.interval_s == pytest.approx(3600, rel=0.01)
    assert split.phase == pytest.approx(0.25, abs=0.01)


def test_a_node_heard_twice_a_day_loses_no_block_to_the_edges():
    time = TIME[::12]
    parts = summaries(history(time, live(time)))
    assert sum(int(p.blocks[0]) for p in parts) == pytest.approx(len(time) / 48, abs=1)


def leaping(leaps):
    """Return a level that leaps up by a factor for two days each time, and stays there after the last leap."""
    x = live(TIME) + 10
    for k in leaps[:-1]:
        x[k : k + 48] *= 6.894757
    x[leaps[-1] :] *= 6.894757
    return quantised(x, 0.01)


@pytest.mark.parametrize(("leaps", "usual"), [((12000,), False), ((300, 12000), False), ((300, 5000, 12000), True)])
def test_whether_jumps_are_usual_is_told_from_all_half_years(leaps, usual):
    """Each leap but the last is two jumps, up and down again; three others make a jump usual."""
    h = history(TIME, leaping(leaps))
    record, _ = measured(h, [])
    assert best_step(joined(summaries(h)), record, S.data).usual is usual


def test_a_jump_in_the_lead_in_is_not_counted_twice():
    step = int(np.searchsorted(TIME, FIRST - 2 * DAY_S))
    x = live(TIME)
    x[step:] *= 6.894757
    jumps = joined(summaries(history(TIME, x))).jump
    assert np.count_nonzero(jumps > 1.5) == 1


def test_a_healthy_node_is_measured_without_reading_closed_half_years_again():
    for seed in range(5):
        fetched = []
        measured(history(**one(seed)), fetched)
        assert fetched == []


def test_a_young_node_needs_no_rows_but_its_own():
    young = TIME[:1000]
    fetched = []
    measured(history(young, live(young)), fetched)
    assert fetched == []


def test_the_usual_voltage_is_that_of_the_whole_record():
    """Two months on a low battery, whose readings prove nothing, are two months of many."""
    columns = one()
    columns["battery_v"] = np.where(np.arange(len(TIME)) >= len(TIME) - 60 * 24, 2.2, columns["battery_v"])
    columns["reading"][-60 * 24 :] = 12.2
    assert measured(history(**columns), [])[1]["data"].recent == 0


def test_processes_with_a_season_are_no_change_of_unit_at_the_edges():
    """A level that changes by half with the seasons of the calendar, its ripple with it."""
    season = 1 + 0.5 * ((TIME >= FIRST) & (TIME < SECOND))
    assert kinds(run(data, history(TIME, quantised(live(TIME) * season, 0.01)))) == []
