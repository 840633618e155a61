"""How good the battery forecasts have been on the user's own history.

Every battery that has since ended is forecast again from past days on which its end was still ahead: the node's
check-ins, work log and register are cut at that day, and the fleet may only teach what it had shown by then. A straight
line through the last 90 days stands beside each forecast.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from lamplighter.checkins import DAY_S, Source
from lamplighter.checks.battery.fleetwide import Battery, Class, Life, gather, learn_classes
from lamplighter.checks.battery.judge import forecastable
from lamplighter.checks.battery.measure import BatteryMeasures, measure
from lamplighter.checks.battery.predict import Prediction, predict
from lamplighter.fleet import Fleet, RegisterEntry
from lamplighter.pipeline import history_of
from lamplighter.results import Instant
from lamplighter.settings import Settings
from lamplighter.settings.battery import BatterySettings
from lamplighter.wording import count, iso, number, percent

LEADS = (90.0, 60.0, 30.0, 14.0, 7.0)
LINE_DAYS = 90.0
LONG_CELL = "-"


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
    "node", "life_start", "ended", "ended_by", "stood", "lead_days", "p10_days", "p50_days", "p90_days",
    "not_before_days", "covered", "method", "line_days",
)  # fmt: skip
SUMMARY_COLUMNS = (
    "group", "forecasts", "dated", "coverage", "median_error", "median_bias_days", "line_error", "bound_held",
)  # fmt: skip


def stand_row(s: Stand) -> tuple[Any, ...]:
    """One forecast as cells of a table."""
    return (
        s.node, iso(s.life_start), iso(s.ended), s.ended_by, iso(s.stood), s.lead_days, s.p10_days, s.p50_days, s.p90_days,
        s.not_before_days, s.covered if s.dated else None, s.method, s.line_days,
    )  # fmt: skip


def backtest(
    source: Source,
    fleet: Fleet | None = None,
    settings: Settings | None = None,
    *,
    leads: Sequence[float] = LEADS,
    as_of: float | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> BacktestResult:
    """Forecast again every battery that has since ended, and see how the forecasts did.

    Parameters
    ----------
    source : Source
        Check-ins, from :func:`lamplighter.read_exports` or a history.
    fleet : Fleet, optional
    settings : Settings, optional
    leads : sequence of float
        How long before the end to stand [days].
    as_of : float, optional
        The present [s since 1970-01-01 UTC]; later check-ins are set aside.
    progress : callable, optional
        Called with the number of nodes done and in all.

    Returns
    -------
    BacktestResult
        Empty when no battery's end lies in the data.
    """
    fleet, settings = fleet or Fleet(), settings or Settings()
    start, end = source.span()
    present = end if as_of is None else as_of
    names = source.nodes()
    measures: dict[str, BatteryMeasures] = {}
    register: dict[str, RegisterEntry] = {}
    for node in names:
        history, _ = history_of(source, node, fleet, start, present)
        if len(history):
            measures[node] = measure(history, settings)
            register[node] = history.entry
    batteries = gather(measures, register, settings.battery)
    ended = [
        life for node in sorted(batteries) if forecastable(batteries[node]) for life in batteries[node].lives
        if np.isfinite(life.ended_at)
    ]  # fmt: skip
    stands: list[Stand] = []
    for done, life in enumerate(ended, start=1):
        for lead in leads:
            stand = stand_before(life, lead, source, fleet, settings, batteries, start)
            if stand is not None:
                stands.append(stand)
        if progress:
            progress(done, len(ended))
    return result_of(tuple(stands), len(ended), len(batteries))


def stand_before(
    life: Life, lead: float, source: Source, fleet: Fleet, settings: Settings, batteries: Mapping[str, Battery], start: float
) -> Stand | None:  # fmt: skip
    """Forecast one life's end from so many days before it; None when the life, or its record, was not there yet."""
    stood = life.ended_at - lead * DAY_S
    if stood < life.track.time[0] + settings.battery.min_days * DAY_S:
        return None
    entry = fleet.register.get(life.node)
    if entry is not None and entry.battery_installed is not None and entry.battery_installed > stood:
        # A later battery's date stood not in the register of that day.
        entry = replace(entry, battery_installed=None)
    cut = replace(fleet, register=dict(fleet.register) | ({life.node: entry} if entry is not None else {}))
    history, _ = history_of(source, life.node, cut, start, stood)
    if not len(history):
        return None
    own = gather({life.node: measure(history, settings)}, {life.node: history.entry}, settings.battery)
    if life.node not in own:
        return None
    battery = own[life.node]
    kin = {n: b for n, b in ((n, as_known(b, stood)) for n, b in batteries.items()) if b is not None}
    group = batteries[life.node].group
    known = learn_classes({n: b for n, b in kin.items() if b.group == group}, settings.battery).get(group, Class())
    battery = replace(battery, temperature=battery.temperature, group=group)
    made = predict(battery, known, settings.battery)
    if made is None or made.forecast is None:
        return None
    return told(life, lead, stood, made, straight_line(made.life, battery.cutoff_v, stood))


def told(life: Life, lead: float, stood: float, p: Prediction, line: float | None) -> Stand:
    """Return a forecast as days from the day on which it was made."""
    f = p.forecast
    assert f is not None
    late = (stood - p.now) / DAY_S

    def days(value: float) -> float | None:
        return round(float(value) - late, 3) if np.isfinite(value) else None

    return Stand(
        node=life.node, life_start=life.start if life.start_known else None, ended=life.ended_at, ended_by=life.ended_by,
        stood=stood, lead_days=lead, p10_days=days(f.p10), p50_days=days(f.p50), p90_days=days(f.p90),
        not_before_days=days(f.not_before), method=f.method, line_days=line,
        by_method={m: tuple(float(v) - late for v in q) for m, q in f.methods.items()},
    )  # fmt: skip


def as_known(battery: Battery, when: float) -> Battery | None:
    """Return a battery's lives as they stood at an instant: those not ended by then still ran; None when none had begun."""
    lives = []
    for life in battery.lives:
        seen = life.track.time <= when
        if not seen.any():
            continue
        if np.isfinite(life.ended_at) and life.ended_at <= when:
            lives.append(life)
        else:
            part = life.track.part(seen)
            lives.append(
                replace(
                    life, track=part, use=life.use[seen], ended_at=float("nan"), ended_use=float(life.use[seen][-1])
                )
            )
    if not lives:
        return None
    seen = battery.track.time <= when
    return replace(battery, lives=tuple(lives), track=battery.track.part(seen), rate=battery.rate[seen])


def straight_line(life: Life, cutoff_v: float, stood: float) -> float | None:
    """Return the days until a least-squares line through the last 90 days meets the cut-off; None when it never does."""
    recent = life.track.time >= life.track.time[-1] - LINE_DAYS * DAY_S
    days = (life.track.time[recent] - stood) / DAY_S
    volts = (life.track.volts - life.track.drop)[recent]
    if len(days) < 3 or np.ptp(days) <= 0:
        return None
    slope, level = np.polyfit(days, volts, 1)
    return round(float((cutoff_v - level) / slope), 3) if slope < 0 else None


# --- how they did -------------------------------------------------------------------------------------------------


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
    share = lambda v: percent(v, 2) if v is not None else LONG_CELL  # noqa: E731
    bias = number(s.median_bias_days, 2) if s.median_bias_days is not None else LONG_CELL
    return (
        s.group, str(s.forecasts), str(s.dated), share(s.coverage), share(s.median_error), bias, share(s.line_error),
        share(s.bound_held),
    )  # fmt: skip


def write_backtest(result: BacktestResult, out: str | Path) -> list[Path]:
    """Write backtest.csv, backtest_summary.csv and backtest.html into a folder; return what was written."""
    from lamplighter.tables import write_csv

    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    rows, summary, page = (folder / n for n in ("backtest.csv", "backtest_summary.csv", "backtest.html"))
    write_csv(rows, STAND_COLUMNS, [stand_row(s) for s in result.stands])
    every = (result.total, *result.by_lead, *result.by_method)
    write_csv(summary, SUMMARY_COLUMNS, [[getattr(s, c) for c in SUMMARY_COLUMNS] for s in every])
    page.write_text(backtest_page(result), encoding="utf-8")
    return [rows, summary, page]


def backtest_page(result: BacktestResult) -> str:
    """Return one page with the plot and the table; works offline."""
    from html import escape

    plot = backtest_figure(result).to_html(full_html=False, include_plotlyjs=True, div_id="backtest")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        "<title>Battery forecasts made again</title><style>body{font:16px/1.5 system-ui,sans-serif;margin:2rem auto;"
        "max-width:70rem;padding:0 1rem;color:#222}pre{overflow-x:auto;background:#f5f5f3;padding:1rem}</style></head>\n"
        f"<body><h1>Battery forecasts made again</h1>\n<pre>{escape(backtest_text(result))}</pre>\n{plot}\n</body>\n</html>\n"
    )


def backtest_figure(result: BacktestResult) -> Any:
    """Return the plot: what was foretold over what remained, with P10 to P90, and the straight line beside it."""
    import plotly.graph_objects as go

    dated = [s for s in result.stands if s.dated]
    shift = lambda s: s.lead_days * (1.0 + 0.04 * ((hash_of(s.node) % 21) - 10) / 10)  # noqa: E731
    figure = go.Figure()
    figure.add_scatter(
        x=[shift(s) for s in dated], y=[s.p50_days for s in dated], mode="markers", name="P50 with P10 to P90",
        marker={"size": 7, "color": "#1f5f8b"},
        error_y={
            "type": "data", "symmetric": False, "thickness": 1, "width": 0, "color": "rgba(31,95,139,0.35)",
            "array": [s.p90_days - s.p50_days for s in dated], "arrayminus": [s.p50_days - s.p10_days for s in dated],
        },
        text=[s.node for s in dated], hovertemplate="%{text}: %{y:.0f} days foretold, %{x:.0f} remained<extra></extra>",
    )  # fmt: skip
    lined = [s for s in dated if s.line_days is not None and s.line_days > 0]
    figure.add_scatter(
        x=[shift(s) for s in lined], y=[s.line_days for s in lined], mode="markers", name="straight line, last 90 days",
        marker={"symbol": "x-thin-open", "size": 7, "color": "#a65e2e"}, text=[s.node for s in lined],
        hovertemplate="%{text}: %{y:.0f} days by a line, %{x:.0f} remained<extra></extra>",
    )  # fmt: skip
    top = max([s.lead_days for s in dated], default=90.0)
    figure.add_scatter(
        x=[1, top * 1.1], y=[1, top * 1.1], mode="lines", name="right", line={"color": "#777", "dash": "dot"}
    )
    figure.update_layout(
        template="plotly_white", height=560, legend={"orientation": "h", "y": 1.08}, margin={"l": 60, "r": 20, "t": 40, "b": 50},
        xaxis={"title": {"text": "days that remained"}, "type": "log"},
        yaxis={"title": {"text": "days foretold"}, "type": "log"},
    )  # fmt: skip
    return figure


def hash_of(text: str) -> int:
    """Return a small number from a text, the same on every run, to spread points sideways."""
    return sum((i + 1) * ord(c) for i, c in enumerate(text))
