"""What the preview says, and that its settings lines pin the reading down."""

from __future__ import annotations

import tomllib

import pytest
from typer.testing import CliRunner

from lamplighter import InputError
from lamplighter.cli import app
from lamplighter.intake import preview, read_exports
from lamplighter.intake.preview_text import preview_lines
from lamplighter.settings import load_settings
from tests.intake.helpers import PLAIN, settings_of

WIDE = "Zeit;Nord.P1.PV;Nord.P1.UB (mV)\n05.01.2026 08:00;1,5;3600\n15.01.2026 08:15;1,6;Störung\n"
TAGS = "tag,time,value,quality\nNORTH.P1.PV,01/05/2026 8:00 AM,1.5,192\nNORTH.P1.VBAT,01/15/2026 8:00 AM,3.6,0\n"
BROKEN = PLAIN.replace("PT-102,2026-01-05T08:00:10Z", "PT-102,never")


def seen(tmp_path, text, **sections):
    path = tmp_path / "export.csv"
    path.write_text(text)
    return preview(path, settings_of(**sections))


def test_a_plain_export(tmp_path):
    (one,) = seen(tmp_path, BROKEN).files
    assert one.layout == "one row a check-in"
    assert [(c.heading, c.meaning, c.unit) for c in one.columns][:4] == [
        ("node", "node", ""),
        ("time", "time", ""),
        ("reading", "reading", ""),
        ("battery_v", "battery voltage", "v"),
    ]
    assert (one.nodes, one.interval_s, one.records, one.rejected) == (2, 900, 4, 1)
    assert one.reasons == {"time could not be read": 1}
    assert list(one.rejects["line"]) == [4]
    assert one.quality == "OPC Classic numbers"
    assert "offset" in one.time
    assert len(one.first_rows) == 3


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        TAGS,
        WIDE,
        PLAIN.replace(",", ";").replace(".", ","),
        "Datum;Uhrzeit;Gerät;Wert\n31.01.2026;08:00;A;1,5\n",
    ],
)
def test_its_settings_lines_give_the_same_reading(tmp_path, text):
    (one,) = seen(tmp_path, text, timezone="Europe/Berlin").files
    again = load_settings(tomllib.loads(one.settings))
    path = tmp_path / "export.csv"
    expected = read_exports(path, settings_of(timezone="Europe/Berlin"))
    assert read_exports(path, again).table.equals(expected.table)
    (pinned,) = preview(path, again).files
    assert pinned.settings == one.settings


def test_measures_in_tags_are_named(tmp_path):
    assert tomllib.loads(seen(tmp_path, TAGS).files[0].settings)["tags"] == {"PV": "reading", "VBAT": "battery_v"}


def test_files_alike_are_shown_once(tmp_path):
    for week in range(3):
        (tmp_path / f"{week}.csv").write_text(PLAIN)
    (tmp_path / "z.csv").write_text(TAGS)
    (tmp_path / "register.csv").write_text("node,site\nP1,North\n")
    got = preview(tmp_path)
    assert [len(f.files) for f in got.files] == [3, 1, 1]
    assert [bool(f.problem) for f in got.files] == [False, True, False]
    assert got.readable


@pytest.mark.parametrize("text", [BROKEN, TAGS, WIDE, "nothing", "node,time,reading\n"])
@pytest.mark.parametrize("width", [40, 60, 100])
def test_it_fits_the_terminal(tmp_path, text, width, monkeypatch):
    (tmp_path / "export.csv").write_text(text)
    monkeypatch.chdir(tmp_path)
    for line in preview_lines(preview("export.csv"), width):
        assert len(line) <= width or len(line.split()) <= 3, line


def test_the_command(tmp_path):
    path = tmp_path / "export.csv"
    path.write_text(BROKEN)
    result = CliRunner().invoke(app, ["preview", str(path)])
    assert result.exit_code == 0
    for words in (
        "one row a check-in",
        "15 minutes",
        "1 would be rejected",
        "line 4: PT-102,never",
        "[columns]",
        'quality_codes = "classic"',
    ):
        assert words in result.output
    path.write_text("nothing")
    result = CliRunner().invoke(app, ["preview", str(path)])
    assert result.exit_code == 2
    assert "cannot be read" in result.output


def test_paths_that_name_nothing(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        preview(tmp_path / "missing.csv")


def test_an_open_date_order_is_asked_for(tmp_path):
    got = seen(tmp_path, TAGS.replace("/15/", "/06/"))
    assert not got.readable
    assert "day first or month first" in got.files[0].problem
