"""The tables of a backtest as files, and one page with its plot that works offline."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any

from lamplighter.backtest.summary import STAND_COLUMNS, SUMMARY_COLUMNS, BacktestResult, backtest_text, stand_row
from lamplighter.tables import write_csv


def write_backtest(result: BacktestResult, out: str | Path) -> list[Path]:
    """Write backtest.csv, backtest_summary.csv and backtest.html into a folder; return what was written."""
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
    plot = backtest_figure(result).to_html(full_html=False, include_plotlyjs=True, div_id="backtest")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        "<title>Battery forecasts made again</title><style>body{font:16px/1.5 system-ui,sans-serif;margin:2rem auto;"
        "max-width:70rem;padding:0 1rem;color:#222}pre{overflow-x:auto;background:#f5f5f3;padding:1rem}"
        "</style></head>\n"
        f"<body><h1>Battery forecasts made again</h1>\n<pre>{escape(backtest_text(result))}</pre>\n"
        f"{plot}\n</body>\n</html>\n"
    )


def backtest_figure(result: BacktestResult) -> Any:
    """Return the plot: what was foretold over what remained, with P10 to P90, and the straight line beside it."""
    import plotly.graph_objects as go

    dated = [s for s in result.stands if s.dated]
    shift = lambda s: s.lead_days * (1.0 + 0.04 * ((hash_of(s.node) % 21) - 10) / 10)  # noqa: E731
    figure = go.Figure()
    figure.add_scatter(
        x=[shift(s) for s in dated],
        y=[s.p50_days for s in dated],
        mode="markers",
        name="P50 with P10 to P90",
        marker={"size": 7, "color": "#1f5f8b"},
        error_y={
            "type": "data",
            "symmetric": False,
            "thickness": 1,
            "width": 0,
            "color": "rgba(31,95,139,0.35)",
            "array": [s.p90_days - s.p50_days for s in dated],
            "arrayminus": [s.p50_days - s.p10_days for s in dated],
        },
        text=[s.node for s in dated],
        hovertemplate="%{text}: %{y:.0f} days foretold, %{x:.0f} remained<extra></extra>",
    )
    lined = [s for s in dated if s.line_days is not None and s.line_days > 0]
    figure.add_scatter(
        x=[shift(s) for s in lined],
        y=[s.line_days for s in lined],
        mode="markers",
        name="straight line, last 90 days",
        marker={"symbol": "x-thin-open", "size": 7, "color": "#a65e2e"},
        text=[s.node for s in lined],
        hovertemplate="%{text}: %{y:.0f} days by a line, %{x:.0f} remained<extra></extra>",
    )
    top = max([s.lead_days for s in dated], default=90.0)
    figure.add_scatter(
        x=[1, top * 1.1], y=[1, top * 1.1], mode="lines", name="right", line={"color": "#777", "dash": "dot"}
    )
    figure.update_layout(
        template="plotly_white",
        height=560,
        legend={"orientation": "h", "y": 1.08},
        margin={"l": 60, "r": 20, "t": 40, "b": 50},
        xaxis={"title": {"text": "days that remained"}, "type": "log"},
        yaxis={"title": {"text": "days foretold"}, "type": "log"},
    )
    return figure


def hash_of(text: str) -> int:
    """Return a small number from a text, the same on every run, to spread points sideways."""
    return sum((i + 1) * ord(c) for i, c in enumerate(text))
