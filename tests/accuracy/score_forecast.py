"""A cross-check of the battery forecast: the check alone, on a record cut off at set times before the true end.

Nothing of the time after can leak in here, since the check never sees it. The fleets are small: for information;
the targets are judged in the battery area.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from lamplighter.simulate import SimulatedFleet, simulate
from tests.accuracy.harness import Case, ScoreRow, recall_row, run_check

AREA = "forecast on a cut record"
DAY = 86_400.0
LEADS = (90, 60, 30, 14)
OWN_FLEETS = True
"""The same fleets whatever cases are given."""
COMPANY = 3
"""Healthy nodes judged beside a dying one, so that the fleet's own lives can be learned from."""


@dataclass(frozen=True)
class Forecast:
    """One forecast made so many days before the true end; dates in days from the true end."""

    lead: int
    chemistry: str
    p10: float | None
    p50: float | None
    p90: float | None
    line: float | None


def score(cases: Sequence[Case], nodes: int = 50) -> list[ScoreRow]:
    """Score forecasts of lives that end; the fleets of the other areas hold too few of them, so these are made here."""
    made = forecasts(nodes if sum(len(c.seen) for c in cases) > 500 else nodes // 5)
    rows = []
    for lead in LEADS:
        some = [f for f in made if f.lead == lead]
        dated = [f for f in some if f.p50 is not None]
        covered = sum(f.p10 <= 0 <= f.p90 for f in dated)
        what = f"{lead} days before: P10 to P90 holds the true end, of forecasts with a date"
        rows.append(recall_row(AREA, what, covered, len(dated), None))
        rows.append(recall_row(AREA, f"{lead} days before: with a date", len(dated), len(some), None))
        error = float(np.median([abs(f.p50) for f in dated])) / lead if dated else np.nan
        what = f"{lead} days before: median error of P50, share of the remaining time"
        rows.append(ScoreRow(AREA, what, "-", f"{100 * error:.0f} %", len(dated)))
    return [*rows, *against_line(made)]


def against_line(made: list[Forecast]) -> list[ScoreRow]:
    """Compare with a straight line through the last 90 days, where both give a date."""
    both = [f for f in made if f.p50 is not None and f.line is not None]
    rows = []
    for word, mean in (("median", np.median), ("mean", np.mean)) if both else ():
        ours, theirs = float(mean([abs(f.p50) for f in both])), float(mean([abs(f.line) for f in both]))
        what = f"{word} error as a share of a straight line's through the last 90 days"
        rows.append(ScoreRow(AREA, what, "-", f"{ours / theirs:.2f}", len(both)))
    return rows


@cache
def forecasts(nodes: int) -> tuple[Forecast, ...]:
    """Make forecasts on two fleets in which half the nodes come to the end of a battery."""
    made = []
    for seed, noise in ((9_301, "smooth"), (9_302, "rough")):
        fleet = simulate(nodes, 425, seed, noise=noise, faults=("battery_end",), fault_share=0.5)
        made += forecasts_of(fleet)
    return tuple(made)


def forecasts_of(fleet: SimulatedFleet) -> list[Forecast]:
    """Stand at set times before each end that the record leads up to."""
    truth = fleet.truth
    ends = truth[(truth["fault"] == "battery_end") & (truth["role"] == "fault")]
    company = sorted(set(fleet.counts["node"]) - set(ends["node"]))[:COMPANY]
    chemistry = truth[truth["role"] == "life"].drop_duplicates("node").set_index("node")["note"]
    made = []
    for row in ends.to_dict("records"):
        for lead in LEADS:
            stand = row["eol_date"] - lead * DAY
            if fleet.options.start + 60 * DAY < stand <= fleet.as_of:
                made.append(_forecast(fleet, row, lead, stand, company, chemistry[row["node"]]))
    return made


def _forecast(
    fleet: SimulatedFleet, row: dict, lead: int, stand: float, company: list[str], chemistry: str
) -> Forecast:
    case = run_check(fleet, "battery", earlier=(), nodes=[*company, row["node"]], as_of=stand)
    facts = case.facts.get(row["node"], {})
    dates = [facts.get(f"eol_{p}") for p in ("p10", "p50", "p90")]
    off = [None if d is None else (d - row["eol_date"]) / DAY for d in dates]
    line = straight_line(fleet, row["node"], stand)
    return Forecast(lead, chemistry, *off, None if line is None else (line - row["eol_date"]) / DAY)


def straight_line(fleet: SimulatedFleet, node: str, stand: float) -> float | None:
    """When a straight line through the last 90 days of daily medians meets the cut-off [s], None when it never does."""
    a = fleet.checkins.arrays(node)
    recent = (a.time > stand - 90 * DAY) & (a.time <= stand) & np.isfinite(a.battery_v)
    day = np.floor(a.time[recent] / DAY)
    days = np.unique(day)
    if len(days) < 20:
        return None
    volts = np.array([np.median(a.battery_v[recent][day == d]) for d in days])
    slope, level = np.polyfit(days - stand / DAY, volts, 1)
    cutoff = float(fleet.register.set_index("node")["cutoff_v"][node])
    # A line that meets the cut-off beyond twenty years is no date.
    ahead = (cutoff - level) / slope if slope < 0 else np.inf
    return stand + max(ahead, 0.0) * DAY if ahead < 20 * 365 else None
