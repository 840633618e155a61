"""The acceptance line of a node in its first days, while the crew that installed it is still near."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from lamplighter import wording
from lamplighter.checkins import DAY_S
from lamplighter.checks.base import CheckResult, Context
from lamplighter.results import Finding
from lamplighter.triage.cases import NodeCase, gather_cases, min_margin_db, zero_tolerance
from lamplighter.triage.contradictions import Pairs, fresh_levels, series_of

SAME_INTERVAL = 0.05
"""An interval within this share of the registered one is the registered one: clocks and jitter differ less."""


@dataclass(frozen=True, slots=True)
class Point:
    """One thing an acceptance looks at: ``right`` is None when the data cannot tell."""

    name: str
    right: bool | None
    words: str


def find_acceptances(
    results: Mapping[str, CheckResult], context: Context, daily: Mapping[str, Mapping[str, Any]]
) -> list[Finding]:
    """Return the acceptance of each new node as a finding.

    Parameters
    ----------
    daily : dict of node to dict
        Daily summaries as plain lists (``reading_low``, ``reading_high``, ``battery_v``).

    Returns
    -------
    list of Finding
        Kind ``accepted`` (severity info) or ``not_accepted`` (severity M) of check ``data``, by node; the points
        stand in ``data["points"]``.
    """
    new = {node: case for node, case in gather_cases(results, context).items() if is_new(case, context)}
    if not new:
        return []
    fresh = fresh_levels(Pairs(series_of(results, "battery"), "day", "volts"), context)
    return [
        _finding(case, points_of(case, context, daily.get(node, {}), fresh.get(node))) for node, case in new.items()
    ]


def is_new(case: NodeCase, context: Context) -> bool:
    """Whether a node joined lately, and not merely because the data begin lately."""
    joined, young = case.fact("first_seen"), context.settings.triage.acceptance_days * DAY_S
    return joined is not None and joined >= context.as_of - young and joined > context.start + young


def points_of(case: NodeCase, context: Context, daily: Mapping[str, Any], fresh: float | None) -> list[Point]:
    """Return what an acceptance looks at: joined, interval, margin, zero, range, battery."""
    joined = Point("joined", True, f"joined on {wording.date(case.fact('first_seen'))}")
    s = context.settings.triage
    return [
        joined,
        interval_point(case.fact("interval_s"), case.entry.interval_s),
        margin_point(case, min_margin_db(context)),
        zero_point(case.fact("zero_error_pct_span"), zero_tolerance(case), s.acceptance_zero_share),
        range_point(daily, case.entry.lrl, case.entry.url),
        battery_point(daily, fresh, s.acceptance_battery_share),
    ]


def interval_point(seen: float | None, told: float | None) -> Point:
    """Return whether it checks in at the registered interval."""
    if seen is None or told is None:
        return Point("interval", None, "interval not known" if seen is None else "interval not in the register")
    right = abs(seen / told - 1) <= SAME_INTERVAL
    words = f"checks in every {wording.duration(seen).removeprefix('1 ')}"
    return Point("interval", right, words + (" as registered" if right else f", registered {wording.duration(told)}"))


def margin_point(case: NodeCase, least: float) -> Point:
    """Return whether the margin is enough in the worst hours, else as a whole."""
    worst = case.fact("margin_p10_db")
    margin, when = (worst, "in its worst tenth of the time") if worst is not None else (case.fact("fade_margin_db"), "")
    if margin is None:
        return Point("margin", None, "fade margin not known")
    words = " ".join(filter(None, (f"fade margin {wording.quantity(margin, 'dB', 2)}", when)))
    right = margin >= least
    return Point("margin", right, words if right else f"{words}, should be {wording.quantity(least, 'dB', 2)}")


def zero_point(error: float | None, tolerance: float | None, share: float) -> Point:
    """Return whether the zero leaves room within its tolerance."""
    if error is None or not tolerance:
        return Point("zero", None, "zero not seen yet")
    right = abs(error) <= share * tolerance
    words = f"zero error {wording.number(error, 2)} % of span"
    return Point("zero", right, words if right else f"{words} of {wording.number(tolerance, 2)} % tolerated")


def range_point(daily: Mapping[str, Any], lrl: float | None, url: float | None) -> Point:
    """Return whether all readings lie inside the registered range."""
    low = [v for v in daily.get("reading_low", ()) if v is not None]
    high = [v for v in daily.get("reading_high", ()) if v is not None]
    if not low or not high or lrl is None or url is None:
        return Point("range", None, "no readings yet" if not low else "range not in the register")
    right = min(low) >= lrl and max(high) <= url
    words = f"readings {wording.between(min(low), max(high))}"
    return Point("range", right, words + (" inside its range" if right else f" outside {wording.between(lrl, url)}"))


def battery_point(daily: Mapping[str, Any], fresh: float | None, share: float) -> Point:
    """Return whether the battery shows the voltage of a new one of its type."""
    volts = [v for v in daily.get("battery_v", ()) if v is not None]
    if not volts or fresh is None:
        return Point("battery", None, "battery voltage not known")
    level = float(np.median(volts))
    right = level >= share * fresh
    words = f"battery {wording.quantity(level, 'V')}"
    return Point(
        "battery", right, words + (" as new" if right else f", a new one shows {wording.quantity(fresh, 'V')}")
    )


def _finding(case: NodeCase, points: list[Point]) -> Finding:
    wrong = [p for p in points if p.right is False]
    ordered = [*wrong, *(p for p in points if p.right), *(p for p in points if p.right is None)]
    said = ", ".join(p.words for p in ordered)
    return Finding(
        check="data",
        kind="not_accepted" if wrong else "accepted",
        node=case.node,
        gateway=case.entry.gateway,
        since=case.fact("first_seen"),
        value=float(sum(p.right is True for p in points)),
        unit=f"of {len(points)} points",
        severity="M" if wrong else "info",
        evidence=f"New node {'not accepted' if wrong else 'accepted'}: {said}.",
        remedy="Put the installation right while the crew is still near." if wrong else "",
        data={"points": [{"name": p.name, "right": p.right, "words": p.words} for p in points]},
    )
