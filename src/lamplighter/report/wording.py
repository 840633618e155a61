"""The page's own texts and labels; numbers and dates come from the shared wording."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from lamplighter.wording import count, date, known, number, percent

SIGNALS: Mapping[str, str] = {
    "F": "Failure",
    "C": "Function check",
    "S": "Out of specification",
    "M": "Maintenance required",
    "good": "Good",
    "none": "Cannot be judged",
}
"""Names of the NAMUR NE 107 status signals (NE 107, 2017; from memory), and of what has none."""

CHECKS: Mapping[str, str] = {
    "arrivals": "Check-ins",
    "outage": "Outages",
    "radio": "Radio",
    "zero": "Zero",
    "stuck": "Stuck readings",
    "data": "Data",
    "battery": "Battery",
}
CHANGES: Mapping[str, str] = {
    "new": "New",
    "worse": "Worse",
    "better": "Better",
    "done": "Done",
    "gone": "Gone",
    "acknowledged": "Known, kept quiet",
}
CAUSES_OF_GAPS: Mapping[str, str] = {
    "node": "the node or its radio path",
    "gateway": "a gateway",
    "host": "the host or the historian",
    "export": "the export",
}
NO_COMPARISON = "No earlier week to compare with. From the second week on, changes stand here."
NO_CHANGE = "Nothing changed since then."
HAZARDS: Mapping[str, str] = {
    "silence": "Silence",
    "stuck": "Stuck reading",
    "wrong": "Wrong reading",
    "battery": "Battery",
    "delivery": "Lost check-ins",
    "margin": "Weak signal",
    "zero": "Zero error",
}
COSTS: Mapping[str, str] = {
    "travel": "travel",
    "work": "work",
    "battery_life_wasted": "battery life wasted",
    "data_lost": "data lost",
}
"""What the cost of a way of doing the work is made of."""
NOT_RATED = "not rated"
DAY_S = 86_400.0
_SENTENCE_END = re.compile(r"(?<=[.!?;])\s+(?=[A-Z])")


def sure_words(probability: float | None) -> str:
    """Return how sure a cause is, in words."""
    if not known(probability):
        return NOT_RATED
    for least, words in ((0.95, "nearly certain"), (0.8, "very likely"), (0.6, "likely"), (0.4, "about even")):
        if probability >= least:  # type: ignore[operator]
            return words
    return "a guess"


def hazard(name: str) -> str:
    """Return the label of a part of the risk."""
    return HAZARDS.get(name, capitalised(name.replace("_", " ")))


def money(value: float, currency: str) -> str:
    """Return an amount without false precision: ``1,373``, ``0.4``."""
    amount = f"{value:,.0f}" if abs(value) >= 10 else number(value, 2)
    return f"{amount} {currency}".strip()


def risk_note(days: float | None, currency: str) -> str:
    """Return what the parts of the rank are."""
    span = f" ({number(days)} days)" if known(days) else ""
    unit = f" in {currency}" if currency else ""
    return (
        f"Expected cost{unit} of lost or wrong data if it waits for the next planned visit{span}; "
        "criticality sets the cost of a day."
    )


def first_sentence(text: str) -> str:
    """Return the first sentence of a text; the rest stands where there is room for it."""
    return _SENTENCE_END.split(text, maxsplit=1)[0]


def capitalised(text: str) -> str:
    """Return a text with its first letter in upper case, the rest as it stands."""
    return text[:1].upper() + text[1:]


def short_percent(probability: float | None) -> str:
    """Return a probability in as few characters as are honest: ``78 %``, ``over 99 %``, ``under 1 %``."""
    if not known(probability):
        return ""
    if probability > 0.99:  # type: ignore[operator]
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else percent(probability, 2)  # type: ignore[operator]


def due_note(due: float | None, as_of: float, doubtful: bool = False) -> str:
    """Return how far off a due date is: ``in 5 days``, ``today``, ``3 days overdue``.

    When the data are doubtful the present of the page may not be the reader's: what was overdue then still is, by a
    number of days that nobody knows, and of the rest nothing is said.
    """
    if not known(due):
        return ""
    if doubtful:
        return "overdue" if is_overdue(due, as_of) else ""
    return days_off(int(due // DAY_S) - int(as_of // DAY_S))  # type: ignore[operator]


def is_overdue(due: float | None, as_of: float) -> bool:
    """Return whether the day something is due lies before the present day; what is due today is not late yet."""
    return known(due) and due // DAY_S < as_of // DAY_S  # type: ignore[operator]


def days_off(days: int) -> str:
    """Return a number of days from the present in words."""
    if days < 0:
        return f"{count(-days, 'day')} overdue"
    if days < 14:
        return ("today", "tomorrow")[days] if days < 2 else f"in {days} days"
    return f"in {count(days / 7, 'week')}" if days < 70 else f"in {count(days / 30.44, 'month')}"


def near_date(when: float | None, as_of: float) -> str:
    """Return a day without its year when that is plain: ``12 Jan``; with it otherwise."""
    if not known(when):
        return ""
    near = abs(when - as_of) < 200 * DAY_S  # type: ignore[operator]
    return date(when).rsplit(" ", 1)[0] if near else date(when)


def near_day(day: dt.date, today: dt.date, weekday: bool = True) -> str:
    """Return a calendar day, its year left out when that is plain: ``Tue 3 Nov``."""
    words = f"{day.day} {day:%b}" if abs((day - today).days) < 200 else f"{day.day} {day:%b %Y}"
    return f"{day:%a} {words}" if weekday else words


def trips_title(trips: int, places: int, last: dt.date) -> str:
    """Return what the plan of the trips comes to: ``9 trips to 7 places until 30 Apr 2027``."""
    until = f"{last.day} {last:%b %Y}"
    if not trips:
        return f"Nothing needs a trip before {until}"
    return f"{count(trips, 'trip')} to {count(places, 'place')} until {until}"


def time_on_site(minutes: float) -> str:
    """Return a time on site as short as can be: ``45 min``, ``1.5 h``."""
    return f"{number(minutes)} min" if minutes < 60 else f"{number(minutes / 60, 2)} h"


def parts_words(parts: Iterable[tuple[str, int]]) -> str:
    """Return parts with the jobs they are for, where it is more than one: ``2 x LR20 (3 jobs), spare antenna``."""
    return ", ".join(f"{part} ({count(n, 'job')})" if n > 1 else part for part, n in parts)


def cost_share(key: str, amount: float, currency: str) -> str:
    """Return a part of a cost: ``travel 2,250``."""
    return f"{COSTS[key]} {money(round(amount), currency)}"


def cost_headline(costs: Sequence[Mapping[str, Any]], currency: str) -> str:
    """Return how the plan compares with the cheapest other way; the plan stands first in the costs."""
    if not costs:
        return ""
    own, others = costs[0], sorted(costs[1:], key=lambda c: c["total"])
    first = f"The plan costs {money(own['total'], currency)}"
    if not others or not own["total"]:
        return f"{first}."
    other, more = others[0], others[0]["total"] / own["total"] - 1
    if abs(more) < 0.005:
        return f"{first}, as much as to {_to_do(other['way'])}."
    return f"{first}; to {_to_do(other['way'])} would cost {percent(abs(more), 2)} {'more' if more > 0 else 'less'}."


def _to_do(way: str) -> str:
    return way if way.startswith("replace ") else f"make {way}"


def headline(jobs: int, places: int, failed: int, nodes: int) -> str:
    """Return the sentence the page opens with."""
    if not nodes:
        return "No node has been heard in these data."
    if not jobs:
        first = "Nothing has to be done this week"
        return (
            f"{first}."
            if not failed
            else f"{first}, though {count(failed, 'node')} carr{'y' if failed > 1 else 'ies'} F."
        )
    where = f" at {count(places, 'site')}" if places > 1 else " at one site" if places else ""
    lost = f"; {count(failed, 'node')} {'is' if failed == 1 else 'are'} lost or wrong" if failed else ""
    return f"{count(jobs, 'job')} this week{where}{lost}."


def standfirst(nodes: int, gateways: int, start: float | None, end: float | None, later: int) -> str:
    """Return the sentence under the headline."""
    parts = [count(nodes, "node")]
    if gateways:
        parts[0] += f" on {count(gateways, 'gateway')}"
    if known(start) and known(end):
        parts.append(f"check-ins from {date(start)} to {date(end)}")
    if later:
        parts.append(f"{count(later, 'job')} can wait")
    return "; ".join(parts) + "."


def moved(recent: float | None, before: float | None, unit: str, digits: int = 3) -> str:
    """Return how a figure moved: ``98.9 % in the last four weeks, 99.2 % in the four before``."""
    if not known(recent):
        return "not known for the last four weeks"
    show = (lambda v: percent(v)) if unit == "%" else (lambda v: f"{number(v, digits)} {unit}")
    if not known(before):
        return f"{show(recent)} in the last four weeks"
    return f"{show(recent)} in the last four weeks, {show(before)} in the four before"


def quiet_until(until: float | None, note: str) -> str:
    """Return why an acknowledged finding is kept quiet: ``until 15 Jan 2026: part on order``."""
    return ": ".join(filter(None, (f"until {date(until)}" if known(until) else "", note)))


def shared_kind(kind: str) -> str:
    """Return what a shared fault is about: a gateway, or the host."""
    return {"gateway": "Gateway", "host": "Host or historian"}.get(kind, kind)


def plain_kind(kind: str) -> str:
    """Return a kind of finding in words: ``battery end``, ``RSSI trend``."""
    return kind.replace("_", " ").replace("rssi", "RSSI")


def in_short(texts: list[str]) -> str:
    """Return the first of several texts and how many more there are."""
    first = capitalised(texts[0].rstrip("."))
    return first if len(texts) == 1 else f"{first}; and {len(texts) - 1} more"


def strip_rest(good: int, unknown: int) -> str:
    """Return the nodes of a site that need nobody: ``12 good, 1 cannot be judged``."""
    parts = [f"{good} good"] if good else []
    return ", ".join([*parts, f"{unknown} cannot be judged"] if unknown else parts)
