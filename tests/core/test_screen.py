"""What the terminal shows of an assessment, whatever its width."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lamplighter.checkins import Account, FileAccount, Note
from lamplighter.screen import fitted, notices, row_account, summary
from tests.core.test_results import an_assessment

ACCOUNT = Account(
    files=(FileAccount(file="week.xlsx", problem="week.xlsx: is an Excel workbook, not text (save it as CSV)"),),
    records_read=1000,
    kept=996,
    duplicates=1,
    rejected=3,
    check_ins=996,
    set_aside=990,
    reasons={"time could not be read": 3},
    notes=(Note(kind="duplicates", text="1 record of the same node and time as another, in 1 file: counted once."),),
)
SAID = ["register.csv: ignored columns intervall_s (did you mean interval_s?)", "No time zone set: UTC is assumed."]


@pytest.mark.parametrize("width", [40, 50, 80, 120])
def test_every_line_fits(width: int) -> None:
    text = summary(replace(an_assessment(), account=ACCOUNT, assumptions=SAID), width)
    assert max(map(len, text.splitlines())) <= width


def test_check_ins_set_aside_are_part_of_those_kept() -> None:
    text = row_account(ACCOUNT, 200)
    assert "996 check-ins. Of these, 990 later than the present were set aside." in text
    assert text.count("week.xlsx") == 1


def test_what_was_ignored_and_assumed_is_shown_and_kept_short() -> None:
    assert "did you mean interval_s?" in summary(replace(an_assessment(), assumptions=SAID), 100)
    assert notices([f"thing {k}" for k in range(9)], 80, most=4).splitlines()[-2:] == [
        "  - thing 3",
        "  and 5 more in the report",
    ]
    assert notices([]) == ""


def test_long_lines_are_wrapped_and_short_ones_left_as_they_are() -> None:
    text = "  M  A1: the signal has been weakening steadily since the summer\nshort"
    assert fitted(text, 40).splitlines() == [
        "  M  A1: the signal has been weakening",
        "    steadily since the summer",
        "short",
    ]
