"""The forecasts made again on a history whose ends are known, and the command that shows it."""

from __future__ import annotations

import csv
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from lamplighter.backtest import BacktestResult, Stand, backtest, backtest_text, write_backtest
from lamplighter.backtest.run import stand_before
from lamplighter.backtest.summary import STAND_COLUMNS, result_of, summarise
from lamplighter.checkins import COLUMNS, CheckIns
from lamplighter.cli import app
from lamplighter.fleet import Fleet, WorkEntry
from tests.checks.battery.batteries import DAY, START, Node, alkaline_pair, end_day, make_node

LIFE, CUTOFF = 260.0, 2.2


def fleet_of(nodes: list[Node]) -> tuple[CheckIns, Fleet]:
    """Return nodes as a check-in table and a fleet."""
    parts = []
    for n in nodes:
        part = pd.DataFrame({c: np.nan for c in COLUMNS if c not in ("node", "time")}, index=range(len(n.time)))
        part.insert(0, "node", n.name)
        part.insert(1, "time", pd.to_datetime(n.time, unit="s", utc=True).astype("datetime64[us, UTC]"))
        parts.append(part.assign(battery_v=n.volts, temperature_c=n.temperature, reading=1.0, quality=np.int8(0)))
    table = pd.concat(parts, ignore_index=True)
    table["node"] = pd.Categorical(table["node"])
    log = {n.name: n.worklog for n in nodes if n.worklog}
    return CheckIns(table), Fleet(register={n.name: n.entry for n in nodes}, worklog=log)


@pytest.fixture(scope="module")
def nodes() -> list[Node]:
    rng = np.random.default_rng(4)
    out = []
    for i in range(6):
        life = LIFE * float(np.exp(rng.normal(0, 0.06)))
        end = end_day(alkaline_pair, CUTOFF, life, 0.0)
        node = make_node(
            alkaline_pair, name=f"n{i}", days=360, life=life, begin=0.0, seed=i, interval=7_200.0, swap_at=end + 8.0,
            battery_chemistry="alkaline", battery_part="2xLR6", cutoff_v=CUTOFF,
        )  # fmt: skip
        swapped = START + (end + 8.0) * DAY
        node.worklog = (WorkEntry(node=node.name, time=swapped, action="battery replaced"),)
        out.append(node)
    return out


@pytest.fixture(scope="module")
def result(nodes) -> BacktestResult:
    return backtest(*fleet_of(nodes))


def test_every_ended_life_is_forecast_from_every_lead_time(result, nodes):
    assert (result.lives, result.nodes) == (6, 6)
    assert {s.lead_days for s in result.stands} == {90.0, 60.0, 30.0, 14.0, 7.0}
    assert len(result.stands) == 30


def test_the_end_found_is_the_true_one(result, nodes):
    for node in nodes:
        (ended,) = {s.ended for s in result.stands if s.node == node.name}
        true = next(w.time for w in node.worklog) - 8.0 * DAY
        assert abs(ended - true) < 6 * DAY


def test_the_forecasts_are_better_than_the_line_and_mostly_hold(result):
    assert result.total.coverage >= 0.6
    assert result.total.median_error < 0.5 * result.total.line_error
    assert result.total.bound_held >= 0.9


def test_nothing_after_the_day_of_standing_is_used(nodes, result):
    cut = backtest(*fleet_of(nodes[:1]), leads=[30.0])
    (stand,) = cut.stands
    altered = make_copy(nodes[0], stand.stood)
    changed = stand_before(*changed_life(nodes[0], altered))
    assert changed is not None
    assert changed.p50_days == stand.p50_days
    assert changed.p90_days == stand.p90_days


@pytest.mark.parametrize(("silent", "told"), [(20.0, True), (40.0, False)])
def test_on_a_day_long_without_a_voltage_nothing_is_forecast_again(nodes, silent, told):
    node = nodes[0]
    life, lead, *_ = changed_life(node, node)
    gone = (node.time > life.ended_at - (lead + silent) * DAY) & (node.time < life.ended_at - lead * DAY)
    mute = replace(node, volts=np.where(gone, np.nan, node.volts))
    assert (stand_before(*changed_life(node, mute)) is not None) == told


def make_copy(node: Node, after: float) -> Node:
    """Return the node with everything after an instant made different."""
    return replace(node, volts=np.where(node.time > after, 1.234, node.volts))


def changed_life(node: Node, altered: Node):
    """Return the arguments of a forecast of the node's first life with an altered future."""
    from lamplighter.checks.battery.fleetwide import gather
    from lamplighter.settings import Settings
    from tests.checks.battery.batteries import measured

    settings = Settings()
    batteries = gather({node.name: measured(node)}, {node.name: node.entry}, settings.battery)
    life = batteries[node.name].lives[0]
    source, fleet = fleet_of([altered])
    return life, 30.0, source, fleet, settings, batteries, START


def test_a_battery_still_running_is_not_forecast_again():
    young = make_node(alkaline_pair, days=100, life=900, begin=0.0, cutoff_v=CUTOFF)
    done = backtest(*fleet_of([young]))
    assert done.stands == ()
    assert done.lives == 0
    assert "No forecast could be made again" in backtest_text(done)


# --- arithmetic ---------------------------------------------------------------------------------------------------


def stand(lead: float, p10: float, p50: float, p90: float, line: float | None = None, **more) -> Stand:
    return Stand(
        node="n", life_start=None, ended=0.0, ended_by="voltage", stood=0.0, lead_days=lead, p10_days=p10, p50_days=p50,
        p90_days=p90, not_before_days=p10 / 2, line_days=line, method=more.get("method", "local trend"),
    )  # fmt: skip


def test_the_summary_counts_what_it_says():
    told = [stand(10, 5, 8, 12, 30), stand(10, 5, 12, 20, 5), stand(10, 11, 15, 20, None), stand(10, 2, 10, 11, 20)]
    s = summarise("all", told)
    assert (s.forecasts, s.dated, s.coverage) == (4, 4, 0.75)
    assert s.median_error == pytest.approx(0.2)  # of 0.2, 0.2, 0.5, 0
    assert s.median_bias_days == pytest.approx(1.0)  # of -2, 2, 5, 0
    assert s.line_error == pytest.approx(1.5)  # of 2, 0.5, endless, 1
    assert s.bound_held == 1.0


def test_no_forecasts_give_no_figures():
    s = summarise("none", [])
    assert (s.coverage, s.median_error, s.line_error) == (None, None, None)


def test_groups_are_by_lead_and_by_method():
    done = result_of((stand(30, 1, 2, 3), stand(10, 1, 2, 3, method="steepening")), 2, 2)
    assert [s.group for s in done.by_lead] == ["30 days before", "10 days before"]
    assert [s.group for s in done.by_method] == ["local trend", "steepening"]


# --- files and commands -------------------------------------------------------------------------------------------


def test_files_are_written_and_the_page_needs_no_network(result, tmp_path):
    rows, summary, page = write_backtest(result, tmp_path / "out")
    with rows.open(encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    assert len(table) == len(result.stands)
    assert table[0]["ended"].endswith("Z")
    assert table[0]["covered"] in ("yes", "no", "")
    assert summary.read_text(encoding="utf-8").splitlines()[1].startswith("all,30,")
    text = page.read_text(encoding="utf-8")
    assert "Battery forecasts made again" in text
    assert '<script src="http' not in text
    assert write_backtest(result, tmp_path / "again")[2].read_bytes() == page.read_bytes()


def test_the_frame_has_a_row_a_forecast(result):
    assert list(result.frame().columns) == list(STAND_COLUMNS)
    assert len(result.frame()) == 30


def test_the_command_prints_the_table(nodes, tmp_path):
    frame, _fleet = fleet_of(nodes[:2])
    export = tmp_path / "export.csv"
    out = frame.table.drop(columns=["rssi_dbm", "sequence"]).assign(
        time=frame.table["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    )
    out.to_csv(export, index=False)
    register = tmp_path / "register.csv"
    register.write_text("node,battery_chemistry,cutoff_v\nn0,alkaline,2.2\nn1,alkaline,2.2\n", encoding="utf-8")
    done = CliRunner().invoke(
        app, ["backtest", str(export), "--register", str(register), "--out", str(tmp_path / "bt")]
    )
    assert done.exit_code == 0, done.output
    assert "2 batteries ended in this history of 2 nodes" in done.output
    assert (tmp_path / "bt" / "backtest.html").exists()


def test_battery_life_answers_for_a_part():
    asked = "battery-life --part ER34615 --sleep-ua 25 --charge-mc 30 --interval 15min --interval 1h"
    done = CliRunner().invoke(app, asked.split())
    assert done.exit_code == 0, done.output
    assert "lithium thionyl chloride" in done.output
    assert "15 minutes" in done.output
    assert "1 hour" in done.output
    assert "years" in done.output


def test_battery_life_answers_for_a_node_of_the_register(tmp_path):
    register = tmp_path / "register.csv"
    register.write_text(
        "node,battery_part,interval_s,sleep_current_ua,charge_per_check_in_mc\nA1,ER14505,900,20,30\n", encoding="utf-8"
    )
    done = CliRunner().invoke(app, ["battery-life", "--node", "A1", "--register", str(register)])
    assert done.exit_code == 0, done.output
    assert "15 minutes" in done.output


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--part", "ER34615"], "give the current while asleep"),
        (["--node", "nobody"], "nothing is known of node nobody (give --register or --assessment)"),
        (["--chemistry", "lead-acid", "--capacity", "7", "--sleep-ua", "1", "--charge-mc", "1"], "charged battery"),
        (["--part", "ER34615", "--sleep-ua", "1", "--charge-mc", "1", "--interval", "soon"], "not a length of time"),
    ],
)
def test_battery_life_says_what_it_lacks(args, words):
    from lamplighter.errors import InputError

    done = CliRunner().invoke(app, ["battery-life", *args])
    assert isinstance(done.exception, InputError)
    assert words in str(done.exception)
