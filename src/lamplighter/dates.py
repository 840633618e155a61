"""Dates as people and programs write them: one grammar for exports, register and work log."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

YEAR_FIRST, DAY_FIRST, MONTH_FIRST = "year first", "day first", "month first"
_MONTHS = {
    "jan": 1, "feb": 2, "mar": 3, "apr": 4, "may": 5, "jun": 6, "jul": 7, "aug": 8, "sep": 9, "oct": 10, "nov": 11,
    "dec": 12,
    "mär": 3, "mrz": 3, "mai": 5, "okt": 10, "dez": 12, "ene": 1, "abr": 4, "ago": 8, "dic": 12, "sept": 9,
}  # fmt: skip
_CLOCK = (
    r"(?P<h>\d{1,2})[:.h](?P<mi>\d{2})(?:[:.](?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?"
    r"\s*(?:(?P<p>[AaPp])\.?\s?[Mm]\.?)?"
)
_ZONE = r"\s*(?P<z>Z|z|UTC|GMT|[+-]\d{2}:?(?:\d{2})?)?\s*$"
_TEXT = (
    r"^\s*(?:(?:[Mm]on|[Tt]ue|[Ww]ed|[Tt]hu|[Ff]ri|[Ss]at|[Ss]un)[a-z]*\.?,?\s+)?"
    r"(?P<a>\d{1,4}|[A-Za-zÀ-ÿ]{3,10})\.?(?P<sep>[-/. ]\s?)(?P<b>\d{1,2}|[A-Za-zÀ-ÿ]{3,10})\.?[-/. ,]\s?(?P<c>\d{1,4})"
    r"(?:[T ,;]\s*" + _CLOCK + r")?" + _ZONE
)
_COMPACT = (
    r"^\s*(?P<a>(?:19|20)\d{2})(?P<b>\d{2})(?P<c>\d{2})"
    r"(?:[T ]?(?P<h>\d{2}):?(?P<mi>\d{2})(?::?(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?)?" + _ZONE
)
TEXT, COMPACT = re.compile(_TEXT, re.ASCII), re.compile(_COMPACT, re.ASCII)


@dataclass(frozen=True, slots=True)
class OrderEvidence:
    """What a column of dates such as 03/04/2026 says of its order; all counts."""

    day_first: int = 0
    month_first: int = 0
    open: int = 0

    def __add__(self, other: OrderEvidence) -> OrderEvidence:
        return OrderEvidence(
            self.day_first + other.day_first, self.month_first + other.month_first, self.open + other.open
        )

    @property
    def both(self) -> bool:
        """Whether the dates contradict each other; one typing error among a hundred does not."""
        return min(self.day_first, self.month_first) * 100 > max(self.day_first, self.month_first)

    @property
    def order(self) -> str:
        """The order that the dates prove, empty when they prove none or both."""
        if self.both or self.day_first == self.month_first:
            return ""
        return DAY_FIRST if self.day_first > self.month_first else MONTH_FIRST


def month_of(name: str) -> int:
    """Return the number of a month by its name, 99 for none."""
    return _MONTHS.get(name[:4].lower()) or _MONTHS.get(name[:3].lower(), 99)


def offset_minutes(text: str) -> int:
    """Return an offset from UTC such as ``+05:30`` or ``Z`` in minutes."""
    if not text or text[0] not in "+-":
        return 0
    digits = text[1:].replace(":", "")
    return (int(digits[:2]) * 60 + int(digits[2:] or 0)) * (-1 if text[0] == "-" else 1)


def evidence_of(text: str) -> OrderEvidence:
    """Return what one date says of the order of day and month."""
    found = TEXT.match(text)
    if not found or not (found["a"] + found["b"]).isdigit() or len(found["a"]) > 2 or _iso(text) is not None:
        return OrderEvidence()
    a, b = int(found["a"]), int(found["b"])
    return OrderEvidence(
        day_first=int(12 < a <= 31 and 0 < b <= 12),
        month_first=int(12 < b <= 31 and 0 < a <= 12),
        open=int(0 < a <= 12 and 0 < b <= 12 and a != b),
    )


def order_evidence_of(texts: Iterable[str]) -> OrderEvidence:
    """Count the dates that can be read one way only."""
    return sum((evidence_of(t) for t in texts), OrderEvidence())


def parse_time(text: str, timezone: str = "UTC") -> float:
    """Return an ISO 8601 time as seconds since 1970-01-01 UTC; without an offset it is local to ``timezone``.

    Raises
    ------
    ValueError
        When the text is not ISO 8601.
    """
    when = _iso(text)
    if when is None:
        raise ValueError(f"{text!r} is not a time like 2026-01-31 or 2026-01-31T14:30")
    return _seconds(when, timezone)


def parse_written(text: str, order: str, timezone: str = "UTC") -> float:
    """Return a time as :func:`parse_time` does, or else one as a spreadsheet or a person writes it.

    Parameters
    ----------
    order : str
        Order of day and month where both are numbers and the year comes last.
    timezone : str
        Zone of times without an offset.

    Raises
    ------
    ValueError
        When the text is no date in this order.
    """
    when = _iso(text)
    try:
        return _seconds(written_time(text, order) if when is None else when, timezone)
    except (ValueError, OverflowError) as bad:
        raise ValueError(f"{text!r} is not a time like 2026-01-31 or 2026-01-31T14:30") from bad


def is_iso(text: str) -> bool:
    """Whether a text is an ISO 8601 date or time."""
    return _iso(text) is not None


def _iso(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        return None


def _seconds(when: datetime, zone: str) -> float:
    return (when if when.tzinfo is not None else when.replace(tzinfo=ZoneInfo(zone))).timestamp()


def written_time(text: str, order: str) -> datetime:
    """Return a date, with or without a clock time, as a spreadsheet or a person writes it; aware if it has an offset.

    Raises
    ------
    ValueError
        When the text is no date in this order.
    """
    found = TEXT.match(text)
    if not found:
        raise ValueError(text)
    year, month, day = _day_of(found["a"], found["b"], found["c"], order)
    if not 1900 <= year <= 2200:
        raise ValueError(text)
    hour, minute, second = (int(found[k] or 0) for k in ("h", "mi", "s"))
    if found["p"]:
        if not 1 <= hour <= 12:
            raise ValueError(text)
        hour = hour % 12 + 12 * (found["p"] in "pP")
    # 24:00 is the end of a day, and a minute may have a leap second.
    if minute > 59 or second > 60 or (hour, minute, second) > (24, 0, 0):
        raise ValueError(text)
    fraction = int((found["f"] or "")[:6].ljust(6, "0"))
    clock = timedelta(hours=hour, minutes=minute, seconds=second, microseconds=fraction)
    zone = timezone(timedelta(minutes=offset_minutes(found["z"]))) if found["z"] else None
    return datetime(year, month, day, tzinfo=zone) + clock


def _day_of(a: str, b: str, c: str, order: str) -> tuple[int, int, int]:
    """Return year, month and day of a date's three parts."""
    if len(a) == 4 and a.isdigit():
        return int(a), int(b) if b.isdigit() else month_of(b), int(c)
    year = int(c) + (0 if len(c) == 4 else 2000 if int(c) < 70 else 1900)
    if len(c) not in (2, 4):
        raise ValueError(c)
    if not a.isdigit():
        return year, month_of(a), int(b)
    if not b.isdigit():
        return year, month_of(b), int(a)
    return (year, int(a), int(b)) if order == MONTH_FIRST else (year, int(b), int(a))
