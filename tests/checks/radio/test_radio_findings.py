"""Trends, steps, margins and gateway antennas on RSSI of known make."""

from __future__ import annotations

import numpy as np
import pytest

from lamplighter.checks.radio.judge import crossing, margin_of
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.settings import Settings, load_settings
from tests.checks.radio.made import DAY, START, YEAR, history, judged, measured, signal, times

LONG = times(425)


def since(day: float, time: np.ndarray = LONG) -> np.ndarray:
    return time >= START + day * DAY


def findings(result: object, node: str) -> list[tuple[str, str]]:
    return [(f.kind, f.severity) for f in result.findings if f.node == node]


def healthy(count: int, gateway: str = "", first: int = 0) -> dict:
    made = {}
    for k in range(first, first + count):
        name = f"H-{k:03d}"
        entry = RegisterEntry(node=name, gateway=gateway)
        made[name] = history(LONG, signal(LONG, 1000 + k, level=-60 - k % 25), name, entry)
    return made


@pytest.fixture(scope="module")
def sound() -> dict:
    """Twelve healthy nodes for company: false discovery control needs a fleet."""
    return healthy(12)


def test_healthy_nodes_are_let_be(sound: dict) -> None:
    result = judged(sound)
    assert result.findings == []
    assert {v.state for v in result.verdicts.values()} == {"good"}
    covers = [f["rssi_slope_low"] <= 0 <= f["rssi_slope_high"] for f in result.facts.values()]
    assert sum(covers) >= 9


@pytest.mark.parametrize(("slope", "level"), [(-6.0, -78), (-12.0, -70)])
def test_a_decline_is_found_with_its_rate_and_due_date(sound: dict, slope: float, level: float) -> None:
    years = (LONG - START) / YEAR
    entry = RegisterEntry(node="N-1", sensitivity_dbm=-98.0)
    node = history(LONG, signal(LONG, 7, level=level) + np.round(slope * years), entry=entry)
    result = judged(sound | {"N-1": node})
    assert findings(result, "N-1") == [("rssi_trend", "M")]
    found = next(f for f in result.findings if f.node == "N-1")
    assert found.low < slope < found.high < 0
    assert found.value == pytest.approx(slope, abs=2.5)
    facts = result.facts["N-1"]
    # 10 dB of margin are wanted above -98 dBm; the present is 1.16 years on.
    truth = START + (level + 88) / -slope * YEAR
    assert facts["margin_due_early"] < facts["margin_due"] < (facts["margin_due_late"] or np.inf)
    assert facts["margin_due"] == pytest.approx(truth, abs=0.4 * (truth - START))
    # The level of the last days, two dB of season and a little weather on top of the trend.
    assert facts["fade_margin_db"] == pytest.approx(level + 98 + slope * 425 / 365.25, abs=3.5)


def test_eight_in_ten_due_dates_fall_between_early_and_late() -> None:
    years, s = (LONG - START) / YEAR, Settings().radio
    entry, truth, held = RegisterEntry(node="N-1", sensitivity_dbm=-98.0), START + 16 / 9 * YEAR, 0
    for seed in range(200, 216):
        m = measured(history(LONG, signal(LONG, seed, level=-72) + np.round(-9 * years), entry=entry))
        due = crossing(m, margin_of(m, entry, s), s)
        held += due.early < truth < (due.late or np.inf)
    # Binomial(16, 0.8) falls below 9 with probability 0.7 %.
    assert held >= 9


def test_a_forecast_is_made_only_of_a_real_trend(sound: dict) -> None:
    assert all("margin_due" not in f for f in judged(sound).facts.values())


def test_a_drop_is_found_and_dated(sound: dict) -> None:
    node = history(LONG, signal(LONG, 8) - 6.0 * since(200.5))
    result = judged(sound | {"N-1": node})
    assert findings(result, "N-1") == [("rssi_step", "M")]
    found = next(f for f in result.findings if f.node == "N-1")
    assert found.since == pytest.approx(START + 200.5 * DAY, abs=2 * DAY)
    assert found.low < -6 < found.high
    assert found.id == "radio:rssi_step:N-1"
    assert "season" not in found.evidence


def test_a_rise_is_information(sound: dict) -> None:
    result = judged(sound | {"N-1": history(LONG, signal(LONG, 9) + 10.0 * since(250))})
    assert findings(result, "N-1") == [("rssi_step", "info")]
    assert result.verdicts["N-1"].state == "good"


def test_a_passing_spell_is_no_step(sound: dict) -> None:
    """Ten days of 8 dB less: a parked truck, a flood."""
    spell = since(200) & ~since(210)
    assert findings(judged(sound | {"N-1": history(LONG, signal(LONG, 10) - 8.0 * spell)}), "N-1") == []


@pytest.mark.parametrize("action", ["antenna changed", "moved"])
def test_work_resets_the_clock(sound: dict, action: str) -> None:
    rssi = signal(LONG, 11) - 9.0 * since(300)
    work = WorkEntry(node="N-1", time=START + 300 * DAY, action=action)
    assert findings(judged(sound | {"N-1": history(LONG, rssi)}), "N-1") == [("rssi_step", "M")]
    assert findings(judged(sound | {"N-1": history(LONG, rssi, worklog=(work,))}), "N-1") == []


def test_a_gateways_antenna_is_told_once(sound: dict) -> None:
    behind = healthy(8, "G-A", first=50)
    drop = {n: history(LONG, h.rssi_dbm - 6.0 * since(280), n, h.entry) for n, h in behind.items()}
    result = judged(healthy(8, "G-B", first=70) | drop)
    told = [(f.kind, f.gateway, f.node) for f in result.findings]
    assert told == [("gateway_antenna", "G-A", "")]
    found = result.findings[0]
    assert found.since == pytest.approx(START + 280 * DAY, abs=3 * DAY)
    assert found.value == pytest.approx(-6, abs=1)
    assert all(result.facts[n]["gateway_antenna"] for n in drop)


def test_one_weak_node_does_not_blame_its_gateway() -> None:
    nodes = healthy(8, "G-A", first=90)
    name = "H-090"
    nodes[name] = history(LONG, nodes[name].rssi_dbm - 9.0 * since(280), name, nodes[name].entry)
    result = judged(nodes)
    assert [(f.kind, f.node) for f in result.findings] == [("rssi_step", name)]


def test_a_thin_margin_is_let_be_while_check_ins_arrive(sound: dict) -> None:
    node = {"N-1": history(LONG, signal(LONG, 12, level=-94, season=0.5, wander=0.3))}
    assert findings(judged(sound | node, deliveries={"N-1": 0.995}), "N-1") == []
    assert findings(judged(sound | node, deliveries={"N-1": 0.90}), "N-1") == [("low_margin", "M")]
    thinner = {"N-1": history(LONG, signal(LONG, 12, level=-99, season=0.5, wander=0.3))}
    assert findings(judged(sound | thinner, deliveries={"N-1": 0.995}), "N-1") == [("low_margin", "M")]


def test_sensitivity_comes_from_the_register_first() -> None:
    rssi = signal(LONG, 13, level=-80)
    stated = history(LONG, rssi, entry=RegisterEntry(node="N-1", sensitivity_dbm=-110.0))
    assumed = history(LONG, rssi, "N-2")
    facts = judged({"N-1": stated, "N-2": assumed}).facts
    assert facts["N-1"]["fade_margin_db"] - facts["N-2"]["fade_margin_db"] == pytest.approx(10)
    assert (facts["N-1"]["sensitivity_stated"], facts["N-2"]["sensitivity_stated"]) == (True, False)


def test_too_strong_is_told(sound: dict) -> None:
    """Two radios within a foot or two overload each other: common practice, no source."""
    result = judged(sound | {"N-1": history(LONG, signal(LONG, 14, level=-12))})
    assert findings(result, "N-1") == [("too_strong", "M")]


def test_a_signal_stronger_than_free_space_is_a_wrong_register() -> None:
    entry = RegisterEntry(node="N-1", distance_m=5000.0, tx_power_dbm=14.0, antenna_gain_dbi=2.0)
    near = RegisterEntry(node="N-2", distance_m=200.0, tx_power_dbm=14.0, antenna_gain_dbi=2.0)
    rssi = signal(LONG, 15, level=-70)
    result = judged({"N-1": history(LONG, rssi, entry=entry), "N-2": history(LONG, rssi, "N-2", near)})
    assert [(f.node, f.kind, f.severity) for f in result.findings] == [("N-1", "link_budget", "info")]
    # Free space at 200 m and 915 MHz: 16 dBm - 77.7 dB.
    assert result.facts["N-2"]["free_space_dbm"] == pytest.approx(16 - 77.70, abs=0.01)


def test_codes_for_no_signal_are_left_out() -> None:
    rssi = signal(LONG, 16)
    spoilt = rssi.copy()
    spoilt[::9] = -999
    spoilt[4::9] = 0
    clean, dirty = (measured(history(LONG, r)) for r in (rssi, spoilt))
    assert dirty.rows == len(LONG) - len(LONG[::9]) - len(LONG[4::9])
    assert dirty.recent_median == pytest.approx(clean.recent_median, abs=0.5)


def test_without_rssi_nothing_is_said() -> None:
    result = judged({"N-1": history(LONG, np.full(len(LONG), np.nan))})
    assert result.verdicts["N-1"].state == "not evaluated"
    assert "no RSSI" in result.verdicts["N-1"].reason
    assert result.findings == []


def test_a_short_record_is_not_evaluated() -> None:
    time = times(20)
    result = judged({"N-1": history(time, signal(time, 17))})
    assert result.verdicts["N-1"].state == "not evaluated"
    assert result.facts["N-1"]["rssi_median_dbm"] == pytest.approx(-78, abs=4)


def test_days_of_which_only_nights_arrived_do_not_look_weaker() -> None:
    rng = np.random.default_rng(18)
    hour = (LONG % DAY) / 3600
    rssi = -75 + 6 * np.cos(2 * np.pi * hour / 24) + rng.normal(0, 1, len(LONG))
    nights = since(300) & (hour > 6) & (hour < 18)
    found = measured(history(LONG[~nights], rssi[~nights]))
    assert found.found.changes == ()


def test_order_and_settings_do_what_they_say(sound: dict) -> None:
    nodes = sound | {"N-1": history(LONG, signal(LONG, 8) - 6.0 * since(200.5))}
    forward, backward = judged(nodes), judged(dict(reversed(nodes.items())))
    assert forward.findings == backward.findings
    assert forward.facts == backward.facts
    deaf = load_settings({"radio": {"least_step_db": 12.0}})
    assert findings(judged(nodes, deaf), "N-1") == []


def test_series_fit_together() -> None:
    series = judged({"N-1": history(LONG, signal(LONG, 8) - 6.0 * since(200.5))}).series["N-1"]
    lengths = {len(series[k]) for k in ("day", "level", "fit", "p10")}
    assert lengths == {425}
    assert series["floor_dbm"] == -100
    assert series["fit"][100] - series["fit"][300] == pytest.approx(6, abs=1)
