"""Judges each node's zero: drift, step, error out of tolerance, readings below the range, disagreement of peers.

Facts a node: ``zero_error_pct_span, zero_drift_pct_span_per_year, zero_drift_low, zero_drift_high`` (columns),
``zero_tolerance_pct_span``, ``zero_due, zero_due_low, zero_due_high`` (when the zero leaves its tolerance
[s since 1970-01-01 UTC]), ``zero_reset`` (when it was last set).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from lamplighter.checks.base import CheckResult, Context
from lamplighter.checks.zero import say
from lamplighter.checks.zero.measure import YEAR_S, ZeroMeasures
from lamplighter.checks.zero.peers import peer_findings
from lamplighter.checks.zero.state import State, state_of
from lamplighter.results import Finding, Verdict
from lamplighter.settings.zero import ZeroSettings
from lamplighter.spool import Spool
from lamplighter.stats.discovery import benjamini_hochberg


def judge(measures: Mapping[str, ZeroMeasures], context: Context) -> CheckResult:
    """Judge all nodes together."""
    s = context.settings.zero
    states = Spool((n, state_of(measures[n], context.register[n], s)) for n in sorted(measures))
    called = call(states, s)
    result = CheckResult(fleet={"judged": 0})
    peers = peer_findings(measures, states, context, s)
    for node, state in states.items():
        found = findings(node, measures[node], state, called[node], context, s)
        found += [f for f in peers if f.node == node]
        result.findings.extend(found)
        result.verdicts[node] = verdict(state, found)
        if state.judged:
            result.facts[node] = facts(state, called[node], context.as_of, s)
            result.series[node] = series(measures[node], state)
        result.fleet["judged"] += state.judged
    return result


def call(states: Mapping[str, State], s: ZeroSettings) -> dict[str, bool]:
    """Say of which nodes the drift is real: false discovery rate held over the judged nodes, and a large effect."""
    judged: dict[str, float] = {}
    large: dict[str, bool] = {}
    for n, state in states.items():
        large[n] = bool(state.moved >= s.drift_floor * state.tolerance)
        if state.judged:
            judged[n] = state.drift_p
    p = np.clip(list(judged.values()), 0.0, 1.0) if judged else np.zeros(0)
    called = benjamini_hochberg(np.nan_to_num(p, nan=1.0), s.false_rate).called
    real = {n for n, yes in zip(judged, called, strict=True) if yes}
    return {n: n in real and large[n] for n in large}


def findings(
    node: str, m: ZeroMeasures, state: State, drifts: bool, context: Context, s: ZeroSettings
) -> list[Finding]:
    """Return what there is to say about one node's zero."""
    entry = context.register[node]
    found: list[Finding] = []
    if state.judged:
        if drifts:
            found.append(say.drift(node, entry, state, context.as_of, s))
        for step in state.steps:
            if abs(step.size) >= s.step_floor * state.tolerance and step.p <= s.step_probability:
                found.append(say.step(node, entry, state, step, m, s))
        outside = abs(state.error) - state.error_half > state.tolerance
        if outside and not drifts and not any(f.kind == "zero_step" for f in found):
            found.append(say.error(node, entry, state))
    elif m.below_s >= s.negative_hours * 3600 and m.below_levels >= s.negative_levels:
        found.append(say.negative(node, entry, m))
    return found


def facts(state: State, drifts: bool, as_of: float, s: ZeroSettings) -> dict[str, Any]:
    """Columns of nodes.csv and what triage needs."""
    out: dict[str, Any] = {
        "zero_error_pct_span": state.error,
        "zero_drift_pct_span_per_year": state.rate,
        "zero_drift_low": state.rate_low,
        "zero_drift_high": state.rate_high,
        "zero_tolerance_pct_span": state.tolerance,
    }
    if np.isfinite(state.reset):
        out["zero_reset"] = state.reset
    if drifts:
        due, low, high = state.leaves(as_of, s.horizon_years * YEAR_S)
        out |= {"zero_due": due, "zero_due_low": low, "zero_due_high": high}
    return out


def series(m: ZeroMeasures, state: State) -> dict[str, Any]:
    """Zero error over time as the report draws it, temperature taken out of the fit."""
    return {
        "time": [int(t) for t in m.time],
        "error_pct": [round(float(v), 4) for v in m.error],
        "fit": [round(float(v), 4) for v in state.fit],
        "tolerance_pct": state.tolerance,
    }


def verdict(state: State, found: list[Finding]) -> Verdict:
    """One node's verdict with its reason."""
    serious = [f for f in found if f.severity != "info"]
    if serious:
        return Verdict(state="finding", reason=serious[0].evidence)
    if not state.judged:
        return Verdict(state="not evaluated", reason=state.why_not)
    return Verdict(state="good", reason=say.fine(state))
