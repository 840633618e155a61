"""Rows, items, status and rank of a whole fleet."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kendalltau

from lamplighter.checkins import DAY_S
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.results import Verdict
from lamplighter.triage import judge_fleet
from lamplighter.triage.cautions import all_cautions
from tests.triage.build import NOW, Fleet, battery, cold, ending, finding, outage, settings

NOT = Verdict(state="not evaluated", reason="Too little data.")


def test_a_fleet_without_findings_is_good_and_asks_for_nothing() -> None:
    rows, items = Fleet().judged()
    assert items == []
    assert {(r.status, r.reason, r.action, r.due) for r in rows} == {("good", "Nothing found.", "", None)}
    assert [r.rank for r in rows] == list(range(1, 13))
    assert [r.node for r in rows] == sorted(r.node for r in rows), "ties go by name"


def test_facts_become_the_columns_of_their_name_and_the_register_fills_the_rest() -> None:
    row = Fleet(facts={"N03": {"delivery": 0.97, "fade_margin_db": 17.0, "private": 1}}).rows()["N03"]
    assert (row.delivery, row.fade_margin_db) == (0.97, 17.0)
    assert (row.name, row.site, row.gateway, row.interval_s, row.criticality) == ("Point 03", "North", "G1", 900.0, 3.0)


@pytest.mark.parametrize(
    ("severities", "status"),
    [
        (("M",), "M"),
        (("M", "S"), "S"),
        (("S", "C"), "C"),
        (("C", "F", "M"), "F"),
        (("info",), "good"),
        (("info", "M"), "M"),
    ],
)
def test_the_status_is_the_worst_signal_among_the_findings(severities: tuple[str, ...], status: str) -> None:
    kinds = ("zero_drift", "stuck", "rssi_trend")
    fleet = Fleet(findings=[finding("N00", "zero", k, s) for k, s in zip(kinds, severities, strict=False)])
    assert fleet.rows()["N00"].status == status


def test_the_reason_is_the_evidence_of_the_worst_findings_in_plain_words() -> None:
    fleet = Fleet(
        findings=[
            finding("N00", "radio", "rssi_trend", "M", evidence="The signal falls by 9 dB a year."),
            finding("N00", "arrivals", "silent", "F", evidence="No check-in since 1 Mar 2026"),
            finding("N00", "zero", "zero_drift", "M", evidence="The zero drifts."),
        ]
    )
    assert fleet.rows()["N00"].reason == (
        "No check-in since 1 Mar 2026. The signal falls by 9 dB a year. And 1 further finding."
    )


def test_a_node_that_nobody_can_judge_is_listed_apart_and_says_why() -> None:
    checks = ("arrivals", "radio", "zero", "stuck", "data", "battery")
    fleet = Fleet(verdicts={("N00", c): NOT for c in checks} | {("N01", "zero"): NOT})
    rows, _ = fleet.judged()
    assert (rows[-1].node, rows[-1].rank, rows[-1].status, rows[-1].risk) == ("N00", None, "", None)
    assert rows[-1].reason == "Cannot be judged: too little data."
    partly = next(r for r in rows if r.node == "N01")
    assert (partly.status, partly.reason) == ("good", "Nothing found. Not evaluated: zero.")


def test_a_gateway_that_is_silent_is_one_item_and_its_nodes_have_none() -> None:
    fleet = Fleet(findings=[outage("G1"), *(finding(f"N{i:02}", "arrivals", "silent", "F") for i in range(6))])
    rows, items = fleet.judged()
    (item,) = items
    assert (item.id, item.subject_kind, item.subject, item.status, item.site) == (
        "gateway:G1",
        "gateway",
        "G1",
        "F",
        "North",
    )
    assert item.cause == "gateway or backhaul"
    assert len(item.findings) == 7
    dark = [r for r in rows if r.gateway == "G1"]
    assert all(r.status == "" and "silent together with its gateway G1 since 28 Feb 2026" in r.reason for r in dark)
    assert item.risk == pytest.approx(6 * 28 * 12.0), "it carries the cost of all its nodes"
    assert sum(item.risk_parts.values()) == pytest.approx(item.risk)


def test_a_silent_host_is_one_item_for_the_whole_fleet_that_needs_no_trip() -> None:
    (item,) = Fleet(findings=[outage()]).judged()[1]
    assert (item.id, item.cause, item.minutes) == ("host:host", "host or export", 0)


def test_a_node_with_its_own_trouble_behind_a_silent_gateway_keeps_it() -> None:
    fleet = ending("N02", 5, 20, 60)
    fleet.findings.append(outage("G1"))
    assert fleet.rows()["N02"].status == "M"
    assert set(fleet.items()) == {"gateway:G1", "node:N02"}


def test_outages_that_come_and_go_are_the_gateway_s_and_darken_nobody() -> None:
    often = replace(outage("G1", severity="M"), kind="gateway_outages")
    fleet = Fleet(findings=[often], facts={f"N{i:02}": {"expected": 900, "missed_outage": 100} for i in range(6)})
    rows, items = fleet.judged()
    assert [i.id for i in items] == ["gateway:G1"]
    assert items[0].risk == pytest.approx(6 * 28 * 12.0 * 0.1)
    assert {r.status for r in rows} == {"good"}


def test_a_silent_gateway_is_not_hidden_by_a_register_that_fits_badly() -> None:
    unfit = replace(outage(severity="M"), check="data", kind="not_registered", data={"nodes": ["N00", "N01", "N07"]})
    fleet = Fleet(findings=[outage("G1"), unfit])
    rows, items = fleet.judged()
    names = {i.id: (i.name, i.cause, i.minutes) for i in items}
    assert names["host:host"] == ("Register", "not in the register", 0)
    assert names["gateway:G1"][1] == "gateway or backhaul"
    assert {r.status for r in rows if r.gateway == "G1"} == {""}
    assert {r.status for r in rows if r.gateway == "G2"} == {"good"}


def test_nodes_that_fall_silent_together_without_a_gateway_of_their_own_are_one_group() -> None:
    group = replace(outage(), kind="group_outage", data={"nodes": ["N04", "N05", "N06"]})
    rows, items = Fleet(findings=[group]).judged()
    assert [(i.id, i.name) for i in items] == [("gateway:group of N04", "group of N04")]
    assert {r.node for r in rows if r.status == ""} == {"N04", "N05", "N06"}


def test_a_signal_drop_on_most_nodes_of_a_gateway_at_once_is_the_gateway_s() -> None:
    at = NOW - 30 * DAY_S
    drops = [finding(f"N{i:02}", "radio", "rssi_step", "M", since=at + i * 3600, value=-9.0) for i in range(5)]
    items = Fleet(findings=drops).items()
    assert list(items) == ["gateway:G1"]
    assert items["gateway:G1"].due == NOW + 28 * DAY_S, "a drop that darkens nobody is no emergency"
    assert items["gateway:G1"].reason == "5 nodes show the same since 31 Jan 2026: the signal dropped at once."


def test_the_same_drops_at_different_times_are_each_node_s_own() -> None:
    drops = [
        finding(f"N{i:02}", "radio", "rssi_step", "M", since=NOW - (10 + 20 * i) * DAY_S, value=-9.0) for i in range(5)
    ]
    assert set(Fleet(findings=drops).items()) == {f"node:N{i:02}" for i in range(5)}


def test_records_frozen_on_every_gateway_are_the_host_s() -> None:
    at = NOW - 2 * DAY_S
    frozen = [finding(f"N{i:02}", "stuck", "record_frozen", "C", since=at) for i in range(12)]
    (item,) = Fleet(findings=frozen).judged()[1]
    assert (item.id, item.cause) == ("host:host", "host or export")


def test_a_node_taken_out_by_the_work_log_needs_nobody() -> None:
    gone = WorkEntry(node="N00", time=NOW - 20 * DAY_S, action="removed")
    fleet = Fleet(
        findings=[finding("N00", "battery", "battery_end", "F")],
        facts={"N00": {"last_seen": NOW - 21 * DAY_S}},
        worklog={"N00": (gone,)},
    )
    row = fleet.rows()["N00"]
    assert (row.status, row.rank, row.reason) == ("", None, "Cannot be judged: taken out, says the work log.")
    assert fleet.items() == {}


def test_two_troubles_of_one_node_are_one_item_with_both_jobs() -> None:
    fleet = Fleet(
        findings=[finding("N00", "battery", "battery_end", "M"), finding("N00", "zero", "zero_drift", "S")],
        facts={"N00": battery(5, 20, 60)},
    )
    item = fleet.items()["node:N00"]
    assert set(item.jobs) == {"battery nearly empty", "zero shifted"}
    assert item.minutes == 25 + 30
    assert "Replace the battery" in item.action
    assert "re-zero" in item.action
    assert item.part == "BP-1"


def test_a_finding_of_a_kind_nobody_knows_gets_no_invented_cause() -> None:
    item = Fleet(findings=[finding("N00", "data", "quite_new", "M")]).items()["node:N00"]
    assert (item.cause, item.jobs) == ("cause not clear", ("cause not clear",))


def test_nobody_is_sent_for_a_guess() -> None:
    fleet = Fleet(findings=[finding("N00", "arrivals", "low_delivery", "M")])
    sure = fleet.items()["node:N00"]
    fleet.settings = settings(least_sure_probability=0.99)
    unsure = fleet.items()["node:N00"]
    assert sure.jobs == (sure.cause,)
    assert (unsure.cause, unsure.causes[0]) == (sure.cause, sure.causes[0])
    assert unsure.jobs == ("cause not clear",)
    assert unsure.action == "Look into it: the evidence points to no single cause"


def test_every_item_says_what_to_do_by_when_and_what_to_mind() -> None:
    kinds = {
        "silent": "arrivals",
        "rssi_trend": "radio",
        "zero_step": "zero",
        "stuck": "stuck",
        "battery_end": "battery",
    }
    fleet = Fleet(findings=[finding(f"N{i:02}", check, kind, "M") for i, (kind, check) in enumerate(kinds.items())])
    for item in fleet.items().values():
        assert item.action
        assert item.reason
        assert item.due is not None
        assert item.not_before <= item.due
        assert item.cautions[0] == all_cautions()["site"]
        assert 0 < item.cause_probability <= 1


@pytest.mark.parametrize(
    ("severity", "criticality", "days"),
    [("F", 5.0, 2), ("F", 1.0, 28), ("M", 3.0, 28), ("S", 5.0, 14), ("M", None, 28)],
)
def test_without_a_forecast_the_signal_and_the_criticality_say_when(
    severity: str, criticality: float | None, days: float
) -> None:
    fleet = Fleet(findings=[finding("N00", "stuck", "stuck", severity)])
    fleet.nodes["N00"] = replace(fleet.nodes["N00"], criticality=criticality)
    assert fleet.items()["node:N00"].due == NOW + days * DAY_S


def test_a_battery_is_due_when_one_in_ten_would_be_empty_and_not_while_much_is_left() -> None:
    fleet = Fleet(
        findings=[finding("N00", "battery", "battery_end", "M")], facts={"N00": battery(100, 150, 300, life=400)}
    )
    item = fleet.items()["node:N00"]
    assert item.due == NOW + 100 * DAY_S
    assert item.not_before == NOW + (150 - 0.25 * 400) * DAY_S


def test_a_battery_is_due_by_the_first_of_its_early_date_and_its_shortfall_in_the_cold() -> None:
    for middle, due in ((60, 60), (140, 100), (2, 7)):
        facts = battery(100, 150, 300, life=400) | cold(1, middle, 145)
        fleet = Fleet(findings=[finding("N00", "battery", "battery_end", "M")], facts={"N00": facts})
        assert fleet.items()["node:N00"].due == NOW + due * DAY_S


@pytest.mark.parametrize(("p10", "due"), [(-30, 7), (0, 7), (3, 7), (12, 12)])
def test_a_battery_that_may_be_empty_is_due_no_sooner_than_a_node_that_is_lost(p10: float, due: float) -> None:
    assert ending("N00", p10, p10 + 20, p10 + 50).items()["node:N00"].due == NOW + due * DAY_S
    lost = Fleet(findings=[finding("N00", "arrivals", "silent", "F")]).items()["node:N00"]
    assert lost.due == NOW + 7 * DAY_S


def test_a_limit_passed_already_is_due_like_any_other_trouble_of_its_signal() -> None:
    fleet = Fleet(findings=[finding("N00", "radio", "rssi_trend", "M")], facts={"N00": {"margin_due": NOW - DAY_S}})
    assert fleet.items()["node:N00"].due == NOW + 28 * DAY_S
    fleet.facts["N00"] = {"margin_due": NOW + 200 * DAY_S}
    assert fleet.items()["node:N00"].due == NOW + 200 * DAY_S


def test_cautions_about_the_battery_follow_its_chemistry() -> None:
    def cautions(chemistry: tuple[str, ...] | None) -> set[str]:
        facts = battery(5, 20, 60) | ({} if chemistry is None else {"battery_cautions": chemistry})
        fleet = Fleet(findings=[finding("N00", "battery", "battery_end", "M")], facts={"N00": facts})
        return {text.split(":")[0] for text in fleet.items()["node:N00"].cautions}

    assert "Lithium cells" in cautions(None)
    assert {"Lithium cells", "Carrying lithium cells"} <= cautions(("lithium",))
    assert "Lithium cells" not in cautions(())
    assert "Lead-acid batteries" in cautions(("lead-acid",))


def test_more_critical_nodes_with_the_same_trouble_rank_higher() -> None:
    fleet = Fleet(findings=[finding(f"N{i:02}", "arrivals", "silent", "F") for i in range(5)])
    for i in range(5):
        fleet.nodes[f"N{i:02}"] = replace(fleet.nodes[f"N{i:02}"], criticality=float(i + 1), gateway=f"G{i}")
    rows, items = fleet.judged()
    assert [r.node for r in rows[:5]] == ["N04", "N03", "N02", "N01", "N00"]
    assert [i.subject for i in items] == ["N04", "N03", "N02", "N01", "N00"]
    assert [i.rank for i in items] == [1, 2, 3, 4, 5]


def test_nodes_that_need_somebody_come_first_in_the_order_of_the_items() -> None:
    fleet = mixed_fleet()
    calm = sorted(fleet.nodes, key=lambda n: fleet.rows()[n].risk or 0.0)[:3]
    fleet.findings += [finding(n, "data", "interval_differs", "M") for n in calm]
    fleet.findings.append(outage("G2"))
    rows, items = fleet.judged()
    of_nodes = [i.subject for i in items if i.subject_kind == "node"]
    assert len(of_nodes) >= 2
    assert [r.node for r in rows[: len(of_nodes)]] == of_nodes
    rest = [r.risk for r in rows[len(of_nodes) :] if r.rank]
    assert rest == sorted(rest, reverse=True)
    assert max(rest) > rows[0].risk, "though others carry more risk"
    assert [r.rank for r in rows if r.rank] == list(range(1, len(of_nodes) + len(rest) + 1))


def test_a_cause_is_no_surer_than_the_forecast_it_rests_on() -> None:
    def sure(p: float) -> float:
        found = finding("N00", "battery", "battery_end", "M", probability=p)
        row = Fleet(findings=[found], facts={"N00": battery(20, 80, 150)}).rows()["N00"]
        return row.cause_probability or 0.0

    assert sure(0.5) <= 0.5
    assert 0.5 < sure(0.7) <= 0.7
    assert 0.7 < sure(0.99) < sure(1.0)


def mixed_fleet(seed: int = 0, noise: float = 0.0) -> Fleet:
    """Forty nodes with facts of every kind, jittered by a share of their usual spread."""
    rng, jitter = np.random.default_rng(3), np.random.default_rng(seed)
    fleet = Fleet(settings=settings())
    fleet.nodes = {
        f"N{i:02}": RegisterEntry(
            node=f"N{i:02}",
            site="S",
            gateway=f"G{i % 5}",
            criticality=float(rng.integers(1, 6)),
            zero_tolerance_pct_span=1.0,
        )
        for i in range(40)
    }
    for node in fleet.nodes:
        p50 = rng.uniform(5, 400)
        facts = battery(p50 * 0.6, p50, p50 * 1.7) | {
            "fade_margin_db": rng.uniform(5, 30), "rssi_slope_db_per_year": rng.normal(-2, 6), "rssi_slope_low": -9.0,
            "rssi_slope_high": 5.0, "recent_delivery": rng.uniform(0.7, 1.0), "zero_error_pct_span": rng.normal(0, 0.7),
        }  # fmt: skip
        facts["recent_delivery"] = float(np.clip(facts["recent_delivery"] + noise * jitter.normal(0, 0.05), 0, 1))
        facts["fade_margin_db"] += noise * jitter.normal(0, 5)
        facts["zero_error_pct_span"] += noise * jitter.normal(0, 0.5)
        for name in ("eol_p10", "eol_p50", "eol_p90"):
            facts[name] += noise * jitter.normal(0, 20) * DAY_S
        fleet.facts[node] = facts
    return fleet


def test_small_changes_in_the_data_do_not_reshuffle_the_list() -> None:
    """Facts moved by a twentieth of their spread: the order stays, up to near neighbours."""
    before = {r.node: r.rank for r in mixed_fleet().judged()[0]}
    for seed in range(10):
        after = {r.node: r.rank for r in mixed_fleet(seed, noise=0.05).judged()[0]}
        tau = kendalltau([before[n] for n in before], [after[n] for n in before]).statistic
        assert tau > 0.95
        top = sorted(before, key=before.get)[:10]
        assert sum(after[n] <= 12 for n in top) >= 9


def test_the_same_data_in_another_order_give_the_same_answer() -> None:
    fleet = Fleet(
        findings=[
            outage("G2"),
            *(finding(f"N{i:02}", "arrivals", "silent", "F", probability=0.9) for i in range(12)),
            *(finding(f"N{i:02}", "zero", "zero_drift", "S") for i in range(0, 12, 2)),
        ],
        facts={f"N{i:02}": battery(5 + i, 20 + i, 60 + i) for i in range(12)},
    )
    expected = fleet.judged()
    shuffled = list(fleet.findings)
    for seed in range(5):
        random.Random(seed).shuffle(shuffled)
        again = replace(fleet, findings=list(shuffled), nodes=dict(reversed(fleet.nodes.items())))
        assert again.judged() == expected


def test_results_are_left_as_they_were() -> None:
    fleet = Fleet(findings=[finding("N00", "stuck", "stuck", "F")], facts={"N00": battery(5, 20, 60)})
    results, before = fleet.results(), fleet.results()
    judge_fleet(results, fleet.context())
    assert results == before


def test_parts_of_every_row_and_item_add_up_to_its_risk() -> None:
    fleet = mixed_fleet(1, 1.0)
    fleet.findings += [finding(f"N{i:02}", "stuck", "stuck", "F") for i in range(0, 40, 3)]
    rows, items = fleet.judged()
    assert len(items) == 14
    for ranked in (*rows, *items):
        assert round(sum(ranked.risk_parts.values()), 2) == ranked.risk
