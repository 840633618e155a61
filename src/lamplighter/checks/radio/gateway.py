"""What nodes share: the fleet's weather, and drops of RSSI on one gateway, its antenna or cable and not theirs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lamplighter.checks.radio.measure import YEAR_D, RadioMeasure
from lamplighter.settings.radio import RadioSettings
from lamplighter.stats.changes import Scales, explain

AROUND_D = 21
"""Days on either side of a common drop over which each node's own is looked at."""
LEAST_AROUND = 3
OWN_SHARE = 0.4
"""A node shares a drop when its own is at least this part of the common one."""
LASTS = 0.5
"""A common drop lasts when at least this part of it is left at the end."""


@dataclass(frozen=True)
class CommonDrop:
    """A lasting drop of RSSI on most nodes of one gateway.

    Attributes
    ----------
    time, low, high : float
        When, with an interval [years since 1970-01-01].
    size, size_low, size_high : float
        In dB, negative.
    """

    gateway: str
    time: float
    low: float
    high: float
    size: float
    size_low: float
    size_high: float
    nodes: tuple[str, ...]
    present: int
    probability: float


DAYS_AT_ONCE = 64
"""Days whose median over the nodes is taken in one go, so that no second table of all days is made."""

Rest = Callable[[str], tuple[np.ndarray, np.ndarray]]
"""From a node to its days and what is left of its level on them."""


def common_mode(nodes: Sequence[str], rest_of: Rest) -> tuple[np.ndarray, np.ndarray]:
    """Median over nodes of each day's deviation from the node's own usual level.

    Returns
    -------
    day, deviation : ndarray, shape (d,)
        Days on which at least half of the nodes have a level.
    """
    ends = np.array([(day[0], day[-1]) for day, _ in map(rest_of, nodes)])
    first, last = ends[:, 0].min(), ends[:, 1].max()
    table = np.full((len(nodes), int(last - first) + 1), np.nan)
    for row, (day, rest) in zip(table, map(rest_of, nodes), strict=True):
        row[(day - first).astype(np.int64)] = rest - np.median(rest)
    known = np.array([np.isfinite(column).sum() for column in table.T])
    enough = np.flatnonzero(known >= max(0.5 * len(nodes), 1))
    parts = [enough[k : k + DAYS_AT_ONCE] for k in range(0, len(enough), DAYS_AT_ONCE)]
    middle = [np.nanmedian(table[:, part], axis=0) for part in parts]
    return first + enough, np.concatenate(middle) if middle else np.zeros(0)


def shared_weather(measures: Mapping[str, RadioMeasure], s: RadioSettings) -> tuple[np.ndarray, np.ndarray] | None:
    """Deviation of RSSI by day that the fleet's nodes share, their own steps and slopes taken out.

    Leaves, snow and rain weaken many paths on the same days; a node's own trend is easier to tell once
    that is known.

    Returns
    -------
    day, deviation : ndarray, shape (d,), or None
        None when there are too few nodes.
    """
    usable = [n for n, m in measures.items() if m.found is not None]
    if len(usable) < s.common_nodes:
        return None

    def rest_of(node: str) -> tuple[np.ndarray, np.ndarray]:
        m = measures[node]
        return m.day, m.level - m.fitted

    day, deviation = common_mode(usable, rest_of)
    return (day, deviation - deviation.mean()) if len(day) >= s.least_days else None


def own_drop(m: RadioMeasure, day: float) -> float:
    """Mean level after a day less the mean before it [dB]; NaN where too few days are known."""
    rest = m.level - m.seasonal
    before = (m.day >= day - AROUND_D) & (m.day < day - 1)
    after = (m.day > day + 1) & (m.day <= day + AROUND_D)
    if before.sum() < LEAST_AROUND or after.sum() < LEAST_AROUND:
        return float("nan")
    return float(np.median(rest[after]) - np.median(rest[before]))


def common_drops(
    measures: Mapping[str, RadioMeasure], gateways: Mapping[str, list[str]], s: RadioSettings
) -> list[CommonDrop]:
    """Find lasting drops of RSSI common to most nodes of a gateway."""
    found = []
    for gateway, nodes in sorted(gateways.items()):
        usable = [n for n in nodes if len(measures[n].day) >= s.least_days]
        if len(usable) >= s.gateway_nodes:
            found += _of_gateway(gateway, usable, measures, s)
    return found


def _of_gateway(
    gateway: str, nodes: list[str], measures: Mapping[str, RadioMeasure], s: RadioSettings
) -> list[CommonDrop]:
    own = {n: measures[n] for n in nodes}
    day, deviation = common_mode(nodes, lambda n: (own[n].day, own[n].level - own[n].seasonal))
    scales = Scales(
        step=s.usual_step_db, slope=s.usual_slope_db, odds=s.change_odds, margin=s.step_margin_days / YEAR_D,
        bend_margin=s.trend_margin_days / YEAR_D,
    )  # fmt: skip
    if len(day) < s.least_days:
        return []
    answer = explain(day / YEAR_D, deviation, scales)
    drops = []
    for c in answer.changes if answer else ():
        if c.kind != "step" or c.size > -s.gateway_step_db:
            continue
        before = answer.fitted[max(int(np.searchsorted(day / YEAR_D, c.time - 1e-9)) - 1, 0)]
        told = {n: d for n, m in own.items() if np.isfinite(d := own_drop(m, c.time * YEAR_D))}
        share = [n for n, d in told.items() if d <= OWN_SHARE * c.size]
        if answer.fitted[-1] - before > LASTS * c.size or len(share) < max(
            s.gateway_nodes, s.gateway_share * len(told)
        ):
            continue
        drops.append(
            CommonDrop(
                gateway, c.time, c.time_low, c.time_high, c.size, c.low, c.high, tuple(share), len(told), c.probability
            )
        )
    return drops
