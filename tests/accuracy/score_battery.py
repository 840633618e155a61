"""Scores of the battery check: at the end of the record, and 90 to 14 days before true ends on fleets of their own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from lamplighter.backtest.run import measured_fleet, stand_before
from lamplighter.backtest.summary import Stand, Summary, summarise
from lamplighter.settings import Settings
from lamplighter.simulate import SimulatedFleet, simulate
from tests.accuracy.harness import Case, ScoreRow, false_alarms, false_row, recall, recall_row

AREA = "battery"
DAY = 86_400.0
LEADS = (90.0, 60.0, 30.0, 14.0)
PLAIN_DAYS = 14.0
ENDING = {True: ((9_141, "smooth", 100), (9_142, "rough", 100)), False: ((9_211, "smooth", 24),)}
"""Fleets in which every battery ends, by whether the suite is the full one; seeds not used while tuning."""


def score(cases: Sequence[Case]) -> list[ScoreRow]:
    """Score the battery check over some fleets, as they stand at the end of the record."""
    covered, n, errors = forecasts(cases)
    full = any(len(case.seen) >= 300 for case in cases)
    return [
        recall_row(AREA, "battery empty or under 60 days to go, found", *recall(cases, ending_rows, ending_hit), None),
        recall_row(AREA, "P10 to P90 holds the true end, of batteries near their end", covered, n, None),
        ScoreRow(AREA, "P50 error, median share of the remaining time", "-",
                 f"{100 * float(np.median(errors)):.0f} %" if errors else "no cases", len(errors)),
        recall_row(AREA, "battery swaps found within 2 days", *recall(cases, swap_rows, swap_hit), 0.99),
        false_row(AREA, "false swaps a node-year", *false_swaps(cases), 0.001),
        recall_row(AREA, "'no earlier than' holds", *bounds(cases), 0.95),
        false_row(AREA, "healthy nodes with any finding of battery", *false_alarms(cases, "battery"), None),
        *ahead_rows(all_stands(full)),
        *cold_rows(all_cold_stands(full)),
    ]  # fmt: skip


@cache
def all_stands(full: bool) -> tuple[tuple[Stand, bool], ...]:
    """Forecasts made before true ends, with what the whole fleet knew on that day, and whether the end is plain."""
    return tuple(s for seed, noise, nodes in ENDING[full] for s in fleet_stands(seed, noise, nodes))


def fleet_stands(seed: int, noise: str, nodes: int) -> list[tuple[Stand, bool]]:
    """Forecasts before every true end of one fleet; none where the record or the battery is younger than 45 days.

    The true end is when the voltage stays under the cut-off for good. In winter it may have touched it months before,
    and recovered with the spring; the end is plain when no more than PLAIN_DAYS lie between the two.
    """
    fleet = simulate(nodes, 425, seed, noise=noise, faults=("battery_end",), fault_share=1.0)
    known, settings = fleet.fleet(), Settings()
    batteries, weather, start = measured_fleet(fleet.checkins, known, settings, fleet.as_of)
    out = []
    for row in truth_rows(fleet):
        battery = batteries.get(row["node"])
        if battery is None or not np.isfinite(row["eol_date"]):
            continue
        life = replace(battery.lives[0], ended_at=row["eol_date"])
        for lead in LEADS:
            stood = row["eol_date"] - lead * DAY
            swapped = np.isfinite(row["end"]) and stood >= row["end"]
            if start + 45 * DAY <= stood <= fleet.as_of and not swapped:
                stand = stand_before(life, lead, fleet.checkins, known, settings, batteries, start, weather)
                plain = row["eol_date"] - row["first_below"] <= PLAIN_DAYS * DAY
                out += [(stand, bool(plain))] if stand is not None else []
    return out


def cold_stands(seed: int, noise: str, nodes: int) -> list[Stand]:
    """Forecasts before every first touch of the cut-off in one fleet, at the temperature of a day.

    The truth counts a day by its mean temperature, and so does the forecast here; by its coldest hours it is earlier. A
    touch beyond the record, where the simulated days have no weather, or in the one week at thirty below, that no
    season foretells, is left out.
    """
    fleet = simulate(nodes, 425, seed, noise=noise, faults=("battery_end",), fault_share=1.0)
    plain = Settings()
    known, settings = fleet.fleet(), replace(plain, battery=replace(plain.battery, cold_hours_share=0.0))
    batteries, weather, start = measured_fleet(fleet.checkins, known, settings, fleet.as_of)
    snaps = fleet.truth[fleet.truth["fault"] == "cold_snap"][["start", "end"]].to_numpy(float)
    out = []
    for row in truth_rows(fleet):
        battery, touch = batteries.get(row["node"]), row["first_below"]
        odd = any(low - DAY <= touch <= high for low, high in snaps)
        if battery is None or not touch <= fleet.as_of or odd:
            continue
        life = replace(battery.lives[0], ended_at=touch)
        for lead in LEADS:
            if touch - lead * DAY >= start + 45 * DAY:
                stand = stand_before(life, lead, fleet.checkins, known, settings, batteries, start, weather)
                out += [stand] if stand is not None else []
    return out


@cache
def all_cold_stands(full: bool) -> tuple[Stand, ...]:
    """Forecasts made before first touches of the cut-off."""
    return tuple(s for seed, noise, nodes in ENDING[full] for s in cold_stands(seed, noise, nodes))


def cold_rows(stands: Sequence[Stand]) -> list[ScoreRow]:
    """Lines about forecasts of the first shortfall in the cold, by their lead time; of those that tell of one."""
    rows = []
    for lead in LEADS:
        told = [s for s in stands if s.lead_days == lead and s.cold_days is not None]
        held = sum(s.cold_days[0] <= lead <= s.cold_days[2] for s in told)
        share = held / len(told) if told else None
        what = f"cold: {lead:g} days before: P10 to P90 holds the first touch"
        rows.append(ScoreRow(AREA, what, "-", figure(share), len(told)))
    return rows


def truth_rows(fleet: SimulatedFleet) -> list[dict]:
    """Rows of the truth about batteries that end."""
    truth = fleet.truth
    return truth[(truth["fault"] == "battery_end") & (truth["role"] == "fault")].to_dict("records")


def ahead_rows(found: Sequence[tuple[Stand, bool]]) -> list[ScoreRow]:
    """Lines about forecasts by their lead time."""
    rows = []
    stands = [s for s, _ in found]
    for lead in LEADS:
        s = summarise("", [x for x in stands if x.lead_days == lead])
        what = f"{lead:g} days before: P10 to P90 holds the end, of forecasts with a date"
        rows.append(ScoreRow(AREA, what, "75 to 85 %", figure(s.coverage), s.dated, within(s.coverage, 0.75, 0.85)))
        s_plain = summarise("", [x for x, plain in found if x.lead_days == lead and plain])
        what = f"{lead:g} days before: the same where first touch and lasting end are within {PLAIN_DAYS:g} days"
        rows.append(ScoreRow(AREA, what, "-", figure(s_plain.coverage), s_plain.dated))
        what = f"{lead:g} days before: with a date"
        rows.append(ScoreRow(AREA, what, "-", figure(s.dated / s.forecasts if s.forecasts else None), s.forecasts))
    return [*rows, *sixty_rows(summarise("", [x for x in stands if x.lead_days == 60.0])), bound_row(stands)]


def sixty_rows(s: Summary) -> list[ScoreRow]:
    """Lines about the error two months ahead, and against a straight line."""
    share = s.median_error / s.line_error if s.median_error is not None and s.line_error else None
    return [
        ScoreRow(AREA, "60 days before: median error of P50, share of the remaining time", "at most 15 %",
                 figure(s.median_error), s.dated, within(s.median_error, 0.0, 0.15)),
        ScoreRow(AREA, "60 days before: that error over a straight line's", "at most 33 %", figure(share), s.dated,
                 within(share, 0.0, 1 / 3)),
    ]  # fmt: skip


def bound_row(stands: Sequence[Stand]) -> ScoreRow:
    """One line about the bound given while the voltage is flat."""
    flat = [s for s in stands if not s.dated]
    held = sum(s.not_before_days is not None and s.not_before_days <= s.lead_days for s in flat)
    return recall_row(AREA, "flat voltage, 14 to 90 days before: 'no earlier than' holds", held, len(flat), 0.95)


def figure(value: float | None) -> str:
    """A share as per cent."""
    return "no cases" if value is None else f"{100 * value:.1f} %"


def within(value: float | None, low: float, high: float) -> bool | None:
    """Whether a target is met; None without cases."""
    return None if value is None else low <= value <= high


def ending_rows(case: Case) -> object:
    """Batteries at their end, or within 60 days of it, at the present."""
    rows = case.faults("battery_end")
    rows = rows[rows["note"].isin(["low", "dead"])]
    return rows[rows["eol_date"] < case.as_of + 60 * DAY]


def ending_hit(case: Case, row: dict) -> bool:
    """Whether the end was announced, or the node is at least called silent."""
    return row["node"] in case.found("battery", ("battery_end",)) or row["node"] in case.found("arrivals", ("silent",))


def forecasts(cases: Sequence[Case]) -> tuple[int, int, list[float]]:
    """Coverage and relative errors of the forecasts of batteries with 10 to 90 days to go."""
    covered, n, errors = 0, 0, []
    for case in cases:
        rows = case.faults("battery_end")
        rows = rows[(rows["note"] == "low") & rows["eol_date"].between(case.as_of + 10 * DAY, case.as_of + 90 * DAY)]
        for row in rows.to_dict("records"):
            facts = case.facts.get(row["node"], {})
            low, mid, high = (facts.get(f"eol_{p}") for p in ("p10", "p50", "p90"))
            n += 1
            if low is not None and mid is not None and high is not None:
                covered += low <= row["eol_date"] <= high
                errors.append(abs(mid - row["eol_date"]) / (row["eol_date"] - case.as_of))
    return covered, n, errors


def swap_rows(case: Case) -> object:
    """Swaps that are logged, or show by a tenth of a volt, with a week to either side."""
    rows = case.faults("battery_swap", role="event")
    rows = rows[(rows["note"] == "logged") | (rows["size"] > 0.1)]
    return rows[rows["start"].between(case.fleet.options.start + 7 * DAY, case.as_of - 7 * DAY)]


def swap_hit(case: Case, row: dict) -> bool:
    """Whether a swap was found within two days."""
    found = case.found("battery", ("battery_swap",)).get(row["node"], [])
    return any(f.since is not None and abs(f.since - row["start"]) <= 2 * DAY for f in found)


def false_swaps(cases: Sequence[Case]) -> tuple[int, int]:
    """Swaps found where none was, and node-years."""
    hits, years = 0, 0.0
    for case in cases:
        odd = set(case.faults("shared_identity")["node"])
        true = case.faults("battery_swap", role="event")
        for node, findings in case.found("battery", ("battery_swap",)).items():
            when = true.loc[true["node"] == node, "start"].to_numpy()
            if node not in odd:
                hits += sum(f.since is None or not (np.abs(when - f.since) <= 10 * DAY).any() for f in findings)
        years += len(case.seen) * case.fleet.options.days / 365.25
    return hits, round(years)


def bounds(cases: Sequence[Case]) -> tuple[int, int]:
    """Lower bounds that hold, of those stated."""
    held = n = 0
    for case in cases:
        lives = case.faults("battery_life", role="life")
        present = lives[~(lives["end"] < case.as_of)].drop_duplicates("node", keep="last").set_index("node")["eol_date"]
        for node, facts in case.facts.items():
            bound = facts.get("eol_not_before")
            if bound is not None and node in present.index and np.isfinite(present[node]):
                n += 1
                held += present[node] >= bound - DAY
    return held, n
