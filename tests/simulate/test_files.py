"""A fleet on disk: three layouts that read back as the same check-ins, the same bytes every time."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from lamplighter import read_exports, read_fleet
from lamplighter.cli import app
from lamplighter.simulate import SimulatedFleet, simulate, simulate_parts, write_fleet, write_parts

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def fleet() -> SimulatedFleet:
    return simulate(10, 45, seed=31, healthy=True)


@pytest.mark.parametrize("layout", ["plain", "tags"])
def test_a_layout_reads_back_as_the_same_check_ins(fleet: SimulatedFleet, tmp_path: Path, layout: str) -> None:
    write_fleet(fleet, tmp_path, layout)
    read = read_exports([str(tmp_path / "exports")])
    assert read.account.rejected == 0
    mine, theirs = fleet.checkins.table, read.table
    assert len(mine) == len(theirs)
    for name in ("reading", "battery_v", "rssi_dbm", "temperature_c"):
        np.testing.assert_allclose(theirs[name].to_numpy(), mine[name].to_numpy(), rtol=1e-5, equal_nan=True)
    assert (theirs["time"].to_numpy() == mine["time"].to_numpy()).all()


def test_the_layout_with_a_column_a_tag_keeps_every_minute(fleet: SimulatedFleet, tmp_path: Path) -> None:
    write_fleet(fleet, tmp_path, "wide")
    read = read_exports([str(tmp_path / "exports")])
    minutes = fleet.checkins.table.assign(time=fleet.checkins.table["time"].dt.floor("min"))
    wanted = minutes.drop_duplicates(["node", "time"]).groupby("node", observed=True).size()
    assert (read.table.groupby("node", observed=True).size() == wanted).all()


def test_register_and_work_log_read_back(fleet: SimulatedFleet, tmp_path: Path) -> None:
    write_fleet(fleet, tmp_path)
    known = read_fleet(tmp_path / "register.csv", tmp_path / "worklog.csv")
    assert known.notices == ()
    assert set(known.register) == set(fleet.register["node"])
    truth = pd.read_csv(tmp_path / "truth.csv")
    assert list(truth.columns[:8]) == ["node", "fault", "start", "end", "size", "unit", "eol_date", "note"]
    assert len(truth) == len(fleet.truth)


def test_the_same_fleet_gives_the_same_bytes(fleet: SimulatedFleet, tmp_path: Path) -> None:
    first = {p.relative_to(tmp_path / "a"): p.read_bytes() for p in write_fleet(fleet, tmp_path / "a", "all")}
    again = simulate(10, 45, seed=31, healthy=True)
    second = {p.relative_to(tmp_path / "b"): p.read_bytes() for p in write_fleet(again, tmp_path / "b", "all")}
    assert first == second


def test_late_and_repeated_rows_are_there_to_be_dealt_with() -> None:
    from lamplighter.simulate.export import export_texts

    fleet = simulate(10, 45, seed=31)
    lines = [line for _, text in export_texts(fleet, "plain") for line in text.splitlines()[1:]]
    stamps = [line.split(",")[1] for line in lines]
    assert stamps != sorted(stamps)
    assert len(lines) > len(set(lines)) == len(fleet.checkins.table)


def test_a_fleet_in_parts_is_the_same_fleet(tmp_path: Path) -> None:
    whole = simulate(9, 40, seed=33, fault_share=0.5)
    parts = list(simulate_parts(whole.options, batch=4))
    assert [p.part for p in parts] == ["01", "02", "03"]
    write_parts(parts, tmp_path / "parts")
    write_fleet(whole, tmp_path / "whole")
    for name in ("register", "worklog", "counts"):
        assert (tmp_path / "parts" / f"{name}.csv").read_text() == (tmp_path / "whole" / f"{name}.csv").read_text()
    truth = [(tmp_path / f / "truth.csv").read_text().splitlines() for f in ("parts", "whole")]
    assert sorted(truth[0]) == sorted(truth[1])
    rows = pd.concat([p.checkins.table.astype({"node": "str"}) for p in parts]).sort_values(["node", "time"])
    mine = whole.checkins.table.astype({"node": "str"})
    pd.testing.assert_frame_equal(rows.reset_index(drop=True), mine)


def test_the_command_writes_a_fleet(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["simulate", "--out", str(tmp_path), "--nodes", "3", "--days", "10", "--seed", "2"])
    assert done.exit_code == 0, done.output
    assert "3 nodes" in done.output
    assert {p.name for p in tmp_path.iterdir()} == {"exports", "register.csv", "worklog.csv", "truth.csv", "counts.csv"}


def test_sample_data_are_small_and_invented() -> None:
    files = [p for p in (ROOT / "sample_data").rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in files) < 8e6
    assert "invented" in (ROOT / "sample_data" / "NOTICE.txt").read_text(encoding="utf-8")


@pytest.mark.slow
def test_sample_data_are_what_their_command_writes(tmp_path: Path) -> None:
    """Line by line; another processor may round a last digit otherwise in a line in ten thousand."""
    from lamplighter.simulate.valley import write_valley

    write_valley(tmp_path)
    for made in sorted(p for p in tmp_path.rglob("*") if p.is_file()):
        kept = (ROOT / "sample_data" / made.relative_to(tmp_path)).read_bytes()
        one, two = (gzip.decompress(b) if made.suffix == ".gz" else b for b in (made.read_bytes(), kept))
        lines = list(zip(one.splitlines(), two.splitlines(), strict=True))
        assert sum(a != b for a, b in lines) <= 1e-4 * len(lines), made.name
