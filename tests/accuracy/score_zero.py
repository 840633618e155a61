"""Scores of the zero check: drift, steps, false alarms."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.accuracy.harness import Case, ScoreRow, false_alarms, false_row, recall, recall_row

AREA = "zero"


def score(cases: Sequence[Case]) -> list[ScoreRow]:
    """Score the zero check over some fleets."""
    errors = rate_errors(cases)
    typical = float(np.median(errors)) if errors else np.nan
    close = sum(e <= 0.2 for e in errors)
    return [
        recall_row(AREA, "zero drift to twice tolerance or more", *recall(cases, drift_rows, drift_hit), 0.90),
        ScoreRow(AREA, "drift rate, median error", "at most 20 %", f"{100 * typical:.1f} %", len(errors),
                 typical <= 0.2 if errors else None),
        recall_row(AREA, "drift rate within 20 %, of those found", close, len(errors), None),
        recall_row(AREA, "zero step of twice tolerance or more", *recall(cases, step_rows, step_hit), None),
        false_row(AREA, "healthy nodes with any finding of zero", *false_alarms(cases, "zero"), 0.01),
    ]  # fmt: skip


def drift_rows(case: Case) -> object:
    """Drifts that reach twice the tolerance by the end."""
    rows = case.faults("zero_drift")
    return rows[rows["ratio"] >= 2.0]


def drift_hit(case: Case, row: dict) -> bool:
    """Whether a drift was found."""
    return row["node"] in case.found("zero", ("zero_drift",))


def rate_errors(cases: Sequence[Case]) -> list[float]:
    """Relative errors of the rate of the drifts found."""
    errors = []
    for case in cases:
        found = case.found("zero", ("zero_drift",))
        for row in drift_rows(case).to_dict("records"):
            said = case.facts.get(row["node"], {}).get("zero_drift_pct_span_per_year")
            if row["node"] in found and said is not None:
                errors.append(abs(said - row["size"]) / abs(row["size"]))
    return errors


def step_rows(case: Case) -> object:
    """Steps with a month to either side."""
    rows = case.faults("zero_step")
    room = 30 * 86_400
    return rows[(case.as_of - rows["start"] > room) & (rows["start"] - case.fleet.options.start > room)]


def step_hit(case: Case, row: dict) -> bool:
    """Whether a step, or a zero out of tolerance, was found."""
    return row["node"] in case.found("zero", info=False)
