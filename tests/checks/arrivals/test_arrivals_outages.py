"""Silences that nodes share are the gateway's or the host's; what is left is the node's."""

from __future__ import annotations

import numpy as np
import pytest

from lamplighter.fleet import RegisterEntry, WorkEntry
from tests.checks.arrivals.made import DAY, HOUR, START, due_times, fleet, history, judged
from tests.open_data import MOTES, motes

TWO = ("G-A", "G-B")


def test_a_gateway_outage_is_not_its_nodes() -> None:
    nodes = fleet(20, 60, gateways=TWO, downs=((20, 10, "G-A"),))
    result = judged(nodes)
    assert [(o.level, o.subject, o.nodes, o.open) for o in result.outages] == [("gateway", "G-A", 10, False)]
    outage = result.outages[0]
    assert outage.start == pytest.approx(START + 20 * DAY, abs=HOUR / 2)
    assert outage.end == pytest.approx(START + 20 * DAY + 10 * HOUR, abs=HOUR / 2)
    for name, node in nodes.items():
        missed = result.facts[name]["missed_outage"]
        assert missed == pytest.approx(10 if node.entry.gateway == "G-A" else 0, abs=1)
    assert not [f for f in result.findings if f.node]
    kinds = {(f.kind, f.gateway, f.severity) for f in result.findings}
    assert kinds == {("gateway_outage", "G-A", "info")}


def test_a_host_outage_is_told_from_a_gateways() -> None:
    result = judged(fleet(20, 60, gateways=TWO, downs=((20, 6, ""), (40, 5, "G-B"))))
    assert [(o.level, o.subject) for o in result.outages] == [("host", "all nodes"), ("gateway", "G-B")]


def test_without_a_register_the_common_cause_is_still_found() -> None:
    result = judged(fleet(6, 60, downs=((20, 6, ""),)))
    assert [o.level for o in result.outages] == ["host"]


def test_outages_that_touch_are_told_apart() -> None:
    """A gateway falls out, and before it is back the host does for longer."""
    nodes = fleet(24, 60, 1800.0, gateways=TWO, downs=((20, 8, "G-A"), (20.3, 20, "")))
    result = judged(nodes)
    assert sorted(o.level for o in result.outages) == ["gateway", "host"]
    for name in nodes:
        assert result.facts[name]["missed"] <= 45


def test_a_partial_outage_is_the_gateways_too() -> None:
    nodes = fleet(20, 60, gateways=("G-A",), downs=())
    for name in sorted(nodes)[:12]:
        h = nodes[name]
        keep = (h.time < START + 30 * DAY) | (h.time > START + 30.5 * DAY)
        nodes[name] = history(h.time[keep], node=name, as_of=h.as_of, entry=h.entry)
    result = judged(nodes)
    assert [(o.level, o.nodes) for o in result.outages] == [("gateway", 12)]
    assert result.outages[0].share == pytest.approx(0.6, abs=0.05)


def test_a_few_nodes_that_fail_together_are_a_group() -> None:
    nodes = fleet(30, 60, gateways=TWO)
    for name in ("N-003", "N-010", "N-017", "N-024"):
        h = nodes[name]
        keep = (h.time < START + 30 * DAY) | (h.time > START + 32 * DAY)
        nodes[name] = history(h.time[keep], node=name, as_of=h.as_of, entry=h.entry)
    result = judged(nodes)
    assert [(o.level, o.nodes, o.subject) for o in result.outages] == [("group", 4, "N-003, N-010, N-017 and N-024")]


def test_an_outage_that_goes_on_blames_no_node() -> None:
    nodes = fleet(20, 60, gateways=TWO, downs=((59, 24, "G-B"),))
    result = judged(nodes)
    assert [(o.level, o.subject, o.open) for o in result.outages] == [("gateway", "G-B", True)]
    assert [f.severity for f in result.findings if f.kind == "gateway_outage"] == ["F"]
    assert not [f for f in result.findings if f.kind == "silent"]
    assert result.verdicts["N-001"].state == "not evaluated"


def test_independent_losses_make_no_outage() -> None:
    """A third of all check-ins lost at random on 25 nodes for three months."""
    result = judged(fleet(25, 90, loss=0.33, gateways=TWO, seed=9))
    assert result.outages == []


def test_dead_nodes_make_no_outage() -> None:
    nodes = fleet(12, 90, gateways=("G-A",), seed=10)
    for k, name in enumerate(sorted(nodes)[:7]):
        h = nodes[name]
        nodes[name] = history(h.time[h.time < START + (20 + 9 * k) * DAY], node=name, as_of=h.as_of, entry=h.entry)
    result = judged(nodes)
    assert result.outages == []
    assert len([f for f in result.findings if f.kind == "silent"]) == 7


def test_gaps_are_listed_with_their_cause() -> None:
    nodes = fleet(12, 40, gateways=("G-A", "G-B"), loss=0.0, downs=((10, 12, "G-A"),))
    h = nodes["N-001"]
    keep = (h.time < START + 20 * DAY) | (h.time > START + 22 * DAY)
    nodes["N-001"] = history(h.time[keep], node="N-001", as_of=h.as_of, entry=h.entry)
    rows = judged(nodes).gaps
    assert {(g.cause, g.kind) for g in rows if g.node == "N-000"} == {("gateway", "outage")}
    assert [(g.cause, g.kind, g.missed) for g in rows if g.node == "N-001"] == [("node", "silence", 48)]


def test_lab_motes_fell_silent_together_twice() -> None:
    """Both network-wide outages of 2004, without a register: 10 to 11 March, and 15 to 16 March."""
    nodes, as_of = {}, 0.0
    for number in MOTES:
        time = np.unique(motes(number)["time"].to_numpy(dtype=float))
        as_of = max(as_of, time[-1])
        nodes[f"mote-{number}"] = time
    result = judged({n: history(t, node=n, as_of=as_of) for n, t in nodes.items()})
    assert [o.level for o in result.outages] == ["host", "host"]
    first, second = result.outages
    assert first.end - first.start == pytest.approx(24.5 * HOUR, abs=0.3 * HOUR)
    assert first.end == pytest.approx(1_078_997_700, abs=HOUR / 4)  # back on 11 March about 09:35 UTC
    assert 18.5 * HOUR < second.end - second.start < 21.5 * HOUR
    assert all(o.nodes == 5 for o in result.outages)
    for name in nodes:
        assert 4900 < result.facts[name]["missed_outage"] < 5600


def test_a_removed_node_is_neither_silent_nor_an_outage() -> None:
    time = due_times(30, HOUR)
    away = WorkEntry(node="N-1", time=float(time[-1]) + 600, action="removed")
    nodes = {"N-1": history(time, as_of=START + 60 * DAY, worklog=(away,), entry=RegisterEntry(node="N-1"))}
    nodes["N-2"] = history(due_times(60, HOUR), node="N-2")
    result = judged(nodes)
    assert not [f for f in result.findings if f.node == "N-1"]
    assert result.verdicts["N-1"].state == "not evaluated"
    assert result.facts["N-1"]["missed"] == 0


def test_a_node_without_a_gateway_is_put_where_it_falls_silent() -> None:
    nodes = fleet(20, 60, gateways=TWO, downs=((20, 10, "G-A"), (30, 8, "G-B"), (40, 9, "G-A"), (50, 7, "G-B")))
    for name in ("N-000", "N-001"):
        nodes[name] = history(nodes[name].time, node=name, as_of=nodes[name].as_of)
    facts = judged(nodes).facts
    assert (facts["N-000"]["gateway_inferred"], facts["N-001"]["gateway_inferred"]) == ("G-A", "G-B")
    assert facts["N-000"]["missed_outage"] == pytest.approx(19, abs=2)
    assert facts["N-001"]["missed_outage"] == pytest.approx(15, abs=2)
    assert facts["N-002"]["gateway_inferred"] == ""


def test_two_nodes_under_one_name_are_not_judged() -> None:
    one, two = due_times(60, HOUR, 0.3, 2e-5), due_times(60, HOUR, 0.62, -3e-5)
    both = np.sort(np.concatenate([one, two[two > START + 20 * DAY]]))
    result = judged({"N-1": history(both, entry=RegisterEntry(node="N-1", interval_s=HOUR))})
    assert result.facts["N-1"]["interleaved_share"] > 0.9
    assert result.verdicts["N-1"].state == "not evaluated"
    assert result.findings == []
    single = judged({"N-1": history(one, entry=RegisterEntry(node="N-1", interval_s=HOUR))})
    assert single.facts["N-1"]["interleaved_share"] == 0
