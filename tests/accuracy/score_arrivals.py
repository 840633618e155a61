"""Scores of the arrivals check: counts, outages, silence, falling delivery."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.accuracy.harness import Case, ScoreRow, false_alarms, false_row, recall, recall_row, run_check

AREA = "arrivals"
ODD = ("shared_identity", "clock_wrong", "never_seen", "record_frozen")
"""Faults under which the count of one identity is not the count of one node."""


def score(cases: Sequence[Case]) -> list[ScoreRow]:
    """Score the arrivals check over some fleets."""
    return [
        *missed_counts(cases),
        *outages(cases),
        recall_row(
            AREA, "node gone silent, found at the end of the record", *recall(cases, silent_rows, silent_hit), 0.99
        ),
        recall_row(AREA, "node gone silent, found in time", *recall(cases, timely_rows, timely_hit), 0.99),
        false_row(AREA, "healthy nodes called silent", *false_alarms(cases, "arrivals", ("silent",)), 0.0),
        recall_row(AREA, "delivery falling to under 75 %", *recall(cases, falling_rows, falling_hit), None),
        false_row(AREA, "healthy nodes with any finding of arrivals", *false_alarms(cases, "arrivals"), None),
    ]


def missed_counts(cases: Sequence[Case]) -> list[ScoreRow]:
    """Compare missed counts, outages left out, with the truth; interval changes and fast sampling included.

    Left out are nodes taken away, of which nothing is expected after, and check-ins that a silent node would
    have added by sampling fast, which nobody can know.
    """
    errors, truth, within, near, n = 0.0, 0.0, 0, 0, 0
    for case in cases:
        odd = set(case.faults(*ODD)["node"]) | set(case.faults("removed", role="event")["node"])
        silent = {n for n, f in case.facts.items() if case.as_of - (f.get("last_seen") or 0) > 2 * 86_400}
        for row in case.fleet.counts.to_dict("records"):
            said = case.facts.get(row["node"], {}).get("missed")
            if row["node"] in odd or (row["node"] in silent and row["fast"]):
                continue
            n += 1
            error = abs((said if said is not None else np.inf) - row["missed_node"])
            within += error <= max(0.01 * row["missed_node"], 2)
            near += error <= 0.01 * row["expected"]
            errors, truth = errors + min(error, row["expected"]), truth + row["missed_node"]
    share_off = errors / truth if truth else np.nan
    return [
        ScoreRow(AREA, "missed check-ins, absolute errors summed", "at most 1 % of truth",
                 f"{100 * share_off:.2f} %", n, share_off <= 0.01),
        recall_row(AREA, "nodes whose missed count is within 1 % of truth, or 2", within, n, None),
        recall_row(AREA, "nodes whose delivery is within 1 point of truth", near, n, 0.99),
    ]  # fmt: skip


def outages(cases: Sequence[Case]) -> list[ScoreRow]:
    """Check-ins lost in common outages that were attributed to them, and nodes blamed.

    Over the nodes that still check in at the end: what a silent one would have lost in outages is nobody's.
    """
    attributed = lost = blamed = healthy = 0
    for case in cases:
        downs = case.faults("gateway_outage", "host_outage", role="common")
        counts = case.fleet.counts
        alive = {n for n, f in case.facts.items() if case.as_of - (f.get("last_seen") or 0) < 2 * 86_400}
        mine = counts[counts["node"].isin(alive)]
        lost += int((mine["missed_gateway"] + mine["missed_host"]).sum())
        for gap in case.gaps:
            if gap.cause in ("gateway", "host") and gap.node in alive:
                attributed += _inside(case, gap, downs)
        nodes = case.healthy
        healthy += len(nodes)
        blamed += len(nodes & _blamed(case, downs))
    return [
        recall_row(AREA, "check-ins lost in gateway or host outages, attributed", min(attributed, lost), lost, 0.99),
        false_row(AREA, "healthy nodes blamed for an outage", blamed, healthy, 0.0),
    ]


def _inside(case: Case, gap: object, downs: object) -> int:
    """Missed check-ins of a gap that lies in an outage of the node's gateway or the host."""
    gateway = dict(zip(case.fleet.counts["node"], case.fleet.counts["gateway"], strict=True))[gap.node]
    mine = downs[downs["gateway"].isin(["", gateway])]
    hit = ((mine["start"] < gap.end) & (mine["end"] > gap.start)).any()
    return gap.missed if hit else 0


def _blamed(case: Case, downs: object) -> set[str]:
    """Nodes called silent from within an outage."""
    blamed = set()
    for node, findings in case.found("arrivals", ("silent",)).items():
        for f in findings:
            during = (downs["start"] - 7_200 <= f.since) & (f.since <= downs["end"]) if f.since is not None else None
            if during is not None and during.any():
                blamed.add(node)
    return blamed


def silent_rows(case: Case) -> object:
    """Nodes that went silent at least half a day before the end."""
    rows = case.faults("silent")
    return rows[rows["start"] < case.as_of - 43_200]


def silent_hit(case: Case, row: dict) -> bool:
    """Whether a node was called silent from the right day on."""
    found = case.found("arrivals", ("silent",)).get(row["node"], [])
    return any(f.since is not None and abs(f.since - row["start"]) < 2 * 86_400 for f in found)


def timely_rows(case: Case) -> object:
    """Nodes that went silent apart from any outage, with a month of record before."""
    rows = silent_rows(case)
    downs = case.faults("gateway_outage", "host_outage", role="common")
    apart = [not ((downs["start"] - 2 * 86_400 < t) & (t < downs["end"] + 2 * 86_400)).any() for t in rows["start"]]
    return rows[np.array(apart, dtype=bool) & (rows["start"] > case.fleet.options.start + 30 * 86_400)]


def timely_hit(case: Case, row: dict) -> bool:
    """Whether silence is called by the third missed check-in or the node's 99.9 % gap, whichever is later.

    Judged half an interval after that instant, before a fourth could be due, beside other nodes of the gateway.
    """
    counts = case.fleet.counts
    time = case.fleet.checkins.arrays(row["node"]).time
    time = time[time <= row["start"] + 60]
    interval = float(counts.set_index("node")["interval_s"][row["node"]])
    limit = max(3 * interval, float(np.quantile(np.diff(time), 0.999)))
    peers = counts.loc[counts["gateway"] == row["gateway"], "node"].head(8)
    then = run_check(
        case.fleet, "arrivals", nodes=sorted({row["node"], *peers}), as_of=time[-1] + limit + 0.5 * interval
    )
    return row["node"] in then.found("arrivals", ("silent",))


def falling_rows(case: Case) -> object:
    """Nodes whose delivery fell by a quarter or more."""
    rows = case.faults("delivery_falling")
    return rows[rows["size"] >= 0.25]


def falling_hit(case: Case, row: dict) -> bool:
    """Whether falling delivery, or its result, was found."""
    return row["node"] in case.found("arrivals", ("delivery_falling", "low_delivery"))
