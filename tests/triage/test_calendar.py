"""The calendar file, read back with the icalendar package (RFC 5545)."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import icalendar
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter import wording
from lamplighter.triage.calendar import LINE_OCTETS, calendar_text, escaped, folded
from lamplighter.triage.visits import VisitPlan, plan_visits
from tests.triage.build import DAY_S, Fleet, ending

NASTY = 'Überlauf; "Süd", Tor\\3 <b>&\nzweite Zeile 水位'


def plan_of(site: str = "North", name: str = "Point", **moved: float) -> VisitPlan:
    fleet = ending("N00", 40, 60, 90)
    fleet.nodes["N00"] = replace(fleet.nodes["N00"], site=site, name=name)
    return plan_visits(replace(fleet.assessment(), **moved) if moved else fleet.assessment())


def events(text: str) -> list[icalendar.Event]:
    return list(icalendar.Calendar.from_ical(text).walk("VEVENT"))


def test_a_parser_reads_back_what_was_planned() -> None:
    plan = plan_of()
    (event,) = events(calendar_text(plan))
    (visit,) = plan.visits
    assert str(event["UID"]) == visit.uid
    assert event.decoded("DTSTART") == datetime.fromtimestamp(visit.start, UTC)
    assert event.decoded("DTEND") == datetime.fromtimestamp(visit.end, UTC)
    assert event.decoded("DTSTAMP") == wording.instant(plan.as_of)
    assert str(event["SUMMARY"]) == "North: 1 job (Crew 1)"
    assert str(event["LOCATION"]) == "North"
    assert "Point (N00): Replace the battery [BP-1]" in str(event["DESCRIPTION"])
    assert "Nothing here authorises work." in str(event["DESCRIPTION"])


def test_the_calendar_has_what_the_standard_requires() -> None:
    calendar = icalendar.Calendar.from_ical(calendar_text(plan_of()))
    assert str(calendar["VERSION"]) == "2.0"
    assert calendar["PRODID"]
    assert not calendar.errors
    for event in calendar.walk("VEVENT"):
        assert not event.errors
        assert {"UID", "DTSTAMP", "DTSTART", "DTEND", "SEQUENCE"} <= set(event.keys())


def test_lines_end_with_crlf_and_are_no_longer_than_75_octets() -> None:
    text = calendar_text(plan_of(site=NASTY * 5, name=NASTY * 9))
    assert "\n" not in text.replace("\r\n", "")
    assert text.endswith("END:VCALENDAR\r\n")
    assert max(len(line.encode("utf-8")) for line in text.split("\r\n")) <= LINE_OCTETS


def test_names_with_every_awkward_character_come_back_whole() -> None:
    (event,) = events(calendar_text(plan_of(site=NASTY, name=NASTY)))
    assert str(event["LOCATION"]) == NASTY
    assert NASTY in str(event["DESCRIPTION"])


def test_a_name_cannot_smuggle_in_lines_of_its_own() -> None:
    text = calendar_text(plan_of(site="North\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nUID:x"))
    assert len(events(text)) == 1


def test_a_later_plan_replaces_the_earlier_event() -> None:
    fleet = ending("N00", 60, 90, 120)
    later = ending("N00", 52, 82, 112)
    (first,) = events(calendar_text(plan_visits(fleet.assessment())))
    week_on = replace(later.assessment(), as_of=fleet.assessment().as_of + 7 * DAY_S)
    (second,) = events(calendar_text(plan_visits(week_on)))
    assert str(first["UID"]) == str(second["UID"])
    assert int(second["SEQUENCE"]) > int(first["SEQUENCE"])


def test_a_visit_that_is_planned_no_more_is_cancelled_and_only_once() -> None:
    before = plan_of(site=NASTY)
    last_week = calendar_text(before)
    empty = plan_visits(Fleet().assessment())
    text = calendar_text(empty, last_week)
    (event,) = events(text)
    assert (str(event["UID"]), str(event["STATUS"])) == (before.visits[0].uid, "CANCELLED")
    assert event.decoded("DTSTART") == datetime.fromtimestamp(before.visits[0].start, UTC)
    assert NASTY in str(event["SUMMARY"])
    assert events(calendar_text(empty, text)) == []


def test_a_visit_still_planned_and_a_visit_already_made_are_not_cancelled() -> None:
    before = plan_of()
    assert [str(e["STATUS"]) for e in events(calendar_text(before, calendar_text(before)))] == ["TENTATIVE"]
    later = replace(plan_visits(Fleet().assessment()), as_of=before.visits[0].end)
    assert events(calendar_text(later, calendar_text(before))) == []


def test_the_same_plan_gives_the_same_bytes() -> None:
    assert calendar_text(plan_of()) == calendar_text(plan_of())


def test_a_plan_without_visits_is_still_a_calendar() -> None:
    assert events(calendar_text(plan_visits(Fleet().assessment()))) == []


plain_text = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=200)


@given(plain_text)
def test_folding_tears_no_character_and_unfolds_to_the_same(text: str) -> None:
    line = "SUMMARY:" + escaped(text)
    parts = folded(line).split("\r\n")
    assert all(len(p.encode("utf-8")) <= LINE_OCTETS for p in parts)
    assert all(p.startswith(" ") for p in parts[1:])
    assert parts[0] + "".join(p[1:] for p in parts[1:]) == line


@given(plain_text)
def test_escaping_is_undone_by_the_parser(text: str) -> None:
    event = f"BEGIN:VEVENT\r\n{folded('SUMMARY:' + escaped(text))}\r\nEND:VEVENT\r\n"
    assert str(icalendar.Event.from_ical(event)["SUMMARY"]) == text


@pytest.mark.parametrize(
    ("text", "safe"),
    [("a;b", "a\\;b"), ("a,b", "a\\,b"), ("a\\b", "a\\\\b"), ("a\r\nb", "a\\nb"), ("a\rb", "a\\nb"), ("a\x07b", "ab")],
)
def test_what_the_standard_reserves_is_escaped(text: str, safe: str) -> None:
    """RFC 5545 section 3.3.11."""
    assert escaped(text) == safe
