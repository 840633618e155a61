"""What only all checks together can tell: work that the data contradict, and new nodes to accept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from lamplighter.checks.base import CheckResult, Context
from lamplighter.results import Verdict
from lamplighter.triage.acceptance import find_acceptances
from lamplighter.triage.contradictions import find_contradictions


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
    found = [*find_contradictions(results, context), *find_acceptances(results, context, daily)]
    if not found or "data" not in results:
        return dict(results)
    data = results["data"]
    verdicts = dict(data.verdicts)
    for finding in found:
        if finding.severity != "info" and getattr(verdicts.get(finding.node), "state", "") != "finding":
            verdicts[finding.node] = Verdict(state="finding", reason=finding.evidence)
    return {**results, "data": replace(data, findings=[*data.findings, *found], verdicts=verdicts)}
