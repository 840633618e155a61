"""False alarms on a thousand healthy nodes, with every nuisance, under both noise models."""

from __future__ import annotations

from collections.abc import Sequence

from lamplighter.results import CHECK_NAMES
from tests.accuracy.harness import Case, ScoreRow, false_row
from tests.accuracy.score_data import KINDS

AREA = "false alarms"
TARGETS = {"radio": 0.01, "zero": 0.01, "stuck": 0.01}
"""Largest share of healthy nodes that may carry a finding of a check."""
NEVER = (*KINDS["shared_identity"], *KINDS["scale_step"])
"""Kinds that may not be raised at all in a thousand healthy nodes."""


def score(cases: Sequence[Case]) -> list[ScoreRow]:
    """Count healthy nodes with a finding other than information, by check; fleets without any fault only."""
    healthy = [c for c in cases if not len(c.faults())]
    n = sum(len(c.healthy) for c in healthy)
    rows = []
    for check in CHECK_NAMES:
        hits = sum(len(c.found(check, info=False)) for c in healthy)
        rows.append(false_row(AREA, f"nodes with any finding of {check}", hits, n, TARGETS.get(check)))
    for kind in NEVER:
        hits = sum(len(c.found("data", (kind,))) for c in healthy)
        rows.append(false_row(AREA, f"nodes with a finding {kind}", hits, n, 0.0))
    gateways = sum(1 for c in healthy for f in c.findings if not f.node and f.gateway and f.check == "radio")
    rows.append(ScoreRow(AREA, "gateways with a finding of radio", "-", str(gateways), len(healthy)))
    for case in healthy:
        hits = len(case.found(info=False))
        rows.append(false_row(AREA, f"nodes with any finding at all: {case.label}", hits, len(case.healthy), None))
    return rows
