"""Values, units and quality codes."""

from __future__ import annotations

import math

import pytest
from scipy import constants

from lamplighter.checkins import BAD, GOOD, UNCERTAIN
from lamplighter.intake import quality, read_exports
from lamplighter.intake.units import conversion, unit_of
from tests.intake.helpers import PLAIN, assert_sound, read, rows_of, settings_of


def one(tmp_path, cell: str, **sections):
    """A reading whose battery is fine and whose reading is the cell."""
    return read(tmp_path, f"node,time,reading,battery_v\nA,2026-01-05T08:00:00Z,{cell},3.6\n", **sections)


@pytest.mark.parametrize(
    "cell",
    [
        "",
        "NaN",
        "nan",
        "NULL",
        "n/a",
        "#N/A",
        "Bad",
        "no data",
        "No Data",
        "timeout",
        "-",
        "---",
        "inf",
        "-inf",
        "abc",
        "12abc",
    ],
)
def test_text_in_place_of_a_number_is_missing_and_the_check_in_stays(tmp_path, cell):
    got = one(tmp_path, cell)
    assert len(got.table) == 1
    assert math.isnan(got.table["reading"][0])
    assert got.table["battery_v"][0] == 3.6


def test_texts_that_are_not_known_words_are_noted(tmp_path):
    got = one(tmp_path, "I/O Err")
    assert [(n.kind, "'I/O Err' (1)" in n.text) for n in got.account.notes] == [("strange_text", True)]


@pytest.mark.parametrize(
    ("cell", "reason"),
    [("", "no value"), ("NaN", "no value"), ("abc", "no value: 'abc' is no number"), ("Bad", "no value")],
)
def test_a_row_with_no_value_at_all_is_set_aside(tmp_path, cell, reason):
    got = read(tmp_path, f"node,time,reading\nA,2026-01-05T08:00:00Z,{cell}\nA,2026-01-05T09:00:00Z,1\n")
    assert got.account.reasons == {reason: 1}


def test_a_row_with_only_a_sequence_number_is_a_check_in(tmp_path):
    got = read(tmp_path, "node,time,reading,sequence\nA,2026-01-05T08:00:00Z,,7\n")
    assert len(got.table) == 1


def test_an_export_of_bare_check_ins_is_kept(tmp_path):
    assert len(read(tmp_path, "node,time\nA,2026-01-05T08:00:00Z\nA,2026-01-05T09:00:00Z\n").table) == 2


def test_error_codes_as_values_are_set_by_settings(tmp_path):
    assert one(tmp_path, "7999").table["reading"][0] == 7999
    assert math.isnan(one(tmp_path, "7999", intake={"missing_values": [7999, -9999]}).table["reading"][0])
    assert math.isnan(one(tmp_path, "-9999").table["reading"][0])
    got = one(tmp_path, "Kaputt", intake={"missing_words": ["Kaputt"]})
    assert math.isnan(got.table["reading"][0])
    assert not got.account.notes


# --- quality ---------------------------------------------------------------------------------------------------

CLASSIC = [
    # code, quality, reason that nothing was transmitted; OPC Data Access quality flags, byte QQSSSSLL
    (192, GOOD, ""), (193, GOOD, ""), (195, GOOD, ""), (216, GOOD, ""), (192 + 256, GOOD, ""),
    (64, UNCERTAIN, ""), (68, UNCERTAIN, ""), (80, UNCERTAIN, ""), (84, UNCERTAIN, ""), (88, UNCERTAIN, ""),
    (0, BAD, ""), (4, BAD, ""), (12, BAD, ""), (16, BAD, ""), (17, BAD, ""), (28, BAD, ""),
    (8, BAD, "not connected"), (20, BAD, "communication failed, last known value"),
    (24, BAD, "communication failure"), (25, BAD, "communication failure"), (32, BAD, "waiting for initial data"),
]  # fmt: skip
UA = [
    # code, quality, reason; OPC UA StatusCode.csv, OPC Foundation
    (0x00000000, GOOD, ""), (0x00300000, GOOD, ""), (0x00960000, GOOD, ""), (192, GOOD, ""),
    (0x40000000, UNCERTAIN, ""), (0x40900000, UNCERTAIN, ""), (0x40930000, UNCERTAIN, ""), (0x40950000, UNCERTAIN, ""),
    (0x408F0000, UNCERTAIN, "no communication, last usable value"),
    (0x80000000, BAD, ""), (0x808B0000, BAD, ""), (0x808C0000, BAD, ""), (0x803C0000, BAD, ""), (0x808D0000, BAD, ""),
    (0x80050000, BAD, "communication failure"), (0x800A0000, BAD, "timeout"), (0x80310000, BAD, "no communication"),
    (0x80320000, BAD, "waiting for initial data"), (0x808A0000, BAD, "not connected"), (0x809B0000, BAD, "no data"),
    (0x800A0400, BAD, "timeout"),
]  # fmt: skip


@pytest.mark.parametrize(("code", "kind", "reason"), CLASSIC)
def test_classic_codes(code, kind, reason):
    assert quality.meaning(str(code), quality.CLASSIC) == (kind, reason)


@pytest.mark.parametrize(("code", "kind", "reason"), UA)
@pytest.mark.parametrize("form", ["{}", "0x{:08X}", "{}.0"])
def test_ua_codes(code, kind, reason, form):
    assert quality.meaning(form.format(code), quality.UA) == (kind, reason)


def test_ua_codes_as_signed_numbers():
    assert quality.meaning(str(0x800A0000 - 2**32), quality.UA) == (BAD, "timeout")


@pytest.mark.parametrize(
    ("word", "kind", "reason"),
    [
        ("Good", GOOD, ""), ("GOOD", GOOD, ""), ("ok", GOOD, ""), ("Good, Local Override", GOOD, ""), ("", GOOD, ""),
        ("Uncertain", UNCERTAIN, ""), ("UncertainSubNormal", UNCERTAIN, ""), ("Questionable", UNCERTAIN, ""),
        ("Bad", BAD, ""), ("BadSensorFailure", BAD, ""), ("Bad, Device Failure", BAD, ""), ("Sensor failure", BAD, ""),
        ("Bad, Comm Failure", BAD, "communication failure"), ("Comm Fail", BAD, "communication failure"),
        ("Not Connected", BAD, "not connected"), ("BadTimeout", BAD, "timeout"), ("I/O Timeout", BAD, "timeout"),
        ("Waiting for initial data", BAD, "waiting for initial data"), ("BadNoCommunication", BAD, "no communication"),
    ],
)  # fmt: skip
def test_words(word, kind, reason):
    assert quality.meaning(word, quality.WORDS) == (kind, reason)


@pytest.mark.parametrize(
    ("codes", "declared", "convention"),
    [
        (["192", "0"], "auto", "classic"),
        (["192"], "auto", "classic"),
        (["0", "24", "64"], "auto", "classic"),
        (["0"], "auto", "ua"),
        (["0", "2147483648"], "auto", "ua"),
        (["0x80050000", "0x00000000"], "auto", "ua"),
        (["Good", "Bad"], "auto", "words"),
        (["Good", "192"], "auto", "classic"),
        (["1", "0"], "auto", "none"),
        (["100"], "auto", "none"),
        (["1", "0"], "one is good", "one is good"),
        (["192"], "ua", "ua"),
    ],
)
def test_how_a_columns_convention_is_told(codes, declared, convention):
    assert quality.convention_of(codes, declared) == convention


def with_quality(*codes: object) -> str:
    return "node,time,reading,quality\n" + "".join(
        f"A,2026-01-05T{8 + i:02d}:00:00Z,{i}.5,{c}\n" for i, c in enumerate(codes)
    )


def test_a_row_that_was_no_transmission_is_set_aside_and_a_sensor_failure_is_kept(tmp_path):
    got = read(tmp_path, with_quality(192, 24, 16, 8, 64, 32))
    assert list(got.table["quality"]) == [GOOD, BAD, UNCERTAIN]
    assert list(got.table["reading"]) == [0.5, 2.5, 4.5]
    assert got.account.reasons == {
        "nothing was transmitted: communication failure (quality 24)": 1,
        "nothing was transmitted: not connected (quality 8)": 1,
        "nothing was transmitted: waiting for initial data (quality 32)": 1,
    }


def test_a_sensor_failure_without_a_value_is_still_a_check_in(tmp_path):
    text = "node,time,reading,quality\n"
    text += "A,2026-01-05T08:00:00Z,,16\nA,2026-01-05T09:00:00Z,1,192\nA,2026-01-05T10:00:00Z,,192\n"
    got = read(tmp_path, text)
    assert list(got.table["quality"]) == [BAD, GOOD]
    assert got.account.reasons == {"no value": 1}


def test_the_convention_is_told_by_the_whole_column(tmp_path):
    many = with_quality(*[0] * 12)
    far = "".join(
        f"A,2026-02-{d:02d}T{h:02d}:{m:02d}:00Z,1.5,0\n"
        for d in range(1, 20)
        for h in range(24)
        for m in range(0, 60, 10)
    )
    got = read(tmp_path, many + far + "A,2026-03-01T00:00:00Z,1.5,192\n")
    assert set(got.table["quality"][:-1]) == {BAD}
    got = read(tmp_path, many + far)
    assert set(got.table["quality"]) == {GOOD}
    assert "0" in got.account.notes[0].text


def test_codes_that_are_not_understood_are_ignored_with_a_note(tmp_path):
    got = read(tmp_path, with_quality(1, 0, 1))
    assert list(got.table["quality"]) == [GOOD] * 3
    assert "quality_codes" in got.account.notes[0].text
    got = read(tmp_path, with_quality(1, 0, 1), intake={"quality_codes": "one is good"})
    assert list(got.table["quality"]) == [GOOD, BAD, GOOD]


# --- units ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "target", "factor"),
    [
        ("psi", "kPa", constants.psi / 1e3),
        ("psi", "bar", constants.psi / constants.bar),
        ("bar", "psi", 14.503773773),  # 1 bar = 14.503773773 psi, from the exact pound-force
        ("kPa", "bar", 0.01),
        ("mH2O", "psi", 1.4223343307),
        ("inH2O", "Pa", 249.08891),
        ("ft", "m", constants.foot),
        ("in", "mm", constants.inch * 1e3),
        ("gpm", "l/min", constants.gallon_US * 1e3),
        ("cfs", "m3/s", constants.foot**3),
        ("mV", "V", 1e-3),
    ],
)
def test_conversion_factors(source, target, factor):
    """Against scipy.constants (CODATA, NIST SP 811) and published factors."""
    got = conversion(source, target)
    assert got is not None
    assert got[0] == pytest.approx(factor, rel=1e-7)
    assert got[1] == pytest.approx(0.0, abs=1e-12)


def test_temperatures_have_an_offset():
    for f, c in ((32.0, 0.0), (212.0, 100.0), (-40.0, -40.0)):
        factor, offset = conversion("degF", "degC")
        assert f * factor + offset == pytest.approx(constants.convert_temperature(f, "Fahrenheit", "Celsius"))
        assert f * factor + offset == pytest.approx(c)


def test_units_of_different_kinds_are_not_converted():
    assert conversion("psi", "degC") is None
    assert conversion("m", "kPa") is None
    assert conversion("furlong", "m") is None


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("psig", "psi"),
        (" (PSI) ", "psi"),
        ("°C", "degc"),
        ("Deg F", "degf"),
        ("Volts", "v"),
        ("%", "%"),
        ("metres", "m"),
        ("words", ""),
    ],
)
def test_spellings_of_units(text, unit):
    assert unit_of(text) == unit


@pytest.mark.parametrize(
    "heading", ["Pressure (psi)", "pressure [PSI]", "Pressure psi", "pressure_psi", "Reading (psig)"]
)
def test_a_unit_in_the_heading_is_turned_into_the_registers(tmp_path, heading):
    path = tmp_path / "e.csv"
    path.write_text(f"node,time,{heading}\nA,2026-01-05T08:00:00Z,100\nB,2026-01-05T08:00:00Z,100\n")
    got = read_exports(path, units={"A": "kPa", "B": ""})
    assert_sound(got)
    assert list(got.table["reading"]) == pytest.approx([689.4757293, 100.0])
    assert [(n.kind, n.nodes) for n in got.account.notes] == [("converted", ("A",))]


def test_units_that_do_not_fit_are_noted_and_left(tmp_path):
    path = tmp_path / "e.csv"
    path.write_text("node,time,Pressure (psi)\nA,2026-01-05T08:00:00Z,100\n")
    got = read_exports(path, units={"A": "degC"})
    assert list(got.table["reading"]) == [100.0]
    assert [n.kind for n in got.account.notes] == ["unit_clash"]


@pytest.mark.parametrize(
    ("heading", "cells", "volts"),
    [
        ("battery_v", [3.6, 3.5], [3.6, 3.5]),
        ("Battery (mV)", [3600, 3500], [3.6, 3.5]),
        ("Battery", [3600, 3500], [3.6, 3.5]),
        ("battery_v", [3600, 3500], [3.6, 3.5]),
        ("VBAT", [12.4, 12.2], [12.4, 12.2]),
        ("Battery (%)", [98, 97], [None, None]),
        ("Battery", [98, 97], [None, None]),
        ("Battery percent", [20, 19], [None, None]),
        ("Battery %", [20, 19], [None, None]),
    ],
)
def test_battery_in_volts_millivolts_or_percent(tmp_path, heading, cells, volts):
    text = f"node,time,reading,{heading}\n" + "".join(
        f"A,2026-01-05T{8 + i:02d}:00:00Z,1,{c}\n" for i, c in enumerate(cells)
    )
    got = read(tmp_path, text)
    assert [r[3] for r in rows_of(got)] == volts
    if volts[0] is None:
        assert [n.kind for n in got.account.notes] == ["battery_percent"]


def test_temperature_in_fahrenheit(tmp_path):
    got = read(tmp_path, "node,time,reading,Temp (°F)\nA,2026-01-05T08:00:00Z,1,50\n")
    assert got.table["temperature_c"][0] == pytest.approx(10.0)


def test_levels_without_their_sign_and_in_percent(tmp_path):
    got = read(tmp_path, "node,time,reading,RSSI\nA,2026-01-05T08:00:00Z,1,85\nA,2026-01-05T09:00:00Z,1,87\n")
    assert list(got.table["rssi_dbm"]) == [-85, -87]
    assert [n.kind for n in got.account.notes] == ["rssi_sign"]
    got = read(tmp_path, "node,time,reading,Signal strength (%)\nA,2026-01-05T08:00:00Z,1,85\n")
    assert math.isnan(got.table["rssi_dbm"][0])
    assert [n.kind for n in got.account.notes] == ["rssi_percent"]


def test_settings_take_only_known_conventions():
    with pytest.raises(Exception, match="quality_codes"):
        settings_of(intake={"quality_codes": "guess"})


@pytest.mark.parametrize("end", ["PT-102,2026-01-05T08:30:10Z", "PT-102,2026-01-0", "PT-102,", "PT-1"])
def test_a_last_line_that_is_cut_off_is_called_incomplete(tmp_path, end):
    assert read(tmp_path, PLAIN + end).account.reasons == {"line incomplete: the file ends in it": 1}


@pytest.mark.parametrize("end", ["PT-102,2026-01-05T08:30:10Z\n", "PT-102,2026-01-05T08:30:10Z,,,,,,"])
def test_a_last_line_without_values_that_is_whole_is_not_called_incomplete(tmp_path, end):
    assert read(tmp_path, PLAIN + end).account.reasons == {"no value": 1}
