"""Judges set-up: two nodes under one name, changes of scale, ranges, intervals, fast sampling, the register, gateways.

Facts a node: ``fast_cost`` (share by which fast sampling raises the battery's drain), ``two_identities_since``,
``scale_factor`` and ``scale_since`` (a change of scale and when it came).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.base import CheckResult, Context
from lamplighter.checks.data import say
from lamplighter.checks.data.measure import DataMeasures
from lamplighter.checks.data.spelling import same_nodes
from lamplighter.results import Finding, Verdict
from lamplighter.settings.data import DataSettings


def judge(measures: Mapping[str, DataMeasures], context: Context) -> CheckResult:
    """Judge all nodes together, then the register and the gateways."""
    s = context.settings.data
    arrivals = context.earlier["arrivals"].facts if "arrivals" in context.earlier else {}
    usual_fast = usual_fast_share(arrivals)
    wild = invalid_nodes(context)
    result = CheckResult(fleet={"usual_fast_share": usual_fast})
    for node in sorted(measures):
        m, facts = measures[node], arrivals.get(node, {})
        found = [f for f in node_findings(node, m, facts, usual_fast, node in wild, context, s) if f is not None]
        result.findings.extend(found)
        result.verdicts[node] = verdict(m, found, s)
        result.facts[node] = facts_of(found)
    result.findings.extend(register_findings(context, s))
    result.findings.extend(gateway_findings(measures, context, s))
    result.findings.extend(say.stored(context))
    partial = export_partial(context, s)
    for node in sorted(context.registered - set(measures)):
        result.verdicts[node] = (
            Verdict(state="not evaluated", reason="Absent from the exports, as many nodes are.")
            if partial
            else Verdict(state="finding", reason="It stands in the register but was never heard.")
        )
    return result


def usual_fast_share(arrivals: Mapping[str, Mapping[str, Any]]) -> float:
    """Return the fleet's usual share of check-ins sent faster than the interval."""
    shares = [f["fast_share"] for f in arrivals.values() if f.get("fast_share") is not None]
    return float(np.median(shares)) if shares else 0.0


def node_findings(
    node: str,
    m: DataMeasures,
    arrivals: Mapping[str, Any],
    usual_fast: float,
    wild: bool,
    context: Context,
    s: DataSettings,
) -> list[Finding | None]:
    """Return what there is to say about one node's set-up."""
    if m.rows < s.min_rows:
        return []
    entry = context.register[node]
    two = two_nodes(m, s)
    scale = m.scale if m.scale is not None and m.scale.score(s) <= 1 and not two else None
    found: list[Finding | None] = [
        say.two_identities(node, entry, m) if two else None,
        say.scale_step(node, entry, m.scale) if scale else None,
    ]
    if not (scale or wild) and m.outside_share >= s.span_outside_share:
        found.append(say.span_mismatch(node, entry, m, s))
    if m.bad_share >= s.bad_share and m.recent:
        found.append(say.bad_quality(node, entry, m, s))
    if not two:
        found.append(interval(node, m, arrivals, context, s))
        found.append(fast(node, m, arrivals, usual_fast, context, s))
    return found


def invalid_nodes(context: Context) -> set[str]:
    """Return the nodes whose wild readings the stuck check put down to the battery: they prove nothing of a range."""
    earlier = context.earlier.get("stuck")
    return {f.node for f in earlier.findings if f.kind == "low_battery_readings"} if earlier else set()


def two_nodes(m: DataMeasures, s: DataSettings) -> bool:
    """Whether the record falls into two in enough blocks, and in most of them once it began."""
    return m.split.split >= s.split_blocks and m.split.share_since >= s.split_run_share


def interval(
    node: str, m: DataMeasures, arrivals: Mapping[str, Any], context: Context, s: DataSettings
) -> Finding | None:
    """Compare the interval seen with the register's."""
    entry, seen = context.register[node], arrivals.get("interval_s")
    if not entry.interval_s or not seen or not np.isfinite(seen):
        return None
    if abs(seen / entry.interval_s - 1) <= s.interval_tolerance or keeps(m, entry.interval_s, s):
        return None
    pieces = arrivals.get("interval_pieces") or []
    return say.interval_differs(node, entry, seen, pieces[-1][0] if pieces else None)


def fast(
    node: str, m: DataMeasures, arrivals: Mapping[str, Any], usual: float, context: Context, s: DataSettings
) -> Finding | None:
    """Find a node whose alarm threshold lies inside normal operation."""
    entry, seen = context.register[node], arrivals.get("interval_s")
    stated = bool(entry.interval_s) and keeps(m, entry.interval_s, s)
    interval_s = entry.interval_s if stated else seen
    if not interval_s or not np.isfinite(interval_s):
        return None
    share, extra = fast_sampling(m, float(interval_s), s)
    spell = share if stated else min(share, arrivals.get("fast_share") or 0.0)
    if spell < max(s.fast_share, s.fast_times_fleet * usual) or share > s.fast_most:
        return None
    return say.fast_sampling(node, entry, share, extra, float(interval_s), usual)


def keeps(m: DataMeasures, interval_s: float, s: DataSettings) -> bool:
    """Whether a node spent a good part of the last months at an interval, whatever it did otherwise."""
    time_s = m.spacing_s * m.spacing_n
    at = np.abs(m.spacing_s / interval_s - 1) <= s.interval_tolerance
    return float(time_s[at].sum()) >= s.interval_kept * float(time_s.sum())


def fast_sampling(m: DataMeasures, interval_s: float, s: DataSettings) -> tuple[float, float]:
    """Return the share of the last months' time spent in fast sampling, and the check-ins that it added.

    The latter as a share of the check-ins at the node's own interval.
    """
    quick = m.spacing_s < s.fast_below * interval_s
    time_s = m.spacing_s * m.spacing_n
    added = max(float(m.spacing_n[quick].sum() - time_s[quick].sum() / interval_s), 0.0)
    return float(time_s[quick].sum() / max(time_s.sum(), 1.0)), added / max(float(m.spacing_n.sum()) - added, 1.0)


def register_findings(context: Context, s: DataSettings) -> list[Finding]:
    """Compare the register with the nodes heard."""
    if not context.registered:
        return []
    seen = set(context.seen)
    missing, silent = sorted(seen - context.registered), sorted(context.registered - seen)
    same = same_nodes(silent, missing)
    if export_partial(context, s):
        found = [say.export_partial(silent, len(context.registered), same)]
    else:
        found = [
            say.never_seen(node, context.register[node], context.start, installed(node, context), same.get(node))
            for node in silent
        ]
    if seen and len(missing) >= max(2, s.unregistered_share * len(seen)):
        return [*found, say.register_unfit(missing, len(seen), same)]
    registered_as = {heard: node for node, heard in same.items()}
    return found + [say.not_registered(node, registered_as.get(node)) for node in missing]


def export_partial(context: Context, s: DataSettings) -> bool:
    """Whether so many registered nodes were never heard that the exports lack them, rather than the site."""
    absent = len(context.registered - set(context.seen))
    return absent >= s.absent_nodes and absent > s.absent_share * len(context.registered)


def installed(node: str, context: Context) -> bool:
    """Whether register or work log say that a node was put up."""
    since = context.register[node].battery_installed
    worked = any(w.action != "removed" and w.time <= context.as_of for w in context.worklog.get(node, ()))
    return worked or (since is not None and since <= context.as_of)


def gateway_findings(measures: Mapping[str, DataMeasures], context: Context, s: DataSettings) -> list[Finding]:
    """Count the nodes heard lately by each gateway."""
    heard: dict[str, int] = {}
    for node, m in measures.items():
        gateway = context.register[node].gateway
        if gateway and m.last > context.as_of - s.recent_days * DAY_S:
            heard[gateway] = heard.get(gateway, 0) + 1
    return [say.gateway_overfull(g, n, s) for g, n in sorted(heard.items()) if n > s.nodes_per_gateway]


def facts_of(found: list[Finding]) -> dict[str, Any]:
    """Return what later checks and triage need."""
    out: dict[str, Any] = {}
    for f in found:
        if f.kind == "fast_sampling":
            out["fast_cost"] = f.data["drain_share"]
        elif f.kind == "two_identities":
            out["two_identities_since"] = f.since
        elif f.kind == "scale_step":
            out |= {"scale_factor": f.value, "scale_since": f.since}
    return out


def verdict(m: DataMeasures, found: list[Finding], s: DataSettings) -> Verdict:
    """One node's verdict with its reason."""
    serious = [f for f in found if f.severity != "info"]
    if serious:
        return Verdict(state="finding", reason=serious[0].evidence)
    if m.rows < s.min_rows:
        return Verdict(state="not evaluated", reason="Too few check-ins yet.")
    return Verdict(state="good", reason="Identity, scale, range and interval agree with the record and the register.")
