"""Forecasts made again and how they did, in numbers and in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from lamplighter.results import Instant
from lamplighter.wording import count, iso, number, percent

UNTOLD = "-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """One forecast made from the past of one battery whose end is now known; days count from the day it was made."""

    node: str
    life_start: Instant | None
    ended: Instant
    ended_by: str
    stood: Instant
    lead_days: float
    p10_days: float | None = None
    p50_days: float | None = None
    p90_days: float | None = None
    not_before_days: float | None = None
    method: str = ""
    line_days: float | None = None
    by_method: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    cold_days: tuple[float, float, float] | None = None
    """P10, P50 and P90 of the first shortfall on the coldest days."""

    @property
    def dated(self) -> bool:
        """Whether a date was given, not only a bound."""
        return self.p50_days is not None

    @property
    def covered(self) -> bool:
        """Whether the end came between P10 and P90."""
        return (
            self.p10_days is not None and self.p90_days is not None and self.p10_days <= self.lead_days <= self.p90_days
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """How a group of forecasts has done; errors are shares of the time that remained, bias is in days."""

    group: str
    forecasts: int
    dated: int
    coverage: float | None = None
    median_error: float | None = None
    median_bias_days: float | None = None
    line_error: float | None = None
    bound_held: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BacktestResult:
    """All forecasts made again, and how they did, in all, by lead time and by method."""

    stands: tuple[Stand, ...]
    lives: int
    nodes: int
    total: Summary
    by_lead: tuple[Summary, ...]
    by_method: tuple[Summary, ...]

    def frame(self) -> pd.DataFrame:
        """Every forecast as a row, instants as ISO 8601 text."""
        return pd.DataFrame([stand_row(s) for s in self.stands], columns=list(STAND_COLUMNS))


STAND_COLUMNS = (
    "node",
    "life_start",
    "ended",
    "ended_by",
    "stood",
    "lead_days",
    "p10_days",
    "p50_days",
    "p90_days",
    "not_before_days",
    "covered",
    "method",
    "line_days",
)
SUMMARY_COLUMNS = (
    "group",
    "forecasts",
    "dated",
    "coverage",
    "median_error",
    "median_bias_days",
    "line_error",
    "bound_held",
)


def stand_row(s: Stand) -> tuple[Any, ...]:
    """One forecast as cells of a table."""
    return (
        s.node,
        iso(s.life_start),
        iso(s.ended),
        s.ended_by,
        iso(s.stood),
        s.lead_days,
        s.p10_days,
        s.p50_days,
        s.p90_days,
        s.not_before_days,
        s.covered if s.dated else None,
        s.method,
        s.line_days,
    )


def result_of(stands: tuple[Stand, ...], lives: int, nodes: int) -> BacktestResult:
    """Return the forecasts with their summaries."""
    leads = sorted({s.lead_days for s in stands}, reverse=True)
    methods = sorted({s.method for s in stands if s.dated})
    return BacktestResult(
        stands=stands,
        lives=lives,
        nodes=nodes,
        total=summarise("all", stands),
        by_lead=tuple(summarise(f"{lead:g} days before", [s for s in stands if s.lead_days == lead]) for lead in leads),
        by_method=tuple(summarise(m, [s for s in stands if s.method == m]) for m in methods),
    )


def summarise(group: str, stands: Sequence[Stand]) -> Summary:
    """Return how a group of forecasts has done; the line's error counts a line that never falls as the longest wait."""
    dated = [s for s in stands if s.dated]
    bounds = [s for s in stands if s.not_before_days is not None]
    error = [abs(s.p50_days - s.lead_days) / s.lead_days for s in dated]  # type: ignore[operator]
    line = [abs((s.line_days if s.line_days is not None else np.inf) - s.lead_days) / s.lead_days for s in dated]
    return Summary(
        group=group,
        forecasts=len(stands),
        dated=len(dated),
        coverage=middle([float(s.covered) for s in dated], np.mean),
        median_error=middle(error),
        median_bias_days=middle([s.p50_days - s.lead_days for s in dated]),  # type: ignore[operator]
        line_error=middle(line),
        bound_held=middle([float(s.not_before_days <= s.lead_days) for s in bounds], np.mean),  # type: ignore[operator]
    )


def middle(values: Sequence[float], how: Callable[[Any], Any] = np.median) -> float | None:
    """Return the median (or mean) of values, None when there are none or it has no end."""
    if not len(values):
        return None
    value = float(how(values))
    return value if np.isfinite(value) else None


def backtest_text(result: BacktestResult) -> str:
    """Return what a person reads on the terminal."""
    if not result.stands:
        found = count(result.lives, "battery", "batteries")
        return (
            f"No forecast could be made again: {found} ended in this history, none with enough record before its end."
        )
    head = (
        f"{count(result.lives, 'battery', 'batteries')} ended in this history of {count(result.nodes, 'node')}; "
        f"{count(len(result.stands), 'forecast')} made again."
    )
    rows = [
        ("", "forecasts", "with a date", "P10-P90 held", "median error", "bias, days", "line's error", "bound held")
    ]
    rows += [summary_cells(s) for s in (*result.by_lead, *result.by_method, result.total)]
    wide = [max(len(r[i]) for r in rows) for i in range(len(rows[0]))]
    table = [
        "  ".join(c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(r, wide, strict=True)))
        for r in rows
    ]
    note = "P10-P90 should hold four times in five; errors are shares of the time that remained."
    return "\n".join([head, "", *table, "", note])


def summary_cells(s: Summary) -> tuple[str, ...]:
    """One line of the table in words."""
    share = lambda v: percent(v, 2) if v is not None else UNTOLD  # noqa: E731
    bias = number(s.median_bias_days, 2) if s.median_bias_days is not None else UNTOLD
    return (
        s.group,
        str(s.forecasts),
        str(s.dated),
        share(s.coverage),
        share(s.median_error),
        bias,
        share(s.line_error),
        share(s.bound_held),
    )
