"""What a week at -30 degC does to the battery forecasts: the same fleet with and without it, judged the day after."""

from __future__ import annotations

from collections.abc import Sequence

from lamplighter.simulate import simulate
from tests.accuracy.harness import Case, ScoreRow, false_row, run_check

AREA = "cold week"
OWN_FLEETS = True
DAY = 86_400.0
SLACK = 0.1
"""A forecast may move by this share of the remaining time for other reasons."""


def score(cases: Sequence[Case], nodes: int = 150) -> list[ScoreRow]:
    """Compare forecasts with and without the cold week; smaller when little else is run."""
    some = nodes if sum(len(c.seen) for c in cases) > 500 else nodes // 5
    cold, mild = (
        simulate(some, 425, 9_401, cold_snap=snap, faults=("battery_end",), fault_share=0.2) for snap in (True, False)
    )
    snap = cold.truth[cold.truth["fault"] == "cold_snap"].iloc[0]
    after = snap["end"] + DAY
    one, other = (run_check(f, "battery", earlier=(), as_of=after) for f in (cold, mild))
    moved, alarmed, n = _moved(one, other, after)
    return [
        false_row(AREA, "nodes whose P50 moved up by more than its true change", moved, n, 0.0),
        false_row(AREA, "nodes called near their end only because of it", alarmed, n, 0.0),
    ]


def _moved(one: Case, other: Case, after: float) -> tuple[int, int, int]:
    """Nodes whose date moved up without cause, nodes called without cause, and nodes compared."""
    ends = [
        c.faults("battery_life", role="life").drop_duplicates("node").set_index("node")["eol_date"]
        for c in (one, other)
    ]
    called = [set(c.found("battery", ("battery_end",), info=False)) for c in (one, other)]
    moved = alarmed = n = 0
    for node in sorted(set(ends[0].index) & one.seen & other.seen):
        truly = ends[1][node] - ends[0][node]
        left = ends[1][node] - after
        if not left > 0:
            continue
        n += 1
        dates = [c.facts.get(node, {}).get("eol_p50") for c in (one, other)]
        if None not in dates:
            moved += dates[1] - dates[0] > truly + SLACK * max(left, dates[1] - after)
        alarmed += node in called[0] - called[1] and truly < SLACK * left
    return moved, alarmed, n
