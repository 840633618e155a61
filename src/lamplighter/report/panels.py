"""Fleet charts: each answers a question in its title."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lamplighter.report.common import Source
from lamplighter.report.model import Panel
from lamplighter.report.wording import moved
from lamplighter.wording import count, date, instant, joined, known, number, percent

MOST_GATEWAYS = 30


def panels(source: Source) -> tuple[tuple[Panel, ...], dict[str, Any]]:
    """Return the fleet charts in words, and the numbers the browser draws them from."""
    fleet = source.assessment.fleet.get("overview") or {}
    found: list[Panel] = []
    data: dict[str, Any] = {}
    for make in (_batteries, _gateways, _delivery, _margin, _headroom):
        made = make(fleet)
        if made is not None:
            found.append(made[0])
            data[made[0].key] = made[1]
    return tuple(found), data


Made = tuple[Panel, dict[str, Any]] | None


def _batteries(fleet: Mapping[str, Any]) -> Made:
    b = fleet.get("batteries") or {}
    if not b.get("forecast") and not b.get("not_before"):
        return None
    last = max((i for i, v in enumerate(b["p90"]) if v > 0), default=-1)
    shown = min(max(last + 2, 6), len(b["month"]))
    months = [f"{instant(m):%b %Y}" for m in b["month"][:shown]]
    expected, low, high = (b[k][:shown] for k in ("expected", "p10", "p90"))
    notes = (
        [f"{count(b['not_before'], 'battery', 'batteries')} still flat, with no date yet"] if b["not_before"] else []
    )
    notes += [f"{count(b['unknown'], 'battery', 'batteries')} cannot be judged"] if b["unknown"] else []
    rows = tuple(
        (m, number(e, 2), f"{lo} to {hi}")
        for m, e, lo, hi in zip(months, expected, low, high, strict=True)
        if hi or e >= 0.05
    )
    panel = Panel(
        key="batteries",
        title=_batteries_title(b, months, shown),
        axis="Batteries reaching cut-off",
        alt="Bars: expected number a month. Whiskers: eight times in ten the number will lie within.",
        note=f"{joined(notes).capitalize()}." if notes else "",
        columns=("Month", "Expected", "P10 to P90"),
        rows=rows,
    )
    return panel, {"x": months, "expected": expected, "low": low, "high": high}


def _batteries_title(b: Mapping[str, Any], months: Sequence[str], shown: int) -> str:
    if not b["forecast"]:
        return "No battery has a date yet: all voltages are still flat"
    ahead, expected, low, high = b["soon"]
    peak = max(range(shown), key=lambda i: b["expected"][i])
    span = f"{low} to {high}" if high > low else f"{low}"
    due = count(high, "battery falls due", "batteries fall due").split(" ", 1)[1]
    first = f"{span} {due} by the end of {months[min(ahead, shown) - 1]}"
    gone = round(b.get("past") or 0.0)
    past = f"{count(gone, 'battery is', 'batteries are')} likely past the cut-off; " if gone else ""
    return f"{past}{first} (about {number(expected, 2)} expected); most in {months[peak]}"


def _gateways(fleet: Mapping[str, Any]) -> Made:
    gateways = [g for g in fleet.get("gateways") or () if g["expected"] > 0]
    if not gateways:
        return None
    named = [g["gateway"] or "not known" for g in gateways]
    worst = gateways[0]
    lost = worst["expected"] - worst["received"]
    total = sum(g["expected"] - g["received"] for g in gateways)
    title = f"Nodes of {named[0]} lose most: {lost:,} check-ins" if len(gateways) > 1 else (
        f"{lost:,} of {worst['expected']:,} check-ins were missed"
    )  # fmt: skip
    if len(gateways) > 1 and total > 0:
        title += f", {percent(lost / total, 2)} of all that were missed"
    if worst["outage"]:
        title += f"; {percent(min(1.0, worst['outage'] / lost), 2) if lost else '0 %'} of these in shared outages"
    shown = gateways[:MOST_GATEWAYS]
    rows = tuple(
        (
            g["gateway"] or "not known",
            str(g["nodes"]),
            percent(g["received"] / g["expected"]),
            f"{g['expected'] - g['received']:,}",
            f"{g['outage']:,}",
            f"{g['deliveries'][0][0]}, {percent(g['deliveries'][0][1])}" if g["deliveries"] else "",
        )
        for g in shown
    )
    panel = Panel(
        key="gateways",
        title=title,
        axis="Delivered, % of expected",
        alt="A dot a node, the bar the gateway as a whole; outages shared by its nodes are part of the whole.",
        note=f"{len(gateways) - len(shown)} gateways that lose less are left out."
        if len(gateways) > len(shown)
        else "",
        columns=("Gateway", "Nodes", "Delivered", "Missed", "Of these in outages", "Worst node"),
        rows=rows,
    )
    return panel, {
        "names": [g["gateway"] or "not known" for g in shown],
        "whole": [round(100 * g["received"] / g["expected"], 2) for g in shown],
        "nodes": [[n, i, round(100 * d, 2)] for i, g in enumerate(shown) for n, d in _ends(g["deliveries"])],
    }


def _ends(deliveries: list[list[Any]], most: int = 60) -> list[list[Any]]:
    """Return a gateway's nodes, only the worst ones when they are many."""
    return deliveries[:most]


def _weeks(fleet: Mapping[str, Any], key: str) -> tuple[list[int], dict[str, list[float | None]]] | None:
    weeks = fleet.get("weeks") or {}
    band = weeks.get(key) or {}
    if "recent" not in weeks or not any(v is not None for v in band.get("p50") or ()):
        return None
    return weeks["start"], band


def _delivery(fleet: Mapping[str, Any]) -> Made:
    drawn = _weeks(fleet, "delivery")
    if drawn is None:
        return None
    weeks = fleet["weeks"]
    whole, (recent, before) = weeks["share"], weeks["recent"]["share"]
    return _moving(
        "delivery", drawn, whole, f"Delivery: {moved(recent, before, '%')}", "Delivered, % of expected", 100.0,
        "Line: all check-ins of the fleet. Band: the middle eight of ten nodes. Shared outages are part of it.",
    )  # fmt: skip


def _margin(fleet: Mapping[str, Any]) -> Made:
    drawn = _weeks(fleet, "margin")
    if drawn is None:
        return None
    recent, before = fleet["weeks"]["recent"]["margin"]
    return _moving(
        "margin", drawn, drawn[1]["p50"], f"Fade margin, weakest tenth of nodes: {moved(recent, before, 'dB', 2)}",
        "Fade margin, dB", 1.0, "Line: the median node. Band: the middle eight of ten nodes.",
    )  # fmt: skip


def _headroom(fleet: Mapping[str, Any]) -> Made:
    drawn = _weeks(fleet, "headroom")
    if drawn is None:
        return None
    recent, before = fleet["weeks"]["recent"]["headroom"]
    return _moving(
        "headroom", drawn, drawn[1]["p50"], f"Voltage above cut-off, lowest tenth: {moved(recent, before, 'V', 3)}",
        "Volts above cut-off", 1.0, "Line: the median node. Band: the middle eight of ten nodes.",
    )  # fmt: skip


def _moving(
    key: str, drawn: tuple, line: Sequence[float | None], title: str, axis: str, scale: float, alt: str
) -> tuple[Panel, dict[str, Any]]:
    weeks, band = drawn

    def scaled(values: Sequence[float | None]) -> list[float | None]:
        return [None if v is None else round(v * scale, 3) for v in values]

    data = {"t": list(weeks), "line": scaled(line), "low": scaled(band["p10"]), "high": scaled(band["p90"])}
    step = max(1, -(-len(weeks) // 13))
    rows = tuple(
        (date(w), *(number(v) if known(v) else "" for v in (mid, lo, hi)))
        for w, mid, lo, hi in list(zip(weeks, data["line"], data["low"], data["high"], strict=True))[::-step]
    )
    panel = Panel(
        key=key,
        title=title,
        axis=axis,
        alt=alt,
        note="",
        columns=("Week of", "Line", "P10 of nodes", "P90 of nodes"),
        rows=rows,
    )
    return panel, data
