"""Scores of the data check: set-up mistakes that only the record shows."""

from __future__ import annotations

from collections.abc import Sequence

from tests.accuracy.harness import Case, ScoreRow, false_alarms, false_row, recall, recall_row

AREA = "data"
KINDS: dict[str, tuple[str, ...]] = {
    "shared_identity": ("two_identities",),
    "scale_step": ("scale_step",),
    "interval_differs": ("interval_differs",),
    "threshold_inside": ("fast_sampling",),
    "unregistered": ("not_registered",),
    "never_seen": ("never_seen",),
}
"""Kinds of finding that answer a fault."""
TARGETS = {"shared_identity": 0.95, "scale_step": 0.95}
WORDS = {
    "shared_identity": "two nodes under one identity",
    "scale_step": "scale steps by a unit's ratio",
    "interval_differs": "interval differs from the register",
    "threshold_inside": "alarm threshold inside normal operation",
    "unregistered": "node not in the register",
    "never_seen": "registered node never seen",
}


def score(cases: Sequence[Case]) -> list[ScoreRow]:
    """Score the data check over some fleets."""
    rows = []
    for fault, kinds in KINDS.items():
        hits = recall(
            cases, lambda c, fault=fault: _rows(c, fault), lambda c, r, k=kinds: r["node"] in c.found("data", k)
        )
        rows.append(recall_row(AREA, WORDS[fault], *hits, TARGETS.get(fault)))
    for fault in TARGETS:
        kinds = KINDS[fault]
        rows.append(
            false_row(AREA, f"healthy nodes: {WORDS[fault]}", *false_alarms(cases, "data", kinds, info=True), 0.0)
        )
    rows.append(false_row(AREA, "healthy nodes with any finding of data", *false_alarms(cases, "data"), None))
    return rows


def _rows(case: Case, fault: str) -> object:
    """Faults with a month to show."""
    rows = case.faults(fault)
    return rows[case.as_of - rows["start"] > 30 * 86_400]
