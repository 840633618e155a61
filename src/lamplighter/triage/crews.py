"""Crews, their working days, and the months in which a site can be reached."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from lamplighter.errors import SettingsError
from lamplighter.settings.triage import TriageSettings

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_CREW = re.compile(r"^\s*([A-Za-z,\- ]+?)\s+([\d.]+)\s*h?\s*$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """A crew: the days of the week it works (0 is Monday) and for how many hours."""

    name: str
    weekdays: frozenset[int]
    hours: float


def parse_crew(name: str, text: str) -> Crew:
    """Read ``Mon-Fri 8h`` or ``Mon,Wed 6``.

    Raises
    ------
    SettingsError
        When the text is not days and hours.
    """
    found = _CREW.match(text)
    try:
        if not found:
            raise ValueError
        hours = float(found[2])
        weekdays = frozenset(d for part in found[1].split(",") for d in _span(part, DAYS, 7))
    except ValueError as bad:
        raise SettingsError(f"crew {name}: {text!r} is not understood", remedy="write it like Mon-Fri 8h") from bad
    if not 0 < hours <= 24:
        raise SettingsError(f"crew {name}: {text!r} has no possible hours", remedy="write it like Mon-Fri 8h")
    return Crew(name=name, weekdays=weekdays, hours=hours)


def parse_crews(given: list[str] | None, configured: Mapping[str, str]) -> tuple[Crew, ...]:
    """Return the crews given on the command line (``NAME=Mon-Fri 8h`` or ``Mon-Fri 8h``), else the configured ones."""
    if not given:
        return tuple(parse_crew(name, text) for name, text in configured.items())
    crews = []
    for n, text in enumerate(given, start=1):
        name, _, days = text.rpartition("=")
        crews.append(parse_crew(name.strip() or f"Crew {n}", days))
    return tuple(crews)


def parse_months(site: str, text: str) -> frozenset[int]:
    """Read ``4-10``, ``11-2`` or ``5,6,9`` as months 1 to 12.

    Raises
    ------
    SettingsError
        When the text is not months.
    """
    try:
        names = tuple(str(m) for m in range(1, 13))
        return frozenset(m + 1 for part in text.split(",") for m in _span(part, names, 12))
    except ValueError as bad:
        problem = f"site_months of {site}: {text!r} is not understood"
        raise SettingsError(problem, remedy='write "4-10" or "5,6,9"') from bad


def _span(text: str, names: tuple[str, ...], n: int) -> list[int]:
    """Places of one name or of a span of names that may run over the end."""
    ends = [names.index(part.strip().lower()[:3]) for part in text.split("-")]
    if not 1 <= len(ends) <= 2:
        raise ValueError(text)
    length = (ends[-1] - ends[0]) % n
    return [(ends[0] + k) % n for k in range(length + 1)]


def working_days(first: date, last: date, crews: tuple[Crew, ...], off: frozenset[date]) -> tuple[date, ...]:
    """Return the days, both ends included, on which some crew works."""
    return tuple(_worked(first, last, crews, off))


def _worked(first: date, last: date, crews: tuple[Crew, ...], off: frozenset[date]) -> Iterator[date]:
    worked = frozenset[int]().union(*(c.weekdays for c in crews))
    span = (first + timedelta(days=k) for k in range((last - first).days + 1))
    return (d for d in span if d.weekday() in worked and d not in off)


def days_off(s: TriageSettings) -> frozenset[date]:
    """Return the days on which no crew works.

    Raises
    ------
    SettingsError
        When a day is not an ISO date.
    """
    try:
        return frozenset(date.fromisoformat(d) for d in s.days_off)
    except (TypeError, ValueError) as bad:
        raise SettingsError(f"days_off: {bad}", remedy='write "2026-12-25"') from bad


def first_working_day(day: date, crews: tuple[Crew, ...], off: frozenset[date]) -> date:
    """Return the first day, this one included, on which some crew works; this one when none does within a year."""
    return next(_worked(day, day + timedelta(days=366), crews, off), day)
