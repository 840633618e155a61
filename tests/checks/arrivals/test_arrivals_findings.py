"""Silence, low and falling delivery, and what losses go with."""

from __future__ import annotations

import numpy as np
import pytest

from lamplighter.checks.arrivals.delivery import clinging, delivery, fall
from lamplighter.settings import Settings, load_settings
from lamplighter.stats.changes import Change, Explanation, Slope
from tests.checks.arrivals.made import DAY, HOUR, START, due_times, fleet, history, judged


def kinds(result: object, node: str) -> list[str]:
    return [f.kind for f in result.findings if f.node == node]


@pytest.mark.parametrize(("late", "told"), [(1.0, False), (3.0, False), (3.3, True), (10.0, True)])
def test_silence_is_called_after_three_missed(late: float, told: bool) -> None:
    time = due_times(59, HOUR)
    now = float(time[-1]) + late * HOUR
    others = fleet(6, 60, loss=0.0).items()
    nodes = {n: history(h.time[h.time <= now], node=n, as_of=now) for n, h in others}
    nodes["N-000"] = history(time, node="N-000", as_of=now)
    assert ("silent" in kinds(judged(nodes), "N-000")) is told


def test_a_node_with_long_gaps_of_its_own_is_given_longer() -> None:
    """A hundred gaps of ten hours: ten hours of silence are nothing new for it."""
    time = due_times(200, HOUR)
    rng = np.random.default_rng(1)
    keep = np.ones(len(time), bool)
    for k in rng.choice(np.arange(50, len(time) - 50, 40), 100, replace=False):
        keep[k : k + 9] = False
    last = float(time[-1])
    early, late = last + 8 * HOUR, last + 14 * HOUR
    assert "silent" not in kinds(judged({"N-1": history(time[keep], as_of=early)}), "N-1")
    found = judged({"N-1": history(time[keep], as_of=late)})
    assert kinds(found, "N-1") == ["silent"]
    silent = found.findings[0]
    assert (silent.severity, silent.since, silent.id) == ("F", last, "arrivals:silent:N-1")
    assert "13 check-ins missed" in silent.evidence


def test_low_delivery_needs_evidence() -> None:
    rng = np.random.default_rng(2)
    time = due_times(60, HOUR)
    poor, good = time[rng.random(len(time)) > 0.3], time[rng.random(len(time)) > 0.05]
    result = judged({"N-1": history(poor), "N-2": history(good, node="N-2")})
    assert kinds(result, "N-1") == ["low_delivery"]
    assert kinds(result, "N-2") == []
    facts = result.facts["N-1"]
    assert facts["delivery_low"] < facts["delivery"] < facts["delivery_high"]
    assert facts["delivery"] == pytest.approx(facts["received"] / facts["expected"], abs=1e-6)
    assert facts["loss_rate"] == pytest.approx(0.3, abs=0.03)


def test_losses_in_spells_make_the_interval_wider() -> None:
    rng = np.random.default_rng(3)
    time = due_times(200, HOUR)
    single = rng.random(len(time)) >= 0.06
    spells = np.ones(len(time), bool)
    for k in rng.choice(len(time) - 60, 6, replace=False):
        spells[k : k + 48] = False
    width = {}
    for name, keep in (("N-1", single), ("N-2", spells)):
        facts = judged({name: history(time[keep], node=name)}).facts[name]
        width[name] = facts["delivery_high"] - facts["delivery_low"]
    assert width["N-2"] > 2 * width["N-1"]


@pytest.mark.parametrize(("burst", "loss"), [(1, 0.05), (10, 0.15), (40, 0.05), (100, 0.05), (100, 0.15)])
def test_recent_delivery_holds_the_truth_as_often_as_it_says(burst: int, loss: float) -> None:
    """Losses in spells of geometric length that begin at random: delivery is exp(-loss) in the long run."""
    hits, runs, n = 0, 150, 365 * 96
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        begun = rng.poisson(n * loss / burst)
        change = np.zeros(n + 1, np.int64)
        start = rng.integers(0, n, begun)
        np.add.at(change, start, 1)
        np.add.at(change, np.minimum(start + rng.geometric(1 / burst, begun), n), -1)
        missed = (np.cumsum(change[:-1]) > 0).reshape(365, 96).sum(1)
        expected = np.full(365, 96)
        got = delivery(expected[-28:], missed[-28:], 0.95, clinging(expected, missed))
        hits += got.low <= np.exp(-loss) <= got.high
    assert hits / runs >= 0.90  # 0.95 less three standard errors


def test_recent_delivery_is_given_the_width_of_the_whole_record() -> None:
    """Two days lost now and then all year: a clean last month is no proof of a clean link."""
    time = due_times(280, HOUR)
    day = (time - START) / DAY
    keep = ~((day % 24 < 2) & (day < 250))
    facts = judged({"N-1": history(time[keep])}).facts["N-1"]
    clean = judged({"N-1": history(time)}).facts["N-1"]
    assert facts["recent_delivery"] == clean["recent_delivery"] == 1
    assert 1 - facts["recent_delivery_low"] > 5 * (1 - clean["recent_delivery_low"])


def test_an_old_breakdown_does_not_hide_a_poor_link() -> None:
    """Two dark months last year say nothing of how sure 75 % of the last month is."""
    rng = np.random.default_rng(6)
    time = due_times(365, HOUR)
    day = (time - START) / DAY
    keep = rng.random(len(time)) >= 0.25
    found = judged({"N-1": history(time[keep & ~((day > 100) & (day < 160))])})
    assert "low_delivery" in kinds(found, "N-1")


@pytest.mark.parametrize(("slope", "likely"), [(0.4, True), (-0.4, False)])
def test_delivery_that_recovers_now_is_not_falling(slope: float, likely: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bend for the worse and then one for the better: the slope at the end counts with its sign."""
    n = 300
    time = np.arange(n) / 365.25
    changes = [Change("bend", time[100], time[90], time[110], 0.8, 0.6, 1.0, 1e-9, 0.99, 0.99, 20.0)]
    if slope < 0:
        changes.append(Change("bend", time[250], time[240], time[260], -1.2, -1.4, -1.0, 1e-9, 0.99, 0.99, 20.0))
    level = np.interp(np.arange(n), [0, 100, 250, n], [0.1, 0.1, 0.6, 0.6 + 50 / 365.25 * slope])
    end = Slope(slope, slope - 0.1, slope + 0.1, 1e-6)
    answer = Explanation(tuple(changes), level, np.zeros(n), end, 0.01, 0.05, 0.0)
    monkeypatch.setattr("lamplighter.checks.arrivals.delivery.explain", lambda *_: answer)
    found = fall(np.arange(n), np.full(n, 24), np.where(np.arange(n) < 100, 0, 8), Settings().arrivals)
    assert found is not None
    assert (found.p < 1e-5) is likely
    assert likely or found.p > 0.99


@pytest.mark.parametrize("sudden", [True, False])
def test_falling_delivery_is_found_and_dated(sudden: bool) -> None:
    rng = np.random.default_rng(4)
    nodes = fleet(10, 300, loss=0.02, seed=5)
    time = due_times(300, HOUR)
    day = (time - START) / DAY
    loss = np.where(day > 200, 0.2, 0.02) if sudden else 0.02 + 0.3 * np.clip((day - 120) / 180, 0, 1)
    nodes["N-000"] = history(time[rng.random(len(time)) >= loss], node="N-000", as_of=START + 300 * DAY)
    result = judged(nodes)
    found = [f for f in result.findings if f.kind == "delivery_falling"]
    assert [f.node for f in found] == ["N-000"]
    began = (found[0].since - START) / DAY
    assert began == pytest.approx(200, abs=3) if sudden else 60 < began < 180
    assert found[0].value == pytest.approx(0.18 if sudden else 0.3, abs=0.06)
    assert found[0].data["sudden"] is sudden


def test_steady_losses_do_not_fall() -> None:
    """40 nodes of steady delivery over ten months, from good to poor."""
    nodes = {}
    for k, loss in enumerate(np.linspace(0.0, 0.08, 40)):
        nodes |= {f"N-{k:03d}": fleet(1, 300, loss=float(loss), seed=100 + k)["N-000"]}
    result = judged({n: history(h.time, node=n, as_of=h.as_of) for n, h in nodes.items()})
    assert [f.id for f in result.findings if f.check == "arrivals"] == []


def test_a_fall_that_a_gateway_shares_is_told_once() -> None:
    rng = np.random.default_rng(6)
    nodes = fleet(16, 250, loss=0.02, gateways=("G-A", "G-B"), seed=7)
    for name, h in list(nodes.items()):
        if h.entry.gateway == "G-A":
            keep = (h.time < START + 180 * DAY) | (rng.random(len(h.time)) > 0.25)
            nodes[name] = history(h.time[keep], node=name, as_of=h.as_of, entry=h.entry)
    result = judged(nodes)
    assert [f.gateway for f in result.findings if f.kind == "gateway_delivery"] == ["G-A"]
    assert not [f for f in result.findings if f.kind == "delivery_falling"]


def test_losses_that_go_with_a_weak_signal_are_told_so() -> None:
    rng = np.random.default_rng(8)
    time = due_times(200, HOUR)
    rssi = -85 + 6 * np.sin(2 * np.pi * np.arange(len(time)) / (24 * 9)) + rng.normal(0, 1, len(time))
    lost = rng.random(len(time)) < np.where(rssi < -88, 0.3, 0.01)
    after_weak = np.concatenate([[True], ~lost[:-1]])
    facts = judged({"N-1": history(time[after_weak], rssi=rssi[after_weak])}).facts["N-1"]
    assert facts["loss_weak_signal"] > 5 * facts["loss_strong_signal"]
    assert facts["loss_signal_p"] < 1e-6
    assert facts["loss_battery_p"] is None


def test_losses_at_shift_hours_are_told_in_local_time() -> None:
    rng = np.random.default_rng(9)
    time = due_times(200, 900.0)
    local = ((time - 7 * HOUR) % DAY) // HOUR
    keep = rng.random(len(time)) >= np.where((local >= 6) & (local < 9), 0.3, 0.02)
    facts = judged({"N-1": history(time[keep])}, load_settings({"timezone": "Etc/GMT+7"})).facts["N-1"]
    assert facts["loss_peak_hour"] == 6
    assert facts["loss_peak_ratio"] > 8
    assert facts["loss_peak_p"] < 1e-9


def test_results_do_not_depend_on_the_order_of_nodes() -> None:
    nodes = fleet(14, 60, gateways=("G-A", "G-B"), downs=((20, 10, "G-A"),))
    assert judged(nodes) == judged(dict(reversed(nodes.items())))


def test_series_add_up_to_the_facts() -> None:
    result = judged(fleet(8, 40, gateways=("G-A",), downs=((20, 10, "G-A"),)))
    for name, series in result.series.items():
        facts = result.facts[name]
        assert sum(series["received"]) == facts["received"]
        assert sum(series["outage"]) == facts["missed_outage"]
        assert sum(series["expected"]) == facts["expected"] + facts["missed_outage"]
