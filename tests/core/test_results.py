"""Results survive JSON, tables are harmless and stable."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.checkins import Account, FileAccount, Note
from lamplighter.errors import InputError
from lamplighter.results import (
    Assessment,
    Cause,
    Finding,
    Gap,
    Item,
    NodeRow,
    Outage,
    Verdict,
    read_assessment,
    write_assessment,
)
from lamplighter.tables import FINDING_COLUMNS, NODE_COLUMNS, cell, csv_text, harmless, result_rows

NOW = 1764054000.0  # 2025-11-25 07:00 UTC


def an_assessment() -> Assessment:
    return Assessment(
        as_of=NOW,
        start=NOW - 1e6,
        end=NOW,
        account=Account(
            files=(FileAccount(file="a.csv", records_read=3, kept=2, rejected=1),),
            records_read=3,
            kept=2,
            rejected=1,
            reasons={"no time": 1},
            notes=(Note(kind="zone", text="times read as UTC", nodes=("A",)),),
        ),
        settings={"timezone": "UTC"},
        nodes=[NodeRow(node="A", rank=1, status="F", due=NOW, eol_p50=NOW + 1e6, risk_parts={"battery": 0.5})],
        items=[
            Item(
                id="i", subject_kind="node", subject="A", due=NOW, causes=(Cause(cause="x", probability=0.5),), risk=0.5
            )
        ],
        findings=[Finding(check="radio", kind="rssi_trend", node="A", since=NOW - 9e5, value=-7.5, unit="dB/yr")],
        gaps=[Gap(node="A", start=NOW - 7200, end=NOW, missed=1, cause="gateway")],
        outages=[Outage(level="gateway", subject="G1", start=NOW - 7200, end=NOW, nodes=4, share=0.8)],
        verdicts={"A": {"radio": Verdict(state="finding")}},
        series={"A": {"daily": {"day": [1, 2], "rssi_median": [None, -80.5]}}},
    )


def test_json_round_trip(tmp_path: Path) -> None:
    write_assessment(an_assessment(), tmp_path / "assessment.json")
    assert read_assessment(tmp_path) == an_assessment()


def test_instants_are_iso_8601_in_json(tmp_path: Path) -> None:
    write_assessment(an_assessment(), tmp_path / "a.json")
    data = json.loads((tmp_path / "a.json").read_text())
    assert data["as_of"] == "2025-11-25T07:00:00Z"
    assert data["nodes"][0]["due"] == "2025-11-25T07:00:00Z"
    assert data["schema"] == 1


def test_numpy_and_nan_become_plain_json(tmp_path: Path) -> None:
    assessment = an_assessment()
    assessment.fleet = {"a": np.array([1.0, np.nan]), "b": np.int64(3), "c": float("nan")}
    write_assessment(assessment, tmp_path / "a.json")
    assert read_assessment(tmp_path / "a.json").fleet == {"a": [1.0, None], "b": 3, "c": None}


@pytest.mark.parametrize(
    ("text", "words"), [("{", "is not an assessment"), ("[]", "is not an assessment"), ('{"schema": 99}', "schema 99")]
)
def test_other_files_are_refused(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "a.json").write_text(text)
    with pytest.raises(InputError, match=words):
        read_assessment(tmp_path / "a.json")


def test_tables_have_the_published_columns() -> None:
    assert NODE_COLUMNS[:8] == ("rank", "node", "name", "site", "gateway", "status", "reason", "cause")
    assert NODE_COLUMNS[-8:-3] == ("eol_p10", "eol_p50", "eol_p90", "eol_not_before", "eol_method")
    assert NODE_COLUMNS[-3:] == ("eol_cold_p10", "eol_cold_p50", "eol_cold_p90")
    assert FINDING_COLUMNS[:14] == (
        "id", "check", "kind", "node", "gateway", "since", "until", "value", "unit", "low", "high", "probability",
        "severity", "evidence",
    )  # fmt: skip


def test_tables_hold_instants_as_iso_and_unknown_as_empty() -> None:
    text = csv_text(NODE_COLUMNS, result_rows(an_assessment().nodes, NODE_COLUMNS))
    row = next(csv.DictReader(io.StringIO(text)))
    assert row["due"] == "2025-11-25T07:00:00Z"
    assert row["battery_v"] == ""


def test_dataframes_have_timestamps() -> None:
    table = an_assessment().nodes_table
    assert str(table["due"].dtype).endswith("UTC]")
    assert table["eol_p10"].isna().all()


@pytest.mark.parametrize("text", ["=1+1", "+cmd", "-cmd", "@SUM(A1)", "\t=1", "\r=1"])
def test_formulas_are_made_harmless(text: str) -> None:
    assert harmless(text) == "'" + text


@pytest.mark.parametrize("text", ["-80", "+3.5", "-1e5", "plain", ""])
def test_numbers_and_plain_text_stay(text: str) -> None:
    assert harmless(text) == text


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_is_written_to_six_digits(value: float) -> None:
    assert float(cell(value)) == pytest.approx(value, rel=1e-5)


def test_identity_of_a_finding() -> None:
    assert Finding(check="stuck", kind="stuck", node="A", key="2025-11-01").id == "stuck:stuck:A:2025-11-01"
    assert Finding(check="outage", kind="host_outage").id == "outage:host_outage:all"
