"""What only all checks together can tell: work that the data contradict, and new nodes to accept."""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from lamplighter.checks.base import CheckResult, Context
from lamplighter.results import Verdict
from lamplighter.triage.acceptance import find_acceptances
from lamplighter.triage.contradictions import find_contradictions

LEAST_DAYS = 10
"""Fewer days tell nothing of a reading and the temperature."""
FOLLOWS_RHO, FOLLOWS_P = 0.5, 0.001
"""Rank correlation from which a reading follows the temperature, and how rarely chance may bring it."""


def review(
    results: Mapping[str, CheckResult], context: Context, daily: Mapping[str, Mapping[str, Any]]
) -> dict[str, CheckResult]:
    """Return the checks' results with what the review found added to those of the check ``data``.

    Parameters
    ----------
    results : dict of check to CheckResult
    context : Context
    daily : dict of node to dict
        Each node's daily summaries as plain lists.
    """
    results = with_temperature_facts(results, daily)
    found = [*find_contradictions(results, context), *find_acceptances(results, context, daily)]
    if not found or "data" not in results:
        return dict(results)
    data = results["data"]
    verdicts = dict(data.verdicts)
    for finding in found:
        if finding.severity != "info" and getattr(verdicts.get(finding.node), "state", "") != "finding":
            verdicts[finding.node] = Verdict(state="finding", reason=finding.evidence)
    return {**results, "data": replace(data, findings=[*data.findings, *found], verdicts=verdicts)}


def with_temperature_facts(
    results: Mapping[str, CheckResult], daily: Mapping[str, Mapping[str, Any]]
) -> dict[str, CheckResult]:
    """Return the results with facts about readings that stand still: whether they follow the temperature in a band.

    A sensor that froze does not; what is trapped behind a plugged line does.
    """
    if "stuck" not in results:
        return dict(results)
    stuck = results["stuck"]
    more: dict[str, dict[str, Any]] = {}
    for f in stuck.findings:
        if f.kind == "stuck" and f.node and f.severity != "info" and f.since is not None:
            until = float("inf") if f.until is None else f.until
            follows = follows_temperature(daily.get(f.node, {}), f.since, until)
            more[f.node] = {
                **stuck.facts.get(f.node, {}), "stuck_within_band": bool(f.data.get("band")),
                "follows_temperature": follows,
            }  # fmt: skip
    return {**results, "stuck": replace(stuck, facts=ChainMap(more, stuck.facts))}


def follows_temperature(daily: Mapping[str, Any], since: float, until: float) -> bool | None:
    """Whether the daily reading moves with the daily temperature in a stretch of time; None when it cannot be told."""
    rows = zip(*(daily.get(name, ()) for name in ("day", "reading_median", "temperature")), strict=False)
    pairs = np.array([(r, c) for day, r, c in rows if since <= day <= until and r is not None and c is not None])
    if len(pairs) < LEAST_DAYS:
        return None
    if np.ptp(pairs, axis=0).min() == 0:
        return False
    from scipy.stats import spearmanr  # slow to load, and seldom needed

    rho, p = spearmanr(pairs[:, 0], pairs[:, 1])
    return bool(abs(rho) >= FOLLOWS_RHO and p <= FOLLOWS_P)
