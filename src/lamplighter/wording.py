"""Every unit, rounding and date that a person reads is put into words here."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
DAY_S = 86_400.0
YEAR_S, QUARTER_S = 366 * DAY_S, 92 * DAY_S
"""A range of dates wider than a year is no date; one narrower than a quarter always is."""
MISSING = "not known"


def instant(seconds: float) -> datetime:
    """Return an instant given in seconds since 1970-01-01 UTC as an aware datetime."""
    return _EPOCH + timedelta(seconds=float(seconds))


def known(value: float | None) -> bool:
    """Whether a value is there and finite."""
    return value is not None and math.isfinite(value)


def iso(seconds: float | None) -> str:
    """Return an instant as ISO 8601 UTC to the second, empty when not known."""
    return instant(round(seconds)).strftime("%Y-%m-%dT%H:%M:%SZ") if known(seconds) else ""


def date(seconds: float | None) -> str:
    """Return a day in words: ``12 Jan 2026``."""
    if not known(seconds):
        return MISSING
    when = instant(seconds)
    return f"{when.day} {when:%b %Y}"


def moment(seconds: float | None) -> str:
    """Return an instant in words: ``12 Jan 2026 14:05 UTC``."""
    return f"{date(seconds)} {instant(seconds):%H:%M} UTC" if known(seconds) else MISSING


def number(value: float | None, digits: int = 3) -> str:
    """Return a number with that many significant digits, no exponent, a true minus sign kept as a hyphen."""
    if not known(value):
        return MISSING
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(places, 9)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def quantity(value: float | None, unit: str, digits: int = 3) -> str:
    """Return a number and its unit: ``3.61 V``."""
    return f"{number(value, digits)} {unit}".strip() if known(value) else MISSING


def between(low: float | None, high: float | None, unit: str = "", digits: int = 3) -> str:
    """Return an interval: ``2.1 to 4.0 dB``."""
    return f"{number(low, digits)} to {quantity(high, unit, digits)}"


def dates_between(low: float | None, high: float | None) -> str:
    """Return an interval of days: ``between 12 Jan and 3 Mar 2026``."""
    if not known(low) and not known(high):
        return MISSING
    if not known(high):
        return f"after {date(low)}"
    if not known(low):
        return f"before {date(high)}"
    a, b = instant(low), instant(high)
    if a.date() == b.date():
        return f"on {date(high)}"
    start = f"{a.day} {a:%b}" if a.year == b.year else date(low)
    return f"between {start} and {date(high)}"


def battery_ends(p10: float | None, p50: float | None, p90: float | None, now: float) -> str:
    """Say when a battery ends: ``will likely be empty between 12 Jan and 3 Mar 2026``.

    A range wider than a year, or than the time left to its middle, is no date to plan by and is not said as one.
    """
    if not known(p10) or not known(p50) or not known(p90):
        return f"will likely be empty {dates_between(p10, p90)}"
    if p90 - p10 <= min(YEAR_S, max(p50 - now, QUARTER_S)):
        return f"will likely be empty {dates_between(p10, p90)}"
    if p10 <= now:
        return f"may be empty any day, but as likely lasts beyond {date(p50)}"
    return f"may be empty as early as {date(p10)}, but as likely lasts beyond {date(p50)}"


def falls_short_in_the_cold(p50: float | None, now: float) -> str:
    """Say when a battery falls short in the cold; nothing where that is not known or comes no earlier than its end.

    As in ``On its coldest days it may fall short from 12 Jan 2027.``
    """
    if not known(p50):
        return ""
    return f"On its coldest days it may fall short {'from now on' if p50 <= now else f'from {date(p50)}'}."


def percent(share: float | None, digits: int = 3) -> str:
    """Return a share as per cent: ``97.4 %``; never rounds a flaw away to 100 or 0."""
    if not known(share):
        return MISSING
    shown = number(100 * share, digits)
    if share < 1 and shown == "100":
        return "over 99.9 %"
    if share > 0 and shown == "0":
        return "under 0.1 %"
    return f"{shown} %"


def count(n: float | None, singular: str, plural: str | None = None) -> str:
    """Return a count with its noun: ``1 node``, ``1,204 nodes``."""
    if not known(n):
        return MISSING
    return f"{round(n):,} {singular if round(n) == 1 else plural or singular + 's'}"


def counted_from(as_of: float | None, planned_from: float | None) -> str:
    """Say from which day due dates count, where visits are planned from another; empty where that is one present."""
    if not known(as_of) or not known(planned_from) or planned_from - as_of <= DAY_S:  # type: ignore[operator]
        return ""
    return (
        f"Due dates count from the last check-in on {date(as_of)}, planned visits from the day of this run, "
        f"{date(planned_from)}."
    )


def duration(seconds: float | None) -> str:
    """Return a length of time in the unit a person would use."""
    if not known(seconds):
        return MISSING
    for size, name in ((365.25 * 86_400, "year"), (86_400, "day"), (3_600, "hour"), (60, "minute")):
        if abs(seconds) >= 2 * size or (size == 60 and abs(seconds) >= 60) or (size == 3_600 and abs(seconds) >= 3_600):
            amount = seconds / size
            shown = number(amount, 2) if amount < 10 else f"{amount:,.0f}"
            return f"{shown} {name}{'' if shown == '1' else 's'}"
    return f"{number(seconds, 2)} s"


def joined(words: list[str] | tuple[str, ...], most: int = 5) -> str:
    """Return a list in words: ``A, B and C`` or ``A, B and 7 more``."""
    words = list(words)
    if len(words) > most:
        return f"{', '.join(words[: most - 1])} and {len(words) - most + 1} more"
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else "none"
