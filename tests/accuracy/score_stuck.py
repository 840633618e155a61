"""Scores of the stuck check: frozen sensors, frozen records, limits, collapsed variance, false alarms."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.accuracy.harness import Case, ScoreRow, false_alarms, false_row, recall, recall_row

AREA = "stuck"


def score(cases: Sequence[Case]) -> list[ScoreRow]:
    """Score the stuck check over some fleets."""
    return [
        recall_row(AREA, "stuck sensor", *recall(cases, stuck_rows, stuck_hit), 0.99),
        recall_row(AREA, "stuck sensor, start within 2 check-ins", *recall(cases, stuck_rows, stuck_dated), 0.99),
        recall_row(AREA, "whole record frozen", *recall(cases, frozen_rows, frozen_hit), None),
        recall_row(AREA, "pegged at a limit", *recall(cases, pegged_rows, pegged_hit), None),
        recall_row(AREA, "frozen with a count of dither", *recall(cases, dither_rows, any_hit), None),
        recall_row(AREA, "impulse line plugged", *recall(cases, plugged_rows, any_hit), None),
        false_row(AREA, "healthy nodes with any finding of stuck", *false_alarms(cases, "stuck"), 0.01),
        *quiet_processes(cases),
    ]


def quiet_processes(cases: Sequence[Case]) -> list[ScoreRow]:
    """False alarms on the measuring points that rest by nature."""
    words = {
        "closed line": "shut-in lines",
        "tank level": "tanks",
        "humidity": "humidity at its limit",
        "gate position": "gates",
    }
    rows = []
    for word, label in words.items():
        hits = n = 0
        for case in cases:
            register = case.fleet.register
            nodes = case.healthy & set(register.loc[register["name"].str.contains(word, case=False), "node"])
            hits, n = hits + len(nodes & set(case.found("stuck", info=False))), n + len(nodes)
        rows.append(false_row(AREA, f"healthy {label} with a finding of stuck", hits, n, 0.0 if n else None))
    return rows


def stuck_rows(case: Case) -> object:
    """Sensors stuck for two days or more."""
    rows = case.faults("stuck")
    return rows[case.as_of - rows["start"] > 2 * 86_400]


def frozen_rows(case: Case) -> object:
    """Records frozen for some days."""
    return case.faults("record_frozen")


def pegged_rows(case: Case) -> object:
    """Readings on a limit for two days or more."""
    rows = case.faults("pegged")
    return rows[case.as_of - rows["start"] > 2 * 86_400]


def dither_rows(case: Case) -> object:
    """Frozen with dither for ten days or more."""
    rows = case.faults("stuck_dither")
    return rows[case.as_of - rows["start"] > 10 * 86_400]


def plugged_rows(case: Case) -> object:
    """Plugged for ten days or more."""
    rows = case.faults("plugged")
    return rows[case.as_of - rows["start"] > 10 * 86_400]


def stuck_hit(case: Case, row: dict) -> bool:
    """Whether the node was called stuck."""
    return row["node"] in case.found("stuck", ("stuck",))


def stuck_dated(case: Case, row: dict) -> bool:
    """Whether at most two check-ins lie between the start said and the true one, whatever was lost meanwhile.

    When the sensor already read that value before it stuck, the record cannot show where the fault began: then any
    instant from the first of those equal readings on is right.
    """
    a = case.fleet.checkins.arrays(row["node"])
    found = case.found("stuck", ("stuck",)).get(row["node"], [])
    onset, *places = np.searchsorted(a.time, [row["start"], *(f.since for f in found if f.since is not None)])
    differ = np.flatnonzero(a.reading[:onset] != a.reading[min(onset, len(a.time) - 1)])
    first = int(differ[-1]) + 1 if len(differ) else 0
    return any(first - 2 <= place <= onset + 2 for place in places)


def frozen_hit(case: Case, row: dict) -> bool:
    """Whether a frozen record was found."""
    return row["node"] in case.found("stuck", ("record_frozen",))


def pegged_hit(case: Case, row: dict) -> bool:
    """Whether a reading on its limit was found, under either name."""
    return row["node"] in case.found("stuck", ("pegged", "stuck"))


def any_hit(case: Case, row: dict) -> bool:
    """Whether the stuck check said anything of the node."""
    return row["node"] in case.found("stuck", info=False)
