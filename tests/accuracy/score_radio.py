"""Scores of the radio check: trends, steps, false alarms, a failed gateway antenna."""

from __future__ import annotations

from collections.abc import Sequence

from tests.accuracy.harness import Case, ScoreRow, false_alarms, false_row, recall, recall_row, share

AREA = "radio"
RSSI_KINDS = ("rssi_trend", "rssi_step")


def score(cases: Sequence[Case]) -> list[ScoreRow]:
    """Score the radio check over some fleets."""
    covered, n = recall(cases, long_trend_rows, interval_covers)
    inside = None if n == 0 else 0.90 * n <= covered <= 0.97 * n
    return [
        recall_row(AREA, "RSSI decline of 6 dB/yr or more", *recall(cases, trend_rows, trend_hit), 0.95),
        ScoreRow(AREA, "slope interval covers the true slope", "90 to 97 %", share(covered, n), n, inside),
        recall_row(AREA, "RSSI step of 6 dB or more", *recall(cases, step_rows, step_hit), 0.95),
        recall_row(AREA, "RSSI step, date within 2 days", *recall(cases, step_rows, step_dated), 0.95),
        false_row(AREA, "healthy nodes with any RSSI finding", *false_alarms(cases, "radio"), 0.01),
        recall_row(AREA, "failed gateway antenna, reported at the gateway", *recall(cases, antenna_rows, antenna_hit),
                   None),
        false_row(AREA, "nodes blamed for a failed gateway antenna", *antenna_blamed(cases), None),
    ]  # fmt: skip


def trend_rows(case: Case) -> object:
    """Declines with half a year to show."""
    rows = case.faults("rssi_trend")
    return rows[case.as_of - rows["start"] > 182 * 86_400]


def long_trend_rows(case: Case) -> object:
    """Declines over the whole record, behind a sound gateway: there the slope is the truth of the whole series."""
    rows = case.faults("rssi_trend")
    return rows[(rows["start"] <= case.fleet.options.start + 1) & ~rows["node"].isin(case.antenna_nodes)]


def trend_hit(case: Case, row: dict) -> bool:
    """Whether a decline was found as a trend."""
    return row["node"] in case.found("radio", ("rssi_trend",))


def interval_covers(case: Case, row: dict) -> bool:
    """Whether the stated interval of the slope holds the truth."""
    facts = case.facts.get(row["node"], {})
    low, high = facts.get("rssi_slope_low"), facts.get("rssi_slope_high")
    return low is not None and high is not None and low <= -row["size"] <= high


def step_rows(case: Case) -> object:
    """Steps with a month to either side."""
    rows = case.faults("rssi_step")
    room = 30 * 86_400
    return rows[(case.as_of - rows["start"] > room) & (rows["start"] - case.fleet.options.start > room)]


def step_hit(case: Case, row: dict) -> bool:
    """Whether a step was found."""
    return row["node"] in case.found("radio", ("rssi_step",))


def step_dated(case: Case, row: dict) -> bool:
    """Whether it was dated within two days."""
    found = case.found("radio", ("rssi_step",)).get(row["node"], [])
    return any(f.since is not None and abs(f.since - row["start"]) <= 2 * 86_400 for f in found)


def antenna_rows(case: Case) -> object:
    """Failed gateway antennas."""
    return case.faults("gateway_antenna")


def antenna_hit(case: Case, row: dict) -> bool:
    """Whether the drop was reported once, at the gateway."""
    found = [f for f in case.findings if f.check == "radio" and not f.node and f.gateway == row["gateway"]]
    return len(found) == 1 and found[0].since is not None and abs(found[0].since - row["start"]) <= 3 * 86_400


def antenna_blamed(cases: Sequence[Case]) -> tuple[int, int]:
    """Nodes sound in themselves behind a failed antenna, and those of them with a finding of their own."""
    hits = n = 0
    for case in cases:
        nodes = case.antenna_nodes & case.healthy
        hits += len(nodes & set(case.found("radio", info=False)))
        n += len(nodes)
    return hits, n
