"""What changed between two weeks, and what stays quiet because someone knows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from lamplighter import assess, read_exports
from lamplighter.compare import Acknowledgement, changes_of, compare, comparison_text, in_force, read_acknowledged
from lamplighter.errors import InputError
from lamplighter.results import Assessment, Finding, NodeRow
from tests.core.test_results import an_assessment
from tests.open_data import motes, write_export

DAY = 86_400.0
THEN = 1764054000.0
NOW = THEN + 7 * DAY


def week(
    as_of: float, findings: list[Finding], nodes: tuple[str, ...] = ("A", "B"), worklog: list | None = None
) -> Assessment:
    base = an_assessment()
    return replace(base, as_of=as_of, findings=findings, nodes=[NodeRow(node=n) for n in nodes], worklog=worklog or [])


def finding(**changes) -> Finding:
    return Finding(
        **{"check": "radio", "kind": "rssi_trend", "node": "A", "severity": "M", "evidence": "fades", **changes}
    )


def battery_end(days: float) -> Finding:
    """A battery finding as the check makes it: days left as its value, the date in its data."""
    return finding(check="battery", kind="battery_end", value=days, unit="days", data={"p50": NOW + days * DAY})


def kinds(old: list[Finding], new: list[Finding], **more) -> list[tuple[str, str]]:
    found = compare(week(THEN, old), week(NOW, new, **more))
    return [(c.kind, c.node) for c in found.changes]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ([], [finding()], [("new", "A")]),
        ([finding()], [finding()], []),
        ([finding()], [finding(severity="F")], [("worse", "A")]),
        ([finding(severity="F")], [finding()], [("better", "A")]),
        ([finding()], [], [("gone", "A")]),
        ([], [finding(severity="info")], []),
        ([finding(severity="info")], [], []),
        ([finding(value=-6.0, unit="dB/yr")], [finding(value=-9.0, unit="dB/yr")], [("worse", "A")]),
        ([finding(value=-6.0, unit="dB/yr")], [finding(value=-6.6, unit="dB/yr")], []),
        ([battery_end(90)], [battery_end(60)], [("worse", "A")]),
        ([battery_end(90)], [battery_end(88)], []),
        ([battery_end(60)], [battery_end(90)], [("better", "A")]),
        ([finding(kind="low_delivery", value=0.8)], [finding(kind="low_delivery", value=0.4)], [("worse", "A")]),
        ([finding(kind="low_margin", value=4.0)], [finding(kind="low_margin", value=8.0)], [("better", "A")]),
        ([finding(kind="silent", value=10.0)], [finding(kind="silent", value=300.0)], []),
    ],
)
def test_kinds_of_change(old: list[Finding], new: list[Finding], expected: list) -> None:
    assert kinds(old, new) == expected


def test_an_event_whose_date_was_refined_is_not_new() -> None:
    old = finding(kind="rssi_step", key="2025-11-01", since=THEN - 20 * DAY)
    new = finding(kind="rssi_step", key="2025-11-03", since=THEN - 18 * DAY)
    assert kinds([old], [new]) == []


def test_a_second_event_is_new() -> None:
    old = finding(kind="rssi_step", key="2025-11-01", since=THEN - 20 * DAY)
    new = finding(kind="rssi_step", key="2025-11-30", since=NOW - 2 * DAY)
    assert kinds([old], [old, new]) == [("new", "A")]


def test_logged_work_makes_it_done() -> None:
    log = [{"node": "A", "time": THEN + DAY, "action": "antenna changed", "note": ""}]
    found = compare(week(THEN, [finding()]), week(NOW, [], worklog=log))
    assert found.changes[0].kind == "done"
    assert found.changes[0].reason == "work log: antenna changed on 26 Nov 2025"


def test_a_swap_seen_in_the_data_makes_it_done() -> None:
    old = finding(check="battery", kind="battery_end")
    swap = finding(check="battery", kind="battery_swap", severity="info", since=THEN + 2 * DAY, key="2025-11-27")
    assert kinds([old], [swap]) == [("done", "A")]


def test_a_node_that_left_is_said_to_have_left() -> None:
    found = compare(week(THEN, [finding()]), week(NOW, [], nodes=("B",)))
    assert found.changes[0].reason == "the node is no longer in the data"


def test_acknowledged_stays_quiet_until_its_date_or_until_worse() -> None:
    old, same, worse = finding(), finding(), finding(severity="F")
    known = [Acknowledgement(id=same.id, until=NOW + DAY, note="part on order")]
    assert compare(week(THEN, []), week(NOW, [same]), acknowledged=known).changes == ()
    assert compare(week(THEN, [old]), week(NOW, [worse]), acknowledged=known).changes[0].kind == "worse"
    late = [Acknowledgement(id=same.id, until=NOW - DAY)]
    assert compare(week(THEN, []), week(NOW, [same]), acknowledged=late).changes[0].kind == "new"
    stated = [Acknowledgement(id=same.id, until=NOW + DAY, severity="M")]
    assert in_force(stated, week(NOW, [worse])) == []


def test_text_and_plain_data_name_every_kind() -> None:
    found = compare(week(THEN, []), week(NOW, [finding()]))
    assert "new: 1" in comparison_text(found)
    assert changes_of(found)["new"] == [{"id": "radio:rssi_trend:A", "node": "A", "severity": "M", "text": "fades"}]


def test_acknowledged_file(tmp_path: Path) -> None:
    path = tmp_path / "acknowledged.csv"
    path.write_text("id,until,severity,note\nradio:rssi_trend:A,2026-01-15,,part on order\n", encoding="utf-8")
    (only,) = read_acknowledged(path)
    assert only.until == 1768521599.0  # 2026-01-15 23:59:59 UTC, by the calendar
    assert read_acknowledged(tmp_path / "none.csv") == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n", "needs the columns"),
        ("id,until\nx,soon\n", "until is 'soon'"),
        ("id,until,severity\nx,2026-01-01,Q\n", "unknown severity"),
    ],
)
def test_a_wrong_acknowledged_file_is_refused(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=words):
        read_acknowledged(path)


def test_the_dates_compared_are_those_that_the_battery_check_gives(tmp_path: Path) -> None:
    export = write_export(motes("01", "45"), tmp_path / "motes.csv")
    (tmp_path / "register.csv").write_text("node,cutoff_v\nmote-01,2.3\nmote-45,2.3\n", encoding="utf-8")
    found = assess(read_exports([export]), tmp_path / "register.csv", as_of="2004-03-16T20:00Z")
    ends = [f for f in found.findings if f.kind == "battery_end"]
    assert ends
    assert all(isinstance(f.data["p50"], float) for f in ends)
