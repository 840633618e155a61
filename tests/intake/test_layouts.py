"""The three layouts, headings and tags."""

from __future__ import annotations

import pytest

from lamplighter import InputError
from lamplighter.checkins import BAD, GOOD
from lamplighter.intake import read_exports
from lamplighter.intake.names import SYNONYMS, Tag, heading_of, means, split_tag
from tests.intake.helpers import PLAIN, assert_sound, read, rows_of, settings_of

VALUES = {"PRESSURE": "52.1", "BATTERY": "3.61", "RSSI": "-81", "TEMP": "4.5", "SEQ": "1"}


def tags(
    node: str = "PT-101", area: str = "NORTH.", at: str = "2026-01-05T08:00:00Z", quality: str = "192", **values: str
) -> str:
    return "".join(f"{area}{node}.{m},{at},{v},{quality}\n" for m, v in (values or VALUES).items())


HEAD = "tag,time,value,quality\n"


def test_the_three_layouts_give_the_same_table(tmp_path):
    plain = read(tmp_path, PLAIN)
    frame = plain.table.astype({"node": str})
    lines = ["Tag,Timestamp,Value,Quality"]
    for row in frame.itertuples():
        for tag, name in (
            ("PV", "reading"),
            ("VBAT", "battery_v"),
            ("RSSI", "rssi_dbm"),
            ("TEMP", "temperature_c"),
            ("SEQ", "sequence"),
        ):
            lines.append(f"NORTH.{row.node}.{tag},{row.time.isoformat()},{getattr(row, name)},192")
    tagged = read(tmp_path, "\n".join(lines))
    assert tagged.table.equals(plain.table)
    assert tagged.account.records_read == tagged.account.kept == 20
    heading = ["time"] + [f"NORTH.{n}.{t}" for n in ("PT-101", "PT-102") for t in ("PV", "VBAT", "RSSI", "TEMP", "SEQ")]
    wide = [",".join(heading)]
    for row in frame.itertuples():
        cells = [row.reading, row.battery_v, row.rssi_dbm, row.temperature_c, row.sequence]
        blank = [""] * 5
        both = [*cells, *blank] if row.node == "PT-101" else [*blank, *cells]
        wide.append(",".join([row.time.isoformat(), *map(str, both)]))
    wide = read(tmp_path, "\n".join(wide))
    assert wide.table.equals(plain.table)
    assert wide.account.records_read == wide.account.kept == 20
    assert [f.layout for g in (plain, tagged, wide) for f in g.account.files] == [
        "one row a check-in",
        "one row a tag and time",
        "one column a tag",
    ]


# --- headings ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("heading", "words", "unit", "zone"),
    [
        ("Battery (mV)", "battery", "mv", ""),
        ("battery_v", "battery", "v", ""),
        ("BatteryVoltage", "battery voltage", "", ""),
        ("  RSSI [dBm] ", "rssi", "dbm", ""),
        ("Temp. °C", "temp", "degc", ""),
        ("Time (UTC)", "time", "", "UTC"),
        ("timestamp_utc", "timestamp", "", "UTC"),
        ("Check-in", "check in", "", ""),
        ("Local time (America/Denver)", "local time", "", "America/Denver"),
    ],
)
def test_headings_taken_apart(heading, words, unit, zone):
    got = heading_of(heading)
    assert (got.words, got.unit, got.zone) == (words, unit, zone)


def test_every_synonym_means_its_column():
    for role, words in SYNONYMS.items():
        for word in words:
            for written in (word, word.upper(), word.replace(" ", "_"), word.title().replace(" ", "")):
                assert means(written, role), (role, written)


def test_odd_headings_in_any_order(tmp_path):
    text = (
        "Signal Strength (dBm);Messwert (bar);Zeitstempel;Batteriespannung (mV);Gerät;Kommentar\n"
        "-81;1,5;05.01.2026 08:00;3610;P1;x\n-82;1,6;15.01.2026 08:00;3600;P1;y\n"
    )
    got = read(tmp_path, text)
    assert rows_of(got)[0] == ("P1", "2026-01-05T08:00:00+00:00", 1.5, 3.61, -81.0, None, 0, None)
    assert [(n.kind, "Kommentar" in n.text) for n in got.account.notes] == [
        ("ignored_columns", True),
        ("millivolts", False),
    ]


def test_settings_name_columns(tmp_path):
    text = "Where,When,What,Volt2\nP1,2026-01-05 08:00,1.5,3.6\n"
    with pytest.raises(InputError, match=r"\[columns\]"):
        read(tmp_path, text)
    got = read(tmp_path, text, columns={"node": "Where", "time": "When", "reading": "What", "battery_v": "Volt2"})
    assert rows_of(got)[0][:4] == ("P1", "2026-01-05T08:00:00+00:00", 1.5, 3.6)


def test_settings_overrule_synonyms(tmp_path):
    text = "node,time,value,raw value\nP1,2026-01-05 08:00,1.5,77\n"
    assert read(tmp_path, text).table["reading"][0] == 1.5
    assert read(tmp_path, text, columns={"reading": "raw value"}).table["reading"][0] == 77


def test_of_several_fitting_headings_the_foremost_synonym_counts(tmp_path):
    text = "station,node,date,local time,time (UTC),pressure,value\n"
    text += "North,P1,x,2026-07-01 10:00,2026-07-01 08:00,99,1.5\n"
    got = read(tmp_path, text, timezone="Europe/Berlin")
    assert rows_of(got)[0][:3] == ("P1", "2026-07-01T08:00:00+00:00", 1.5)


def test_thousands_of_unknown_tags_are_no_trap(tmp_path):
    text = HEAD + "".join(f"NORTH.PT-{k}.DIAG,2026-01-05T08:00:00Z,1,192\n" for k in range(5000)) + tags()
    got = read(tmp_path, text)
    assert got.account.rejected == 5000
    assert len(got.table) == 1


def test_a_column_called_tag_may_simply_name_nodes(tmp_path):
    got = read(tmp_path, "tag,time,value\nPT-101,2026-01-05 08:00,1.5\nPT-102,2026-01-05 08:00,1.6\n")
    assert got.nodes() == ["PT-101", "PT-102"]


def test_spaces_around_names_are_no_part_of_them(tmp_path):
    got = read(
        tmp_path, "node,time,reading\n PT-101 ,2026-01-05 08:00,1.5\nPT-101,2026-01-05 09:00,1.6\n,2026-01-05 08:00,1\n"
    )
    assert got.nodes() == ["PT-101"]
    assert got.account.reasons == {"no node": 1}


def test_node_names_are_text_even_when_they_are_numbers(tmp_path):
    got = read(
        tmp_path,
        "node,time,reading\n007,2026-01-05 08:00,1.5\n0x1F,2026-01-05 08:00,1.5\n"
        "../../etc,2026-01-05 08:00,1.5\n=1+1,2026-01-05 08:00,1\n",
    )
    assert got.nodes() == ["../../etc", "007", "0x1F", "=1+1"]


# --- tags --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tag", "node", "measure"),
    [
        ("NORTH.PT-101.PRESSURE", "PT-101", "reading"),
        ("NORTH.PT-101.PV", "PT-101", "reading"),
        ("NORTH.PT-101.VBAT", "PT-101", "battery_v"),
        ("NORTH.PT-101.Battery.Value", "PT-101", "battery_v"),
        ("/site/north/PT-101/rssi", "PT-101", "rssi_dbm"),
        ("Site:Area|PT-101|TEMP", "PT-101", "temperature_c"),
        ("PT-101_RSSI", "PT-101", "rssi_dbm"),
        ("PT_101_BATT", "PT_101", "battery_v"),
        ("PT-101 Battery Voltage (mV)", "PT-101", "battery_v"),
        ("PT-101.Signal_Strength", "PT-101", "rssi_dbm"),
        ("NORTH.PT-101.SEQ", "PT-101", "sequence"),
        ("NORTH.PT-101.PV.Quality", "PT-101", "quality"),
        ("NORTH.PT-101.STATUS", "PT-101", "quality"),
        ("NORTH.PT-101", "PT-101", "reading"),
        ("PT-101", "PT-101", "reading"),
        ("NORTH.PT-101.HUMIDITY", "PT-101", ""),
        ("RSSI", "", "rssi_dbm"),
    ],
)
def test_tags_taken_apart(tag, node, measure):
    got = split_tag(tag)
    assert (got.node, got.measure) == (node, measure)


def test_a_tags_unit():
    assert split_tag("PT-101 Battery (mV)") == Tag("PT-101", "battery_v", "mv", "PT-101")


def test_settings_name_measures_and_a_pattern(tmp_path):
    text = HEAD + tags(XPR="52.1", UB="3.61")
    got = read(tmp_path, text, tags={"reading": "XPR", "UB": "battery_v"})
    assert rows_of(got)[0][:4] == ("PT-101", "2026-01-05T08:00:00+00:00", 52.1, 3.61)
    text = "tag,time,value\nPRESSURE@PT-101.NORTH,2026-01-05 08:00,52.1\nRSSI@PT-101.NORTH,2026-01-05 08:00,-81\n"
    got = read(tmp_path, text, tags={"pattern": "{measure}@{node}.{area}"})
    assert rows_of(got)[0][:5] == ("PT-101", "2026-01-05T08:00:00+00:00", 52.1, None, -81.0)
    with pytest.raises(InputError, match="names no column"):
        read(tmp_path, text, tags={"PRES": "readings"})
    with pytest.raises(InputError, match="pattern"):
        read(tmp_path, text, tags={"pattern": "{area}.{measure}"})


def test_unknown_measures_are_set_aside_and_noted(tmp_path):
    got = read(tmp_path, HEAD + tags() + tags(HUMIDITY="50"))
    assert got.account.rejected == 1
    assert [n.kind for n in got.account.notes] == ["unknown_tags"]


def test_node_and_measure_in_columns_of_their_own(tmp_path):
    text = (
        "node,parameter,time,value,unit\nP1,Pressure,2026-01-05 08:00,100,psi\n"
        "P1,Battery,2026-01-05 08:00,3600,mV\nP1,RSSI,2026-01-05 08:00,-80,dBm\n"
    )
    path = tmp_path / "e.csv"
    path.write_text(text)
    got = read_exports(path, units={"P1": "kPa"})
    assert_sound(got)
    assert rows_of(got)[0][2:5] == (pytest.approx(689.4757293), 3.6, -80.0)


def test_one_name_in_two_areas_is_two_nodes(tmp_path):
    text = HEAD + tags() + tags(area="SOUTH.", PRESSURE="9.9")
    assert read(tmp_path, text).nodes() == ["NORTH.PT-101", "SOUTH.PT-101"]


def test_the_register_says_which_name_is_meant(tmp_path):
    path = tmp_path / "e.csv"
    path.write_text(HEAD + tags())
    assert read_exports(path, units={"NORTH.PT-101": ""}).nodes() == ["NORTH.PT-101"]
    assert read_exports(path, units={"PT-101": ""}).nodes() == ["PT-101"]


def test_renames_from_settings(tmp_path):
    got = read(tmp_path, PLAIN, intake={"renames": {"PT-101": "PT-201"}})
    assert got.nodes() == ["PT-102", "PT-201"]


def test_tags_of_one_check_in_a_few_seconds_apart_are_joined(tmp_path):
    text = HEAD
    for minute in (0, 15):
        for second, (measure, value) in enumerate(VALUES.items()):
            text += f"NORTH.PT-101.{measure},2026-01-05T08:{minute:02d}:{2 * second:02d}Z,{value},192\n"
    got = read(tmp_path, text)
    assert [r[1][11:19] for r in rows_of(got)] == ["08:00:00", "08:15:00"]
    assert rows_of(got)[0][2:] == (52.1, 3.61, -81.0, 4.5, 0, 1.0)
    assert len(read(tmp_path, text, intake={"join_tolerance_s": 1}).table) == 10


def test_joining_never_puts_two_values_of_one_measure_together(tmp_path):
    text = HEAD + "".join(
        f"A.N1.{m},2026-01-05T08:00:{s:02d}Z,{v},192\n"
        for s, m, v in [(0, "PV", 1), (1, "RSSI", -80), (4, "PV", 2), (5, "RSSI", -81), (20, "PV", 3)]
    )
    got = read(tmp_path, text)
    assert [r[2] for r in rows_of(got)] == [1, 2, 3]
    assert [r[4] for r in rows_of(got)] == [-80, -81, None]


def test_rows_of_whole_check_ins_are_never_joined(tmp_path):
    text = "node,time,reading,rssi\nA,2026-01-05T08:00:00Z,1,\nA,2026-01-05T08:00:02Z,,-80\n"
    assert len(read(tmp_path, text).table) == 2


def test_tags_in_any_order_and_over_several_files(tmp_path):
    measures = list(VALUES)
    for k, measure in enumerate(measures):
        text = "".join(
            f"NORTH.PT-{n}.{measure},2026-01-05T{h:02d}:00:0{k % 3}Z,{n + h},192\n"
            for n in (101, 102)
            for h in range(24)
        )
        (tmp_path / f"{measure}.csv").write_text(HEAD + text)
    got = read_exports(tmp_path)
    assert_sound(got)
    assert len(got.table) == 48
    assert got.table.notna().all().all()


def test_a_tags_quality_goes_with_its_reading(tmp_path):
    text = (
        HEAD
        + tags(quality="16", PRESSURE="52.1")
        + tags(BATTERY="3.6")
        + tags(at="2026-01-05T09:00:00Z", PRESSURE="1")
        + tags(quality="16", at="2026-01-05T09:00:00Z", BATTERY="9")
    )
    got = read(tmp_path, text)
    assert [r[6] for r in rows_of(got)] == [BAD, GOOD]
    assert [r[3] for r in rows_of(got)] == [3.6, None]


def test_tags_whose_values_are_quality_codes(tmp_path):
    text = (
        "tag,time,value\nA.N1.PV,2026-01-05T08:00:00Z,1\nA.N1.QUALITY,2026-01-05T08:00:00Z,16\n"
        "A.N1.PV,2026-01-05T09:00:00Z,2\nA.N1.QUALITY,2026-01-05T09:00:00Z,192\n"
    )
    assert [r[6] for r in rows_of(read(tmp_path, text))] == [BAD, GOOD]


def test_values_that_were_not_transmitted(tmp_path):
    got = read(
        tmp_path,
        HEAD + tags(quality="24") + tags(at="2026-01-05T09:00:00Z") + tags(PRESSURE="", at="2026-01-05T10:00:00Z"),
    )
    assert len(got.table) == 1
    assert got.account.reasons == {"nothing was transmitted: communication failure (quality 24)": 5, "no value": 1}


# --- one column a tag ----------------------------------------------------------------------------------------------


def test_wide_with_units_and_blanks(tmp_path):
    text = (
        "Time;PT-101 Pressure (psi);PT-101 Battery (mV);PT-102 Pressure (psi);PT-102 RSSI\n"
        "05.01.2026 08:00;14,5;3600;;\n15.01.2026 09:00;;;NaN;-80\n16.01.2026 09:00;Bad;3590;abc;\n"
    )
    path = tmp_path / "e.csv"
    path.write_text(text)
    got = read_exports(path, settings_of(), units={"PT-101": "psi"})
    assert_sound(got)
    assert [(r[0], r[2], r[3], r[4]) for r in rows_of(got)] == [
        ("PT-101", 14.5, 3.6, None),
        ("PT-101", None, 3.59, None),
        ("PT-102", None, None, -80.0),
    ]
    assert got.account.records_read == 6
    assert got.account.reasons == {"no value": 1, "no value: 'abc' is no number": 1}
    assert list(got.rejects["text"]) == ["PT-101 Pressure (psi) = Bad", "PT-102 Pressure (psi) = abc"]
    assert list(got.rejects["line"]) == [4, 4]


def test_wide_without_measures_is_a_reading_a_column(tmp_path):
    got = read(tmp_path, "time,PT-101,PT-102\n2026-01-05 08:00,1.5,2.5\n2026-01-05 09:00,,2.6\n")
    assert [(r[0], r[2]) for r in rows_of(got)] == [("PT-101", 1.5), ("PT-102", 2.5), ("PT-102", 2.6)]


def test_a_file_of_one_node_is_named_after_the_file(tmp_path):
    got = read(tmp_path, "time,reading,battery\n2026-01-05 08:00,1.5,3.6\n", "PT-101.csv")
    assert got.nodes() == ["PT-101"]
    assert "named" in got.account.notes[0].text


def test_wide_with_quality_columns(tmp_path):
    text = (
        "time,A.N1.PV,A.N1.PV.Quality,A.N1.RSSI\n2026-01-05 08:00,1.5,192,-80\n2026-01-05 09:00,1.6,16,-81\n"
        "2026-01-05 10:00,1.7,24,-82\n2026-01-05 11:00,,192,\n"
    )
    got = read(tmp_path, text)
    assert [(r[2], r[6]) for r in rows_of(got)] == [(1.5, GOOD), (1.6, BAD)]
    assert got.account.records_read == 10
    assert got.account.rejected == 4


def test_a_wide_line_whose_time_is_wrong_is_one_record_and_one_out_of_time_a_record_a_cell(tmp_path):
    text = "time,A.N1.PV,A.N1.RSSI\n2026-01-05 08:00,1.5,-80\nnever,1,2\n1970-01-01 00:00,1,2\ntime,A.N1.PV,A.N1.RSSI\n"
    got = read(tmp_path, text)
    assert got.account.records_read == 6
    assert got.account.reasons == {
        "clock was reset: the time is before intake.earliest": 2,
        "heading repeated": 1,
        "time could not be read": 1,
    }


def test_a_column_that_stands_twice_is_a_duplicate(tmp_path):
    got = read(tmp_path, "time,A.N1.PV,A.N1.PV\n2026-01-05 08:00,1.5,1.5\n2026-01-05 09:00,1.6,1.7\n")
    assert (got.account.kept, got.account.duplicates) == (2, 2)
    assert [r[2] for r in rows_of(got)] == [1.5, 1.6]


def test_a_time_column_with_nothing_beside_it_is_refused(tmp_path):
    with pytest.raises(InputError, match="no node, tag or measured value"):
        read(tmp_path, "time,comment\n2026-01-05 08:00,hello\n")
