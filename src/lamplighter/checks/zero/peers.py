"""Compares nodes that by the register see the same process."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.base import Context
from lamplighter.checks.zero.measure import YEAR_S, ZeroMeasures
from lamplighter.checks.zero.state import State
from lamplighter.results import Finding
from lamplighter.settings.zero import ZeroSettings
from lamplighter.stats.trend import trend
from lamplighter.wording import between, quantity

PCT = "% of span"


def peer_findings(
    measures: Mapping[str, ZeroMeasures], states: Mapping[str, State], context: Context, s: ZeroSettings
) -> list[Finding]:
    """Return a finding for each pair of peers that disagree, on the one whose own rests do not clear it."""
    found = []
    for node in sorted(measures):
        peer = context.register[node].same_process_as
        if peer in measures and peer != node and _first_of_pair(node, peer, context):
            said = _compare(node, peer, measures, states, context, s)
            found += [said] if said else []
    return found


def _first_of_pair(node: str, peer: str, context: Context) -> bool:
    """Whether a pair that names each other is met for the first time."""
    return context.register[peer].same_process_as != node or node < peer


def _compare(
    node: str,
    peer: str,
    measures: Mapping[str, ZeroMeasures],
    states: Mapping[str, State],
    context: Context,
    s: ZeroSettings,
) -> Finding | None:
    day, apart = difference(measures[node], measures[peer])
    tolerance = max(states[node].tolerance, states[peer].tolerance)
    if len(day) < 2 * s.min_rest_days:
        return None
    recent = apart[day > day[-1] - 30]
    now, usual = float(np.median(recent)), float(np.median(apart[: max(len(apart) // 5, s.min_rest_days)]))
    line = trend(day * DAY_S / YEAR_S, apart)
    grew = abs(now - usual)
    if grew < s.peer_floor * tolerance or not line.p <= s.false_rate / 5:
        return None
    blamed = peer if states[node].judged and not states[peer].judged else node
    other = node if blamed == peer else peer
    return Finding(
        check="zero",
        kind="peer_disagrees",
        node=blamed,
        gateway=context.register[blamed].gateway,
        value=now,
        unit=PCT,
        low=line.low,
        high=line.high,
        probability=1 - line.p,
        severity="M",
        evidence=f"It and {other} see the same process, yet they now differ by {quantity(now, PCT)} where it was "
        f"{quantity(usual, PCT)}; the difference moves by {quantity(line.slope, PCT)} per year "
        f"({between(line.low, line.high)}). One of the two is wrong.",
        remedy="Compare both with a third instrument at the next visit.",
        key=other,
        data={"peer": other, "slope_pct_span_per_year": line.slope},
    )


def difference(a: ZeroMeasures, b: ZeroMeasures) -> tuple[np.ndarray, np.ndarray]:
    """Return common days and the difference of the daily medians, a minus b [% of span of each]."""
    days, i, j = np.intersect1d(a.day, b.day, assume_unique=True, return_indices=True)
    apart = a.middle[i] - b.middle[j]
    known = np.isfinite(apart)
    return days[known].astype(float), apart[known].astype(float)
