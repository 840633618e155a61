"""Scores of the battery check at the end of the record: swaps, ends found, false alarms, lower bounds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.accuracy.harness import Case, ScoreRow, false_alarms, false_row, recall, recall_row

AREA = "battery"
DAY = 86_400.0


def score(cases: Sequence[Case]) -> list[ScoreRow]:
    """Score the battery check over some fleets, as they stand at the end of the record."""
    covered, n, errors = forecasts(cases)
    return [
        recall_row(AREA, "battery empty or under 60 days to go, found", *recall(cases, ending_rows, ending_hit), None),
        recall_row(AREA, "P10 to P90 holds the true end, of batteries near their end", covered, n, None),
        ScoreRow(AREA, "P50 error, median share of the remaining time", "-",
                 f"{100 * float(np.median(errors)):.0f} %" if errors else "no cases", len(errors)),
        recall_row(AREA, "battery swaps found within 2 days", *recall(cases, swap_rows, swap_hit), 0.99),
        false_row(AREA, "false swaps a node-year", *false_swaps(cases), 0.001),
        recall_row(AREA, "'no earlier than' holds", *bounds(cases), 0.95),
        false_row(AREA, "healthy nodes with any finding of battery", *false_alarms(cases, "battery"), None),
    ]  # fmt: skip


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
