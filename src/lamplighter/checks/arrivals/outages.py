"""Silences that many nodes share: the gateway's or the host's, not the nodes' own."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields

import numpy as np

from lamplighter.settings.arrivals import ArrivalsSettings

PIECE_S = 2 * 86_400.0
"""A long silence speaks for a common cause near its beginning and end only [s]."""
NOTABLE = 1.5
"""Least surprise of a single gap, in nats, for it to speak for a common cause."""
STRIKING = 8.0
"""... and for it to count where any few nodes are looked at together."""
SHORT = 20
"""Gaps with more missed check-ins say nothing of a node's everyday losses."""
PASSES = 4
CORE = 0.8
"""Share of the greatest number of silent nodes that marks the core of a candidate."""
SLACK_STEPS = 3.0
SLACK_SHARE = 0.1
"""How far ends of silences with one cause may lie apart: so many intervals and this share of the silence."""
PART = 0.3
"""Share of a gap from which on a common silence is a good part of it."""
FRAME_STEPS = 1.5
"""The same where any few nodes are looked at together, in intervals."""
REGION_SHARE = 0.5
"""Part of the least share of silent nodes from which on a time is looked at."""
TRIM = 0.1
"""Share of members whose last check-in before, or first after, may lie inside the outage."""
PARTIAL = 0.1
"""Chance that a node due in an outage gets through all the same."""


@dataclass(frozen=True)
class Silences:
    """Gaps of all nodes together; arrays of shape (g,).

    ``surprise`` is minus the log probability that the node's own losses make a gap as long.
    """

    node: np.ndarray
    start: np.ndarray
    end: np.ndarray
    missed: np.ndarray
    interval: np.ndarray
    surprise: np.ndarray
    open: np.ndarray

    def part(self, which: np.ndarray) -> Silences:
        """Return some of the gaps."""
        return Silences(*(getattr(self, f.name)[which] for f in fields(self)))


@dataclass(frozen=True)
class Presence:
    """From when to when each node takes part, its interval and group; arrays of shape (n,)."""

    first: np.ndarray
    last: np.ndarray
    interval: np.ndarray
    group: np.ndarray


@dataclass(frozen=True)
class Window:
    """One common silence.

    ``start`` and ``end`` bracket it: the last check-in before and the first after, of most members.
    ``began`` and ``ended`` are the best guesses of the outage itself.
    """

    level: str
    group: int
    start: float
    end: float
    began: float
    ended: float
    members: np.ndarray
    present: int
    open: bool

    @property
    def share(self) -> float:
        """Share of the nodes present that were silent."""
        return len(self.members) / max(self.present, 1)


def surprise(missed: np.ndarray, loss: np.ndarray, continues: np.ndarray) -> np.ndarray:
    """Minus log probability of a gap as long, given a node's loss rate and how its losses cling together."""
    return -np.log(loss) - (missed - 1) * np.log(continues)


def loss_process(missed: np.ndarray, received: int) -> tuple[float, float]:
    """Share lost, and chance that a loss follows a loss, from a node's shorter gaps.

    Both are kept away from 0 and 1 by a prior of one loss in 50; longer gaps are left out, being rather outages.
    """
    short = missed[missed <= SHORT]
    lost = float(short.sum())
    loss = (lost + 1) / (received + lost + 50)
    continues = (lost - len(short) + 1) / (lost + 3)
    return min(loss, 0.9), min(max(continues, loss), 0.9)


def surprises(start: np.ndarray, missed: np.ndarray, day: np.ndarray, received: np.ndarray) -> np.ndarray:
    """Return how surprising each gap is for its node as it was doing at the time, in nats, shape (g,).

    The loss rate is the node's own or that of the days around the gap, whichever is greater:
    a node in a bad week is not surprised by a long gap.
    """
    loss, continues = loss_process(missed, int(received.sum()))
    if not len(missed):
        return np.zeros(0)
    place = np.clip((start // 86_400.0).astype(np.int64) - day[0], 0, len(day) - 1)
    short = np.where(missed <= SHORT, missed, 0)
    lost = np.bincount(place, weights=short, minlength=len(day))
    gaps = np.bincount(place, weights=(missed <= SHORT).astype(float), minlength=len(day))
    around = np.ones(3)
    lost_near, gaps_near = np.convolve(lost, around)[1:-1][place] - short, np.convolve(gaps, around)[1:-1][place] - 1
    due_near = np.convolve(received, around)[1:-1][place] + lost_near
    near = (lost_near + loss * 10) / (due_near + 10)
    going_on = (lost_near - np.maximum(gaps_near, 0) + continues * 3) / (lost_near + 3)
    return surprise(missed, np.clip(near, loss, 0.9), np.clip(going_on, np.maximum(continues, near), 0.95))


def joined(parts: Iterable[Silences]) -> Silences:
    """Return the gaps of several tables as one."""
    tables = list(parts) or [Silences(*(np.zeros(0) for _ in fields(Silences)))]
    return Silences(*(np.concatenate([getattr(t, f.name) for t in tables]) for f in fields(Silences)))


def shown(s: Silences, use: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return from when to when some gaps show, and which of them are too long to speak for all that time."""
    half = 0.5 * s.interval[use]
    low, high = s.start[use] + half, np.where(s.open[use], s.end[use], s.end[use] - half)
    return low, high, high - low > 2 * PIECE_S


def regions(
    s: Silences,
    use: np.ndarray,
    who: Presence,
    nodes: np.ndarray,
    least: int,
    share: float,
    least_s: float,
    usual_s: float | None = None,
) -> np.ndarray:
    """Instants at which more nodes than a share were silent together, one for each stretch, shape (r,).

    ``usual_s`` is the median interval of the gaps [s], when those given are but some of them.
    """
    low, high, long = shown(s, use)
    starts = np.concatenate([low, np.where(long, high - PIECE_S, np.nan)[long]])
    ends = np.concatenate([np.where(long, low + PIECE_S, high), high[long]])
    if not len(starts):
        return np.zeros(0)
    at = np.concatenate([starts, ends])
    order = np.lexsort((np.concatenate([np.zeros(len(starts)), np.ones(len(ends))]), at))
    at = at[order]
    count = np.cumsum(np.concatenate([np.ones(len(starts)), -np.ones(len(ends))])[order])
    first, last = np.sort(who.first[nodes]), np.sort(who.last[nodes])
    present = np.searchsorted(first, at, "right") - np.searchsorted(last, at, "left")
    asleep = np.searchsorted(np.sort(low[long] + PIECE_S), at) - np.searchsorted(np.sort(high[long] - PIECE_S), at)
    many = count >= np.maximum(least, share * np.maximum(present - asleep, 1))
    edge = np.flatnonzero(np.diff(np.concatenate([[False], many, [False]]).astype(np.int8)))
    first_of, last_of = edge[::2], edge[1::2]
    # A silence shows as time between the first and the last missed check-in: up to an interval less than it lasted.
    usual_s = float(np.median(s.interval[use])) if usual_s is None else usual_s
    lasting = at[np.minimum(last_of, len(at) - 1)] - at[first_of] >= least_s - usual_s
    return np.array([_peak(at, count, a, b) for a, b in zip(first_of[lasting], last_of[lasting], strict=True)])


def _peak(at: np.ndarray, count: np.ndarray, a: int, b: int) -> float:
    """Middle of the longest time within a stretch at which nearly the most nodes were silent."""
    high = count[a:b] >= CORE * count[a:b].max()
    until = np.append(at[a + 1 : b], at[min(b, len(at) - 1)])
    k = int(np.argmax(np.where(high, until - at[a:b], -1.0)))
    return float(0.5 * (at[a + k] + until[k]))


def window_at(
    s: Silences,
    use: np.ndarray,
    who: Presence,
    nodes: np.ndarray,
    instant: float,
    settings: ArrivalsSettings,
    part: bool = False,
) -> tuple[Window, float] | None:
    """Bound the common silence around an instant and weigh the evidence for a common cause.

    Returns
    -------
    Window and log odds, or None
        The evidence is each silent node's surprise, less what other nodes that ought to have been
        silent say against it.
    """
    over = use[(s.start[use] < instant) & (s.end[use] > instant)]
    if len(over) < settings.outage_nodes:
        return None
    over = over[_framed(s, over) if part else _aligned(s, over)]
    if len(over) < settings.outage_nodes:
        return None
    start, end = _bounds(s.start[over], s.end[over])
    if not start < end:
        return None
    due = np.maximum(np.minimum(s.end[over], end) - np.maximum(s.start[over], start), 0) / s.interval[over]
    over = over[(due > 0.5) | (s.missed[over] > 0) & (s.start[over] <= start) & (s.end[over] >= end)]
    members = np.unique(s.node[over])
    if len(members) < settings.outage_nodes:
        return None
    began, ended = _guess(s, over, start, end)
    there = nodes[(who.first[nodes] <= start) & (who.last[nodes] >= start)]
    elsewhere = use[(s.start[use] < start) & (s.end[use] > end)]
    asleep = np.setdiff1d(np.unique(s.node[elsewhere]), members)
    others = np.setdiff1d(there, np.concatenate([members, asleep]))
    reach = np.clip((ended - began) / who.interval[others], 0.0, 1 - PARTIAL)
    caught = np.clip((ended - began) / s.interval[over], 1e-3, 1.0)
    against = np.sum(np.log1p(-reach)) if not part else -len(members) * math.log(math.e * len(nodes) / len(members))
    chances = math.log(
        max(1.0, (who.last[nodes].max() - who.first[nodes].min()) / float(np.median(who.interval[nodes])))
    )
    evidence = float(np.sum(s.surprise[over] + np.log(caught)) + against) - chances
    window = Window(
        "", -1, start, end, began, ended, members, len(members) + len(others), bool(s.open[over].mean() > 0.5)
    )
    return window, evidence


def _aligned(s: Silences, over: np.ndarray) -> np.ndarray:
    """Whether a gap begins or ends about when most of the others that hold an instant do.

    A node that fell silent long before and comes back long after says nothing of this silence.
    """
    start, end, step = s.start[over], s.end[over], s.interval[over]
    bracket = np.partition(end, len(end) // 2)[len(end) // 2] - np.partition(start, len(start) // 2)[len(start) // 2]
    slack = SLACK_STEPS * step + SLACK_SHARE * min(max(bracket, 0.0), 4 * float(np.median(end - start)))
    first = np.abs(start - np.median(start)) <= slack
    last = (np.abs(end - np.median(end)) <= slack) & ~s.open[over]
    return first | last


def _framed(s: Silences, over: np.ndarray) -> np.ndarray:
    """Whether a gap begins and ends with the others, within the intervals at which nodes can show it."""
    slack = FRAME_STEPS * s.interval[over]
    first, last = s.start[over] - np.median(s.start[over]), s.end[over] - np.median(s.end[over])
    return (np.abs(first) <= slack) & ((np.abs(last) <= slack) | s.open[over])


def _bounds(start: np.ndarray, end: np.ndarray) -> tuple[float, float]:
    """Last check-in before and first after, of all members but a few."""
    few = math.floor(TRIM * len(start))
    return float(np.sort(start)[-1 - few]), float(np.sort(end)[few])


def _guess(s: Silences, over: np.ndarray, start: float, end: float) -> tuple[float, float]:
    """Guess the outage between the check-ins that frame it: half way to the first and from the last missed."""
    step = (s.end[over] - s.start[over]) / (s.missed[over] + 1.0)
    ahead = np.ceil(np.maximum(start - s.start[over], 0) / step + 1e-9)
    first_missed = float(np.min(s.start[over] + np.maximum(ahead, 1) * step))
    behind = np.ceil(np.maximum(s.end[over] - end, 0) / step + 1e-9)
    last_missed = float(np.max(np.where(s.open[over], end, s.end[over] - np.maximum(behind, 1) * step)))
    began = 0.5 * (start + min(max(first_missed, start), end))
    ended = end if s.open[over].mean() > 0.5 else 0.5 * (end + max(min(last_missed, end), start))
    return (began, ended) if began < ended else (start, end)


def common_silences(
    s: Silences,
    who: Presence,
    groups: Mapping[int, np.ndarray],
    level: str,
    share: float,
    settings: ArrivalsSettings,
    part: bool = False,
    usual_s: float | None = None,
) -> list[Window]:
    """Find the common silences of each group of nodes.

    Parameters
    ----------
    groups : mapping of group number to node numbers
    share : float
        Least share of a group's nodes.
    part : bool
        Look for any few nodes that fall silent together: nodes that do not are no evidence against it,
        but that the few were picked is; only gaps that are surprising by themselves count.
    usual_s : float, optional
        Median interval of the gaps [s], when ``s`` holds but those at crowded times.
    """
    found: list[Window] = []
    taken = np.zeros(len(s.start), dtype=bool)
    order = np.argsort(s.node, kind="stable")
    bounds = np.searchsorted(s.node[order], np.arange(len(who.first) + 1))
    for group, nodes in groups.items():
        if len(nodes) < settings.outage_nodes:
            continue
        mine = np.concatenate([order[bounds[k] : bounds[k + 1]] for k in nodes])
        for _ in range(PASSES):
            use = mine[~taken[mine] & (s.surprise[mine] >= (STRIKING if part else NOTABLE))]
            new = _one_pass(s, use, who, nodes, share, settings, part, usual_s)
            if not new:
                break
            for window in new:
                inside = use[covered(s, use, window) >= 0.5]
                taken[inside] = True
            found += [_named(w, level, group) for w in new]
    return merged(found)


def _one_pass(
    s: Silences,
    use: np.ndarray,
    who: Presence,
    nodes: np.ndarray,
    share: float,
    settings: ArrivalsSettings,
    part: bool,
    usual_s: float | None,
) -> list[Window]:
    found: list[Window] = []
    least, least_s = settings.outage_nodes, settings.outage_least_min * 60
    for instant in regions(s, use, who, nodes, least, REGION_SHARE * share, least_s, usual_s):
        if found and found[-1].start <= instant <= found[-1].end:
            continue
        answer = window_at(s, use, who, nodes, float(instant), settings, part)
        if answer is None or answer[1] < settings.outage_log_odds or answer[0].share < share:
            continue
        if answer[0].open or answer[0].end - answer[0].start >= settings.outage_least_min * 60:
            found.append(answer[0])
    return found


def _named(w: Window, level: str, group: int) -> Window:
    return Window(level, group, w.start, w.end, w.began, w.ended, w.members, w.present, w.open)


def merged(windows: list[Window]) -> list[Window]:
    """Join windows of one group that overlap, in order of time."""
    answer: list[Window] = []
    for w in sorted(windows, key=lambda w: (w.group, w.start, w.end)):
        last = answer[-1] if answer else None
        if last is None or last.group != w.group or w.start >= last.end:
            answer.append(w)
            continue
        answer[-1] = Window(
            w.level, w.group, last.start, max(last.end, w.end), last.began, max(last.ended, w.ended),
            np.union1d(last.members, w.members), max(last.present, w.present), last.open or w.open,
        )  # fmt: skip
    return answer


def covered(s: Silences, which: np.ndarray, window: Window) -> np.ndarray:
    """Share of each gap's missed check-ins that were due within a window, shape (len(which),)."""
    step = np.where(s.open[which], s.interval[which], (s.end[which] - s.start[which]) / (s.missed[which] + 1.0))
    low = np.ceil((window.start - s.start[which]) / step - 1e-6)
    high = np.floor((window.end - s.start[which]) / step + 1e-6)
    inside = np.minimum(high, s.missed[which]) - np.maximum(low, 1) + 1
    return np.maximum(inside, 0) / s.missed[which]


def without(s: Silences, windows: list[Window]) -> Silences:
    """Cut common silences out of the gaps that they are a good part of; what is left may be another's.

    A node that was silent long before and after keeps its gap whole: it has nothing to do with them.
    """
    for w in windows:
        hit = (s.start < w.end) & (s.end > w.start)
        hit[hit] = covered(s, np.flatnonzero(hit), w) >= PART
        if not hit.any():
            continue
        step = np.where(s.open, s.interval, (s.end - s.start) / (s.missed + 1.0))
        ahead = np.where(hit, np.clip(np.ceil((w.start - s.start) / step - 1e-6) - 1, 0, s.missed), s.missed)
        behind = np.where(hit, np.clip(s.missed - np.floor((w.end - s.start) / step + 1e-6), 0, s.missed), 0)
        left, right = hit & (ahead > 0), hit & (behind > 0)
        s = Silences(
            node=np.concatenate([s.node[~hit], s.node[left], s.node[right]]),
            start=np.concatenate([s.start[~hit], s.start[left], (s.end - (behind + 1) * step)[right]]),
            end=np.concatenate([s.end[~hit], (s.start + (ahead + 1) * step)[left], s.end[right]]),
            missed=np.concatenate([s.missed[~hit], ahead[left].astype(np.int64), behind[right].astype(np.int64)]),
            interval=np.concatenate([s.interval[~hit], s.interval[left], s.interval[right]]),
            surprise=np.concatenate(
                [s.surprise[~hit], (s.surprise * ahead / s.missed)[left], (s.surprise * behind / s.missed)[right]]
            ),
            open=np.concatenate([s.open[~hit], np.zeros(int(left.sum()), bool), s.open[right]]),
        )
    return s


def attribute(
    s: Silences, windows: list[Window], groups: list[np.ndarray], covers: float
) -> tuple[np.ndarray, np.ndarray]:
    """Put missed check-ins down to common silences.

    Parameters
    ----------
    groups : list of ndarray
        Node numbers that each window is about.
    covers : float
        A gap covered by at least this share is put down to the window in full.

    Returns
    -------
    lost : ndarray of int, shape (g,)
        Missed check-ins of each gap that are not the node's own.
    window : ndarray of int, shape (g,)
        Which window explains most of each gap; -1 for none.
    """
    lost, best = np.zeros(len(s.start)), np.full(len(s.start), -1)
    most = np.zeros(len(s.start))
    for k, (window, nodes) in enumerate(zip(windows, groups, strict=True)):
        which = np.flatnonzero(np.isin(s.node, nodes) & (s.start < window.end) & (s.end > window.start))
        share = covered(s, which, window)
        share = np.where(share >= covers, 1.0, share)
        more = share > most[which]
        best[which[more & (share > 0)]] = k
        most[which] = np.maximum(most[which], share)
        lost[which] += share * s.missed[which]
    return np.minimum(np.rint(lost), s.missed).astype(np.int64), best
