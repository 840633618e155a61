"""Times: forms, orders, zones, clocks that repeat or skip an hour, and clocks that are wrong."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter import InputError
from lamplighter.intake import read_exports
from lamplighter.intake.zones import to_utc, zone_table
from tests.intake.helpers import read, settings_of, times_of

UTC_0800 = "2026-01-31T08:05:07Z"


def export_of(stamps: list[str], heading: str = "time", node: str = "A", delimiter: str = ",") -> str:
    rows = "".join(f"{node}{delimiter}{s}{delimiter}{i}.5\n" for i, s in enumerate(stamps))
    return f"node{delimiter}{heading}{delimiter}reading\n{rows}"


@pytest.mark.parametrize(
    "stamp",
    [
        "2026-01-31T08:05:07Z",
        "2026-01-31T08:05:07+00:00",
        "2026-01-31T09:05:07+01:00",
        "2026-01-31T01:05:07-0700",
        "2026-01-31 08:05:07",
        "2026-01-31 08:05:07.000",
        "2026-01-31 08:05:07.000000000Z",
        "2026/01/31 08:05:07",
        "2026.01.31 08:05:07",
        "20260131T080507Z",
        "20260131080507",
        "31.01.2026 08:05:07",
        "31/01/2026 08:05:07",
        "31-01-2026 8:05:07",
        "01/31/2026 08:05:07",
        "1/31/2026 8:05:07 AM",
        "1/31/26 8:05:07 am",
        "31-Jan-2026 08:05:07",
        "31 Jan 2026 08:05:07",
        "Jan 31, 2026 8:05:07 AM",
        "Sat 31 Jan 2026 08:05:07",
        "2026-Jan-31 08:05:07",
        "1769846707",
        "1769846707.0",
        "1769846707000",
        "1769846707000000",
        "1769846707000000000",
        "46053.33688657407",
    ],
)
def test_one_instant_in_every_form(tmp_path, stamp):
    assert times_of(read(tmp_path, export_of([f'"{stamp}"' if "," in stamp else stamp]))) == [UTC_0800]


@pytest.mark.parametrize(
    ("serial", "instant"),
    [
        ("25569.5", None),  # 1970: a clock that was reset
        ("45658", "2025-01-01T00:00:00Z"),
        ("45658.5", "2025-01-01T12:00:00Z"),
        ("46023", "2026-01-01T00:00:00Z"),
        ("46089", "2026-03-08T00:00:00Z"),
    ],
)
def test_spreadsheet_serials(tmp_path, serial, instant):
    """Values of the 1900 date system as openpyxl 3.1.5 computes them: 25569 is 1970-01-01, 45658 is 2025-01-01."""
    others = ["2025-01-02T00:00:00Z", "2025-01-03T00:00:00Z"]
    got = times_of(read(tmp_path, export_of([serial, "45659", "45660"])))
    assert got == sorted([*others, *([instant] if instant else [])])


def test_serials_with_decimal_comma(tmp_path):
    assert times_of(read(tmp_path, export_of(["45658,5", "45658,75"], delimiter=";"))) == [
        "2025-01-01T12:00:00Z",
        "2025-01-01T18:00:00Z",
    ]


@pytest.mark.parametrize(
    ("dates", "clocks", "heading"),
    [
        (["31.01.2026", "01.02.2026"], ["08:05:07", "00:00:00"], "Datum,Uhrzeit"),
        (["2026-01-31", "2026-02-01"], ["8:05:07 AM", "12:00:00 AM"], "date,time"),
        (["01/31/2026", "02/01/2026"], ["08:05:07", "00:00:00"], "Date,Time"),
    ],
)
def test_date_and_clock_in_two_columns(tmp_path, dates, clocks, heading):
    text = f"node,{heading},reading\n" + "".join(f"A,{d},{c},1\n" for d, c in zip(dates, clocks, strict=True))
    assert times_of(read(tmp_path, text)) == [UTC_0800, "2026-02-01T00:00:00Z"]


@pytest.mark.parametrize(
    ("clock", "hour"),
    [("12:30 AM", 0), ("1:30 AM", 1), ("11:30 AM", 11), ("12:30 PM", 12), ("1:30 PM", 13), ("11:30 p.m.", 23)],
)
def test_twelve_hour_clocks(tmp_path, clock, hour):
    assert times_of(read(tmp_path, export_of([f"1/31/2026 {clock}"]))) == [f"2026-01-31T{hour:02d}:30:00Z"]


# --- order of day and month --------------------------------------------------------------------------------------


def test_the_whole_column_decides_the_order(tmp_path):
    early = [f"{d:02d}/02/2026 {h:02d}:00" for d in range(1, 13) for h in range(24)] * 3
    assert times_of(read(tmp_path, export_of([*early, "13/02/2026 00:00"])))[24] == "2026-02-02T00:00:00Z"
    american = [s[3:5] + "/" + s[:2] + s[5:] for s in [*early, "13/02/2026 00:00"]]
    assert times_of(read(tmp_path, export_of(american)))[24] == "2026-02-02T00:00:00Z"


def test_an_open_order_is_a_question_not_a_guess(tmp_path):
    with pytest.raises(InputError, match=r"03/04/2026 10:00.*day first or month first.*date_order") as caught:
        read(tmp_path, export_of(["03/04/2026 10:00", "04/04/2026 10:00"]))
    assert caught.value.file is not None
    assert caught.value.line == 2


@pytest.mark.parametrize(
    ("order", "instant"), [("day first", "2026-04-03T10:00:00Z"), ("month first", "2026-03-04T10:00:00Z")]
)
def test_settings_answer_the_question(tmp_path, order, instant):
    assert times_of(read(tmp_path, export_of(["03/04/2026 10:00"]), intake={"date_order": order})) == [instant]


def test_equal_day_and_month_need_no_answer(tmp_path):
    assert times_of(read(tmp_path, export_of(["02/02/2026 10:00"]))) == ["2026-02-02T10:00:00Z"]


def test_exports_with_the_same_headings_help_each_other(tmp_path):
    (tmp_path / "a.csv").write_text(export_of(["03/04/2026 10:00"]))
    (tmp_path / "b.csv").write_text(export_of(["03/14/2026 10:00"]))
    assert times_of(read_exports(tmp_path)) == ["2026-03-04T10:00:00Z", "2026-03-14T10:00:00Z"]


def test_dates_in_both_orders_are_refused(tmp_path):
    with pytest.raises(InputError, match="some dates have the day first"):
        read(tmp_path, export_of(["13/04/2026 10:00", "04/13/2026 10:00"]))


# --- zones ----------------------------------------------------------------------------------------------------

TRANSITIONS = [
    # zone, UTC instant of the change, offset before and after [h]; IANA time zone database 2026f through zoneinfo
    ("America/Denver", "2025-03-09T09:00", -7, -6),
    ("America/Denver", "2025-11-02T08:00", -6, -7),
    ("America/Denver", "2026-03-08T09:00", -7, -6),
    ("America/Denver", "2026-11-01T08:00", -6, -7),
    ("Europe/Berlin", "2025-03-30T01:00", 1, 2),
    ("Europe/Berlin", "2025-10-26T01:00", 2, 1),
    ("Europe/Berlin", "2026-03-29T01:00", 1, 2),
    ("Europe/Berlin", "2026-10-25T01:00", 2, 1),
]


@pytest.mark.parametrize(("zone", "instant", "before", "after"), TRANSITIONS)
def test_changes_of_offset(zone, instant, before, after):
    table = zone_table(zone)
    place = list(table.instant).index(int(np.datetime64(instant, "us").astype(np.int64)))
    assert (table.offset[place] / 3.6e9, table.offset[place + 1] / 3.6e9) == (before, after)


@pytest.mark.parametrize(("zone", "instant", "before", "after"), TRANSITIONS)
@pytest.mark.parametrize("minutes", [5, 15, 60])
@pytest.mark.parametrize("newest_first", [False, True])
def test_every_check_in_of_a_day_of_change_is_found_again(
    tmp_path, zone, instant, before, after, minutes, newest_first
):
    """A node on a steady beat on the local clock without offsets: 92 or 100 quarter hours, none lost, none moved."""
    change = datetime.fromisoformat(instant).replace(tzinfo=UTC)
    local_day = change.astimezone(ZoneInfo(zone)).replace(hour=0, minute=0)
    start = local_day.astimezone(UTC)
    length = timedelta(hours=24 - (after - before))
    sent = [start + timedelta(minutes=m + 2) for m in range(0, int(length / timedelta(minutes=1)), minutes)]
    assert minutes != 15 or len(sent) == {1: 92, -1: 100}[after - before]
    both = [(t + timedelta(seconds=s), n) for t in sent for n, s in (("A", 0), ("B", 20))]
    stamps = [(n, t.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M:%S")) for t, n in both]
    stamps = stamps[::-1] if newest_first else stamps
    text = "node,time,reading\n" + "".join(f"{n},{s},1.5\n" for n, s in stamps)
    got = read(tmp_path, text, timezone=zone)
    assert len(got.table) == 2 * len(sent)
    assert times_of(got)[: len(sent)] == [t.strftime("%Y-%m-%dT%H:%M:%SZ") for t in sent]
    assert times_of(got)[len(sent) :] == [(t + timedelta(seconds=20)).strftime("%Y-%m-%dT%H:%M:%SZ") for t in sent]


@pytest.mark.parametrize("newest_first", [False, True])
def test_the_repeated_hour_across_blocks(tmp_path, newest_first):
    start = datetime(2026, 11, 1, 6, 0, tzinfo=UTC)
    sent = [start + timedelta(minutes=m) for m in range(0, 300, 1)]
    local = [t.astimezone(ZoneInfo("America/Denver")).strftime("%Y-%m-%d %H:%M:%S") for t in sent]
    text = export_of(local[::-1] if newest_first else local)
    got = read(tmp_path, text, timezone="America/Denver", intake={"block_mb": 0.001})
    assert times_of(got) == [t.strftime("%Y-%m-%dT%H:%M:%SZ") for t in sent]


def test_each_tag_has_its_own_order_of_arrival_across_blocks(tmp_path):
    start = datetime(2026, 10, 24, 23, 0, tzinfo=UTC)
    sent = [start + timedelta(minutes=m) for m in range(0, 300, 2)]
    local = [t.astimezone(ZoneInfo("Europe/Berlin")).strftime("%d.%m.%Y %H:%M:%S") for t in sent]
    by_tag = [f"A.N{n}.{m};{s};1,5\n" for n in (1, 2) for m in ("PV", "RSSI") for s in local]
    by_time = [f"A.N{n}.{m};{s};1,5\n" for s in local for n in (1, 2) for m in ("PV", "RSSI")]
    for lines in (by_tag, by_time):
        got = read(tmp_path, "tag;time;value\n" + "".join(lines), timezone="Europe/Berlin", intake={"block_mb": 0.001})
        assert times_of(got) == 2 * [t.strftime("%Y-%m-%dT%H:%M:%SZ") for t in sent]
        assert got.table["rssi_dbm"].notna().all()


@pytest.mark.parametrize(
    ("stamps", "expected"),
    [
        # One pass only: put where it leaves the smaller hole.
        (["00:30", "01:30", "03:30"], ["06:30", "08:30", "10:30"]),
        (["01:30", "02:00", "02:30"], ["08:30", "09:00", "09:30"]),
        (["00:00", "01:00", "01:30"], ["06:00", "07:00", "07:30"]),
        # The clock stands still: the second of two.
        (["00:30", "01:30", "01:30", "02:30"], ["06:30", "07:30", "08:30", "09:30"]),
        # The clock steps back.
        (["01:15", "01:45", "01:15", "01:45"], ["07:15", "07:45", "08:15", "08:45"]),
    ],
)
def test_order_of_arrival_in_the_repeated_hour(tmp_path, stamps, expected):
    """2026-11-01 01:30 in Denver is 07:30Z by summer time or 08:30Z by standard time."""
    got = read(tmp_path, export_of([f"2026-11-01 {s}:00" for s in stamps]), timezone="America/Denver")
    assert [t[11:16] for t in times_of(got)] == expected


def test_times_that_the_clock_skips_are_read_as_standard_time_and_noted(tmp_path):
    got = read(tmp_path, export_of(["2026-03-08 01:30:00", "2026-03-08 02:30:00"]), timezone="America/Denver")
    assert times_of(got) == ["2026-03-08T08:30:00Z", "2026-03-08T09:30:00Z"]
    assert [n.kind for n in got.account.notes] == ["skipped_hour"]


def test_an_offset_in_the_text_overrules_the_zone(tmp_path):
    text = export_of(["2026-07-01 08:00:00Z", "2026-07-01 08:00:00+02:00", "2026-07-01 12:00:00"])
    assert times_of(read(tmp_path, text, timezone="Europe/Berlin")) == [
        "2026-07-01T06:00:00Z",
        "2026-07-01T08:00:00Z",
        "2026-07-01T10:00:00Z",
    ]


def test_a_zone_in_the_heading_overrules_the_setting(tmp_path):
    for heading in ("time (UTC)", "Timestamp UTC", "time_utc"):
        assert times_of(read(tmp_path, export_of(["2026-07-01 08:00:00"], heading), timezone="Europe/Berlin")) == [
            "2026-07-01T08:00:00Z"
        ]
    text = export_of(["2026-07-01 08:00:00"], "Time (America/Denver)")
    assert times_of(read(tmp_path, text)) == ["2026-07-01T14:00:00Z"]


def test_epochs_are_utc_and_serials_local(tmp_path):
    assert times_of(read(tmp_path, export_of(["1782892800"]), timezone="Europe/Berlin")) == ["2026-07-01T08:00:00Z"]
    assert times_of(read(tmp_path, export_of(["46204.5"]), timezone="Europe/Berlin")) == ["2026-07-01T10:00:00Z"]


@given(
    st.integers(min_value=0, max_value=2_000_000_000),
    st.sampled_from(["America/Denver", "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu"]),
)
def test_local_times_agree_with_the_standard_library(second, zone):
    local = datetime.fromtimestamp(second, UTC).replace(tzinfo=None)
    got = to_utc(np.array([second * 1_000_000]), zone)
    assert got.utc[0] == local.replace(tzinfo=ZoneInfo(zone), fold=0).timestamp() * 1_000_000
    if got.twice[0]:
        assert got.utc[0] + got.extra[0] == local.replace(tzinfo=ZoneInfo(zone), fold=1).timestamp() * 1_000_000


# --- clocks that are wrong -------------------------------------------------------------------------------------


def test_resets_and_future_stamps_are_set_aside(tmp_path):
    stamps = [
        "1970-01-01T00:03:00Z",
        "1980-01-06T00:00:00Z",
        "2000-01-01T00:00:00Z",
        "2026-01-05T08:00:00Z",
        "2038-01-19T03:14:07Z",
        "2099-01-01T00:00:00Z",
    ]
    got = read(tmp_path, export_of(stamps))
    assert times_of(got) == ["2026-01-05T08:00:00Z"]
    assert got.account.reasons == {
        "clock was reset: the time is before intake.earliest": 3,
        "the time is in the future": 2,
    }
    assert list(got.rejects["line"]) == [2, 3, 4, 6, 7]


def test_the_window_of_sensible_times_can_be_set(tmp_path):
    text = export_of(["1999-06-01T00:00:00Z", "2026-01-05T08:00:00Z", "2026-01-06T08:00:00Z"])
    got = read(tmp_path, text, intake={"earliest": "1990-01-01", "latest": "2026-01-06"})
    assert times_of(got) == ["1999-06-01T00:00:00Z", "2026-01-05T08:00:00Z"]


@pytest.mark.parametrize(
    "stamp", ["2026-02-30 10:00", "2026-13-01 10:00", "2026-01-05 25:00", "2026-01-05 10:61", "13:00 AM", "soon", ""]
)
def test_impossible_times_are_set_aside(tmp_path, stamp):
    got = read(tmp_path, export_of(["2026-01-05 08:00", stamp, "2026-01-06 08:00"]))
    assert len(got.table) == 2
    assert got.account.reasons == {"time could not be read": 1}


def test_a_column_of_no_times_is_an_error_that_quotes_it(tmp_path):
    with pytest.raises(InputError, match=r"column 'time' holds no times, for example 'week 5'.*\[columns\]"):
        read(tmp_path, export_of(["week 5", "week 6"]))


def test_settings_refuse_a_bad_window():
    with pytest.raises(InputError, match="earliest"):
        settings_of(intake={"earliest": "yesterday"})
