"""Numbers, dates and lengths as a person reads them."""

from __future__ import annotations

import math

import pytest

from lamplighter import wording as w

JAN_12 = 1768226700.0  # 2026-01-12 14:05 UTC, by the calendar
MAR_3 = 1772496000.0  # 2026-03-03 00:00 UTC


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (3.14159, "3.14"), (-0.00012345, "-0.000123"), (1234.5, "1234"), (100.0, "100"), (0.5, "0.5"),
     (-1e-15, "0"),
     (None, "not known"), (math.nan, "not known"), (math.inf, "not known"), (99999.6, "100000")],
)  # fmt: skip
def test_number(value: float | None, text: str) -> None:
    assert w.number(value) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.974, "97.4 %"),
        (1.0, "100 %"),
        (0.0, "0 %"),
        (0.99999, "over 99.9 %"),
        (1e-12, "under 0.1 %"),
        (None, "not known"),
    ],
)
def test_percent_never_rounds_a_flaw_away(share: float | None, text: str) -> None:
    assert w.percent(share) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(31, "31 s"), (90, "1.5 minutes"), (60, "1 minute"), (3600, "1 hour"), (7200, "2 hours"), (86400, "24 hours"),
     (2.5 * 86400, "2.5 days"), (400 * 86400, "400 days"), (3 * 365.25 * 86400, "3 years"), (math.nan, "not known")],
)  # fmt: skip
def test_duration(seconds: float, text: str) -> None:
    assert w.duration(seconds) == text


def test_instants() -> None:
    assert w.iso(JAN_12) == "2026-01-12T14:05:00Z"
    assert w.iso(None) == ""
    assert w.moment(JAN_12) == "12 Jan 2026 14:05 UTC"


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [(JAN_12, MAR_3, "between 12 Jan and 3 Mar 2026"), (JAN_12, JAN_12 + 60, "on 12 Jan 2026"),
     (JAN_12 - 300 * 86400, JAN_12, "between 18 Mar 2025 and 12 Jan 2026"), (JAN_12, None, "after 12 Jan 2026"),
     (None, MAR_3, "before 3 Mar 2026"), (None, None, "not known")],
)  # fmt: skip
def test_dates_between(low: float | None, high: float | None, text: str) -> None:
    assert w.dates_between(low, high) == text


@pytest.mark.parametrize(
    ("words", "text"), [([], "none"), (["a"], "a"), (["a", "b"], "a and b"), (list("abcdef"), "a, b, c, d and 2 more")]
)
def test_joined(words: list[str], text: str) -> None:
    assert w.joined(words) == text


def test_count() -> None:
    assert (w.count(1, "node"), w.count(1204, "node"), w.count(2, "battery", "batteries")) == (
        "1 node", "1,204 nodes", "2 batteries",
    )  # fmt: skip


def test_a_shortfall_in_the_cold_is_said_with_its_date_or_not_at_all() -> None:
    now = 1_772_452_800.0  # 2026-03-02
    assert w.falls_short_in_the_cold(None, now) == ""
    said = w.falls_short_in_the_cold(now + 316 * 86_400.0, now)
    assert said == "On its coldest days it may fall short from 12 Jan 2027."
    assert w.falls_short_in_the_cold(now - 1.0, now) == "On its coldest days it may fall short from now on."
