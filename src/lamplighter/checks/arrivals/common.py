"""The fleet's gaps together, what outages explain of them, and what is left to each node."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.arrivals.measure import ArrivalsMeasure
from lamplighter.checks.arrivals.outages import (
    Presence,
    Silences,
    Window,
    attribute,
    common_silences,
    surprises,
    without,
)
from lamplighter.checks.base import Context

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
    lost: dict[str, np.ndarray]
    cause: dict[str, np.ndarray]
    by_day: dict[str, np.ndarray]

    def gateway(self, window: Window) -> str:
        """Return the gateway a window is about, empty when it is about none."""
        return self.gateways[window.group] if window.level == GATEWAY else ""


def removed_since(node: str, last: float, context: Context) -> bool:
    """Whether the work log says that a node was taken out, and it has not checked in for long after."""
    removals = [w.time for w in context.worklog.get(node, ()) if w.action == "removed"]
    return bool(removals) and last <= max(removals) + DAY_S


def share_out(measures: Mapping[str, ArrivalsMeasure], context: Context) -> Shared:
    """Find common silences at host, gateway and group level and share the gaps out between them and the nodes."""
    s = context.settings.arrivals
    nodes = tuple(n for n in sorted(measures) if measures[n].judged)
    named = [context.register[n].gateway for n in nodes]
    gateways = tuple(sorted({g for g in named if g}))
    who, silences, owners = _gather(nodes, named, gateways, measures, context)
    everyone = np.arange(len(nodes))
    members = {g: np.flatnonzero(who.group == g) for g in range(len(gateways))}
    windows: list[Window] = []
    if len(gateways) != 1 or (who.group < 0).any():
        found = common_silences(silences, who, {-1: everyone}, HOST, s.host_share, s)
        windows += [w for w in found if not gateways or len(np.unique(who.group[w.members])) > 1]
    left = without(silences, windows)
    windows += common_silences(left, who, members, GATEWAY, s.outage_share, s)
    members, adopted = adopt(left, who, members, windows, s.adopt_log_odds)
    windows += common_silences(without(silences, windows), who, {-1: everyone}, GROUP, 0.0, s, part=True)
    windows.sort(key=lambda w: (w.start, w.level, w.group))
    about = {HOST: lambda _w: everyone, GATEWAY: lambda w: members[w.group], GROUP: lambda w: w.members}
    lost, cause = attribute(silences, windows, [about[w.level](w) for w in windows], s.outage_covers)
    per_node = {n: slice(a, b) for n, (a, b) in zip(nodes, owners, strict=True)}
    return Shared(
        nodes, gateways, {nodes[k]: gateways[g] for k, g in adopted.items()}, windows,
        {n: lost[at] for n, at in per_node.items()},
        {n: cause[at] for n, at in per_node.items()},
        {n: _by_day(measures[n], lost[at], cause[at], windows) for n, at in per_node.items()},
    )  # fmt: skip


def adopt(
    silences: Silences, who: Presence, members: dict[int, np.ndarray], windows: list[Window], log_odds: float
) -> tuple[dict[int, np.ndarray], dict[int, int]]:
    """Put nodes without a gateway in the register on the gateway whose outages they share.

    Returns
    -------
    members : dict of gateway number to node numbers
        With the nodes taken in.
    adopted : dict of node number to gateway number
    """
    adopted: dict[int, int] = {}
    for node in np.flatnonzero(who.group < 0).tolist():
        mine = np.flatnonzero(silences.node == node)
        weights = {g: _shares_outages(silences, mine, who, node, g, windows) for g in members}
        best = max(weights, key=weights.__getitem__, default=-1)
        if best >= 0 and weights[best] >= log_odds:
            adopted[node] = best
    taken = {g: [n for n, to in adopted.items() if to == g] for g in members}
    return {g: np.sort(np.append(old, taken[g]).astype(np.int64)) for g, old in members.items()}, adopted


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


def _gather(
    nodes: tuple[str, ...],
    named: list[str],
    gateways: tuple[str, ...],
    measures: Mapping[str, ArrivalsMeasure],
    context: Context,
) -> tuple[Presence, Silences, list[tuple[int, int]]]:
    """Put all nodes' gaps into one table; also return where each node's are."""
    parts: list[tuple[np.ndarray, ...]] = []
    owners, first, last, interval, at = [], [], [], [], 0
    for number, node in enumerate(nodes):
        m = measures[node]
        gaps = m.gaps
        opened = np.zeros(len(gaps), bool)
        opened[-1:] = gaps.open
        weight = surprises(gaps.start, gaps.missed, m.day, m.received)
        if gaps.open and removed_since(node, m.last, context):
            weight[-1] = 0.0
        parts.append((np.full(len(gaps), number), gaps.start, gaps.end, gaps.missed, gaps.interval, weight, opened))
        owners.append((at, at + len(gaps)))
        at += len(gaps)
        first.append(m.first)
        last.append(m.last if removed_since(node, m.last, context) else m.as_of)
        interval.append(m.schedule.current_s if m.schedule else np.nan)
    columns = [np.concatenate(c) for c in zip(*parts, strict=True)] if parts else [np.zeros(0)] * 7
    group = np.array([gateways.index(g) if g else -1 for g in named], dtype=np.int64)
    return Presence(np.array(first), np.array(last), np.array(interval), group), Silences(*columns), owners


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
