"""Trips: windows, crews, seasons, what cannot be met, and what the plan costs."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import product

import numpy as np
import pytest
from scipy import integrate
from scipy.stats import norm

from lamplighter import wording
from lamplighter.checkins import DAY_S
from lamplighter.errors import InputError, SettingsError
from lamplighter.fleet import WorkEntry
from lamplighter.results import read_assessment, write_assessment
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.cover import NEVER, UNSERVED, SiteProblem, best_cover
from lamplighter.triage.crews import parse_crew, parse_crews, parse_months, working_days
from lamplighter.triage.papers import plan_text
from lamplighter.triage.planned import BatteryOutlook, risk_date, window
from lamplighter.triage.replan import draft_of, replan
from lamplighter.triage.schedule import Search, greedy, pack, schedule, solve, tabulate
from lamplighter.triage.visits import VisitPlan, plan_visits
from tests.triage.build import NOW, Fleet, battery, cold, ending, finding, outage, settings

TODAY = wording.instant(NOW).date()
TIGHT = Search(gap=0.0, nodes=2000)


def day_of(plan: VisitPlan) -> dict[str, date]:
    return {job.subject: visit.day for visit in plan.visits for job in visit.jobs}


# --- crews and seasons ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "weekdays", "hours"),
    [
        ("Mon-Fri 8h", {0, 1, 2, 3, 4}, 8.0),
        ("mon,wed 7.5", {0, 2}, 7.5),
        ("Monday-Wednesday 6 h", {0, 1, 2}, 6.0),
        ("Sat-Mon 4h", {5, 6, 0}, 4.0),
        ("Tue 10h", {1}, 10.0),
    ],
)
def test_a_crew_is_read_as_people_write_it(text: str, weekdays: set[int], hours: float) -> None:
    crew = parse_crew("A", text)
    assert (crew.weekdays, crew.hours) == (frozenset(weekdays), hours)


@pytest.mark.parametrize("text", ["", "Mon-Fri", "8h", "Foo-Fri 8h", "Mon-Fri 0h", "Mon-Fri 25h", "Mon-Tue-Wed 8h"])
def test_a_crew_that_makes_no_sense_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(SettingsError, match="Mon-Fri 8h"):
        parse_crew("A", text)


def test_crews_of_the_command_line_replace_those_of_the_settings() -> None:
    assert [c.name for c in parse_crews(["North=Mon-Thu 7h", "Fri 4h"], {"X": "Mon-Fri 8h"})] == ["North", "Crew 2"]
    assert [c.name for c in parse_crews(None, {"X": "Mon-Fri 8h"})] == ["X"]


@pytest.mark.parametrize(
    ("text", "months"),
    [("4-10", range(4, 11)), ("11-2", (11, 12, 1, 2)), ("5,6,9", (5, 6, 9)), ("7", (7,)), ("1-12", range(1, 13))],
)
def test_months_are_read_across_the_turn_of_the_year(text: str, months) -> None:
    assert parse_months("North", text) == frozenset(months)


@pytest.mark.parametrize("text", ["", "13", "Apr", "4-", "0-3"])
def test_months_that_make_no_sense_are_refused(text: str) -> None:
    with pytest.raises(SettingsError, match="site_months of North"):
        parse_months("North", text)


def test_days_off_are_no_working_days() -> None:
    crews = (parse_crew("A", "Mon-Fri 8h"),)
    days = working_days(date(2026, 3, 2), date(2026, 3, 8), crews, frozenset({date(2026, 3, 4)}))
    assert [d.day for d in days] == [2, 3, 5, 6]


# --- one site -------------------------------------------------------------------------------------------------------


def test_things_at_one_site_are_done_together_when_their_windows_allow() -> None:
    fleet = ending("N00", 40, 60, 90)
    fleet.facts["N01"] = battery(30, 55, 80)
    fleet.facts["N02"] = battery(50, 80, 120)
    plan = plan_visits(fleet.assessment())
    assert len(plan.visits) == 1
    assert len(plan.visits[0].jobs) == 3
    assert (plan.visits[0].day - TODAY).days <= 30
    assert (plan.unmet, plan.method, plan.gap) == ((), "exact", 0.0)


def test_every_job_is_done_inside_its_window_on_a_day_some_crew_works() -> None:
    plan = plan_visits(many_sites().assessment(), horizon=300)
    assert len(plan.visits) > 5
    for visit in plan.visits:
        assert visit.day.weekday() < 5
        for job in visit.jobs:
            ahead = (visit.day - TODAY).days
            assert job.not_before - 1e-9 <= ahead <= job.due + 1e-9
    assert plan.unmet == ()


def test_a_battery_is_not_changed_while_much_of_its_life_is_likely_left() -> None:
    plan = plan_visits(ending("N00", 100, 150, 300, life=400).assessment())
    assert 50 <= (day_of(plan)["N00"] - TODAY).days <= 100


def test_a_healthy_battery_that_will_be_due_is_planned_without_a_finding() -> None:
    fleet = Fleet(facts={"N00": battery(90, 150, 300), "N01": battery(900, 1200, 1500)})
    plan = plan_visits(fleet.assessment())
    assert set(day_of(plan)) == {"N00"}
    (job,) = plan.visits[0].jobs
    assert (job.cause, job.status) == ("planned replacement", "good")
    assert job.action == "Replace the battery (planned: it may be empty from 31 May 2026)"
    assert job.reason.startswith("Nothing is wrong with it yet: battery")


def test_the_row_of_a_planned_replacement_tells_of_it_too() -> None:
    row = Fleet(facts={"N00": battery(90, 150, 170)}).rows()["N00"]
    assert (row.status, row.reason) == (
        "good", "Nothing found. Battery will likely be empty between 31 May and 19 Aug 2026.",
    )  # fmt: skip
    far = Fleet(facts={"N00": battery(400, 450, 500)}).rows()["N00"]
    assert far.reason == "Nothing found."


def test_a_near_early_date_of_a_wide_range_does_not_throw_away_a_battery() -> None:
    """One in ten such batteries is empty in a month, half last 257 days: a crew there for another one leaves it."""
    fleet = ending("N01", 10, 20, 30)
    fleet.nodes["N00"] = replace(fleet.nodes["N00"], criticality=2.0)
    fleet.facts["N00"] = battery(30, 257, 520, life=1290)
    plan = plan_visits(fleet.assessment())
    assert (set(day_of(plan)), [j.subject for j in plan.left]) == ({"N01"}, ["N00"])
    mean = integrate.quad(lambda p: np.interp(p, [0.1, 0.5, 0.9], [30, 257, 520]), 0.1, 0.9)[0] / 0.8
    assert plan.left[0].not_before == pytest.approx(mean - 180, abs=5), "half a year before it ends on average"
    assert plan.left[0].due > 182


def test_an_even_chance_of_a_long_life_sends_nobody_yet() -> None:
    """One month of data: may be empty in two weeks or in two years; by the time the window opens more is known."""
    plan = plan_visits(Fleet(facts={"N00": battery(14, 90, 784)}).assessment())
    (job,) = (j for v in plan.visits for j in v.jobs)
    assert job.not_before > 90
    assert "may be empty as early as 16 Mar 2026, but as likely lasts beyond 31 May 2026" in job.reason


def test_a_replacement_is_planned_before_the_battery_falls_short_in_the_cold() -> None:
    plain = Fleet(facts={"N00": battery(300, 420, 520, life=1290)})
    assert not plan_visits(plain.assessment()).visits
    fleet = Fleet(facts={"N00": plain.facts["N00"] | cold(30, 60, 90)})
    (job,) = (j for v in plan_visits(fleet.assessment()).visits for j in v.jobs)
    assert job.due == pytest.approx(60.0)
    assert job.action.endswith("(planned: it may fall short in the cold from 1 May 2026)")
    assert job.reason.endswith("On its coldest days it may fall short from 1 May 2026.")
    assert fleet.rows()["N00"].reason.endswith("On its coldest days it may fall short from 1 May 2026.")
    assert fleet.rows()["N00"].status == "good", "nothing is wrong with it yet"


def test_a_shortfall_after_the_early_date_changes_no_window() -> None:
    s = TriageSettings()
    o = BatteryOutlook(p10=50, p50=190, p90=460, life=1460, worth=187)
    first, due = window(o, "North", 12.0, s)
    assert window(replace(o, cold=due + 1.0), "North", 12.0, s) == (first, due)
    assert window(replace(o, cold=20.0), "North", 12.0, s) == (min(first, 20.0), 20.0)


def test_waiting_for_a_better_forecast_ends_sooner_where_a_dark_day_costs_more() -> None:
    s = TriageSettings()
    outlook = BatteryOutlook(p10=50, p50=190, p90=460, life=1460, worth=187)
    closes = [window(outlook, "North", cost, s)[1] for cost in s.loss_cost_per_day]
    assert closes == sorted(closes, reverse=True)
    assert closes[0] > closes[-1] >= outlook.p10
    assert max(closes) <= outlook.p50


def test_the_risk_date_is_where_a_day_of_waiting_costs_what_it_saves() -> None:
    """Hazard of a normal distribution by scipy: share unforeseen x cost of a failure x hazard = worth / life."""
    s = TriageSettings()
    o = BatteryOutlook(p10=100, p50=228.15515655446, p90=400, life=1000, worth=200)
    day = risk_date(o, "North", 12.0, s)
    ends = norm(loc=o.p50, scale=100)
    failure = 5 * 12.0 + 0.5 * (40 + 90 * (2 + 20 / 60))
    rate = [0.2 * failure * ends.pdf(d) / ends.sf(d) for d in (day - 1, day)]
    assert rate[0] < o.worth / o.life <= rate[1]


def test_a_battery_is_planned_though_the_node_needs_something_else_that_needs_no_trip() -> None:
    fleet = Fleet(findings=[finding("N00", "data", "interval_differs")], facts={"N00": battery(54, 190, 460)})
    fleet.facts["N01"] = battery(54, 190, 460)
    plan = plan_visits(fleet.assessment())
    assert [i.subject for i in plan.desk] == ["N00"]
    assert set(day_of(plan)) == {"N00", "N01"}
    assert {j.id for v in plan.visits for j in v.jobs} == {"node:N00:battery", "node:N01"}


def test_a_node_taken_out_gets_no_battery() -> None:
    fleet = Fleet(facts={"N00": battery(90, 150, 170) | {"last_seen": NOW - 21 * DAY_S}})
    assert set(day_of(plan_visits(fleet.assessment()))) == {"N00"}
    fleet.worklog["N00"] = (WorkEntry(node="N00", time=NOW - 20 * DAY_S, action="removed"),)
    assert plan_visits(fleet.assessment()).visits == ()


def test_a_lost_node_is_due_on_a_day_on_which_somebody_works() -> None:
    """Friday and two days is a Sunday: the crew's first day is Monday."""
    fleet = Fleet(
        findings=[finding("N00", "stuck", "stuck", "F")], settings=settings(failure_due_days=[28, 14, 7, 5, 5])
    )
    fleet.nodes["N00"] = replace(fleet.nodes["N00"], criticality=5.0)
    (item,) = fleet.items().values()
    assert item.due == NOW + 7 * DAY_S, "Monday noon and five days is a Saturday"
    assert plan_visits(fleet.assessment()).unmet == ()


def test_a_battery_due_after_the_horizon_is_taken_along_but_never_gone_for() -> None:
    later = battery(200, 260, 330)
    alone = plan_visits(Fleet(facts={"N00": later}).assessment(), horizon=90)
    assert alone.visits == ()
    assert [j.subject for j in alone.left] == ["N00"]
    fleet = ending("N01", 88, 100, 130)
    fleet.facts["N00"] = later
    assert set(day_of(plan_visits(fleet.assessment(), horizon=90))) == {"N00", "N01"}


def test_what_needs_no_trip_is_listed_apart() -> None:
    plan = plan_visits(Fleet(findings=[finding("N00", "data", "interval_differs")]).assessment())
    assert plan.visits == ()
    assert [i.subject for i in plan.desk] == ["N00"]


def test_a_gateway_is_visited_where_most_of_its_nodes_stand() -> None:
    plan = plan_visits(Fleet(findings=[outage("G1")]).assessment())
    (visit,) = plan.visits
    assert (visit.place, visit.jobs[0].subject, visit.day) == ("North", "G1", TODAY + timedelta(days=1))


def test_without_a_site_the_trip_goes_near_the_gateway_or_to_the_node() -> None:
    fleet = ending("N00", 20, 40, 90)
    fleet.facts["N07"] = battery(20, 40, 90)
    fleet.nodes["N00"] = replace(fleet.nodes["N00"], site="")
    fleet.nodes["N07"] = replace(fleet.nodes["N07"], site="", gateway="")
    places = {v.place for v in plan_visits(fleet.assessment()).visits}
    assert places == {"near gateway G1", "at N07, site not in the register"}


# --- what cannot be met ---------------------------------------------------------------------------------------------


def test_a_job_due_before_anyone_can_go_is_done_as_soon_as_someone_can_and_said_so() -> None:
    plan = plan_visits(ending("N00", -40, -10, 5, severity="F").assessment(), crew=["Thu 8h"])
    assert plan.unmet == ()
    assert day_of(plan)["N00"] == date(2026, 3, 5)
    fleet = ending("N00", -40, -10, 5, severity="F")
    fleet.nodes["N00"] = replace(fleet.nodes["N00"], criticality=5.0)
    late = plan_visits(fleet.assessment(), crew=["Thu 8h"])
    (unmet,) = late.unmet
    assert unmet.day == date(2026, 3, 5) == day_of(late)["N00"]
    assert unmet.reason == "it is due before the first day on which a crew can go"


def test_a_site_out_of_season_is_visited_when_it_can_be_and_said_so() -> None:
    fleet = ending("N00", 20, 40, 90)
    fleet.settings = settings(site_months={"North": "5-9"})
    plan = plan_visits(fleet.assessment())
    (unmet,) = plan.unmet
    assert day_of(plan)["N00"] == date(2026, 5, 1)
    assert "can be reached in May, Jun, Jul, Aug and Sep alone" in unmet.reason


def test_a_site_never_in_season_within_the_horizon_is_not_planned_and_said_so() -> None:
    fleet = ending("N00", 20, 40, 90)
    fleet.settings = settings(site_months={"North": "1"})
    plan = plan_visits(fleet.assessment(), horizon=60)
    assert plan.visits == ()
    assert [(u.job.subject, u.day) for u in plan.unmet] == [("N00", None)]


def test_a_window_between_working_days_is_said_so() -> None:
    fleet = ending("N00", 12.2, 40, 90, life=150)
    fleet.settings = settings(wasted_life_share=0.01)
    plan = plan_visits(fleet.assessment(), crew=["Mon 8h"])
    assert [u.reason for u in plan.unmet] == ["no crew works on a day of its window"]
    assert day_of(plan)["N00"].weekday() == 0


def test_a_job_longer_than_any_crew_s_day_is_not_planned_and_said_so() -> None:
    plan = plan_visits(ending("N00", 20, 40, 90).assessment(), crew=["Mon-Fri 2h"])
    (unmet,) = plan.unmet
    assert (plan.visits, unmet.day) == ((), None)
    assert unmet.reason == "with the drive it takes 2.75 h, more than a crew's day of 2 h"


def test_full_crews_do_the_costlier_job_first_and_the_other_late_and_said_so() -> None:
    fleet = Fleet(findings=[finding(f"N{i:02}", "arrivals", "silent", "F", probability=1.0) for i in (0, 6)])
    for node, level in (("N00", 4.0), ("N06", 5.0)):
        fleet.nodes[node] = replace(fleet.nodes[node], criticality=level)
    plan = plan_visits(fleet.assessment(), crew=["Tue 4h"])
    days = day_of(plan)
    assert (days["N06"], days["N00"]) == (date(2026, 3, 3), date(2026, 3, 10))
    assert [(u.job.subject, u.reason, u.day) for u in plan.unmet] == [
        ("N00", "the crews' days are full until then", date(2026, 3, 10))
    ]


def test_a_site_in_the_settings_where_no_node_stands_is_pointed_out() -> None:
    fleet = ending("N00", 20, 40, 90)
    fleet.settings = settings(site_travel_hours={"North": 3.0, "Nroth": 4.0})
    plan = plan_visits(fleet.assessment())
    assert plan.visits[0].travel_hours == 3.0
    assert plan.notices == ("site_travel_hours in the settings names Nroth, but no node stands there",)


@pytest.mark.parametrize(
    "wrong",
    [
        {"site_travel_hours": {"North": -1}},
        {"site_travel_hours": {"North": "far"}},
        {"part_prices": {"BP-1": True}},
        {"site_months": {"North": 5}},
        {"crews": {"A": 8}},
        {"day_start": "8 o'clock"},
        {"loss_cost_per_day": [1.0, 2.0]},
    ],
)
def test_settings_that_make_no_sense_are_refused_by_name(wrong: dict) -> None:
    with pytest.raises(SettingsError, match=next(iter(wrong))):
        settings(**wrong)


def test_a_day_off_that_is_no_date_is_refused() -> None:
    fleet = ending("N00", 20, 40, 90)
    fleet.settings = settings(days_off=["Christmas"])
    with pytest.raises(SettingsError, match="days_off"):
        plan_visits(fleet.assessment())


def test_no_crew_in_the_whole_horizon_is_refused() -> None:
    with pytest.raises(InputError, match="no crew works"):
        plan_visits(Fleet().assessment(), crew=["Sun 8h"], horizon=3)


# --- all sites together ---------------------------------------------------------------------------------------------


def many_sites(n: int = 30) -> Fleet:
    fleet = Fleet(settings=settings(crews={"A": "Mon-Fri 8h", "B": "Tue,Thu 7h"}))
    base = fleet.nodes["N00"]
    fleet.nodes = {
        f"M{i:02}": replace(base, node=f"M{i:02}", site=f"Site {i % 7}", gateway=f"G{i % 3}") for i in range(n)
    }
    for i, node in enumerate(fleet.nodes):
        fleet.facts[node] = battery(15 + 7 * i, 60 + 8 * i, 150 + 9 * i)
    return fleet


def test_no_crew_day_is_overfull_and_no_crew_is_in_two_places_at_once() -> None:
    plan = plan_visits(many_sites(60).assessment(), horizon=400)
    hours = {c.name: c.hours for c in plan.crews}
    weekdays = {c.name: c.weekdays for c in plan.crews}
    clock: dict[tuple[str, date], float] = {}
    for visit in sorted(plan.visits, key=lambda v: v.start):
        key = (visit.crew, visit.day)
        assert visit.day.weekday() in weekdays[visit.crew]
        assert visit.start >= clock.get(key, 0.0)
        assert visit.end - visit.start == pytest.approx(3600 * visit.travel_hours + 60 * visit.minutes_on_site)
        clock[key] = visit.end
    for (crew, day), end in clock.items():
        begin = min(v.start for v in plan.visits if (v.crew, v.day) == (crew, day))
        assert end - begin <= 3600 * hours[crew] + 1e-6


def small_problem(rng: np.random.Generator) -> tuple[list[SiteProblem], np.ndarray, np.ndarray]:
    """Two sites, up to three jobs each, four days of one crew with little room."""
    sites = []
    for k in range(2):
        n, day = int(rng.integers(1, 4)), np.arange(4)
        first = rng.integers(0, 3, n)[:, None]
        last = np.minimum(3, first + rng.integers(0, 3, n)[:, None])
        own = rng.uniform(0, 4, n)[:, None] * np.abs(day - rng.uniform(0, 4, n)[:, None])
        late = own + 20.0 * np.maximum(0, day - last)
        inside = (day >= first) & (day <= last)
        skip = np.where(rng.random(n) < 0.25, rng.uniform(1, 9, n), NEVER)
        sites.append(
            SiteProblem(
                place=str(k), cost=np.where(inside, own, NEVER), late_cost=np.where(day >= first, late, NEVER),
                skip=skip, hours=rng.uniform(0.5, 2.0, n), trip=10.0, trip_hours=2.0,
            )
        )  # fmt: skip
    return sites, np.arange(4), np.array([6.0, 5.0, 6.0, 5.0])


def brute_force(sites: list[SiteProblem], slot_day: np.ndarray, slot_hours: np.ndarray) -> float:
    """Try every slot, or none, for every job of every site."""
    jobs = [(k, i) for k, s in enumerate(sites) for i in range(len(s.hours))]
    best = np.inf
    for choice in product(range(-1, len(slot_day)), repeat=len(jobs)):
        cost, used, open_trips = 0.0, np.zeros(len(slot_day)), set()
        for (k, i), t in zip(jobs, choice, strict=True):
            cost += min(sites[k].skip[i], UNSERVED) if t < 0 else sites[k].late_cost[i, slot_day[t]]
            if t >= 0:
                used[t] += sites[k].hours[i]
                open_trips.add((k, t))
        for k, t in open_trips:
            cost += sites[k].trip
            used[t] += sites[k].trip_hours
        if cost < best and (used <= slot_hours + 1e-9).all():
            best = cost
    return best


@pytest.mark.parametrize("seed", range(12))
def test_no_choice_of_slots_for_all_sites_together_is_cheaper(seed: int) -> None:
    sites, slot_day, slot_hours = small_problem(np.random.default_rng(seed))
    found = schedule(sites, slot_day, slot_hours, TIGHT)
    best = brute_force(sites, slot_day, slot_hours)
    assert found.cost == pytest.approx(best, abs=1e-6)
    assert found.bound <= best + 1e-6


def check_fits(sites: list[SiteProblem], slots: list[np.ndarray], slot_hours: np.ndarray) -> None:
    used = np.zeros(len(slot_hours))
    for site, slot in zip(sites, slots, strict=True):
        for t in set(slot[slot >= 0].tolist()):
            used[t] += site.trip_hours + site.hours[slot == t].sum()
    assert (used <= slot_hours + 1e-9).all()


def test_improving_move_by_move_ends_near_the_best_of_all_choices() -> None:
    ratios = []
    for seed in range(12):
        sites, slot_day, slot_hours = small_problem(np.random.default_rng(seed))
        nothing = [np.full(len(s.hours), -1) for s in sites]
        found = replan(draft_of(sites, slot_day, slot_hours, nothing), set(range(4)), 200)
        check_fits(sites, found.slots, slot_hours)
        ratios.append(found.cost() / brute_force(sites, slot_day, slot_hours))
    assert min(ratios) >= 1 - 1e-9
    assert np.median(ratios) == pytest.approx(1.0)
    assert np.mean(ratios) <= 1.02


def crowded_problem(seed: int, n_sites: int = 8, n_days: int = 24) -> tuple[list[SiteProblem], np.ndarray, np.ndarray]:
    """Sites with five jobs each whose best days gather in one fortnight, more than one crew can do."""
    rng, day, sites = np.random.default_rng(seed), np.arange(n_days), []
    for k in range(n_sites):
        best = rng.integers(4, 14, 5)[:, None]
        own = rng.uniform(1, 6, 5)[:, None] * np.abs(day - best)
        late = own + 50.0 * np.maximum(0, day - best - 3)
        inside = (day >= best - 5) & (day <= best + 3)
        sites.append(
            SiteProblem(
                place=str(k), cost=np.where(inside, own, NEVER), late_cost=np.where(day >= best - 5, late, NEVER),
                skip=np.full(5, NEVER), hours=rng.uniform(0.5, 1.5, 5), trip=200.0, trip_hours=3.0,
            )
        )  # fmt: skip
    return sites, day, np.full(n_days, 8.0)


@pytest.mark.parametrize("seed", range(2))
def test_a_crowded_plan_is_as_cheap_as_the_mixed_integer_programme_makes_it(seed: int) -> None:
    sites, slot_day, slot_hours = crowded_problem(seed, n_sites=3, n_days=20)
    search = Search(gap=0.02, nodes=200, seconds=20.0)
    fitted = solve(tabulate(sites, slot_day), sites, slot_hours, search)
    covers = [best_cover(s.cost, s.trip, s.skip) for s in sites]
    packed, overfull = pack(sites, covers, slot_day, slot_hours)
    assert overfull
    improved = replan(draft_of(sites, slot_day, slot_hours, packed), overfull, 200)
    check_fits(sites, improved.slots, slot_hours)
    assert improved.cost() <= 1.02 * fitted.cost


def test_a_very_crowded_plan_is_improved_and_comes_out_the_same_again() -> None:
    sites, slot_day, slot_hours = crowded_problem(9, n_sites=14, n_days=40)
    one, two = (schedule(sites, slot_day, slot_hours, TIGHT) for _ in range(2))
    check_fits(sites, one.slot, slot_hours)
    assert one.method == "improved"
    covers = [best_cover(s.cost, s.trip, s.skip) for s in sites]
    assert one.cost < 0.9 * greedy(sites, covers, slot_day, slot_hours).cost
    assert [s.tolist() for s in one.slot] == [s.tolist() for s in two.slot]


def test_first_fit_is_valid_and_never_better_than_the_best() -> None:
    for seed in range(12):
        sites, slot_day, slot_hours = small_problem(np.random.default_rng(seed))
        exact = schedule(sites, slot_day, slot_hours, TIGHT)
        rough = greedy(sites, [best_cover(s.cost, s.trip, s.skip) for s in sites], slot_day, slot_hours)
        assert rough.cost >= exact.cost - 1e-6
        check_fits(sites, rough.slot, slot_hours)


@pytest.mark.parametrize("seed", range(8))
def test_what_no_plan_can_cost_less_than_is_never_more_than_the_plan_costs(seed: int) -> None:
    sites, slot_day, slot_hours = crowded_problem(seed, n_sites=4, n_days=20)
    found = schedule(sites, slot_day, slot_hours, Search(gap=0.0, nodes=1, tries=20))
    covers = [best_cover(s.late_cost, s.trip, np.minimum(s.skip, UNSERVED)) for s in sites]
    assert sum(c.total for c in covers) - 1e-6 <= found.bound <= found.cost


def test_jobs_that_fit_into_no_day_are_not_called_nothing_to_do() -> None:
    plan = plan_visits(ending("N00", 40, 60, 90).assessment(), crew=["Mon-Fri 1h"])
    text = plan_text(plan)
    assert plan.visits == ()
    assert plan.unmet
    assert "No job fits into the crews' days." in text
    assert "Nothing needs a trip" not in text
    assert "cheaper" not in text


# --- what it costs ---------------------------------------------------------------------------------------------------


def worn_fleet() -> Fleet:
    """Sixty nodes on seven sites with five years to a battery; one in three is due within the half year."""
    fleet = many_sites(60)
    for i, node in enumerate(fleet.nodes):
        p50 = 40 + 6 * i if i % 3 == 0 else 500 + 20 * i
        fleet.facts[node] = battery(0.8 * p50, p50, 1.3 * p50, life=1800)
    return fleet


def test_the_plan_is_cheaper_than_each_of_the_three_alternatives() -> None:
    plan = plan_visits(worn_fleet().assessment())
    costs = {c.label: c for c in plan.costs}
    assert set(costs) == {"this plan", "replace on failure", "replace everything yearly", "one trip an item"}
    assert costs["this plan"].total == min(c.total for c in plan.costs)
    for c in plan.costs:
        assert c.total == pytest.approx(c.travel + c.work + c.wasted + c.waiting)
        assert min(c.travel, c.work, c.wasted, c.waiting) >= 0
    assert costs["this plan"].trips == len(plan.visits)
    assert costs["one trip an item"].trips == sum(len(v.jobs) for v in plan.visits)


def test_the_costs_of_one_job_are_those_of_paper_and_pencil() -> None:
    """One silent node: 2 h 20 min of travel and arrival, 60 min of work, 12 a day lost, seen to the next day."""
    fleet = Fleet(findings=[finding("N00", "arrivals", "silent", "F", probability=1.0)])
    plan = plan_visits(fleet.assessment(), horizon=30)
    this, failure, _, _ = plan.costs
    assert (this.trips, this.wasted) == (1, 0.0)
    assert this.travel == pytest.approx(40 + 90 * (2 + 20 / 60))
    assert this.work == pytest.approx(90.0)
    assert this.waiting == pytest.approx(12.0)
    assert failure.waiting == pytest.approx(5 * 12.0)


def test_parts_are_counted_by_month_and_number() -> None:
    fleet = Fleet(
        facts={"N00": battery(25, 60, 90), "N01": battery(25, 60, 90), "N06": battery(100, 120, 150, life=150)}
    )
    fleet.nodes["N06"] = replace(fleet.nodes["N06"], battery_part="BP-2")
    parts = plan_visits(fleet.assessment()).parts
    assert ("2026-03", "BP-1", 2) in parts
    assert [(part, n) for _, part, n in parts if part == "BP-2"] == [("BP-2", 1)]


# --- the same again --------------------------------------------------------------------------------------------------


def test_a_plan_made_from_the_file_is_the_plan_made_from_memory(tmp_path) -> None:
    found = many_sites().assessment()
    write_assessment(found, tmp_path / "assessment.json")
    again = plan_visits(read_assessment(tmp_path))
    first = plan_visits(found)
    assert [(v.uid, v.day, v.crew, [j.id for j in v.jobs]) for v in first.visits] == [
        (v.uid, v.day, v.crew, [j.id for j in v.jobs]) for v in again.visits
    ]


def test_a_visit_keeps_its_identity_when_the_forecast_moves_it() -> None:
    before = plan_visits(ending("N00", 60, 90, 120).assessment())
    after = plan_visits(ending("N00", 52, 82, 112).assessment())
    assert before.visits[0].day != after.visits[0].day
    assert before.visits[0].uid == after.visits[0].uid


def test_identities_are_unique_within_a_plan() -> None:
    uids = [v.uid for v in plan_visits(many_sites(60).assessment(), horizon=400).visits]
    assert len(set(uids)) == len(uids)


def test_the_day_begins_in_the_zone_of_the_settings() -> None:
    fleet = ending("N00", 30, 60, 90)
    plan = plan_visits(fleet.assessment(), replace(fleet.settings, timezone="America/Denver"))
    visit = plan.visits[0]
    local = (visit.start - 6 * 3600) if visit.day >= date(2026, 3, 8) else (visit.start - 7 * 3600)
    assert wording.instant(local).strftime("%Y-%m-%d %H:%M") == f"{visit.day} 08:00"
    assert visit.end - visit.start == pytest.approx(2 * 3600 + (20 + 25) * 60)
    assert visit.start > NOW + DAY_S / 4
