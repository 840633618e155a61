"""Set-up mistakes: two nodes under one name, changes of unit, ranges, intervals, the register, gateways."""

from dataclasses import replace

import numpy as np
import pytest

from lamplighter.checkins import BAD, COMPRESSED, DAY_S
from lamplighter.checks import data
from lamplighter.checks.data.judge import register_findings
from lamplighter.checks.data.spelling import same_nodes
from lamplighter.checks.data.units import UNIT_RATIOS
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.settings import load_settings
from tests.checks.histories import HOUR, arrivals, context, history, hours, kinds, live, quantised, radio, run, volts

TIME = hours(120)


def one(seed=1, level=-70.0, voltage=3.6, offset=0.0):
    """Return the columns of one node."""
    time = TIME + offset
    return {
        "time": time,
        "reading": live(time, seed=seed),
        "rssi_dbm": radio(time, seed=seed + 1, level=level),
        "battery_v": volts(time, seed=seed + 2, level=voltage),
        "temperature_c": np.round(15 + 8 * np.sin(2 * np.pi * time / DAY_S) + seed, 1),
    }


def merged(a, b, since=0.0):
    """Return two nodes' check-ins under one name, the second from a time on."""
    late = b["time"] >= since
    both = {name: np.concatenate([a[name], b[name][late]]) for name in a}
    order = np.argsort(both["time"])
    return history(**{name: values[order] for name, values in both.items()})


def test_one_node_is_one_node():
    result = run(data, history(**one()))
    assert result.findings == []
    assert result.verdicts["N1"].state == "good"


@pytest.mark.parametrize(
    ("level", "voltage"), [(-70.0, 3.3), (-88.0, 3.6), (-58.0, 3.5)], ids=["voltage apart", "RSSI apart", "both"]
)
@pytest.mark.parametrize("offset", [400.0, 1300.0, 3000.0])
def test_two_nodes_answering_to_one_name_are_found(level, voltage, offset):
    h = merged(one(1), one(7, level=level, voltage=voltage, offset=offset))
    result = run(data, h)
    assert kinds(result) == ["two_identities"]
    assert result.facts["N1"]["two_identities_since"] == pytest.approx(TIME[0], abs=3 * DAY_S)


def test_the_second_node_is_dated():
    since = TIME[60 * 24]
    (found,) = run(data, merged(one(1), one(7, level=-85, offset=900.0), since)).findings
    assert found.since == pytest.approx(since, abs=3 * DAY_S)


def test_lost_check_ins_do_not_hide_the_second_node():
    rng = np.random.default_rng(2)
    a, b = one(1), one(7, level=-85, voltage=3.3, offset=900.0)
    h = merged(a, b)
    kept = rng.random(len(h.time)) > 0.3
    thinned = history(
        h.time[kept],
        h.reading[kept],
        rssi_dbm=h.rssi_dbm[kept],
        battery_v=h.battery_v[kept],
        temperature_c=h.temperature_c[kept],
    )
    assert kinds(run(data, thinned)) == ["two_identities"]


def test_a_process_that_swings_at_the_pace_of_check_ins_is_no_second_node():
    columns = one()
    columns["reading"] = columns["reading"] + 5 * (np.arange(len(TIME)) % 2)
    assert kinds(run(data, history(**columns))) == []


def tank(seed=1, step=0.05):
    """Return a level that fills and empties; about 3 to 9."""
    rng = np.random.default_rng(seed)
    legs = np.cumsum(rng.uniform(6, 30, 400))
    levels = np.where(np.arange(400) % 2 == 0, 3, 9) + rng.normal(0, 0.2, 400)
    return quantised(np.interp(np.arange(len(TIME)), legs, levels), step)


# NIST SP 811: 1 psi is 6.894757 kPa, 1 bar 14.503774 psi; 1 psi is 2.3067 feet of water at 39.2 degF.
@pytest.mark.parametrize(("factor", "units"), [
    (6.894757, "psi and kPa"), (1 / 6.894757, "psi and kPa"), (2.3066587, "psi and feet of water"),
    (14.503774, "bar and psi"), (1 / 3.280840, "metres and feet"), (10.0, "units ten times apart"),
])  # fmt: skip
@pytest.mark.parametrize("process", [tank, lambda: live(TIME)], ids=["tank", "wave"])
def test_a_change_of_unit_is_found_with_its_ratio_and_date(factor, units, process):
    x = np.where(np.arange(len(TIME)) >= 1500, process() * factor, process())
    (found,) = run(data, history(TIME, x)).findings
    assert found.kind == "scale_step"
    assert found.value == pytest.approx(factor, rel=1e-4)
    assert found.data["units"] == units
    assert found.since == pytest.approx(TIME[1500], abs=6 * HOUR)


@pytest.mark.parametrize(
    ("name", "value"),
    [("psi and kPa", 6.894757), ("bar and psi", 14.503774), ("psi and feet of water", 2.3066587),
     ("psi and inches of water", 27.67990), ("metres and feet", 3.2808399)],
)  # fmt: skip
def test_ratios_of_units_are_those_of_the_tables(name, value):
    """NIST Special Publication 811, appendix B."""
    assert UNIT_RATIOS[name] == pytest.approx(value, rel=1e-6)


def pump_that_starts_its_season(rng):
    on = (np.arange(len(TIME)) // 7) % 3 == 0
    on[:1500] &= rng.random(1500) < 0.2
    return quantised(np.where(on, 50 + rng.normal(0, 1, len(TIME)), 20 + rng.normal(0, 0.3, len(TIME))), 0.1)


def turbid_river(rng):
    """A level with noise in proportion: falls to less than half and takes its ripple along."""
    level = np.where(np.arange(len(TIME)) < 1500, 5.0, 2.15)
    return np.maximum(quantised(level * np.exp(rng.normal(0, 0.3, len(TIME))), 0.01), 0.01)


def canal_that_is_filled(rng):
    level = np.interp(np.arange(len(TIME)), [0, 1500, 1506, 3000], [1.0, 1.0, 3.3, 3.3])
    return quantised(level + 0.05 * np.sin(2 * np.pi * TIME / DAY_S) + rng.normal(0, 0.01, len(TIME)), 0.01)


@pytest.mark.parametrize(
    "process", [pump_that_starts_its_season, turbid_river, canal_that_is_filled, lambda rng: tank()]
)
@pytest.mark.parametrize("seed", range(3))
def test_processes_that_rise_and_fall_are_no_change_of_unit(process, seed):
    assert kinds(run(data, history(TIME, process(np.random.default_rng(seed))))) == []


def test_readings_outside_the_range_of_the_register_do_not_fit_it():
    entry = RegisterEntry(node="N1", lrl=0.0, url=4.0, unit="bar")
    (found,) = run(data, history(TIME, live(TIME), entry=entry)).findings
    assert (found.kind, found.severity) == ("span_mismatch", "S")


def test_readings_outside_the_range_with_a_low_battery_do_not_speak_against_the_range():
    columns = one()
    columns["battery_v"][-600:] -= 0.9
    columns["reading"][-600:] = 12.2
    entry = RegisterEntry(node="N1", lrl=0.0, url=10.0, unit="bar", cutoff_v=3.0)
    assert kinds(run(data, history(**columns, entry=entry))) == []


@pytest.mark.parametrize(("seen", "called"), [(3600.0, False), (3700.0, False), (1800.0, True), (7200.0, True)])
def test_an_interval_other_than_the_registers_is_told(seen, called):
    time = TIME[0] + np.arange(2000) * seen
    h = history(time, live(time), entry=RegisterEntry(node="N1", interval_s=3600.0))
    result = run(data, h, earlier=arrivals({"N1": {"interval_s": seen, "fast_share": 0.0}}))
    assert kinds(result) == (["interval_differs"] if called else [])


def test_fast_sampling_far_beyond_the_fleet_is_told_with_what_it_costs():
    time = np.sort(np.concatenate([TIME, *(TIME[::3] + k * 900 for k in (1, 2, 3))]))
    entry = RegisterEntry(node="N1", interval_s=3600.0, sleep_current_ua=20.0, charge_per_check_in_mc=72.0)
    fleet = {"N1": {"interval_s": 3600.0, "fast_share": 0.33}} | {
        f"M{k}": {"interval_s": 3600.0, "fast_share": 0.0} for k in range(9)
    }
    result = run(data, history(time, live(time), entry=entry), earlier=arrivals(fleet))
    (found,) = result.findings
    assert found.kind == "fast_sampling"
    # A third of the intervals holds three check-ins more: as many again. Sending takes half of the drain: 72 mC an hour
    # is 20 uA, the sleep current.
    assert found.data["extra_check_ins"] == pytest.approx(1.0, rel=0.02)
    assert result.facts["N1"]["fast_cost"] == pytest.approx(0.5, rel=0.02)


def test_nodes_never_heard_and_nodes_not_registered_are_told():
    fleet = [history(**one(k), node=f"N{k}", entry=RegisterEntry(node=f"N{k}")) for k in range(4)]
    result = run(data, *fleet, registered=["N0", "N1", "N2", "N9"])
    assert sorted((f.kind, f.node, f.severity) for f in result.findings) == [
        ("never_seen", "N9", "M"),
        ("not_registered", "N3", "M"),
    ]
    assert result.verdicts["N9"].state == "finding"


@pytest.mark.parametrize("said", ["battery", "work", "nothing", "taken out", "later"])
def test_a_node_never_heard_has_failed_only_where_it_is_known_to_stand(said):
    end = float(TIME[-1])
    entry = RegisterEntry(node="N9", battery_installed={"battery": TIME[0], "later": end + DAY_S}.get(said))
    action = {"work": "inspected", "taken out": "removed"}.get(said)
    log = {"N9": (WorkEntry(node="N9", time=end - DAY_S, action=action),)} if action else {}
    fleet = [history(**one(k), node=f"N{k}", entry=RegisterEntry(node=f"N{k}")) for k in range(4)]
    asked = replace(context(fleet, registered=["N0", "N1", "N2", "N3", "N9"]), worklog=log)
    asked = replace(asked, register={**asked.register, "N9": entry})
    (found,) = register_findings(asked, asked.settings.data)
    assert (found.kind, found.severity) == ("never_seen", "F" if said in ("battery", "work") else "M")


@pytest.mark.parametrize(("absent", "partial"), [(1, False), (2, False), (3, False), (4, True), (20, True)])
def test_where_many_registered_nodes_are_absent_the_exports_are_partial_not_the_nodes(absent, partial):
    heard = 9
    fleet = [history(**one(k), node=f"N{k}", entry=RegisterEntry(node=f"N{k}")) for k in range(heard)]
    away = [f"Q{k}" for k in range(absent)]
    result = run(data, *fleet, registered=[h.node for h in fleet] + away)
    found = [(f.kind, f.node) for f in result.findings]
    assert found == ([("export_partial", "")] if partial else [("never_seen", node) for node in sorted(away)])
    assert {result.verdicts[node].state for node in away} == {"not evaluated" if partial else "finding"}
    if partial:
        assert f"{absent} nodes of {absent + heard}" in result.findings[0].evidence
        assert "Q0" in result.findings[0].evidence


def test_a_name_spelled_otherwise_is_told_on_both_sides():
    names = ["LL-001", "LL-002", "LL-003", "LL-004"]
    fleet = [history(**one(k), node=n, entry=RegisterEntry(node=n)) for k, n in enumerate(names)]
    result = run(data, *fleet, registered=["LL-001", "LL-02", "LL-003", "LL-004"])
    said = {f.kind: f for f in result.findings}
    assert "LL-02 in the register is LL-002 in the data" in said["never_seen"].evidence
    assert "it is LL-02 in the register" in said["not_registered"].evidence


@pytest.mark.parametrize(
    ("register", "heard", "pairs"),
    [
        (["LL-02"], ["LL-002"], {"LL-02": "LL-002"}),
        (["ll_7"], ["LL-07"], {"ll_7": "LL-07"}),
        (["Weir North"], ["Wier North"], {"Weir North": "Wier North"}),
        (["PT-112"], ["PT-121"], {"PT-112": "PT-121"}),
        (["P-112"], ["P-113"], {}),
        (["P-1"], ["Gate 7"], {}),
        (["P-1", "P-01"], ["P-001"], {}),
    ],
)
def test_which_names_may_be_one_node(register, heard, pairs):
    assert same_nodes(register, heard) == pairs


def test_without_a_register_no_node_is_missing_from_it():
    assert run(data, history(**one())).findings == []


def test_a_register_of_another_site_is_told_once():
    fleet = [history(**one(k), node=f"N{k}", entry=RegisterEntry(node=f"N{k}")) for k in range(4)]
    found = [f for f in run(data, *fleet, registered=["N0"]).findings if f.kind == "not_registered"]
    assert [f.node for f in found] == [""]


def test_more_nodes_on_a_gateway_than_it_carries():
    settings = load_settings({"data": {"nodes_per_gateway": 3}})
    fleet = [history(**one(k), node=f"N{k}", entry=RegisterEntry(node=f"N{k}", gateway="G")) for k in range(4)]
    found = run(data, *fleet, settings=settings).findings
    assert [(f.kind, f.gateway, f.value) for f in found] == [("gateway_overfull", "G", 4.0)]


def test_bad_quality_is_told():
    quality = np.where(np.arange(len(TIME)) % 10 == 0, BAD, 0).astype(np.int8)
    assert kinds(run(data, history(**one(), quality=quality))) == ["bad_quality"]


def test_how_the_host_stores_is_noted():
    (found,) = run(data, history(**one(), traits=[COMPRESSED])).findings
    assert (found.kind, found.severity, found.data["nodes"]) == ("stored_by_exception", "info", ["N1"])


@pytest.mark.parametrize("n", [1, 2, 49])
def test_too_little_data_is_not_evaluated(n):
    assert run(data, history(TIME[:n], live(TIME)[:n])).verdicts["N1"].state == "not evaluated"


@pytest.mark.parametrize("value", [0.0, 5.0, np.nan])
def test_a_reading_without_life_is_no_change_of_unit(value):
    assert run(data, history(TIME, np.full(len(TIME), value))).findings == []


def test_healthy_fleets_raise_nothing():
    fleet = [history(**one(s), node=f"N{s}") for s in range(40)]
    assert run(data, *fleet).findings == []
