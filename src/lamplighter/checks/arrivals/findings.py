"""Findings of the arrivals check, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.arrivals.common import GATEWAY, GROUP, HOST, Shared
from lamplighter.checks.arrivals.delivery import Fall
from lamplighter.checks.arrivals.measure import ArrivalsMeasure
from lamplighter.checks.arrivals.outages import Window
from lamplighter.checks.base import Context
from lamplighter.results import Finding, Outage
from lamplighter.stats.proportions import Interval
from lamplighter.wording import count, date, duration, joined, moment, percent


def silent(node: str, m: ArrivalsMeasure, gateway: str, limit_s: float, probability: float) -> Finding:
    """Return the finding that a node does not check in any more."""
    missed = int(m.gaps.missed[-1])
    return Finding(
        check="arrivals", kind="silent", node=node, gateway=gateway, since=m.last, value=float(missed),
        unit="check-ins", probability=probability, severity="F",
        evidence=f"Last check-in {moment(m.last)}; {count(missed, 'check-in')} missed since; "
        f"it is usually back within {duration(limit_s)}, and no outage explains it.",
        remedy="Visit the node: battery, antenna, housing.",
        data={"limit_s": round(limit_s), "silent_s": round(m.as_of - m.last)},
    )  # fmt: skip


def low_delivery(node: str, gateway: str, recent: Interval, days: float, least: float) -> Finding:
    """Return the finding that too few check-ins arrive."""
    return Finding(
        check="arrivals", kind="low_delivery", node=node, gateway=gateway, value=recent.value, unit="share",
        low=recent.low, high=recent.high, probability=0.975, severity="M",
        evidence=f"Of the check-ins due in the last {duration(days * DAY_S)} {percent(recent.value)} arrived "
        f"({percent(recent.low)} to {percent(recent.high)}); {percent(least)} is wanted.",
        remedy="Improve the path: antenna height and direction, obstacles, a nearer gateway.",
    )  # fmt: skip


def falling(node: str, gateway: str, f: Fall) -> Finding:
    """Return the finding that delivery is getting worse."""
    since = f.since * DAY_S
    how = "fell at once" if f.sudden else "has been falling"
    return Finding(
        check="arrivals", kind="delivery_falling", node=node, gateway=gateway, since=since, value=f.now - f.before,
        unit="share", probability=f.probability, severity="M",
        evidence=f"Delivery {how} since about {date(since)}: from {percent(1 - f.before)} to {percent(1 - f.now)} "
        "of the check-ins, outages not counted.",
        remedy="Look for what changed on the path or the supply at that time.",
        data={"before": round(1 - f.before, 4), "now": round(1 - f.now, 4), "sudden": f.sudden,
              "since_low": round(f.since_low * DAY_S), "since_high": round(f.since_high * DAY_S)},
    )  # fmt: skip


def outage_rows(shared: Shared) -> list[Outage]:
    """Return all common silences as outages."""
    return [
        Outage(level=w.level, subject=subject_of(w, shared), start=w.began, end=w.ended, nodes=len(w.members),
               share=round(w.share, 4), open=w.open)
        for w in shared.windows
    ]  # fmt: skip


def subject_of(w: Window, shared: Shared) -> str:
    """Return who an outage is about: a gateway, the host, or some nodes by name."""
    if w.level == HOST:
        return "all nodes"
    return shared.gateway(w) or joined([shared.nodes[k] for k in w.members], 4)


def outage_findings(shared: Shared, context: Context) -> list[Finding]:
    """Return one finding for each outage; a gateway with many gets one for all that are over."""
    found: list[Finding] = []
    by_subject: dict[tuple[str, str], list[Window]] = {}
    for w in shared.windows:
        by_subject.setdefault((w.level, subject_of(w, shared) if w.level == GATEWAY else ""), []).append(w)
    for (level, subject), windows in sorted(by_subject.items()):
        over = [w for w in windows if not w.open]
        found += [_one(w, shared) for w in windows if w.open]
        if len(over) > context.settings.arrivals.told_outages:
            found.append(_many(level, subject, over, context))
        else:
            found += [_one(w, shared) for w in over]
    return found


def _one(w: Window, shared: Shared) -> Finding:
    who = {HOST: "all gateways", GATEWAY: f"gateway {shared.gateway(w)}", GROUP: subject_of(w, shared)}[w.level]
    span = f"since {moment(w.began)}" if w.open else f"from {moment(w.began)} to {moment(w.ended)}"
    mend = {
        HOST: "Check the host, its connection, and whether the export is complete.",
        GATEWAY: "Check the gateway's supply, antenna and connection.",
        GROUP: "Look for what these nodes share: a supply, a mast, an obstacle.",
    }[w.level]
    return Finding(
        check="outage", kind=f"{w.level}_outage", gateway=shared.gateway(w), since=w.began,
        until=None if w.open else w.ended, value=w.ended - w.began, unit="s", probability=0.999,
        severity="F" if w.open else "info", key="" if w.open else _when(w.began),
        evidence=f"{len(w.members)} of {w.present} nodes of {who} were silent together {span} "
        f"({duration(w.ended - w.began)}); not counted against them.",
        remedy=mend if w.open else "",
        data={"nodes": [shared.nodes[k] for k in w.members][:50], "share": round(w.share, 4)},
    )  # fmt: skip


def _when(t: float) -> str:
    return str(np.datetime64(int(t), "s").astype("datetime64[m]"))


def _many(level: str, subject: str, windows: Sequence[Window], context: Context) -> Finding:
    total = sum(w.ended - w.began for w in windows)
    span = max(context.as_of - context.start, DAY_S)
    who = f"Gateway {subject}" if subject else "The fleet" if level == HOST else "Groups of nodes"
    month = [w for w in windows if w.began >= context.as_of - 30 * DAY_S]
    return Finding(
        check="outage", kind=f"{level}_outages", gateway=subject, since=windows[0].began, until=windows[-1].ended,
        value=float(len(windows)), unit="outages", probability=0.999, severity="M" if month else "info",
        evidence=f"{who} had {count(len(windows), 'outage')}, {duration(total)} in all or {percent(total / span)} "
        f"of the time, {len(month)} of them in the last 30 days.",
        remedy="Find the cause: supply, connection, restarts." if month else "",
        data={"seconds": round(total), "last_30_days": len(month)},
    )  # fmt: skip


def gateway_falling(gateway: str, nodes: Sequence[str], present: int, since: float) -> Finding:
    """Return the finding that most nodes of a gateway lose more than before."""
    return Finding(
        check="outage", kind="gateway_delivery", gateway=gateway, since=since, value=float(len(nodes)), unit="nodes",
        probability=0.99, severity="M",
        evidence=f"Delivery fell on {len(nodes)} of {present} nodes of gateway {gateway} at about the same time "
        f"({date(since)}): the channel or the gateway, not the nodes.",
        remedy="Check the gateway's antenna and cable, other radio users, and how many nodes it carries.",
        data={"nodes": list(nodes)[:50]},
    )  # fmt: skip
