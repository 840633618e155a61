"""From the checks' results to ranked rows and items."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from lamplighter.checks.base import CheckResult, Context
from lamplighter.results import Cause, Finding, Item, NodeRow
from lamplighter.triage import risk
from lamplighter.triage.cases import NodeCase, gather_cases, gone, states_of, surety_of
from lamplighter.triage.diagnosis import diagnose
from lamplighter.triage.items import Judged, make_row, node_item, shared_item
from lamplighter.triage.rules import CauseRule, Rules, load_rules
from lamplighter.triage.shared import SharedFault, find_shared, nodes_by_gateway

LOSING = frozenset({"silent", "delivery_falling", "low_delivery"})


def judge_fleet(results: Mapping[str, CheckResult], context: Context) -> tuple[list[NodeRow], list[Item]]:
    """Diagnose, rank and put into words.

    Parameters
    ----------
    results : dict of check to CheckResult
    context : Context

    Returns
    -------
    rows : list of NodeRow
        Nodes with an item first, in the order of the items, then by risk, ties by name; nodes that cannot be judged
        come last, without a rank. Items of a gateway or the host have no row.
    items : list of Item
        What needs a person, ranked by risk: one a node, one a gateway or host trouble.
    """
    rules = load_rules(context.settings.triage.rules_file)
    cases = gather_cases(results, context)
    faults = find_shared(cases, results, context)
    judged = judge_nodes(cases, faults, rules, context)
    items = [node_item(j, context) for j in judged if j.own]
    items += [shared_item(f, cases, judged, rules, context) for f in faults]
    items = ranked_items(items)
    return ranked_rows([make_row(j, context) for j in judged], items), items


def judge_nodes(
    cases: Mapping[str, NodeCase], faults: list[SharedFault], rules: Rules, context: Context
) -> list[Judged]:
    """Diagnose every node and price its waiting, leaving out what a gateway or the host accounts for."""
    explained = {f.id for fault in faults for f in fault.explained}
    # What darkens a node comes before what merely disturbs it, the host before the gateway.
    fault_of = {n: f for f in sorted(faults, key=lambda f: (f.dark, f.subject_kind == "host")) for n in f.nodes}
    losing = peers_losing(cases, context)
    s = context.settings.triage
    t = risk.moments(s.planning_interval_days)
    judged = []
    for node, case in cases.items():
        own = () if gone(case) else tuple(f for f in case.findings if f.id not in explained)
        causes: tuple[Cause, ...] = ()
        jobs: tuple[CauseRule, ...] = ()
        if own:
            states = states_of(replace(case, findings=own), rules, context, losing=losing[node])
            causes, jobs = diagnose(states, rules, s, "node", surety_of(own, rules))
        fault = fault_of.get(node)
        parts, taken = price(case, own, fault, context, t)
        judged.append(
            Judged(case=case, own=own, shared=fault, causes=causes, jobs=jobs, parts=parts, shared_part=taken)
        )
    return judged


def price(
    case: NodeCase, own: tuple[Finding, ...], fault: SharedFault | None, context: Context, t: np.ndarray
) -> tuple[dict[str, float], float]:
    """Return the parts of a node's risk, and the cost that its gateway's or the host's trouble carries instead."""
    s = context.settings.triage
    cost = risk.day_cost(case.entry.criticality, s)
    curves = risk.hazard_curves(replace(case, findings=own), context, t)
    if fault is None:
        return risk.risk_parts(curves, s.planning_interval_days, cost), 0.0
    explained = tuple(f for f in case.findings if f not in own)
    moved = moved_hazards(fault, explained)
    path = {k: v for k, v in risk.hazard_curves(replace(case, findings=explained), context, t).items() if k in moved}
    if fault.dark:
        path["silence"] = np.ones_like(t)
    if fault.recurs:
        path["outages"] = np.full_like(t, outage_share(case))
    left = {k: v for k, v in curves.items() if k not in moved or k in ("silence", "stuck")}
    taken = risk.total_risk(risk.risk_parts(path, s.planning_interval_days, cost))
    return risk.risk_parts(left, s.planning_interval_days, cost), taken


def outage_share(case: NodeCase) -> float:
    """Return the share of a node's check-ins that outages have cost so far."""
    lost, due = case.fact("missed_outage") or 0.0, case.fact("expected") or 0.0
    return lost / (lost + due) if lost > 0 else 0.0


def moved_hazards(fault: SharedFault, explained: tuple[Finding, ...]) -> set[str]:
    """Return the hazards of a node that its gateway's or the host's trouble accounts for."""
    checks = {f.check for f in explained}
    moved = {"silence", "stuck"}
    if fault.dark or "arrivals" in checks:
        moved.add("delivery")
    if "radio" in checks:
        moved.add("link")
    return moved


def peers_losing(cases: Mapping[str, NodeCase], context: Context) -> dict[str, bool | None]:
    """Return for each node whether half or more of the other nodes on its gateway lose check-ins; None when alone."""
    lossy = {n for n, c in cases.items() if LOSING & c.kinds()}
    answer: dict[str, bool | None] = dict.fromkeys(cases)
    for nodes in nodes_by_gateway(cases, context).values():
        bad = sum(n in lossy for n in nodes)
        for n in nodes:
            others = len(nodes) - 1
            answer[n] = None if others < 2 else bad - (n in lossy) >= others / 2
    return answer


def ranked_rows(rows: list[NodeRow], items: list[Item]) -> list[NodeRow]:
    """Return rows in the order of their items, then by falling risk, ties by name; those not judged have no rank."""
    place = {i.subject: i.rank for i in items if i.subject_kind == "node"}
    rest = len(items) + 1
    judged = sorted(
        (r for r in rows if r.status != ""), key=lambda r: (place.get(r.node, rest), -(r.risk or 0.0), r.node)
    )
    for rank, row in enumerate(judged, start=1):
        row.rank = rank
    return judged + sorted((r for r in rows if r.status == ""), key=lambda r: r.node)


def ranked_items(items: list[Item]) -> list[Item]:
    """Return items by falling risk, ties by identity."""
    ordered = sorted(items, key=lambda i: (-i.risk, i.id))
    return [replace(item, rank=rank) for rank, item in enumerate(ordered, start=1)]
