"""The trips: every visit and job stands there by day, linked, bounded with a count, its cost beside the other ways."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import pytest

from lamplighter.report import build_view, render
from lamplighter.report.trips import BAR_WIDTH
from lamplighter.report.wording import cost_headline, parts_words, time_on_site, trips_title
from lamplighter.settings import Settings
from lamplighter.settings.report import ReportSettings
from lamplighter.triage.papers import attach_plan
from tests.report.build import assessment
from tests.report.test_page import read


@pytest.fixture(scope="module")
def made():
    return assessment(36)


@pytest.fixture(scope="module")
def plan(made) -> dict:
    return made.fleet["visits"]


@pytest.fixture(scope="module")
def trips(made):
    return build_view(made).trips


def text_of(html: str) -> str:
    return " ".join("".join(read(html).text).split())


def test_every_visit_and_job_of_the_plan_stands_in_order_of_days(plan, trips) -> None:
    told = [(v.place, [j.action for j in v.jobs]) for d in trips.days for v in d.trips]
    assert told == [(v["place"], [j["action"] for j in v["jobs"]]) for v in plan["visits"]]
    assert trips.more == 0


def test_visits_of_one_day_stand_together(made) -> None:
    a = assessment(36)
    for v in a.fleet["visits"]["visits"]:
        v["day"] = "2025-11-27"
    (day,) = build_view(a).trips.days
    assert (day.day, day.note) == ("Thu 27 Nov", "in 3 days")  # 24 Nov 2025 is a Monday (ISO calendar)
    assert len(day.trips) == len(a.fleet["visits"]["visits"])


def test_each_job_leads_to_the_section_of_its_node_or_gateway(made) -> None:
    view = build_view(made)
    anchors = {s.node: f"#{s.anchor}" for s in (*view.sections, *view.shared)}
    jobs = [j for d in view.trips.days for v in d.trips for j in v.jobs]
    assert "GW-2" in {j.subject for j in jobs}
    assert {j.subject: j.href for j in jobs} == {j.subject: anchors[j.subject] for j in jobs}


def test_a_job_for_a_node_that_is_not_known_has_no_link() -> None:
    a = assessment(12)
    a.fleet["visits"]["visits"][0]["jobs"] = [{"item": "node:gone", "name": "gone", "action": "Look", "part": ""}]
    job = build_view(a).trips.days[0].trips[0].jobs[0]
    assert (job.subject, job.name, job.href, job.due) == ("gone", "", "", "")


def test_a_job_says_when_it_is_due_and_whether_the_trip_comes_too_late(made, trips) -> None:
    jobs = {j.subject: (d.day, j) for d in trips.days for v in d.trips for j in v.jobs}
    dark = next(i for i in made.items if i.status == "F" and i.due < made.as_of)
    assert jobs[dark.subject][1].due == "due 23 Nov"
    assert jobs[dark.subject][1].late
    later = next(i for i in made.items if i.cause == "zero drift of the sensor")
    assert not jobs[later.subject][1].late


def test_what_to_bring_is_counted_over_the_jobs_of_a_trip() -> None:
    a = assessment(12)
    job = a.fleet["visits"]["visits"][0]["jobs"][0]
    a.fleet["visits"]["visits"][0]["jobs"] = [
        job | {"part": p} for p in ("2 x LR20", "ER14505; spare antenna", "2 x LR20")
    ]
    assert build_view(a).trips.days[0].trips[0].bring == "2 x LR20 (2 jobs), ER14505, spare antenna"


def test_the_coming_week_stands_on_the_first_screen_in_place_of_the_sites(made, plan, trips) -> None:
    until = "2025-12-01"  # 24 Nov and seven days
    assert [v.place for d in trips.soon for v in d.trips] == [v["place"] for v in plan["visits"] if v["day"] <= until]
    line = trips.soon[0].trips[0]
    page = text_of(render(build_view(made)))
    assert f"{line.place}{line.jobs_count}, Crew 1, {line.hours}" in page
    assert "Where, this week" not in page


def test_without_a_plan_the_sites_of_the_week_stand_there_and_no_link_leads_astray() -> None:
    a = assessment(36)
    del a.fleet["visits"]
    view = build_view(a)
    html = render(view)
    assert view.trips is None
    assert "Where, this week" in html
    assert "#trips" not in html
    assert 'id="trips"' not in html


def test_a_long_plan_is_cut_with_a_count_and_the_file_that_has_the_rest() -> None:
    a = assessment(36)
    plan = a.fleet["visits"]
    plan["visits"] = [plan["visits"][0] | {"day": f"2025-12-{d:02d}"} for d in range(1, 21)]
    plan["unmet"] = [f"Job {n}: not planned; no crew." for n in range(9)]
    plan["desk"] = [f"Desk {n}: Look." for n in range(8)]
    plan["parts"] = [{"month": f"2026-{m:02d}", "part": "ER14505", "count": 1} for m in range(1, 8)]
    trips = build_view(a, ReportSettings(trip_rows=5)).trips
    assert sum(len(d.trips) for d in trips.days) == 5
    assert (trips.more, trips.unmet_more, trips.desk_more, trips.parts_more) == (15, 4, 3, 2)
    page = text_of(render(build_view(a, ReportSettings(trip_rows=5))))
    assert "15 more trips stand in visits.csv." in page
    assert "Job 4" in page
    assert "Job 5" not in page


def test_a_plan_without_trips_says_so() -> None:
    a = assessment(36)
    a.fleet["visits"] |= {"visits": [], "parts": [], "unmet": [], "desk": [], "costs": [], "notices": []}
    page = text_of(render(build_view(a)))
    assert "Nothing needs a trip before 23 May 2026." in page
    assert "No trip this week." in page


def test_what_cannot_be_met_what_needs_a_desk_and_what_to_order_are_all_told(made, plan) -> None:
    page = text_of(render(build_view(made)))
    for words in (*plan["unmet"], *plan["desk"], *plan["notices"], plan["proof"], "lamplighter visits", "visits.ics"):
        assert words in page
    parts = {f.label: f.value for f in build_view(made).trips.parts}
    assert parts == {"Nov 2025": "D cell, Li-SOCl2 (2 jobs), spare antenna", "Jan 2026": "2 x LR20"}


def test_desk_work_leads_to_its_node_even_where_two_are_called_alike() -> None:
    a = assessment(36)
    a.items = [replace(i, name="Level", action="Confirm the interval", minutes=0.0) for i in a.items[:2]] + a.items[2:]
    a.fleet["visits"]["desk"] = ["Level: Confirm the interval."] * 2
    view = build_view(a)
    anchors = {s.node: f"#{s.anchor}" for s in view.sections}
    assert [(d.subject, d.href) for d in view.trips.desk] == [(i.subject, anchors[i.subject]) for i in a.items[:2]]


def test_bars_are_as_long_as_the_costs_and_made_of_their_parts(plan, trips) -> None:
    dearest = max(c["total"] for c in plan["costs"])
    for line, cost in zip(trips.costs, plan["costs"], strict=True):
        assert sum(s.width for s in line.bar) == pytest.approx(BAR_WIDTH * cost["total"] / dearest, abs=0.2)
        assert line.total == f"{cost['total']:,.0f} EUR"
        for s in line.bar:
            assert s.width == pytest.approx(BAR_WIDTH * cost[s.key] / dearest, abs=0.051)
    assert [line.own for line in trips.costs] == [True, False, False, False]
    assert trips.costs[0].parts == "travel 2,250 EUR, work 675 EUR, battery life wasted 283 EUR, data lost 637 EUR"


@pytest.mark.parametrize(
    ("totals", "words"),
    [([1000, 1500, 1220], "The plan costs 1,000; to make one trip an item would cost 22 % more."),
     ([1000, 900, 1220], "The plan costs 1,000; to replace on failure would cost 10 % less."),
     ([1000, 1001, 1220], "The plan costs 1,000, as much as to replace on failure."),
     ([0, 0, 0], "The plan costs 0."),
     ([], "")],
)  # fmt: skip
def test_the_headline_of_the_costs_names_the_cheapest_other_way(totals: list[float], words: str) -> None:
    ways = ("this plan", "replace on failure", "one trip an item")
    assert cost_headline([{"way": w, "total": t} for w, t in zip(ways, totals, strict=False)], "") == words


def test_small_words() -> None:
    assert (time_on_site(45), time_on_site(70)) == ("45 min", "1.2 h")
    assert trips_title(1, 1, date(2026, 5, 2)) == "1 trip to 1 place until 2 May 2026"
    assert parts_words([("A", 1), ("B", 3)]) == "A, B (3 jobs)"


def test_texts_of_the_plan_are_escaped() -> None:
    a = assessment(36)
    evil, plan = '<b onclick="x">&', a.fleet["visits"]
    plan |= {"unmet": [evil], "desk": [evil], "notices": [evil], "ages": [evil], "proof": evil, "currency": evil}
    plan["parts"] = [{"month": "2026-01", "part": evil, "count": 2}]
    for v in plan["visits"]:
        v |= {"place": evil, "crew": evil}
        v["jobs"] = [{"item": f"node:{evil}", "name": evil, "action": evil, "part": evil}]
    for c in plan["costs"]:
        c |= {"way": evil, "reckoned": evil}
    html = render(build_view(a))
    page = read(html)
    assert page.open == []
    assert not any("onclick" in attrs for _, attrs in page.found)
    assert html.count("&lt;b onclick=") >= 8 * 3
    assert not re.search("<b onclick", html)


def test_the_plan_that_the_planner_makes_is_understood() -> None:
    """The plain data as written today, not as these tests invent them."""
    a = assessment(36)
    plan = attach_plan(a, Settings())
    trips = build_view(a, ReportSettings(trip_rows=500)).trips
    assert plan.visits
    assert [v.place for d in trips.days for v in d.trips] == [v.place for v in plan.visits]
    told = [[j.subject for j in v.jobs] for d in trips.days for v in d.trips]
    assert told == [[j.subject for j in v.jobs] for v in plan.visits]
    assert len(trips.costs) == len(plan.costs)
    assert read(render(build_view(a))).open == []
