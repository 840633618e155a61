"""The view model says what the assessment says, in words, and leaves nothing out unsaid."""

from __future__ import annotations

import base64
import gzip
import json
from dataclasses import replace

import pytest

from lamplighter.overview import overview
from lamplighter.report import build_view
from lamplighter.report.common import anchor
from lamplighter.report.nodes import facts
from lamplighter.report.view import MB, allowance
from lamplighter.report.wording import due_note, headline, near_date, sure_words
from lamplighter.results import NodeRow, Verdict
from lamplighter.settings.report import ReportSettings
from tests.report.build import AS_OF, DAY, assessment


@pytest.fixture(scope="module")
def made():
    return assessment(36)


@pytest.fixture(scope="module")
def view(made):
    return build_view(made)


def unpacked(text: str) -> dict:
    return json.loads(gzip.decompress(base64.b64decode(text)))


def test_this_week_holds_what_is_due_within_seven_days_and_the_rest_can_wait(made, view) -> None:
    due = [i for i in made.items if i.due is not None and i.due <= made.as_of + 7 * DAY]
    assert [w.rank for w in view.week] == sorted(i.rank for i in due)
    assert len(view.week) + len(view.later) + view.later_more == len(made.items)


def test_work_without_a_date_is_never_this_week() -> None:
    a = assessment(12)
    a.items = [replace(i, due=None) for i in a.items]
    view = build_view(a)
    assert view.week == ()
    assert "Nothing has to be done this week" in view.week_empty
    assert {w.due for w in view.later} == {"no date"}


def test_every_node_stands_once_in_the_table_and_once_as_a_section(made, view) -> None:
    names = [r.node for r in made.nodes]
    assert [n.node for n in view.nodes] == names
    assert [s.node for s in view.sections] == names
    assert len({s.anchor for s in view.sections}) == len(names)


def test_the_tally_counts_every_node(made, view) -> None:
    assert sum(t.count for t in view.tally) == len(made.nodes)
    assert [t.signal.key for t in view.tally] == ["F", "S", "M", "good"]


def test_a_node_that_cannot_be_judged_is_not_called_good() -> None:
    a = assessment(2)
    a.nodes[1].status = ""
    view = build_view(a)
    assert view.nodes[1].signal.label == "Cannot be judged"
    assert {t.signal.key for t in view.tally} == {"good", "none"}


def test_each_check_has_a_verdict_and_not_evaluated_carries_its_reason(view) -> None:
    section = view.sections[0]
    assert [v.check for v in section.verdicts] == ["Check-ins", "Radio", "Zero", "Stuck readings", "Data", "Battery"]
    zero = next(v for s in view.sections for v in s.verdicts if v.check == "Zero" and v.state == "not evaluated")
    assert "register" in zero.reason


def test_a_check_that_did_not_run_is_not_evaluated() -> None:
    a = assessment(1)
    del a.verdicts[a.nodes[0].node]["battery"]
    battery = build_view(a).sections[0].verdicts[-1]
    assert (battery.check, battery.state) == ("Battery", "not evaluated")


def test_chart_titles_state_the_finding_where_there_is_one(made, view) -> None:
    by_node = {s.node: s for s in view.sections}
    for finding in made.findings:
        key = {"stuck": "reading"}.get(finding.check, finding.check)
        chart = next(c for c in by_node[finding.node].charts if c.key == key)
        assert finding.evidence.startswith(chart.title)
        assert len(chart.title) > 20


def test_every_chart_has_a_title_an_axis_and_a_text_alternative(view) -> None:
    for chart in [c for s in view.sections for c in s.charts] + list(view.panels):
        assert chart.title
        assert chart.axis
        assert chart.alt


def test_chart_titles_do_not_call_good_what_was_not_evaluated() -> None:
    a = assessment(1)
    node = a.nodes[0].node
    for check in ("radio", "stuck"):
        a.verdicts[node][check] = Verdict(state="not evaluated", reason="Too few days.")
    titles = {c.key: c.title for c in build_view(a).sections[0].charts}
    assert "not evaluated" in titles["radio"]
    assert "not evaluated" in titles["reading"]


def test_a_battery_chart_does_not_call_a_voltage_of_long_ago_that_of_today() -> None:
    a = assessment(1)
    row = a.nodes[0]
    row.battery_v, row.eol_p10, row.eol_p90 = 3.4, None, None
    a.findings[:] = [f for f in a.findings if f.check != "battery"]
    a.series[row.node]["battery"]["lost_since"] = 1_770_076_800  # 2026-02-03
    titles = {c.key: c.title for c in build_view(a).sections[0].charts}
    assert titles["battery"] == "Battery was at 3.4 V on 3 Feb 2026, its last voltage"


def test_chart_data_hold_what_the_assessment_holds(made, view) -> None:
    section = next(s for s in view.sections if made.row(s.node).eol_p50)
    data = unpacked(section.data)
    series = made.series[section.node]
    assert len(data["battery"]["volts"]["v"]) == len(series["battery"]["volts"])
    assert data["battery"]["cutoff"] == series["battery"]["cutoff_v"]
    assert data["battery"]["eol"] == [round(e) for e in series["battery"]["eol"]]
    assert data["span"] == [round(made.start), round(made.as_of)]
    assert data["work"][0][1] == "battery replaced spare cell"


def test_when_the_allowance_is_spent_the_worst_nodes_keep_their_charts_and_the_page_says_so(made) -> None:
    full = build_view(made)
    some = build_view(made, ReportSettings(detail_mb=sum(len(s.data) for s in full.sections[:10]) / MB))
    assert [bool(s.data) for s in some.sections] == [True] * 10 + [False] * 26
    assert some.sections[10].charts == ()
    assert "left out" in some.sections[10].note
    assert "10 nodes" in some.detail_note
    assert "26" in some.detail_note


@pytest.mark.parametrize(("nodes", "mb"), [(1, 4.0), (240, 4.0), (2000, 2.9), (5000, 0.0)])
def test_large_fleets_leave_less_room_for_charts(nodes: int, mb: float) -> None:
    assert allowance(ReportSettings(), nodes) == pytest.approx(mb * MB)


def test_changes_are_grouped_linked_and_empty_groups_left_out(view) -> None:
    assert view.changes.since == "17 Nov 2025"
    assert [g.kind for g in view.changes.groups] == ["new", "worse", "done", "gone"]
    assert view.changes.groups[0].lines[0].href == view.sections[0].anchor.join(("#", ""))


def test_without_an_earlier_run_the_page_says_so() -> None:
    view = build_view(assessment(1))
    assert view.changes.groups == ()
    assert "No earlier week" in view.changes.note


def test_many_changes_are_cut_with_a_count() -> None:
    a = assessment(36)
    a.changes["new"] = [{"id": str(i), "node": r.node, "text": "x"} for i, r in enumerate(a.nodes)]
    group = build_view(a).changes.groups[0]
    assert (len(group.lines), group.more) == (36, 32)


def test_cautions_begin_with_the_sites_own_procedures(view) -> None:
    assert "site's own procedures" in view.cautions[0]
    assert any("Lithium" in c for c in view.cautions)
    good = next(s for s in view.sections if s.signal.key == "good")
    assert good.cautions == ()


def test_the_data_account_tells_where_every_record_went(made, view) -> None:
    a = made.account
    for number in (a.records_read, a.kept, a.duplicates, a.rejected):
        assert f"{number:,}" in view.account.sentence
    assert view.account.balanced
    assert [f.label for f in view.account.reasons] == ["time cannot be read", "voltage outside 0 to 60 V"]
    assert any("could not be read: exports/2025-11.csv" in t for t in view.trust)


def test_settings_show_unit_and_reason_and_changed_ones_come_first() -> None:
    a = assessment(1)
    a.settings["report"]["week_days"] = 10.0
    lines = build_view(a).settings
    assert (lines[0].name, lines[0].value, lines[0].unit, lines[0].changed) == ("week_days", "10.0", "days", True)
    assert not any(line.changed for line in lines[1:])
    assert all(line.reason for line in lines)


def test_a_short_record_is_warned_of() -> None:
    assert any("record is short" in t for t in build_view(assessment(2, days=20)).trust)
    assert not any("record is short" in t for t in build_view(assessment(2)).trust)


def test_the_fleet_panels_ask_five_questions(view) -> None:
    assert [p.key for p in view.panels] == ["batteries", "gateways", "delivery", "margin", "headroom"]
    data = unpacked(view.fleet_data)
    assert len(data["batteries"]["x"]) == len(data["batteries"]["expected"])
    assert len(data["gateways"]["nodes"]) == 36


def test_without_fleet_numbers_there_are_no_panels() -> None:
    a = assessment(4)
    a.fleet = {}
    assert build_view(a).panels == ()


def test_positions_are_plotted_north_up_at_one_scale() -> None:
    a = assessment(3)
    names = [r.node for r in a.nodes]
    for name, (lat, lon) in zip(names, [(52.0, 0.0), (52.0, 0.1), (52.1, 0.0)], strict=True):
        a.register[name] |= {"latitude": lat, "longitude": lon}
    dots = {d.label: d for d in build_view(a).sketch.dots}
    origin, east, north = (dots[n] for n in names)
    assert east.x > origin.x
    assert east.y == pytest.approx(origin.y, abs=0.2)
    assert north.y < origin.y
    # cos(52.03 deg) = 0.615: a degree of longitude is that much shorter than one of latitude (sphere)
    assert (east.x - origin.x) / (origin.y - north.y) == pytest.approx(0.615, abs=0.003)


def placed(offsets: list[tuple[float, float]]):
    """Return an assessment whose nodes stand so many degrees north and east of a point, and its sketch's dots."""
    a = assessment(len(offsets))
    names = sorted(r.node for r in a.nodes)
    for name, (north, east) in zip(names, offsets, strict=True):
        a.register[name] |= {"latitude": 52.0 + north, "longitude": east}
    sketch = build_view(a).sketch
    return names, sketch, {d.label: d for d in sketch.dots}


RING = [(0.01 * n, 0.012 * ((7 * n) % 9 - 4)) for n in range(-5, 6)]


def test_a_position_far_off_does_not_empty_the_sketch() -> None:
    names, sketch, dots = placed([*RING, (2.0, 0.0)])
    far = dots[names[-1]]
    near = [dots[n] for n in names[:-1]]
    _, plain, alone = placed(RING)
    assert [(d.x, d.y) for d in near] == [(alone[n].x, alone[n].y) for n in names[:-1]], (
        "the others stand as without it"
    )
    assert plain.arrows == ()
    assert len(sketch.arrows) == 1
    assert far.y == pytest.approx(26)  # the upper edge: it lies to the north
    assert all(0 < d.x < sketch.width and 0 < d.y < sketch.height for d in sketch.dots)
    # two degrees of latitude are 222.6 km (sphere of 6,371 km); the middle one stands 0.5 km north of the point
    assert (
        sketch.note == f"{names[-1]} (222 km from the middle) lies off the sketch, where the arrow points; "
        "check its position in the register."
    )


@pytest.mark.parametrize(
    "offsets", [RING, [(n, e) for n, e in RING] + [(0.08, 0.07)], [(0, 0), (0, 0.1), (5, 0)], [(0, 0)] * 9]
)
def test_nothing_is_called_far_off_in_a_plain_layout_or_among_a_few(offsets) -> None:
    _, sketch, _ = placed(offsets)
    assert sketch.arrows == ()
    assert sketch.note == ""


def test_sites_are_named_on_the_sketch_where_they_lie_apart() -> None:
    a = assessment(14)
    for i, row in enumerate(sorted(a.nodes, key=lambda r: (r.site, r.node))):
        a.register[row.node] |= {"latitude": 52 + 0.1 * (i // 2) + 0.001 * (i % 2), "longitude": 0.001 * (i % 2)}
    assert sorted(name for _, _, name in build_view(a).sketch.labels) == sorted({r.site for r in a.nodes})
    for i, row in enumerate(sorted(a.nodes, key=lambda r: r.node)):
        a.register[row.node] |= {"latitude": 52 + 0.01 * ((5 * i) % 14), "longitude": 0.01 * ((3 * i) % 14)}
    assert build_view(a).sketch.labels == ()


def test_without_positions_the_strip_of_sites_remains() -> None:
    a = assessment(8)
    for entry in a.register.values():
        entry["latitude"] = None
    view = build_view(a)
    assert view.sketch is None
    assert "register" in view.sketch_missing
    assert sum(len(s.marks) for s in view.strip) == sum(1 for r in a.nodes if r.status != "good")


def test_an_empty_fleet_makes_a_page_that_says_so() -> None:
    view = build_view(assessment(0))
    assert view.headline == "No node has been heard in these data."
    assert (view.nodes, view.sections, view.panels, view.week) == ((), (), (), ())


def test_a_registered_node_never_heard_has_a_row_and_a_section() -> None:
    a = assessment(1)
    a.nodes.append(NodeRow(rank=2, node="never", status="F", reason="Never heard."))
    a.verdicts["never"] = {}
    section = build_view(a).sections[1]
    assert (section.node, section.charts, section.data) == ("never", (), "")
    assert all(v.state == "not evaluated" for v in section.verdicts)


def test_a_node_with_one_check_in_is_drawn_without_error() -> None:
    view = build_view(assessment(1, days=1))
    data = unpacked(view.sections[0].data)
    assert data["reading"]["x"] == {"a": int(AS_OF // DAY), "d": []}


def test_an_older_assessment_with_unknown_report_settings_still_shows() -> None:
    a = assessment(1)
    a.settings["report"]["no_longer_there"] = 3
    assert build_view(a).nodes


def test_anchors_are_plain_and_stay_the_same() -> None:
    assert anchor("LT-101") == anchor("LT-101")
    for name in ('a"><script>', "=1+1", "שלום", "🔥", "a b"):
        assert anchor(name).replace("-", "").isalnum()
        assert anchor(name).isascii()


@pytest.mark.parametrize(
    ("days", "words"),
    [(-3, "3 days overdue"), (-1, "1 day overdue"), (0, "today"), (1, "tomorrow"), (5, "in 5 days"), (21, "in 3 weeks"),
     (200, "in 7 months")],
)  # fmt: skip
def test_due_notes(days: int, words: str) -> None:
    assert due_note(AS_OF + days * DAY, AS_OF) == words


def test_a_year_is_left_out_of_a_near_date_only() -> None:
    assert near_date(AS_OF + 3 * DAY, AS_OF) == "27 Nov"
    assert near_date(AS_OF + 300 * DAY, AS_OF) == "20 Sep 2026"
    assert near_date(None, AS_OF) == ""


@pytest.mark.parametrize(
    ("probability", "words"),
    [(0.97, "nearly certain"), (0.8, "very likely"), (0.6, "likely"), (0.45, "about even"), (0.2, "a guess"),
     (None, "not rated")],
)  # fmt: skip
def test_how_sure(probability: float | None, words: str) -> None:
    assert sure_words(probability) == words


@pytest.mark.parametrize(
    ("jobs", "places", "failed", "words"),
    [(0, 0, 0, "Nothing has to be done this week."),
     (1, 1, 1, "1 job this week at one site; 1 node is lost or wrong."),
     (5, 3, 2, "5 jobs this week at 3 sites; 2 nodes are lost or wrong."),
     (2, 0, 0, "2 jobs this week.")],
)  # fmt: skip
def test_headlines(jobs: int, places: int, failed: int, words: str) -> None:
    assert headline(jobs, places, failed, 10) == words


def test_acknowledged_work_is_not_this_week_but_is_not_hidden() -> None:
    a = assessment(12)
    item = next(i for i in a.items if i.status == "F")
    until = a.as_of + 20 * DAY
    a.changes = {"acknowledged": [{"id": f, "until": until, "note": "part on order"} for f in item.findings]}
    view = build_view(a)
    assert item.rank not in {w.rank for w in view.week}
    last = view.later[-1]
    assert (last.rank, last.quiet, last.overdue) == (item.rank, True, False)
    assert last.due_note == "known, quiet until 14 Dec 2025: part on order"
    group = view.changes.groups[0]
    assert (group.label, group.lines[0].subject, group.lines[0].text) == (
        "Known, kept quiet",
        item.subject,
        "Silent: until 14 Dec 2025: part on order",
    )


def test_changes_as_the_comparison_writes_them_are_understood() -> None:
    """Since as seconds, gateways under the same name as nodes, long reasons cut at the first sentence."""
    a = assessment(12)
    a.changes = {
        "since": a.as_of - 7 * DAY,
        "new": [
            {"id": "outage:gateway_outage:GW-2", "node": "GW-2", "severity": "S", "text": "It fell silent. Twice."}
        ],
        "gone": [],
        "acknowledged": [],
    }
    changes = build_view(a).changes
    assert changes.since == "17 Nov 2025"
    assert (changes.groups[0].lines[0].subject, changes.groups[0].lines[0].text) == ("GW-2", "It fell silent")
    a.changes["new"] = []
    assert build_view(a).changes.note == "Nothing changed since then."


def test_a_gateway_that_needs_a_person_has_a_section_with_its_outages() -> None:
    a = assessment(12)
    view = build_view(a)
    line = next(w for w in (*view.week, *view.later) if w.subject == "GW-2")
    section = view.shared[0]
    assert line.href == f"#{section.anchor}"
    assert section.reason == next(i.reason for i in a.items if i.subject == "GW-2")
    assert [f.value for f in section.facts] == ["9 hours, 11 nodes silent"]
    assert section.anchor not in {s.anchor for s in view.sections}


def test_batteries_that_are_past_their_cut_off_are_named_before_those_to_come() -> None:
    a = assessment(36)
    for row in a.nodes[:2]:
        row.eol_p10, row.eol_p50, row.eol_p90 = (a.as_of - n * DAY for n in (70, 60, 50))
    a.fleet["overview"] = overview(a.nodes, a.series, a.gaps, a.as_of)
    assert build_view(a).panels[0].title.startswith("2 batteries are likely past the cut-off; ")


STALE = "The last check-in is 12 days old; the weekly job expects data no older than 3 days."


def test_what_makes_the_run_doubtful_is_passed_on_as_it_was_said() -> None:
    a = assessment(4)
    assert build_view(a).warnings == ()
    a.warnings = [STALE, "2 of 3 gateways sent nothing this week."]
    assert build_view(a).warnings == tuple(a.warnings)


def relative_words(view) -> list[str]:
    trips = view.trips
    notes = [day.note for day in (*trips.soon, *trips.days)] + [line.due_note for line in (*view.week, *view.later)]
    return [note for note in notes if note]


def test_with_doubtful_data_nothing_is_said_to_be_so_many_days_off() -> None:
    a = assessment(36)
    assert any(note.startswith("in ") for note in relative_words(build_view(a)))
    a.warnings = [STALE]
    assert set(relative_words(build_view(a))) == {"overdue"}, "what was late then is late now, by who knows how much"
    calm = assessment(12)
    calm.items = [replace(i, due=calm.as_of + 30 * DAY) for i in calm.items]
    assert "(in 4 weeks)" in build_view(calm).week_empty
    calm.warnings = [STALE]
    assert "weeks)" not in build_view(calm).week_empty
    assert " by 24 Dec 2025." in build_view(calm).week_empty


@pytest.mark.parametrize(
    ("due", "note", "late", "note_when_doubtful"),
    [
        (AS_OF - 3 * DAY, "3 days overdue", True, "overdue"),
        (AS_OF // DAY * DAY - 1, "1 day overdue", True, "overdue"),
        (AS_OF // DAY * DAY, "today", False, ""),
        (AS_OF, "today", False, ""),
        (AS_OF + 2 * DAY, "in 2 days", False, ""),
    ],
)
def test_work_due_before_the_present_day_is_overdue_and_work_of_the_day_is_due_today(
    due: float, note: str, late: bool, note_when_doubtful: str
) -> None:
    a = assessment(12)
    a.items = [replace(a.items[0], due=due)]
    line = build_view(a).week[0]
    assert (line.due_note, line.overdue) == (note, late)
    a.warnings = [STALE]
    line = build_view(a).week[0]
    assert (line.due_note, line.overdue) == (note_when_doubtful, late)


def test_the_sections_of_this_weeks_work_are_marked_for_printing(made, view) -> None:
    marked = {f"#{s.anchor}" for s in (*view.shared, *view.sections) if s.this_week}
    assert marked == {line.href for line in view.week}
    assert 0 < len(marked) < len(view.sections)


def test_the_shortfall_in_the_cold_stands_among_the_figures_of_a_node() -> None:
    day = 1_772_452_800.0  # 2026-03-02
    row = NodeRow(node="a", eol_cold_p10=day, eol_cold_p50=day + 30 * DAY, eol_cold_p90=day + 60 * DAY)
    told = {f.label: f.value for f in facts(row)}
    assert told["Short in the cold"] == "between 2 Mar and 1 May 2026, most likely from 1 Apr 2026"
    assert "Short in the cold" not in {f.label for f in facts(NodeRow(node="a"))}
