"""Visits as an iCalendar file (RFC 5545) with identities that stay, so that importing it again updates."""

from __future__ import annotations

from lamplighter import wording
from lamplighter.triage.visits import Visit, VisitPlan

KEPT = frozenset({"UID", "DTSTART", "DTEND", "SUMMARY", "STATUS"})
"""What is needed of an earlier event to cancel it."""
LINE_OCTETS = 75
"""Longest line without its break (RFC 5545 section 3.1)."""


def calendar_text(plan: VisitPlan, previous: str = "") -> str:
    """Return the plan as iCalendar text, lines ended by CRLF.

    SEQUENCE counts the hours since 1970, so a later plan always replaces an earlier one (RFC 5545 section 3.8.7.4).

    Parameters
    ----------
    plan : VisitPlan
    previous : str
        Text of the calendar made last time; what it has in the future and the plan has no more is cancelled.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//lamplighter//visits//EN", "CALSCALE:GREGORIAN"]
    for visit in plan.visits:
        lines += event_lines(visit, plan.as_of)
    planned = {visit.uid for visit in plan.visits}
    for old in past_events(previous):
        if old["UID"] not in planned and old["DTSTART"] > stamp(plan.as_of):
            lines += cancelled_lines(old, plan.as_of)
    lines.append("END:VCALENDAR")
    return "".join(f"{folded(line)}\r\n" for line in lines)


def event_lines(visit: Visit, as_of: float) -> list[str]:
    """Return one visit as the lines of an event, unfolded."""
    return [
        "BEGIN:VEVENT",
        f"UID:{visit.uid}",
        f"DTSTAMP:{stamp(as_of)}",
        f"SEQUENCE:{int(as_of // 3600)}",
        f"DTSTART:{stamp(visit.start)}",
        f"DTEND:{stamp(visit.end)}",
        f"SUMMARY:{escaped(summary(visit))}",
        f"LOCATION:{escaped(visit.place)}",
        f"DESCRIPTION:{escaped(description(visit))}",
        "STATUS:TENTATIVE",
        "END:VEVENT",
    ]


def past_events(text: str) -> list[dict[str, str]]:
    """Return the events of an earlier calendar that are not cancelled: name to value, still escaped."""
    events: list[dict[str, str]] = []
    for line in text.replace("\r\n ", "").split("\r\n"):
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            events.append({})
        elif events and name in KEPT:
            events[-1].setdefault(name, value)
    return [e for e in events if e.keys() >= KEPT and e["STATUS"] != "CANCELLED"]


def cancelled_lines(old: dict[str, str], as_of: float) -> list[str]:
    """Return an earlier event as cancelled (section 3.8.1.11)."""
    return [
        "BEGIN:VEVENT",
        f"UID:{old['UID']}",
        f"DTSTAMP:{stamp(as_of)}",
        f"SEQUENCE:{int(as_of // 3600)}",
        f"DTSTART:{old['DTSTART']}",
        f"DTEND:{old['DTEND']}",
        f"SUMMARY:{old['SUMMARY']}",
        "STATUS:CANCELLED",
        "END:VEVENT",
    ]


def summary(visit: Visit) -> str:
    """Return what the calendar shows: ``North canal: 3 jobs (Crew 1)``."""
    return f"{visit.place}: {wording.count(len(visit.jobs), 'job')} ({visit.crew})"


def description(visit: Visit) -> str:
    """Return the jobs, one a line, and what to bring."""
    jobs = [f"{job.name} ({job.subject}): {job.action}" + (f" [{job.part}]" if job.part else "") for job in visit.jobs]
    return "\n".join([*jobs, "See the job sheet for steps and cautions. Nothing here authorises work."])


def stamp(seconds: float) -> str:
    """Return an instant as RFC 5545 writes UTC."""
    return wording.instant(round(seconds)).strftime("%Y%m%dT%H%M%SZ")


def escaped(text: str) -> str:
    """Return text with backslash, semicolon, comma and line breaks escaped (section 3.3.11), no other controls."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    for plain, safe in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        text = text.replace(plain, safe)
    return "".join(c for c in text if c >= " " and c != "\x7f")


def folded(line: str) -> str:
    """Return a line folded so that no part is longer than 75 octets and no character is torn."""
    parts, current, size = [], "", 0
    for c in line:
        width = len(c.encode("utf-8"))
        if size + width > LINE_OCTETS:
            parts.append(current)
            current, size = "", 1
        current += c
        size += width
    return "\r\n ".join([*parts, current])
