"""When a battery ends: dates with an honest interval, or a bound, or plainly nothing."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from lamplighter.checks.battery.estimators import never_falling
from lamplighter.checks.battery.findings import end_findings, ended_share
from lamplighter.checks.battery.fleetwide import gather
from lamplighter.checks.battery.learning import learn_classes
from lamplighter.checks.battery.predict import predict
from lamplighter.fleet import RegisterEntry
from lamplighter.results import Finding
from lamplighter.settings.battery import BatterySettings
from tests.checks.battery.batteries import (
    DAY,
    START,
    alkaline_pair,
    end_day,
    judged,
    knee,
    make_node,
    measured,
    moved,
    thionyl,
)

CURVES = {"Li-SOCl2": (thionyl, 3.0), "alkaline": (alkaline_pair, 2.0)}


def facts_at(chemistry: str, lead: float, **more):
    """Facts of a node so many days before its voltage meets the cut-off, and that day."""
    curve, cutoff = CURVES[chemistry]
    node = make_node(curve, days=420, life=450, begin=0.15, battery_chemistry=chemistry, cutoff_v=cutoff, **more)
    end = START + end_day(curve, cutoff, 450, 0.15) * DAY
    return judged(node, end - lead * DAY).facts["n1"], end


@pytest.mark.parametrize("chemistry", CURVES)
@pytest.mark.parametrize("lead", [60.0, 30.0, 14.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_end_lies_between_the_early_and_the_late_date(chemistry, lead, seed):
    facts, end = facts_at(chemistry, lead, seed=seed)
    if facts["eol_p50"] is None:
        assert facts["eol_not_before"] <= end
        return
    present = end - lead * DAY
    assert facts["eol_not_before"] <= facts["eol_p10"] < facts["eol_p50"] < facts["eol_p90"]
    assert facts["eol_p10"] - 0.05 * lead * DAY <= end <= facts["eol_p90"] + 0.05 * lead * DAY
    assert abs(facts["eol_p50"] - end) < 0.5 * (end - present)


@pytest.mark.parametrize("chemistry", ["Li-SOCl2", "Li-MnO2", ""])
@pytest.mark.parametrize("days", [60, 200, 420])
def test_a_flat_voltage_alone_never_gets_a_date(chemistry, days):
    flat = lambda x: knee(x, 3.0 if chemistry == "Li-MnO2" else 3.62, 0.02, 0.0, 0.03)  # noqa: E731
    result = judged(make_node(flat, days=days, life=5000.0, begin=0.1, battery_chemistry=chemistry))
    facts = result.facts["n1"]
    assert facts["eol_p10"] is facts["eol_p50"] is facts["eol_p90"] is None
    assert facts["eol_not_before"] > START + days * DAY - DAY
    assert facts["eol_method"] == "voltage still flat"
    assert not [f for f in result.findings if f.severity != "info"]
    assert "no earlier than" in result.verdicts["n1"].reason


def test_the_bound_of_a_flat_voltage_holds_nineteen_times_in_twenty():
    held = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        width, life, when = np.exp(rng.normal(np.log(0.025), 0.3)), rng.uniform(300, 900), rng.uniform(0.3, 0.95)
        curve = lambda x, w=width: knee(x, 3.62, 0.04, 1.5, w)  # noqa: E731
        end = START + end_day(curve, 3.0, life, 0.0) * DAY
        node = make_node(
            curve, days=when * life, life=life, begin=0.0, seed=seed, interval=7200.0, battery_chemistry="Li-SOCl2",
            cutoff_v=3.0, battery_installed=START,
        )  # fmt: skip
        bound = judged(node).facts["n1"]["eol_not_before"]
        if bound is not None:
            held.append(bound <= end)
    assert len(held) > 30
    assert np.mean(held) >= 0.9  # 40 cases cannot tell 0.95 from 0.9; the suite of tests/accuracy holds it to 0.95


def test_a_charge_budget_dates_a_flat_voltage():
    # 2.5 Ah at 60 uA and 2 % a year of self-discharge: about 4.2 years, of which one is gone.
    node = make_node(
        thionyl, days=365, life=1500, begin=0.0, interval=7200.0, battery_chemistry="Li-SOCl2", battery_part="ER14505",
        sleep_current_ua=20.0, charge_per_check_in_mc=288.0, battery_installed=START,
    )  # fmt: skip
    facts = judged(node).facts["n1"]
    assert facts["eol_method"] == "charge budget"
    years = [(facts[f"eol_{p}"] - START) / DAY / 365.25 for p in ("p10", "p50", "p90")]
    assert years[0] < 4.2 < years[2]
    assert years[1] == pytest.approx(4.2, rel=0.25)


def test_a_battery_below_its_cutoff_is_a_failure_since_the_day_it_fell():
    node = make_node(alkaline_pair, days=330, life=330, begin=0.05, battery_chemistry="alkaline", cutoff_v=2.2)
    end = START + end_day(alkaline_pair, 2.2, 330, 0.05) * DAY
    result = judged(node)
    (finding,) = [f for f in result.findings if f.kind == "battery_end"]
    assert finding.severity == "F"
    assert abs(finding.since - end) < 6 * DAY
    assert finding.data["p50"] == result.facts["n1"]["eol_p50"] == finding.since
    assert "below its cut-off of 2.2 V (from the register)" in finding.evidence


def test_readings_that_go_invalid_at_low_voltage_end_a_battery_before_its_cutoff():
    node = make_node(alkaline_pair, days=310, life=330, begin=0.05, battery_chemistry="alkaline", cutoff_v=2.0)
    reading = np.where(node.time > START + 290 * DAY, np.nan, 1.0)
    node.extra["reading"] = reading
    facts = judged(node).facts["n1"]
    assert facts["eol_method"] == "readings gone invalid at low voltage"
    assert abs(facts["battery_ended"] - START - 290 * DAY) < 2 * DAY


def test_check_ins_that_fail_at_low_voltage_end_a_battery_and_at_high_voltage_do_not():
    for days, ended in ((296, True), (150, False)):
        node = make_node(alkaline_pair, days=days, life=330, begin=0.05, battery_chemistry="alkaline", cutoff_v=2.0)
        late = node.time > START + (days - 10) * DAY
        keep = ~late | (np.arange(len(late)) % 8 == 0)
        for name in ("time", "volts", "temperature"):
            setattr(node, name, getattr(node, name)[keep])
        method = judged(node).facts["n1"]["eol_method"]
        assert (method == "check-ins failing at low voltage") == ended


def test_severity_grows_as_the_end_comes_near():
    curve, cutoff = CURVES["alkaline"]
    end = START + end_day(curve, cutoff, 450, 0.15) * DAY
    node = make_node(curve, days=430, life=450, begin=0.15, battery_chemistry="alkaline", cutoff_v=cutoff)
    order = [severities(judged(node, end + d * DAY)) for d in (-250, -40, 12)]
    assert order[0] == set()
    assert "M" in order[1]
    assert "F" in order[2]


@pytest.mark.parametrize(
    ("p10", "p50", "p90", "told"),
    [
        (20.0, 40.0, 80.0, True),  # all of it within the ninety days
        (60.0, 80.0, 100.0, True),  # likely within them
        (14.0, 90.0, 784.0, False),  # an even chance and a range of two years: nobody is sent
        (30.0, 257.0, 520.0, False),  # the early date alone is near
        (2.0, 100.0, 200.0, False),
        (1.0, 20.0, 400.0, True),  # may well end within two weeks
    ],
)
def test_a_battery_is_a_finding_when_it_probably_ends_in_time_not_when_its_early_date_is_near(p10, p50, p90, told):
    base = judged_prediction()
    p = replace(base, forecast=replace(base.forecast, p10=p10, p50=p50, p90=p90))
    found = end_findings(gathered(), p, p.now, BatterySettings())
    assert bool(found) == told
    for f in found:
        assert f.value == pytest.approx(p50), "days from the present"
        assert ("between" in f.evidence) == (p90 - p10 < 92)


def test_the_share_that_ends_in_time_goes_through_the_three_percentiles():
    base = judged_prediction()
    p = replace(base, forecast=replace(base.forecast, p10=30.0, p50=100.0, p90=150.0))
    assert [round(ended_share(p, d), 2) for d in (30.0, 100.0, 150.0)] == [0.1, 0.5, 0.9]
    spent = replace(base, forecast=replace(base.forecast, p10=0.0, p50=11.0, p90=21.0))
    assert ended_share(spent, 90.0) > 0.99, "an early date of today does not make the end less sure"


def test_days_to_an_end_that_has_come_count_to_the_present_and_not_to_the_last_check_in():
    node = make_node(alkaline_pair, days=330, life=330, begin=0.05, battery_chemistry="alkaline", cutoff_v=2.2)
    later = START + 400 * DAY
    (finding,) = [f for f in judged(node, later).findings if f.kind == "battery_end"]
    assert finding.value == pytest.approx((finding.since - later) / DAY, abs=0.01)


def gathered():
    node = make_node(alkaline_pair, days=200, life=330, begin=0.05, battery_chemistry="alkaline", cutoff_v=2.0)
    return gather({node.name: measured(node)}, {node.name: node.entry}, BatterySettings())[node.name]


def judged_prediction():
    battery = gathered()
    settings = BatterySettings()
    return predict(battery, learn_classes({battery.node: battery}, settings)[battery.group], settings)


def severities(result) -> set[str]:
    return {f.severity for f in result.findings if f.kind == "battery_end"}


def test_a_node_that_fell_silent_near_its_end_is_overdue_later():
    curve, cutoff = CURVES["alkaline"]
    end = end_day(curve, cutoff, 450, 0.15)
    node = make_node(curve, days=end - 20, life=450, begin=0.15, battery_chemistry="alkaline", cutoff_v=cutoff)
    result = judged(node, START + (end + 60) * DAY)
    (finding,) = [f for f in result.findings if f.kind == "battery_end"]
    assert finding.severity == "F"
    assert "likely empty by" in finding.evidence


def test_lithium_cells_carry_their_caution_and_alkaline_ones_do_not():
    for chemistry, expected in (("Li-SOCl2", "lithium"), ("alkaline", None)):
        facts, _ = facts_at(chemistry, 10.0)
        assert facts["battery_cautions"] == ((expected,) if expected else ())
    assert "lithium" in judged(make_node()).facts["n1"]["battery_cautions"]


@pytest.mark.parametrize(
    ("entry", "cutoff", "origin"),
    [
        ({"cutoff_v": 2.7}, 2.7, "register"),
        ({"battery_chemistry": "Li-SOCl2"}, 3.0, "chemistry"),
        ({"battery_part": "2xLR6"}, 1.8, "chemistry"),
        ({}, 3.0, "assumption"),
    ],
)
def test_the_cutoff_comes_from_register_chemistry_or_a_stated_assumption(entry, cutoff, origin):
    facts = judged(make_node(**entry)).facts["n1"]
    assert (facts["battery_cutoff_v"], facts["battery_cutoff_origin"]) == (cutoff, origin)


# --- weather ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("chemistry", CURVES)
def test_a_week_at_minus_thirty_moves_nobody_up(chemistry):
    curve, cutoff = CURVES[chemistry]
    before, after = [], []
    for seed in range(4):
        node = make_node(curve, days=240, life=900, begin=0.2, seed=seed, battery_chemistry=chemistry, cutoff_v=cutoff)
        day = (node.time - START) / DAY
        cold = -42.0 * np.clip(np.minimum(day - 230, 237 - day) / 0.8, 0, 1)
        cold_node = replace(
            node, temperature=np.round(node.temperature + cold, 1), volts=np.round(node.volts + 0.003 * cold, 2)
        )
        before.append(judged(cold_node, START + 229 * DAY))
        after.append(judged(cold_node, START + 236 * DAY))
    told = [[f for f in r.findings if f.severity != "info" and f.kind == "battery_end"] for r in (*before, *after)]
    assert told == [[]] * 8


def test_a_node_without_a_thermometer_takes_the_fleets_weather():
    kin = [make_node(name=f"n{i}", seed=0, season=14.0, days=150, life=4000.0, coefficient=0.003) for i in range(2, 6)]
    blind = make_node(name="n1", seed=0, season=14.0, days=150, life=4000.0, coefficient=0.003, thermometer=False)
    alone = judged(blind).series["n1"]["volts"]
    among = judged([blind, *kin]).series["n1"]["volts"]
    assert np.std(among) < 0.5 * np.std(alone)


# --- charged batteries ------------------------------------------------------------------------------------------


def solar_node(falling: float = 0.0, **entry):
    """A panel's daily swing of half a volt; ``falling`` [V a week] for the last five weeks."""
    node = make_node(lambda x: 12.7 + 0 * x, days=150, coefficient=0.0, noise=0.01, **entry)
    day = (node.time - START) / DAY
    sun = np.clip(np.sin(2 * np.pi * (day % 1 - 0.25)), 0, None)
    dull = np.repeat(np.random.default_rng(1).uniform(0.3, 1.0, 151), 24)[: len(day)]
    node.volts = np.round(
        node.volts + 0.5 * sun * dull + 0.15 * (dull - 0.6) - falling * np.clip(day - 115, 0, None) / 7, 2
    )
    return node


@pytest.mark.parametrize("entry", [{"battery_chemistry": "lead-acid solar"}, {}])
def test_a_solar_battery_that_swings_is_not_called_dying(entry):
    result = judged(solar_node(**entry))
    facts = result.facts["n1"]
    assert facts["battery_charged"] is True
    assert "eol_p50" not in facts
    assert [f for f in result.findings if f.severity != "info" or f.kind == "battery_swap"] == []
    assert result.verdicts["n1"].state == "good"


def test_a_solar_battery_that_gets_less_than_it_gives_is_found():
    (finding,) = judged(solar_node(0.25, battery_chemistry="lead-acid solar")).findings
    assert (finding.kind, finding.severity) == ("battery_charge", "M")
    assert finding.low <= finding.value <= finding.high < 0
    assert finding.value == pytest.approx(-0.25, abs=0.1)


# --- contract ---------------------------------------------------------------------------------------------------


def test_too_little_is_not_evaluated_and_says_why():
    silent = make_node(name="n2")
    silent.volts = np.full(len(silent.time), np.nan)
    result = judged([make_node(name="n1", days=2), silent])
    assert result.verdicts["n1"].state == result.verdicts["n2"].state == "not evaluated"
    assert "fewer than 3 days" in result.verdicts["n1"].reason
    assert result.verdicts["n2"].reason == "sends no battery voltage"


@pytest.mark.parametrize("rows", [1, 2, 5])
def test_a_handful_of_check_ins_is_no_trouble(rows):
    node = make_node()
    for name in ("time", "volts", "temperature"):
        setattr(node, name, getattr(node, name)[:rows])
    measures = measured(node, START + DAY)
    assert measures.voltages == rows


def test_measures_pickle_and_are_small_and_the_history_is_left_alone():
    node = make_node(days=420, interval=900.0)
    before = node.volts.copy()
    measures = measured(node)
    assert len(pickle.dumps(measures)) < 60_000
    assert np.array_equal(before, node.volts)


def test_the_same_input_gives_the_same_answer_and_another_order_of_nodes_too():
    nodes = [make_node(alkaline_pair, name=f"n{i}", seed=i, begin=0.1 * i) for i in range(4)]
    one, two = judged(nodes), judged(nodes[::-1])
    assert one.facts == two.facts
    assert one.findings == two.findings
    assert one.verdicts == two.verdicts


def test_a_year_later_everything_is_a_year_later():
    node = make_node(alkaline_pair, life=380, begin=0.1, battery_chemistry="alkaline", cutoff_v=2.2)
    shift = 1461 * DAY  # four years to the day: the season is the same
    one, two = judged(node), judged(moved(node, shift))
    for key in ("eol_p10", "eol_p50", "eol_p90", "eol_not_before"):
        assert two.facts["n1"][key] - shift == pytest.approx(one.facts["n1"][key], abs=0.02 * DAY)


def test_series_hold_what_the_report_draws():
    facts, _ = facts_at("alkaline", 40.0)
    curve, cutoff = CURVES["alkaline"]
    node = make_node(curve, days=300, life=450, begin=0.15, battery_chemistry="alkaline", cutoff_v=cutoff)
    drawn = judged(node).series["n1"]
    assert len(drawn["day"]) == len(drawn["volts"])
    fan = drawn["fan"]
    assert len({len(fan[k]) for k in ("day", "p10", "p50", "p90")}) == 1
    for name, end in zip(("p10", "p50", "p90"), drawn["eol"], strict=True):
        volts = np.interp(end, fan["day"], fan[name])
        assert volts == pytest.approx(cutoff, abs=0.03)
    assert facts["eol_method"] in ("discharge curve", "steepening", "local trend")


def test_findings_carry_dates_and_stable_keys():
    node = make_node(thionyl, life=300.0, begin=0.4, swap_at=170.0)
    (swap,) = [f for f in judged(node).findings if f.kind == "battery_swap"]
    assert isinstance(swap, Finding)
    assert swap.key == "2024-05-03"
    assert swap.severity == "info"
    assert swap.low < swap.value < swap.high


@examples(max_examples=30, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_what_has_ended_stays_ended(values):
    out = never_falling(np.array(values))
    assert (np.diff(out) >= 0).all()
    assert out[-1] == max(values)


def test_completed_lives_of_the_class_teach_the_others():
    rng = np.random.default_rng(2)
    kin = []
    for i in range(8):
        life = 300 * np.exp(rng.normal(0, 0.05))
        kin.append(
            make_node(
                alkaline_pair,
                name=f"k{i}",
                days=420,
                life=life,
                begin=0.0,
                seed=i,
                interval=7200.0,
                swap_at=0.93 * life,
                battery_chemistry="alkaline",
                battery_part="2xLR6",
                cutoff_v=2.2,
                battery_installed=START,
            )
        )
    result = judged(kin)
    (row,) = [c for c in result.fleet["classes"] if c["chemistry"] == "alkaline"]
    assert row["completed_lives"] >= 3
    assert row["curve_learned"]
    truth = end_day(alkaline_pair, 2.2, 300, 0.0)
    assert row["median_life_days"] == pytest.approx(truth, rel=0.15)


def test_an_entry_of_nothing_at_all_still_gives_an_answer():
    node = make_node(alkaline_pair, life=330, begin=0.3)
    node.entry = RegisterEntry(node="n1")
    assert judged(node).facts["n1"]["eol_not_before"] is not None


def test_a_first_month_without_a_register_gives_no_sure_date():
    """Against the end at the cut-off that was assumed: that it is assumed is said beside the date."""
    held, bound = [], []
    for seed in range(7_200, 7_290):
        rng = np.random.default_rng(seed)
        curve = (thionyl, alkaline_pair)[seed % 2]
        life, begin, days = rng.uniform(150, 900), rng.uniform(0.3, 0.9), rng.uniform(10, 30)
        node = make_node(curve, days=days, life=life, begin=begin, seed=seed, noise=0.003, season=10.0)
        node.entry = RegisterEntry(node="n1")
        facts = judged(node).facts["n1"]
        left = end_day(curve, facts["battery_cutoff_v"], life, begin) - days
        if not left > 0 or facts.get("battery_ended"):
            continue
        p10, _, p90, first = ((facts[k] or np.nan) for k in ("eol_p10", "eol_p50", "eol_p90", "eol_not_before"))
        bound.append((first - node.time[-1]) / DAY <= left)
        if np.isfinite(p10):
            held.append(p10 <= node.time[-1] + left * DAY <= p90)
    assert len(bound) > 70
    assert np.mean(bound) >= 0.95
    assert np.mean(held) >= 0.75, f"{sum(held)} of {len(held)}"
