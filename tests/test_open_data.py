"""The main job on real logs, end to end: exports in, findings out. Sources and known facts: tests/data/README.md."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lamplighter import Assessment, assess, read_exports
from lamplighter.fleet import parse_time
from lamplighter.wording import iso
from tests.open_data import MOTES, motes, open_log, write_export

HOUR, DAY = 3_600.0, 86_400.0


def stuck_runs(assessment: Assessment, node: str) -> pd.DataFrame:
    table = assessment.findings_table
    return table[(table["check"] == "stuck") & (table["kind"] == "stuck") & (table["node"] == node)]


COUNTER_TURNS_OVER = "2004-03-21T19:04Z"
"""The last minute in which the motes' 16-bit epoch counter has run through once, 0 to 65,535."""


def lab_assessment(folder: Path, as_of: str | None = None, columns: tuple[str, ...] | None = None) -> Assessment:
    """Five lab motes as one plain export; the register says nothing but the cut-off."""
    export = write_export(motes(), folder / "motes.csv", columns)
    register = folder / "register.csv"
    register.write_text("node,cutoff_v\n" + "".join(f"mote-{m},2.3\n" for m in MOTES), encoding="utf-8")
    return assess(read_exports([export]), register=register, as_of=as_of)


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Assessment:
    return lab_assessment(tmp_path_factory.mktemp("lab"))


@pytest.fixture(scope="module")
def lab_first_turn(tmp_path_factory: pytest.TempPathFactory) -> Assessment:
    return lab_assessment(tmp_path_factory.mktemp("turn"), COUNTER_TURNS_OVER)


@pytest.mark.parametrize("mote", MOTES)
def test_missed_check_ins_equal_the_epoch_counter_within_one_per_cent(lab_first_turn: Assessment, mote: str) -> None:
    log = motes(mote)
    counted = np.unique(log.loc[log["time"] <= parse_time(COUNTER_TURNS_OVER), "sequence"])
    truth = int(counted.max() - counted.min() + 1 - len(counted))
    in_outages = sum(lab_first_turn.series[f"mote-{mote}"]["arrivals"]["outage"])
    assert lab_first_turn.row(f"mote-{mote}").missed + in_outages == pytest.approx(truth, rel=0.01)


@pytest.mark.parametrize(
    ("back", "hours"), [("2004-03-11T09:35Z", 24.5), ("2004-03-16T11:30Z", 19.5)], ids=["first", "second"]
)
def test_both_network_wide_outages_have_a_common_cause(lab: Assessment, back: str, hours: float) -> None:
    end = parse_time(back)
    outage = min(lab.outages, key=lambda o: abs(o.end - end))
    assert abs(outage.end - end) < 1.5 * HOUR
    assert (outage.end - outage.start) / HOUR == pytest.approx(hours, abs=1.5)
    assert outage.nodes == len(MOTES)
    gaps = lab.gaps_table
    at_that_time = gaps[(gaps["start"] < pd.Timestamp(end - 2 * HOUR, unit="s", tz="UTC"))
                        & (gaps["end"] > pd.Timestamp(end - 2 * HOUR, unit="s", tz="UTC"))]  # fmt: skip
    assert len(at_that_time) == len(MOTES)
    assert set(at_that_time["cause"]) <= {"gateway", "host"}


@pytest.mark.parametrize(
    ("mote", "start", "end", "value", "count"),
    [
        ("06", "2004-03-26", "2004-03-28", 1.731, 2_952),
        ("19", None, "2004-03-25", 122.153, 9_547),
        ("23", "2004-03-23", "2004-04-02", 122.153, 12_920),
    ],
)
def test_stuck_runs_of_the_lab_motes_are_found_with_their_dates(
    lab: Assessment, mote: str, start: str | None, end: str, value: float, count: int
) -> None:
    runs = [f for f in lab.findings if f.kind == "stuck" and f.node == f"mote-{mote}"]
    longest = max(runs, key=lambda f: f.data["check_ins"])
    assert longest.value == pytest.approx(value, abs=5e-4)
    assert longest.data["check_ins"] == pytest.approx(count, abs=2)
    assert start is None or iso(longest.since)[:10] == start
    assert iso(longest.until or lab.row(longest.node).last_seen)[:10] == end


def test_mote_06_start_is_found_to_the_quarter_hour(lab: Assessment) -> None:
    since = stuck_runs(lab, "mote-06")["since"]
    assert (since - pd.Timestamp("2004-03-26T00:15Z")).abs().min() < pd.Timedelta(minutes=15)


def test_the_control_mote_raises_no_stuck_reading(lab: Assessment) -> None:
    assert stuck_runs(lab, "mote-45").empty


@pytest.mark.parametrize(
    ("mote", "crossing"),
    [("01", "2004-03-23"), ("06", "2004-03-20"), ("19", "2004-03-19"), ("23", "2004-03-23"), ("45", "2004-03-23")],
)
def test_battery_crossing_dates_are_found(lab: Assessment, mote: str, crossing: str) -> None:
    (end,) = [f for f in lab.findings if f.kind == "battery_end" and f.node == f"mote-{mote}"]
    assert end.severity == "F"
    # A mote that fell silent at the crossing has no voltage below it; its likely end stands for the crossing.
    found = end.since if end.since is not None else lab.row(end.node).eol_p50
    assert abs(found - parse_time(f"{crossing}T12:00Z")) <= 1.5 * DAY


@pytest.fixture(scope="module")
def alps(tmp_path_factory: pytest.TempPathFactory) -> Assessment:
    path = tmp_path_factory.mktemp("alps") / "stations.csv"
    return assess(read_exports([write_export(open_log("alpine_station_17", "alpine_station_28"), path)]))


def test_the_frozen_station_is_found_with_its_dates(alps: Assessment) -> None:
    (run,) = stuck_runs(alps, "station-17").itertuples()
    assert run.value == -1.0
    assert run.since.date() == pd.Timestamp("2007-10-10").date()
    assert run.until.date() == pd.Timestamp("2007-10-16").date()


def test_the_clean_station_raises_no_stuck_reading(alps: Assessment) -> None:
    assert stuck_runs(alps, "station-28").empty


@pytest.fixture(scope="module")
def river(tmp_path_factory: pytest.TempPathFactory) -> Assessment:
    path = tmp_path_factory.mktemp("river") / "sonde.csv"
    return assess(read_exports([write_export(open_log("river_sonde"), path)]))


@pytest.mark.parametrize(
    ("node", "since", "until", "value"),
    [
        ("sonde-ph", "2015-10-26T19:15Z", "2015-10-31T13:30Z", 0.0),
        ("sonde-cond", "2015-10-30T12:15Z", "2015-10-31T13:30Z", 494.5),
    ],
)
def test_stuck_runs_that_technicians_flagged_are_found(
    river: Assessment, node: str, since: str, until: str, value: float
) -> None:
    runs = stuck_runs(river, node)
    near = runs[(runs["since"] - pd.Timestamp(since)).abs() <= pd.Timedelta(minutes=30)]
    assert len(near) == 1
    assert near["value"].item() == value
    assert abs(near["until"].item() - pd.Timestamp(until)) <= pd.Timedelta(minutes=30)


def test_every_record_of_the_real_logs_is_accounted_for(tmp_path: Path) -> None:
    path = write_export(motes("06", "19"), tmp_path / "two.csv")
    account = read_exports([path]).account
    assert account.balanced
    assert account.records_read == len(motes("06", "19"))
