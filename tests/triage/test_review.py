"""Work that the data contradict, new nodes to accept, readings that follow the temperature."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from lamplighter.checkins import DAY_S
from lamplighter.fleet import WorkEntry
from lamplighter.results import Finding
from lamplighter.triage import judge_fleet, review
from lamplighter.triage.contradictions import change_at
from lamplighter.triage.review import follows_temperature
from tests.triage.build import NOW, Fleet, finding

DAYS = np.arange(-100, 0)
TIMES = (NOW + DAYS * DAY_S).tolist()


def volts(before: float, after: float, at: float = -30.0, noise: float = 0.004) -> dict[str, list[float]]:
    """A daily voltage that goes from one level to another on a day."""
    level = np.where(at > DAYS, before, after) + noise * np.sin(DAYS * 1.7)
    return {"day": TIMES, "volts": level.round(4).tolist()}


def zeros(before: float, after: float, at: float = -30.0, noise: float = 0.02) -> dict[str, list[float]]:
    level = np.where(at > DAYS, before, after) + noise * np.sin(DAYS * 2.3)
    return {"time": TIMES, "error_pct": level.tolist(), "fit": level.tolist(), "tolerance_pct": 1.0}


def logged(action: str, days: float = -30.0, node: str = "N00") -> dict[str, tuple[WorkEntry, ...]]:
    return {node: (WorkEntry(node=node, time=NOW + days * DAY_S, action=action),)}


def contradictions(fleet: Fleet, check: str, series: dict[str, dict[str, Any]]) -> list[Finding]:
    results = fleet.results()
    results[check].series.update(series)
    after = review(results, fleet.context(), {})
    return [f for f in after["data"].findings if f.kind == "worklog_contradicted"]


def test_a_swap_logged_without_a_rise_is_reported_with_both_voltages() -> None:
    fleet = Fleet(worklog=logged("battery replaced"))
    (found,) = contradictions(fleet, "battery", {"N00": volts(3.30, 3.28), "N01": volts(3.65, 3.65)})
    assert (found.node, found.severity, found.unit) == ("N00", "M", "V")
    assert found.low < -0.02 + 0.005 < found.high + 0.01
    assert found.evidence == (
        "The work log says the battery was replaced on 31 Jan 2026, but its voltage was 3.3 V before and 3.28 V after; "
        "a new one shows about 3.65 V."
    )


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        (3.30, 3.65, "it rose"),
        (3.30, 3.36, "it rose a little"),
        (3.65, 3.65, "the old battery was as good as new, so nothing could be seen"),
        (3.63, 3.63, "the old battery was nearly as good as new"),
    ],
)
def test_no_word_where_the_swap_shows_or_could_not_show(before: float, after: float, why: str) -> None:
    fleet = Fleet(worklog=logged("battery replaced"))
    assert contradictions(fleet, "battery", {"N00": volts(before, after), "N01": volts(3.65, 3.65)}) == [], why


def test_a_noisy_voltage_gets_the_benefit_of_the_doubt() -> None:
    fleet = Fleet(worklog=logged("battery replaced"))
    noisy = volts(3.30, 3.30, noise=0.25)
    assert contradictions(fleet, "battery", {"N00": noisy, "N01": volts(3.65, 3.65)}) == []


def test_a_swap_at_the_edge_of_the_data_cannot_be_told() -> None:
    fleet = Fleet(worklog=logged("battery replaced", days=-1.5))
    assert contradictions(fleet, "battery", {"N00": volts(3.30, 3.28), "N01": volts(3.65, 3.65)}) == []


@pytest.mark.parametrize(
    ("before", "after", "reported"),
    [
        (1.4, 1.4, True),
        (-1.4, -1.3, True),
        (1.4, 0.05, False),
        (1.4, -0.3, False),
        (0.2, 0.2, False),
        (1.4, 0.6, False),
    ],
)
def test_a_re_zero_must_take_away_half_of_an_error_that_was_there(before: float, after: float, reported: bool) -> None:
    fleet = Fleet(worklog=logged("zeroed"))
    found = contradictions(fleet, "zero", {"N00": zeros(before, after)})
    assert bool(found) is reported
    if reported:
        assert "% of span before" in found[0].evidence


@pytest.mark.parametrize(("last", "reported"), [(-31.0, False), (-29.0, False), (-5.0, True)])
def test_a_node_logged_as_removed_must_fall_silent(last: float, reported: bool) -> None:
    fleet = Fleet(worklog=logged("removed"), facts={"N00": {"last_seen": NOW + last * DAY_S}})
    assert bool(contradictions(fleet, "zero", {})) is reported


def test_a_node_put_back_later_may_be_heard() -> None:
    entries = (*logged("removed")["N00"], WorkEntry(node="N00", time=NOW - 20 * DAY_S, action="moved"))
    fleet = Fleet(worklog={"N00": entries}, facts={"N00": {"last_seen": NOW}})
    assert contradictions(fleet, "zero", {}) == []


def test_an_old_contradiction_is_noted_and_asks_for_nobody() -> None:
    fleet = Fleet(worklog=logged("battery replaced", days=-95.0))
    long_ago = volts(3.30, 3.28, at=-95.0)
    fleet.settings = replace(fleet.settings, triage=replace(fleet.settings.triage, contradiction_recent_days=60.0))
    (found,) = contradictions(fleet, "battery", {"N00": long_ago, "N01": volts(3.65, 3.65)})
    assert found.severity == "info"


def test_a_contradiction_becomes_a_desk_job_for_the_node() -> None:
    fleet = Fleet(worklog=logged("battery replaced"))
    results = fleet.results()
    results["battery"].series.update({"N00": volts(3.30, 3.28), "N01": volts(3.65, 3.65)})
    after = review(results, fleet.context(), {})
    assert after["data"].verdicts["N00"].state == "finding"
    (item,) = judge_fleet(after, fleet.context())[1]
    assert (item.cause, item.minutes) == ("work log in doubt", 0)


def test_the_identity_of_a_contradiction_stays_from_week_to_week() -> None:
    fleet = Fleet(worklog=logged("battery replaced"))
    (found,) = contradictions(fleet, "battery", {"N00": volts(3.30, 3.28), "N01": volts(3.65, 3.65)})
    assert found.id == "data:worklog_contradicted:N00:2026-01-31 battery replaced"


def test_the_change_at_an_instant_has_an_interval_that_holds_the_truth() -> None:
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(400):
        value = np.where(DAYS < -30, 1.0, 1.5) + rng.normal(0, 0.1, len(DAYS))
        change = change_at(DAYS.astype(float), value, -30.0, 20.0, 1.0)
        assert change is not None
        held += change.low <= 0.5 <= change.high
    assert 0.88 <= held / 400 <= 0.99, "a 95 % interval, from some twenty values on either side"


# --- acceptance -----------------------------------------------------------------------------------------------------

FRESH = {"N01": volts(3.65, 3.65, noise=0.001), "N02": volts(3.65, 3.65, noise=0.001)}


def new_node(**facts: Any) -> tuple[Fleet, dict[str, dict[str, Any]]]:
    """A node that joined five days ago and is in order, but for what is given."""
    good = {
        "first_seen": NOW - 5 * DAY_S, "interval_s": 900.0, "margin_p10_db": 15.0, "zero_error_pct_span": 0.1,
    }  # fmt: skip
    fleet = Fleet(facts={"N00": good | facts})
    fleet.nodes["N00"] = replace(fleet.nodes["N00"], lrl=0.0, url=10.0, unit="m")
    daily = {"N00": {"reading_low": [1.0, 1.2], "reading_high": [4.0, 5.0], "battery_v": [3.65, 3.65]}}
    return fleet, daily


def acceptance(fleet: Fleet, daily: dict[str, dict[str, Any]]) -> list[Finding]:
    results = fleet.results()
    results["battery"].series.update({**FRESH, "N00": {"day": TIMES[-5:], "volts": [3.65] * 5}})
    return [f for f in review(results, fleet.context(), daily)["data"].findings if "accepted" in f.kind]


def test_a_new_node_in_order_is_accepted_in_one_line() -> None:
    (found,) = acceptance(*new_node())
    assert (found.kind, found.severity, found.value) == ("accepted", "info", 6.0)
    assert found.evidence == (
        "New node accepted: joined on 25 Feb 2026, checks in every 15 minutes as registered, "
        "fade margin 15 dB in its worst tenth of the time, zero error 0.1 % of span, readings 1 to 5 inside its range, "
        "battery 3.65 V as new."
    )


@pytest.mark.parametrize(
    ("facts", "changed", "words"),
    [
        ({"interval_s": 3600.0}, {}, "checks in every hour, registered 15 minutes"),
        ({"margin_p10_db": 4.0}, {}, "fade margin 4 dB in its worst tenth of the time, should be 10 dB"),
        ({"zero_error_pct_span": -0.8}, {}, "zero error -0.8 % of span of 1 % tolerated"),
        ({}, {"reading_high": [4.0, 11.0]}, "readings 1 to 11 outside 0 to 10"),
        ({}, {"battery_v": [3.3, 3.32]}, "battery 3.31 V, a new one shows 3.65 V"),
    ],
)
def test_what_is_wrong_with_a_new_node_stands_first_and_asks_for_a_person(
    facts: dict[str, float], changed: dict[str, list[float]], words: str
) -> None:
    fleet, daily = new_node(**facts)
    daily["N00"].update(changed)
    (found,) = acceptance(fleet, daily)
    assert (found.kind, found.severity) == ("not_accepted", "M")
    assert found.evidence.startswith(f"New node not accepted: {words}")
    assert [p["words"] for p in found.data["points"] if p["right"] is False] == [words]


def test_what_cannot_be_told_of_a_new_node_is_said_and_not_held_against_it() -> None:
    fleet, daily = new_node(zero_error_pct_span=None, margin_p10_db=None)
    (found,) = acceptance(fleet, daily)
    assert found.kind == "accepted"
    assert found.evidence.endswith("fade margin not known, zero not seen yet.")


@pytest.mark.parametrize("joined", [-20.0, -300.0])
def test_a_node_that_joined_earlier_gets_no_line(joined: float) -> None:
    assert acceptance(*new_node(first_seen=NOW + joined * DAY_S)) == []


def test_a_record_that_begins_lately_makes_no_node_new() -> None:
    fleet, daily = new_node(first_seen=NOW - 5 * DAY_S)
    results = fleet.results()
    late = replace(fleet.context(), start=NOW - 5 * DAY_S)
    assert [f for f in review(results, late, daily)["data"].findings if "accepted" in f.kind] == []


def test_a_node_that_is_not_accepted_becomes_work() -> None:
    fleet, daily = new_node(margin_p10_db=4.0)
    results = fleet.results()
    (item,) = judge_fleet(review(results, fleet.context(), daily), fleet.context())[1]
    assert item.cause == "installation not right"


# --- readings that stand still --------------------------------------------------------------------------------------


def test_a_reading_that_follows_the_temperature_is_told_from_one_that_does_not() -> None:
    rng = np.random.default_rng(2)
    warm = 10 + 8 * np.sin(DAYS / 9.0)
    trapped = {"day": TIMES, "temperature": warm.tolist(), "reading_median": (5 + 0.01 * warm).tolist()}
    dither = {**trapped, "reading_median": (5 + 0.01 * rng.integers(0, 2, len(DAYS))).tolist()}
    still = {**trapped, "reading_median": [5.0] * len(DAYS)}
    begin = NOW - 60 * DAY_S
    assert follows_temperature(trapped, begin, np.inf) is True
    assert follows_temperature(dither, begin, np.inf) is False
    assert follows_temperature(still, begin, np.inf) is False
    assert follows_temperature(trapped, NOW - 6 * DAY_S, np.inf) is None
    assert follows_temperature({**trapped, "temperature": [None] * len(DAYS)}, begin, np.inf) is None


def test_it_turns_a_frozen_sensor_into_a_plugged_line() -> None:
    fleet = Fleet(findings=[finding("N00", "stuck", "stuck", "F", since=NOW - 60 * DAY_S, data={"band": 0.05})])
    warm = (10 + 8 * np.sin(DAYS / 9.0)).tolist()
    causes = []
    for reading in ([5 + 0.01 * w for w in warm], [5.0 + 0.01 * (i % 2) for i in range(len(warm))]):
        daily = {"N00": {"day": TIMES, "temperature": warm, "reading_median": reading}}
        after = review(fleet.results(), fleet.context(), daily)
        causes.append(judge_fleet(after, fleet.context())[1][0].cause)
    assert causes == ["impulse line or port plugged", "sensor frozen"]


def test_a_review_with_nothing_to_say_changes_nothing() -> None:
    fleet = Fleet()
    results = fleet.results()
    assert review(results, fleet.context(), {}) == results
