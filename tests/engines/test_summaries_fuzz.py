"""Faulty fleets that grow by odd exports, with rows that come late or twice: kept summaries change nothing."""

from __future__ import annotations

import shutil
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lamplighter.intake.store import History, collect
from lamplighter.intake.store.summaries import FOLDER
from lamplighter.simulate import simulate
from lamplighter.simulate.export import write_fleet
from tests.engines.test_summaries import written

DAY = pd.Timedelta(days=1)
LATE = 0.01
"""Share of rows that an export leaves to the next one."""


def exports(table: pd.DataFrame, folder: Path, rng: np.random.Generator) -> list[Path]:
    """Write a table as exports: a long one, then months and weeks; each repeats some days and hands on late rows."""
    end = table["time"].max()
    edges = [table["time"].min(), *(end - k * DAY for k in (250, 180, 119, 61, 58, 14, 7)), end + DAY]
    files, late = [], table.iloc[:0]
    for since, until in pairwise(edges):
        part = table[(table["time"] >= since - rng.integers(0, 40) * DAY) & (table["time"] < until)]
        held = rng.random(len(part)) < LATE
        files.append(folder / f"{len(files):02d}.csv")
        pd.concat([part[~held], late]).to_csv(files[-1], index=False, date_format="%Y-%m-%dT%H:%M:%S.%fZ")
        late = part[held]
    return files


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "noise"), [(701, "smooth"), (702, "rough")])
def test_a_growing_faulty_fleet_is_assessed_as_if_everything_were_read(seed, noise, tmp_path):
    fleet = simulate(12, 640, seed, noise=noise, fault_share=0.8, intervals_s=(1800.0, 3600.0))
    write_fleet(fleet, tmp_path / "site", compress=False)
    register = tmp_path / "site" / "register.csv"
    more = {"worklog": tmp_path / "site" / "worklog.csv"}
    rng = np.random.default_rng(seed)
    (tmp_path / "exports").mkdir()
    grown, bare = tmp_path / "grown", tmp_path / "bare"
    for file in exports(fleet.checkins.table, tmp_path / "exports", rng):
        collect([file], grown)
        shutil.rmtree(bare, ignore_errors=True)
        shutil.copytree(grown, bare, ignore=shutil.ignore_patterns(FOLDER))
        with History(grown) as kept, History(bare) as none:
            assert written(kept, register, **more) == written(none, register, **more), file.name
    assert any((grown / FOLDER).rglob("*.zst"))
