"""Troubles that many nodes show together belong to their gateway or the host: one item, not forty."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from lamplighter.checkins import DAY_S
from lamplighter.checks.base import CheckResult, Context
from lamplighter.results import Finding
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.cases import NodeCase

SHARED_KINDS = (
    "silent", "delivery_falling", "low_delivery", "rssi_step", "rssi_trend", "record_frozen",
    "clock_wrong", "clock_shift", "clock_jump", "interval_changed",
)  # fmt: skip
"""Findings that a gateway or the host can cause on many nodes at once."""

EXPLAINS = {
    "gateway_outage": ("silent",),
    "host_outage": ("silent",),
    "group_outage": ("silent",),
    "gateway_delivery": ("delivery_falling", "low_delivery"),
    "gateway_antenna": ("rssi_step",),
    "record_frozen": ("record_frozen",),
}
"""Findings of nodes that a finding about their gateway or the host accounts for."""
DARKENS = frozenset({"gateway_outage", "host_outage", "group_outage"})
"""Outages that last: the nodes cannot be heard now."""
RECURS = frozenset({"gateway_outages", "host_outages", "group_outages"})
"""Outages that come and go."""


@dataclass(frozen=True, kw_only=True)
class SharedFault:
    """A trouble of a gateway or of the host.

    Attributes
    ----------
    subject_kind : str
        gateway or host.
    subject : str
        The gateway's name; ``host`` for the host.
    own : tuple of Finding
        Findings about the gateway or host itself.
    explained : tuple of Finding
        Findings of nodes that it explains.
    nodes : tuple of str
        Nodes it darkens or disturbs.
    since : float, optional
        When it began [s since 1970-01-01 UTC].
    """

    subject_kind: str
    subject: str
    own: tuple[Finding, ...] = ()
    explained: tuple[Finding, ...] = ()
    nodes: tuple[str, ...] = ()
    since: float | None = None

    @property
    def kinds(self) -> frozenset[str]:
        """Kinds of all its findings."""
        return frozenset(f.kind for f in (*self.own, *self.explained))

    @property
    def dark(self) -> bool:
        """Whether it is an outage that lasts: its nodes cannot be heard."""
        return bool(self.kinds & {*DARKENS, "silent"})

    @property
    def recurs(self) -> bool:
        """Whether it comes and goes."""
        return bool(self.kinds & RECURS)


def find_shared(
    cases: Mapping[str, NodeCase], results: Mapping[str, CheckResult], context: Context
) -> list[SharedFault]:
    """Find the troubles of gateways and of the host, host first, then by gateway name."""
    by_gateway = nodes_by_gateway(cases, context)
    own = [f for r in results.values() for f in r.findings if not f.node and f.severity != "info"]
    faults = [_outage(f, cases, by_gateway) for f in own]
    taken = {f.id for fault in faults for f in fault.explained}
    left = {n: [f for f in cases[n].findings if f.id not in taken] for n in context.seen}
    settings = context.settings.triage
    for kind in SHARED_KINDS:
        shown = {g: [f for n in nodes for f in left[n] if f.kind == kind] for g, nodes in by_gateway.items()}
        held = {g: _together(found, settings.shared_days * DAY_S) for g, found in shown.items()}
        hit = [g for g in held if len(held[g]) >= least_shared(len(by_gateway[g]), settings)]
        if len(hit) >= 2 and len(hit) == len(by_gateway):
            faults.append(_fault("host", "host", [f for g in hit for f in held[g]]))
        else:
            faults += [_fault("gateway", g, held[g]) for g in hit]
    return merge(faults)


def least_shared(nodes: int, settings: TriageSettings) -> float:
    """Return how many of a gateway's nodes must show a trouble for it to be the gateway's."""
    return max(settings.shared_nodes, settings.shared_share * nodes)


def nodes_by_gateway(cases: Mapping[str, NodeCase], context: Context) -> dict[str, tuple[str, ...]]:
    """Return the nodes heard through each gateway that has a name."""
    groups: dict[str, list[str]] = defaultdict(list)
    for node in context.seen:
        if cases[node].entry.gateway:
            groups[cases[node].entry.gateway].append(node)
    return {g: tuple(nodes) for g, nodes in sorted(groups.items())}


def _outage(finding: Finding, cases: Mapping[str, NodeCase], by_gateway: Mapping[str, tuple[str, ...]]) -> SharedFault:
    """Return the fault that a finding about a gateway, the host or a group of nodes tells of."""
    kind, subject = subject_of(finding)
    named = tuple(n for n in finding.data.get("nodes", ()) if n in cases)
    if kind == "host":
        nodes = tuple(cases)
    elif finding.kind in DARKENS and finding.gateway in by_gateway:
        nodes = tuple(n for n in by_gateway[finding.gateway] if cases[n].facts.get("in_outage") is not False)
    else:
        nodes = named or by_gateway.get(finding.gateway, ())
    told = EXPLAINS.get(finding.kind, ())
    return SharedFault(
        subject_kind=kind,
        subject=subject,
        own=(finding,),
        explained=tuple(f for n in nodes for f in cases[n].findings if f.kind in told),
        nodes=nodes,
        since=finding.since,
    )


def subject_of(finding: Finding) -> tuple[str, str]:
    """Return kind and name of what a finding without a node is about; a group is named by its first node."""
    if finding.gateway:
        return "gateway", finding.gateway
    if finding.kind.startswith("group_"):
        return "gateway", f"group of {min(finding.data.get('nodes', ()), default='nodes')}"
    return "host", "host"


def _together(found: list[Finding], within_s: float) -> list[Finding]:
    """Return the most findings that began within a stretch of time; those with no beginning go along."""
    dated = sorted(((f.since, f.id, f) for f in found if f.since is not None), key=lambda d: d[:2])
    undated = [f for f in found if f.since is None]
    best: list[Finding] = []
    for first, _, _ in dated:
        group = [f for since, _, f in dated if first <= since <= first + within_s]
        best = group if len(group) > len(best) else best
    # A slow change has no common beginning: a steady trend counts whenever it was noticed.
    return found if found and found[0].kind == "rssi_trend" else best + undated


def _fault(subject_kind: str, subject: str, explained: list[Finding]) -> SharedFault:
    dated = [f.since for f in explained if f.since is not None]
    return SharedFault(
        subject_kind=subject_kind,
        subject=subject,
        explained=tuple(explained),
        nodes=tuple(sorted({f.node for f in explained})),
        since=min(dated, default=None),
    )


def merge(faults: Iterable[SharedFault]) -> list[SharedFault]:
    """Put faults of one subject together, host first, then by name."""
    groups: dict[tuple[str, str], list[SharedFault]] = defaultdict(list)
    for fault in faults:
        groups[fault.subject_kind, fault.subject].append(fault)
    merged = []
    for (kind, subject), some in sorted(groups.items(), key=lambda g: (g[0][0] != "host", g[0])):
        dated = [f.since for f in some if f.since is not None]
        merged.append(
            SharedFault(
                subject_kind=kind,
                subject=subject,
                own=tuple(f for s in some for f in s.own),
                explained=tuple({f.id: f for s in some for f in s.explained}.values()),
                nodes=tuple(sorted({n for s in some for n in s.nodes})),
                since=min(dated, default=None),
            )
        )
    return merged
