"""The fleet as a whole: weeks add up, gateways are told apart, batteries by month follow the exact laws."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.stats import binom

from lamplighter.overview import (
    batteries_by_month,
    fleet_weeks,
    gateway_losses,
    month_edges,
    overview,
    recent_and_before,
)
from lamplighter.results import Gap, NodeRow

DAY = 86_400
NOW = datetime(2026, 1, 15, tzinfo=UTC).timestamp()


def row(node: str, gateway: str = "G", low: float = 0, mid: float = 0, high: float = 0, **more: object) -> NodeRow:
    dates = {"eol_p10": NOW + low * DAY, "eol_p50": NOW + mid * DAY, "eol_p90": NOW + high * DAY} if high else {}
    return NodeRow(node=node, gateway=gateway, **dates, **more)


def test_nothing_gives_empty_lists_not_errors() -> None:
    empty = overview([], {}, [], float("nan"))
    assert empty["weeks"]["start"] == []
    assert empty["gateways"] == []
    assert empty["batteries"]["forecast"] == 0


def test_weeks_begin_on_monday_and_their_counts_add_up() -> None:
    day = (np.arange(30) + 20_000) * DAY
    series = {
        n: {"arrivals": {"day": day.tolist(), "expected": [24] * 30, "received": [23] * 30, "outage": [1] * 30}}
        for n in "ab"
    }
    weeks = fleet_weeks(series, NOW)
    assert all(datetime.fromtimestamp(s, UTC).weekday() == 0 for s in weeks["start"])
    assert sum(weeks["expected"]) == 2 * 30 * 24
    assert sum(weeks["received"]) == 2 * 30 * 23
    assert set(weeks["delivery"]["p50"]) == {round(23 / 24, 4)}


def test_weekly_band_is_the_percentile_over_nodes_of_each_nodes_mean() -> None:
    day = ((np.arange(7) + 4 + 7 * 2800) * DAY).tolist()
    series = {str(i): {"radio": {"day": day, "level": [-90.0 + i] * 7, "floor_dbm": -100.0}} for i in range(11)}
    band = fleet_weeks(series, NOW)["margin"]
    assert (band["p10"], band["p50"], band["p90"]) == ([11.0], [15.0], [19.0])


def test_gateways_are_ranked_by_what_their_nodes_lost_and_outages_are_told_apart() -> None:
    rows = [
        row("a", "one", expected=100, received=99, delivery=0.99),
        row("b", "two", expected=100, received=60, delivery=0.6),
        row("c", "two", expected=100, received=90, delivery=0.9),
        row("d", "two"),
    ]
    gaps = [
        Gap(node="b", start=0, end=1, missed=30, cause="gateway"),
        Gap(node="b", start=2, end=3, missed=10, cause="node"),
    ]
    worst, best = gateway_losses(rows, gaps)
    assert (worst["gateway"], worst["nodes"], worst["expected"], worst["received"], worst["outage"]) == (
        "two",
        2,
        200,
        150,
        30,
    )
    assert worst["deliveries"] == [["b", 0.6], ["c", 0.9]]
    assert best["gateway"] == "one"


def test_months_begin_on_the_first_across_a_year_end() -> None:
    edges = month_edges(datetime(2025, 11, 20, tzinfo=UTC).timestamp(), 3)
    assert [datetime.fromtimestamp(e, UTC).strftime("%Y-%m-%d") for e in edges] == [
        "2025-11-01", "2025-12-01", "2026-01-01", "2026-02-01",
    ]  # fmt: skip


def test_a_battery_counts_once_over_all_months() -> None:
    by_month = batteries_by_month([row("a", low=40, mid=60, high=100)], NOW, 24)
    assert sum(by_month["expected"]) == pytest.approx(1.0, abs=0.01)
    assert by_month["forecast"] == 1


def test_percentiles_of_a_forecast_are_met_exactly() -> None:
    """P50 on the first of March: half the chance before it; P10 and P90 likewise."""
    first = datetime(2026, 3, 1, tzinfo=UTC).timestamp()
    for place, share in ((1, 0.5), (0, 0.1), (2, 0.9)):
        dates = [first + (k - place) * 20 * DAY for k in range(3)]
        r = NodeRow(node="a", eol_p10=dates[0], eol_p50=dates[1], eol_p90=dates[2])
        by_month = batteries_by_month([r], NOW, 24)
        assert sum(by_month["expected"][:2]) + by_month["past"] == pytest.approx(share, abs=2e-3)


def test_the_count_of_alike_batteries_follows_the_binomial_law() -> None:
    """Independent events of one probability: the binomial law (any handbook); scipy.stats.binom as the reference."""
    n = 40
    rows = [row(str(i), low=20, mid=50, high=90) for i in range(n)]
    by_month = batteries_by_month(rows, NOW, 24)
    for m in range(6):
        p = by_month["expected"][m] / n
        assert by_month["p10"][m] == binom.ppf(0.1, n, p)
        assert by_month["p90"][m] == binom.ppf(0.9, n, p)


def test_batteries_without_a_date_are_counted_apart() -> None:
    rows = [row("a", low=20, mid=50, high=90), row("b", eol_not_before=NOW + 900 * DAY), row("c")]
    by_month = batteries_by_month(rows, NOW, 24)
    assert (by_month["forecast"], by_month["not_before"], by_month["unknown"]) == (1, 1, 1)


def test_recent_weeks_are_whole_ones_and_the_week_under_way_does_not_count() -> None:
    start = np.arange(10) * 7.0 * DAY
    values = np.array([9, 9, 1, 1, 1, 1, 2, 2, 2, 99], dtype=float)
    assert recent_and_before(values, start, as_of=start[9] + 3 * DAY) == [2.0, 1.0]
    assert recent_and_before(values[:4], start[:4], as_of=start[9]) == [5.0, None]
    assert recent_and_before(np.full(10, np.nan), start, as_of=start[9]) == [None, None]
