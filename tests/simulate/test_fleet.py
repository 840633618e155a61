"""What a simulated fleet promises: repeatable, whole, and true to its own truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lamplighter.checkins import COLUMNS
from lamplighter.errors import InputError
from lamplighter.simulate import FAULT_WEIGHTS, SimulatedFleet, simulate

DAY = 86_400.0


@pytest.fixture(scope="module")
def fleet() -> SimulatedFleet:
    return simulate(42, 425, seed=5, fault_share=1.0)


def only(kind: str, nodes: int = 4, days: float = 300, seed: int = 3, **more: object) -> SimulatedFleet:
    return simulate(nodes, days, seed, faults=(kind,), fault_share=1.0, **more)


def truth_of(fleet: SimulatedFleet, node: str, kind: str) -> dict:
    rows = fleet.truth[(fleet.truth["node"] == node) & (fleet.truth["fault"] == kind)]
    return rows.iloc[0].to_dict()


def test_the_table_has_the_columns_of_check_ins_and_is_sorted(fleet: SimulatedFleet) -> None:
    table = fleet.checkins.table
    assert tuple(table.columns) == COLUMNS
    assert str(table["time"].dtype) == "datetime64[us, UTC]"
    for node in fleet.checkins:
        assert (np.diff(fleet.checkins.arrays(node).time) > 0).all()


def test_the_same_seed_gives_the_same_fleet() -> None:
    one, two = simulate(6, 60, seed=9), simulate(6, 60, seed=9)
    pd.testing.assert_frame_equal(one.checkins.table, two.checkins.table)
    pd.testing.assert_frame_equal(one.truth, two.truth)
    assert not one.checkins.table.equals(simulate(6, 60, seed=10).checkins.table)


def test_every_kind_of_fault_is_dealt(fleet: SimulatedFleet) -> None:
    kinds = set(fleet.truth.loc[fleet.truth["role"] == "fault", "fault"])
    assert set(FAULT_WEIGHTS) <= kinds


def test_a_healthy_fleet_has_every_nuisance_and_no_fault() -> None:
    truth = simulate(100, 425, seed=3, healthy=True).truth
    assert not (truth["role"] == "fault").any()
    assert {"gateway_outage", "cold_snap", "battery_swap"} <= set(truth["fault"])


def test_counts_add_up(fleet: SimulatedFleet) -> None:
    c = fleet.counts
    assert (c["expected"] == c["received"] + c["missed"]).all()
    assert (c["missed"] == c["missed_node"] + c["missed_gateway"] + c["missed_host"]).all()
    assert (c["expected"] == c["expected_regular"] + c["fast"]).all()


def test_rows_are_the_received_check_ins_and_a_few_copies() -> None:
    fleet = simulate(10, 200, seed=4, healthy=True)
    rows = fleet.checkins.table["node"].value_counts().sort_index()
    extra = rows - fleet.counts.set_index("node")["received"].sort_index()
    assert (extra >= -3).all()
    assert (extra <= 0.006 * rows).all()


@pytest.mark.parametrize(
    "more", [{"nodes": 0}, {"days": 0}, {"noise": "pink"}, {"faults": ("gremlin",)}, {"fault_share": 2}]
)
def test_an_option_out_of_range_is_refused(more: dict) -> None:
    with pytest.raises(InputError):
        simulate(**({"nodes": 3, "days": 10, "seed": 1} | more))


def test_a_silent_node_stops_when_the_truth_says() -> None:
    fleet = only("silent")
    for node in fleet.checkins:
        last = fleet.checkins.arrays(node).time[-1]
        assert truth_of(fleet, node, "silent")["start"] >= last - 30
        assert truth_of(fleet, node, "silent")["start"] - last < 2 * DAY


def test_a_step_of_the_level_has_its_size() -> None:
    fleet = only("rssi_step", nodes=12)
    errors = []
    for node in fleet.checkins:
        true, a = truth_of(fleet, node, "rssi_step"), fleet.checkins.arrays(node)
        near = np.abs(a.time - true["start"]) < 10 * DAY
        before, after = near & (a.time < true["start"]), near & (a.time >= true["start"])
        errors.append(np.median(a.rssi_dbm[before]) - np.median(a.rssi_dbm[after]) - true["size"])
    assert abs(np.median(errors)) < 1.5


def test_a_zero_that_drifts_reaches_its_size_while_the_process_rests() -> None:
    fleet = only("zero_drift", nodes=12, days=400)
    register = fleet.register.set_index("node")
    for node in fleet.checkins:
        true, a = truth_of(fleet, node, "zero_drift"), fleet.checkins.arrays(node)
        span = register.loc[node, "url"] - register.loc[node, "lrl"]
        late = a.reading[a.time > fleet.as_of - 30 * DAY] / span * 100
        resting = np.median(late[np.abs(late) < 15])
        reached = true["size"] * (fleet.as_of - true["start"]) / (365.25 * DAY)
        assert resting == pytest.approx(reached, abs=1.0)


def test_a_stuck_reading_never_moves_again() -> None:
    fleet = only("stuck")
    for node in fleet.checkins:
        a = fleet.checkins.arrays(node)
        after = a.reading[a.time >= truth_of(fleet, node, "stuck")["start"] + 60]
        assert len(set(after)) == 1
        assert np.ptp(a.rssi_dbm[-len(after) :]) > 0


def test_a_frozen_record_repeats_all_it_carries() -> None:
    fleet = only("record_frozen")
    for node in fleet.checkins:
        true, a = truth_of(fleet, node, "record_frozen"), fleet.checkins.arrays(node)
        still = (a.time > true["start"] + 60) & (a.time < true["end"] - 60)
        for values in (a.reading, a.rssi_dbm):
            assert len(set(values[still])) == 1


def test_a_battery_reaches_its_cut_off_on_the_day_the_truth_names() -> None:
    """The median loaded voltage of the days around the named day meets the register's cut-off."""
    fleet = only("battery_end", nodes=24, days=425)
    register = fleet.register.set_index("node")
    off = []
    for node in fleet.checkins:
        true, a = truth_of(fleet, node, "battery_end"), fleet.checkins.arrays(node)
        near = np.abs(a.time - true["eol_date"] - DAY / 2) < 1.5 * DAY
        if near.sum() > 20 and not true["end"] < true["eol_date"] + 3 * DAY:
            off.append(np.nanmedian(a.battery_v[near]) - register.loc[node, "cutoff_v"])
    assert len(off) >= 5
    assert np.abs(off).max() < 0.08


def test_every_battery_life_is_in_the_truth(fleet: SimulatedFleet) -> None:
    lives = fleet.truth[fleet.truth["fault"] == "battery_life"]
    powered = fleet.register[~fleet.register["battery_chemistry"].str.contains("solar")]
    seen = set(fleet.counts["node"])
    assert set(powered["node"]) & seen <= set(lives["node"])
    assert (lives["eol_date"] > lives["start"]).all()


def test_swaps_lift_the_voltage_and_are_logged_when_the_truth_says_so() -> None:
    fleet = simulate(150, 425, seed=8, healthy=True)
    swaps = fleet.truth[fleet.truth["fault"] == "battery_swap"]
    logged = set(fleet.worklog.loc[fleet.worklog["action"] == "battery replaced", "node"])
    assert len(swaps) >= 8
    assert set(swaps.loc[swaps["note"] == "logged", "node"]) == logged
    assert (swaps["size"].dropna() > 0).mean() > 0.9


def test_solar_packs_swing_daily_and_do_not_decline() -> None:
    fleet = simulate(60, 400, seed=6, healthy=True)
    solar = fleet.register.loc[fleet.register["battery_chemistry"] == "Li-ion solar", "node"]
    assert len(solar)
    for node in set(solar) & set(fleet.counts["node"]):
        a = fleet.checkins.arrays(node)
        days = pd.Series(a.battery_v).groupby((a.time // DAY).astype(int))
        assert 0.05 < (days.max() - days.min()).median() < 0.6
        assert abs(days.mean().iloc[:30].mean() - days.mean().iloc[364:394].mean()) < 0.12


def test_the_cold_week_is_cold_and_costs_no_healthy_node_its_battery() -> None:
    fleet = simulate(60, 425, seed=7, healthy=True)
    snap = fleet.truth[fleet.truth["fault"] == "cold_snap"].iloc[0]
    table = fleet.checkins.table
    seconds = table["time"].astype("int64") / 1e6
    week = seconds.between(snap["start"] + 2 * DAY, snap["end"] - 2 * DAY)
    assert table.loc[week, "temperature_c"].median() < -20
    lives = fleet.truth[(fleet.truth["fault"] == "battery_life") & fleet.truth["end"].isna()]
    assert (lives["eol_date"] > fleet.as_of).all()


@pytest.mark.parametrize("noise", ["smooth", "rough"])
def test_delivery_of_healthy_nodes_is_good_but_not_perfect(noise: str) -> None:
    fleet = simulate(60, 200, seed=12, healthy=True, noise=noise)
    c = fleet.counts[~fleet.counts["node"].isin(fleet.truth.loc[fleet.truth["fault"] == "removed", "node"])]
    lost = c["missed_node"] / c["expected"]
    assert 0.002 < lost.median() < 0.03
    assert lost.quantile(0.9) < 0.08


def test_lost_check_ins_come_in_bursts() -> None:
    """Two-state channel (Gilbert 1960, Elliott 1963): a loss makes the next loss likelier than losses are at large."""
    fleet = simulate(30, 300, seed=13, healthy=True)
    together = alone = n = 0
    for node in fleet.checkins:
        gaps = np.diff(fleet.checkins.arrays(node).time)
        step = np.median(gaps)
        missed = np.round(gaps / step) - 1
        alone, together, n = alone + (missed == 1).sum(), together + missed[missed > 1].sum(), n + len(gaps)
    assert together > 3 * alone * alone / n


def test_a_shared_identity_has_two_phases() -> None:
    fleet = only("shared_identity", nodes=3)
    for node in fleet.checkins:
        true, a = truth_of(fleet, node, "shared_identity"), fleet.checkins.arrays(node)
        after = a.time > max(true["start"], fleet.options.start) + DAY
        before = a.time < true["start"]
        if before.sum() > 200:
            pace = [s.sum() / np.ptp(a.time[s]) for s in (before, after)]
            assert pace[1] > 1.7 * pace[0]


def test_register_mistakes_are_as_the_truth_says() -> None:
    fleet = simulate(120, 60, seed=21, faults=("unregistered", "never_seen", "interval_differs"), fault_share=0.5)
    fault = fleet.truth[fleet.truth["role"] == "fault"].set_index("node")["fault"]
    registered, seen = set(fleet.register["node"]), set(fleet.counts["node"])
    assert registered.isdisjoint(fault.index[fault == "unregistered"])
    assert seen.isdisjoint(fault.index[fault == "never_seen"])
    said = fleet.register.set_index("node")["interval_s"]
    meant = fleet.counts.set_index("node")["interval_s"]
    differs = {n for n in seen & registered if said[n] != meant[n]}
    assert differs == set(fault.index[fault == "interval_differs"])


def test_the_fleet_speaks_the_types_of_the_checks(fleet: SimulatedFleet) -> None:
    known = fleet.fleet()
    entry = known.register[fleet.register["node"].iloc[0]]
    assert isinstance(entry.rests_at_zero, bool | None)
    assert isinstance(entry.interval_s, float)
    assert all(w.time <= fleet.as_of for log in known.worklog.values() for w in log)


def test_the_simulator_knows_nothing_of_the_checks() -> None:
    import ast
    from pathlib import Path

    import lamplighter.simulate

    for path in Path(lamplighter.simulate.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("lamplighter"):
                assert node.module.split(".")[1] in {"simulate", "errors", "wording", "checkins", "fleet"}
