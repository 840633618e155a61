"""The fleet's gaps together, what outages explain of them, and what is left to each node."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.arrivals.crowded import Crowd
from lamplighter.checks.arrivals.measure import ArrivalsMeasure
from lamplighter.checks.arrivals.outages import (
    REGION_SHARE,
    STRIKING,
    Presence,
    Silences,
    Window,
    attribute,
    common_silences,
    joined,
    surprises,
    without,
)
from lamplighter.checks.base import Context
from lamplighter.settings.arrivals import ArrivalsSettings
from lamplighter.spool import Spool

HOST, GATEWAY, GROUP = "host", "gateway", "group"


@dataclass(frozen=True)
class Shared:
    """Outages and what they took from each node.

    Attributes
    ----------
    nodes : tuple of str
        Nodes in the order of their numbers.
    gateways : tuple of str
        Gateways in the order of their numbers.
    inferred : dict of node to gateway
        Nodes that the register puts on no gateway, and the one whose outages they share.
    windows : list of Window
        In order of time.
    lost, cause : dict of node to ndarray, shape (g,)
        By gap: missed check-ins that are not the node's own, and which window took most of them (-1 for none).
    by_day : dict of node to ndarray, shape (d,)
        Missed by UTC day through outages.
    """

    nodes: tuple[str, ...]
    gateways: tuple[str, ...]
    inferred: dict[str, str]
    windows: list[Window]
    lost: Spool[np.ndarray] = field(default_factory=Spool)
    cause: Spool[np.ndarray] = field(default_factory=Spool)
    by_day: Spool[np.ndarray] = field(default_factory=Spool)

    def gateway(self, window: Window) -> str:
        """Return the gateway a window is about, empty when it is about none."""
        return self.gateways[window.group] if window.level == GATEWAY else ""


def removed_since(node: str, last: float, context: Context) -> bool:
    """Whether the work log says that a node was taken out, and it has not checked in for long after."""
    removals = [w.time for w in context.worklog.get(node, ()) if w.action == "removed"]
    return bool(removals) and last <= max(removals) + DAY_S


def share_out(measures: Mapping[str, ArrivalsMeasure], context: Context) -> Shared:
    """Find common silences at host, gateway and group level and share the gaps out between them and the nodes.

    The gaps of a fleet are never held all at once: they lie in tables of one gateway's nodes each.
    """
    s = context.settings.arrivals
    nodes = tuple(n for n in sorted(measures) if measures[n].judged)
    named = [context.register[n].gateway for n in nodes]
    gateways = tuple(sorted({g for g in named if g}))
    who = _presence(nodes, named, gateways, measures, context)
    places = _tables_of(who.group)
    tables = Spool((name, _silences(numbers, nodes, measures, context)) for name, numbers in places.items())
    host = _of_host(tables, who, s) if len(gateways) != 1 or (who.group < 0).any() else []
    left = Spool((name, without(table, host)) for name, table in tables.items())
    members = {g: np.flatnonzero(who.group == g) for g in range(len(gateways))}
    own = [w for g in members for w in common_silences(left[f"{g}"], who, {g: members[g]}, GATEWAY, s.outage_share, s)]
    adopted = adopt(left, who, own, s.adopt_log_odds)
    striking = joined(without(t.part(t.surprise >= STRIKING), own) for t in left.values())
    everyone = np.arange(len(nodes))
    windows = host + own + common_silences(striking, who, {-1: everyone}, GROUP, 0.0, s, part=True)
    windows.sort(key=lambda w: (w.start, w.level, w.group))
    for node, gateway in adopted.items():
        members[gateway] = np.sort(np.append(members[gateway], node))
    about = {HOST: lambda _w: everyone, GATEWAY: lambda w: members[w.group], GROUP: lambda w: w.members}
    shared = Shared(nodes, gateways, {nodes[k]: gateways[g] for k, g in adopted.items()}, windows)
    subjects = [about[w.level](w) for w in windows]
    for name, numbers in places.items():
        _attribute(shared, tables[name], numbers, subjects, measures, s.outage_covers)
    return shared


NODES_AT_ONCE = 64
"""Nodes without a gateway whose gaps lie in one table."""


REST = "rest "


def _tables_of(group: np.ndarray) -> dict[str, np.ndarray]:
    """Return the nodes whose gaps lie in one table, by its name: the number of their gateway, or a part of the rest."""
    rest = np.flatnonzero(group < 0)
    own = {f"{g}": np.flatnonzero(group == g) for g in range(int(group.max(initial=-1)) + 1)}
    return own | {f"{REST}{k}": rest[k : k + NODES_AT_ONCE] for k in range(0, len(rest), NODES_AT_ONCE)}


def _of_host(tables: Mapping[str, Silences], who: Presence, s: ArrivalsSettings) -> list[Window]:
    """Find the common silences of all nodes: of those gaps alone that lie at times when many were silent."""
    crowd = Crowd(who, s.outage_nodes, REGION_SHARE * s.host_share)
    for table in tables.values():
        crowd.add(table)
    crowded = crowd.crowded()
    silences = joined(crowd.pick(table, crowded) for table in tables.values())
    everyone = {-1: np.arange(len(who.first))}
    found = common_silences(silences, who, everyone, HOST, s.host_share, s, usual_s=crowd.usual_interval())
    # One gateway's nodes, all of them, are the gateway's.
    return [w for w in found if who.group.max() < 0 or len(np.unique(who.group[w.members])) > 1]


def adopt(tables: Mapping[str, Silences], who: Presence, windows: list[Window], log_odds: float) -> dict[int, int]:
    """Put nodes without a gateway in the register on the gateway whose outages they share.

    Returns
    -------
    dict of node number to gateway number
    """
    adopted: dict[int, int] = {}
    gateways = range(int(who.group.max(initial=-1)) + 1)
    for silences in (tables[name] for name in tables if name.startswith(REST) and len(gateways)):
        for node in np.unique(silences.node).astype(int).tolist():
            mine = np.flatnonzero(silences.node == node)
            weights = {g: _shares_outages(silences, mine, who, node, g, windows) for g in gateways}
            best = max(weights, key=weights.__getitem__)
            if weights[best] >= log_odds:
                adopted[node] = best
    return adopted


def _shares_outages(
    silences: Silences, mine: np.ndarray, who: Presence, node: int, gateway: int, windows: list[Window]
) -> float:
    """Return the log odds that a node was silent with a gateway because it is on it."""
    start, end, step = silences.start[mine], silences.end[mine], who.interval[node]
    slots = max((who.last[node] - who.first[node]) / step, 1.0)
    weight = 0.0
    for w in windows:
        if w.level != GATEWAY or w.group != gateway or w.start < who.first[node] or w.ended - w.began < 1.5 * step:
            continue
        if ((start <= w.start + step) & (end >= w.end - step)).any():
            # How seldom the node is silent for about as long at any given time.
            weight -= math.log((np.sum(end - start >= 0.5 * (w.end - w.start)) + 1) / slots)
        else:
            weight += math.log(1 - w.share + 0.02)
    return weight


def _presence(
    nodes: tuple[str, ...],
    named: list[str],
    gateways: tuple[str, ...],
    measures: Mapping[str, ArrivalsMeasure],
    context: Context,
) -> Presence:
    """Return from when to when each node takes part, and its interval and gateway."""
    number = {g: k for k, g in enumerate(gateways)}
    rows = np.zeros((len(nodes), 3))
    for row, node in zip(rows, nodes, strict=True):
        m = measures[node]
        last = m.last if removed_since(node, m.last, context) else m.as_of
        row[:] = m.first, last, m.schedule.current_s if m.schedule else np.nan
    return Presence(*rows.T, np.array([number.get(g, -1) for g in named], dtype=np.int64))


def _silences(
    own: np.ndarray, nodes: tuple[str, ...], measures: Mapping[str, ArrivalsMeasure], context: Context
) -> Silences:
    """Put the gaps of some nodes, given by number, into one table."""
    parts = []
    for number in own.tolist():
        m = measures[nodes[number]]
        gaps = m.gaps
        opened = np.zeros(len(gaps), bool)
        opened[-1:] = gaps.open
        weight = surprises(gaps.start, gaps.missed, m.day, m.received)
        if gaps.open and removed_since(nodes[number], m.last, context):
            weight[-1] = 0.0
        who = np.full(len(gaps), number)
        parts.append(Silences(who, gaps.start, gaps.end, gaps.missed, gaps.interval, weight, opened))
    return joined(parts)


def _attribute(
    shared: Shared,
    table: Silences,
    numbers: np.ndarray,
    about: list[np.ndarray],
    measures: Mapping[str, ArrivalsMeasure],
    covers: float,
) -> None:
    """Add what outages took from the nodes of one table, whose gaps lie there in the order of the nodes."""
    which = np.array([k for k, nodes in enumerate(about) if np.isin(numbers, nodes).any()], dtype=np.int64)
    lost, best = attribute(table, [shared.windows[k] for k in which], [about[k] for k in which], covers)
    cause = np.where(best >= 0, np.append(which, -1)[best], -1)
    first, last = np.searchsorted(table.node, numbers), np.searchsorted(table.node, numbers, side="right")
    for number, a, b in zip(numbers.tolist(), first.tolist(), last.tolist(), strict=True):
        node = shared.nodes[number]
        shared.lost[node], shared.cause[node] = lost[a:b], cause[a:b]
        shared.by_day[node] = _by_day(measures[node], lost[a:b], cause[a:b], shared.windows)


def _by_day(m: ArrivalsMeasure, lost: np.ndarray, cause: np.ndarray, windows: list[Window]) -> np.ndarray:
    """Count a node's check-ins missed through outages by UTC day."""
    answer = np.zeros(len(m.day), dtype=np.int64)
    which = np.flatnonzero(lost > 0)
    if not len(which):
        return answer
    due, owner = m.gaps.due(which)
    whole = lost[owner] >= m.gaps.missed[owner]
    start = np.array([windows[k].start for k in cause[owner]])
    end = np.array([windows[k].end for k in cause[owner]])
    inside = whole | ((due >= start) & (due <= end))
    place = np.clip((due[inside] // DAY_S).astype(np.int64) - m.day[0], 0, len(m.day) - 1)
    return np.minimum(np.bincount(place, minlength=len(m.day)), m.missed)
