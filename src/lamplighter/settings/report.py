"""Settings of the section ``[report]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class ReportSettings(Section):
    """What the report shows at once, and how much of the evidence travels inside the file."""

    title: str = setting("", "-", "Name of the fleet in the masthead; empty leaves it out.")
    week_days: float = setting(
        7.0, "days", "Work due within this many days stands under 'this week': one planning period.", low=1, high=60
    )
    week_rows: int = setting(
        5,
        "rows",
        "Rows of 'this week' shown at once, so that the first screen of a desktop holds them.",
        low=1,
        high=200,
    )
    trip_rows: int = setting(
        12,
        "trips",
        "Trips listed, soonest first, and lines of each list beside them; visits.csv and parts.csv have all.",
        low=1,
        high=500,
    )
    later_rows: int = setting(60, "rows", "Rows of later work listed; the node table has the rest.", low=0, high=5000)
    points_per_line: int = setting(
        700, "points", "A line with more days is thinned to about this many points: more than a screen has columns.",
        low=50, high=20_000,
    )  # fmt: skip
    detail_mb: float = setting(
        4.0, "MB", "Chart data of nodes, compressed, worst first until this much; keeps 240 nodes under 8 MB in all.",
        low=0, high=200,
    )  # fmt: skip
    page_mb: float = setting(
        14.0,
        "MB",
        "Size the page is kept near by giving fewer nodes their charts; opens on a phone, passes most mail gateways.",
        low=3,
        high=500,
    )
    months_ahead: int = setting(24, "months", "How far ahead batteries falling due are drawn.", low=1, high=120)
