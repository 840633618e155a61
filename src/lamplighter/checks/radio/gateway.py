"""What nodes share: the fleet's weather, and drops of RSSI on one gateway, its antenna or cable and not theirs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

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


def common_mode(measures: list[RadioMeasure]) -> tuple[np.ndarray, np.ndarray]:
    """Median over nodes of each day's deviation from the node's own usual level.

    Returns
    -------
    day, deviation : ndarray, shape (d,)
        Days on which at least half of the nodes have a level.
    """
    first, last = min(m.day[0] for m in measures), max(m.day[-1] for m in measures)
    table = np.full((len(measures), int(last - first) + 1), np.nan)
    for row, m in zip(table, measures, strict=True):
        rest = m.level - m.seasonal
        row[(m.day - first).astype(np.int64)] = rest - np.median(rest)
    enough = np.isfinite(table).sum(0) >= max(0.5 * len(measures), 1)
    return first + np.flatnonzero(enough), np.nanmedian(table[:, enough], axis=0)


def shared_weather(measures: Mapping[str, RadioMeasure], s: RadioSettings) -> tuple[np.ndarray, np.ndarray] | None:
    """Deviation of RSSI by day that the fleet's nodes share, their own steps and slopes taken out.

    Leaves, snow and rain weaken many paths on the same days; a node's own trend is easier to tell once
    that is known.

    Returns
    -------
    day, deviation : ndarray, shape (d,), or None
        None when there are too few nodes.
    """
    usable = [m for m in measures.values() if m.found is not None]
    if len(usable) < s.common_nodes:
        return None
    rest = [replace(m, level=m.level - m.fitted, seasonal=np.zeros_like(m.seasonal)) for m in usable]
    day, deviation = common_mode(rest)
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
    day, deviation = common_mode([measures[n] for n in nodes])
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
        own = {n: own_drop(measures[n], c.time * YEAR_D) for n in nodes}
        told = {n: d for n, d in own.items() if np.isfinite(d)}
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
