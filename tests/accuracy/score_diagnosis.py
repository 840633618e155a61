"""Scores of the diagnosis: probable causes against the faults that were put in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from lamplighter.results import Item
from tests.accuracy.harness import Case, ScoreRow, false_row, recall_row

AREA = "diagnosis"

LINK = ("link fading", "link stepped down", "interference")
RIGHT: dict[str, tuple[str, ...]] = {
    "battery_end": ("battery nearly empty",),
    "battery_cold": ("battery weak in the cold", "battery nearly empty"),
    "rssi_trend": ("link fading",),
    "rssi_step": ("link stepped down",),
    "delivery_falling": (*LINK, "cause not clear"),
    "interference": ("interference",),
    "silent": ("node failed",),
    "stuck": ("sensor frozen",),
    "stuck_dither": ("sensor frozen",),
    "plugged": ("impulse line or port plugged",),
    "pegged": ("sensor frozen", "ranged or scaled wrongly"),
    "record_frozen": ("host or export", "gateway or backhaul"),
    "zero_drift": ("zero shifted",),
    "zero_step": ("zero shifted",),
    "scale_step": ("ranged or scaled wrongly",),
    "interval_differs": ("configuration changed",),
    "shared_identity": ("two nodes share a name",),
    "threshold_inside": ("alarm threshold inside normal operation",),
    "clock_wrong": ("clock wrong",),
    "unregistered": ("not in the register",),
    "never_seen": ("never installed or never joined",),
}
"""Causes that count as right for each fault; a link that only loses check-ins does not tell which of three it is, and
may be said to be unclear."""


def score(cases: Sequence[Case]) -> list[ScoreRow]:
    """Score the diagnosis over some fleets."""
    told = [pair for case in cases for pair in diagnosed(case)]
    if not told:
        return []
    first = sum(item.cause in right(row) for row, item in told)
    listed = sum(bool({*item.jobs} & {*right(row)}) for row, item in told)
    sure = [(row, item) for row, item in told if (item.cause_probability or 0) >= 0.8]
    return [
        recall_row(AREA, "right cause stands first, of lasting faults with an item", first, len(told), 0.85),
        recall_row(AREA, "right cause is on the job, of lasting faults with an item", listed, len(told), 0.9),
        recall_row(
            AREA, "right when at least 80 % sure", sum(i.cause in right(r) for r, i in sure), len(sure), 0.9
        ),
        gateway_row(cases),
        explained_row(cases),
        *confusion(told),
    ]  # fmt: skip


def right(row: dict[str, Any]) -> tuple[str, ...]:
    """Causes that count as right; a node silent because its battery died has an empty battery."""
    if row["fault"] == "silent" and row["note"] == "battery":
        return ("battery nearly empty",)
    return RIGHT[row["fault"]]


def diagnosed(case: Case) -> Iterator[tuple[dict[str, Any], Item]]:
    """Lasting faults of nodes that have an item, each with it."""
    items = {item.subject: item for item in case.items if item.subject_kind == "node"}
    for row in case.faults().to_dict("records"):
        lasting = not row["end"] <= case.as_of
        dead = row["fault"] == "battery_end" and row["note"] == "dead"
        if lasting and not dead and row["fault"] in RIGHT and row["node"] in items:
            yield row, items[row["node"]]


def gateway_row(cases: Sequence[Case]) -> ScoreRow:
    """A gateway whose antenna failed is one item."""
    hits = n = 0
    for case in cases:
        found = {item.subject for item in case.items if item.subject_kind == "gateway"}
        for row in case.faults("gateway_antenna").to_dict("records"):
            n, hits = n + 1, hits + (row["gateway"] in found)
    return recall_row(AREA, "failed gateway antenna is an item of the gateway", hits, n, None)


def explained_row(cases: Sequence[Case]) -> ScoreRow:
    """The nodes that a gateway's antenna explains have no item for their signal."""
    hits = n = 0
    for case in cases:
        items = {item.subject: item for item in case.items if item.subject_kind == "node"}
        nodes = case.antenna_nodes & case.healthy
        n += len(nodes)
        hits += sum("link stepped down" in items[node].jobs for node in nodes if node in items)
    return false_row(
        AREA, "healthy nodes behind it that are sent a person for their signal", hits, n, 0.05 if n else None
    )


def confusion(told: list[tuple[dict[str, Any], Item]]) -> Iterator[ScoreRow]:
    """One line a fault: what was said of it, most often first."""
    for fault in RIGHT:
        said = Counter(item.cause for row, item in told if row["fault"] == fault)
        if said:
            words = ", ".join(f"{cause} {n}" for cause, n in sorted(said.items(), key=lambda c: (-c[1], c[0])))
            yield ScoreRow(AREA, f"said of {fault}", "-", words, sum(said.values()))
