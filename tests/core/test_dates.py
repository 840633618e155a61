"""Dates as people write them: one by one they mean what a whole column of an export means."""

from __future__ import annotations

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.dates import (
    DAY_FIRST,
    MONTH_FIRST,
    TEXT,
    OrderEvidence,
    order_evidence_of,
    parse_time,
    parse_written,
)
from lamplighter.intake.date_texts import stamps_of_texts

PARTS = st.one_of(
    st.integers(0, 34).map(str),
    st.integers(0, 34).map("{:02d}".format),
    st.sampled_from(["2026", "1998", "Mar", "mars", "Sept", "März", "Foo", "126"]),
)
CLOCKS = st.sampled_from(
    ["", " 14:05", " 2:05 PM", " 12:00 am", " 13:00 pm", " 24:00", " 24:01", " 23:59:60", " 07.30", " 08:05:07.25",
     " 08:05Z", " 08:05+05:30", " 08:05 -0700", " 25:00", " 10:61"]
)  # fmt: skip
MARKS = st.sampled_from(["/", "-", ".", " "])


@given(PARTS, PARTS, PARTS, MARKS, CLOCKS, st.sampled_from([DAY_FIRST, MONTH_FIRST]))
def test_one_date_reads_as_a_column_of_exports_does(a, b, c, mark, clock, order):
    text = f"{a}{mark}{b}{mark}{c}{clock}"
    column = stamps_of_texts(pa.array([text]), TEXT, order)
    try:
        alone = parse_written(text, order)
    except ValueError:
        alone = None
    # An export is lenient with years of three digits or one; a person who writes one has slipped.
    if len(c) in (2, 4) or (len(a) == 4 and a.isdigit()):
        assert alone == (column.us[0] / 1e6 if column.valid[0] else None)


@pytest.mark.parametrize("text", ["Sept 12, 2026", "12 Sept 2026", "Sep 12, 2026", "2026-Sept-12"])
def test_a_month_of_four_letters_is_no_year(text):
    stamps = stamps_of_texts(pa.array([text]), TEXT, DAY_FIRST)
    assert stamps.valid[0]
    assert stamps.us[0] / 1e6 == parse_written(text, DAY_FIRST) == parse_time("2026-09-12")


@pytest.mark.parametrize("text", ["", "46093", "12-Mar", "31.02.2026", "00/03/2026", "12/13/14/15"])
def test_what_is_no_date_is_refused(text):
    with pytest.raises(ValueError, match="is not a time"):
        parse_written(text, DAY_FIRST, "Asia/Tokyo")


def test_what_dates_say_of_their_order_is_counted():
    texts = [
        "25/03/2026",
        "3/25/26",
        "03/04/2026",
        "04/04/2026",
        "2026-03-04",
        "2026/03/04",
        "4 Mar 2026",
        "40/03/2026",
    ]
    assert order_evidence_of(texts) == OrderEvidence(day_first=1, month_first=1, open=1)
