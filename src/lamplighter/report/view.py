"""An assessment as a plain view model: everything the page says, already in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence, Set
from dataclasses import replace
from functools import partial
from itertools import groupby
from typing import Any

from lamplighter.report.account import data_account, settings_used, when_not_to_trust
from lamplighter.report.codec import packed
from lamplighter.report.common import ORDER, SIGNAL, Made, Source, signal
from lamplighter.report.figures import node_data
from lamplighter.report.model import Fact, NodeSection, Report, Sketch, Tally, WorkLine
from lamplighter.report.nodes import node_line, node_section
from lamplighter.report.panels import panels
from lamplighter.report.shared import shared_sections
from lamplighter.report.sketch import site_sketch
from lamplighter.report.strip import site_strip
from lamplighter.report.trips import trips
from lamplighter.report.wording import due_note, headline, standfirst
from lamplighter.report.work import changes, split_work, work_line
from lamplighter.results import Assessment, Gap, Item, NodeRow
from lamplighter.settings.report import ReportSettings
from lamplighter.spool import Spool
from lamplighter.triage.cautions import cautions_for
from lamplighter.wording import count, date, known, moment

MB = 1_000_000
LIBRARY_BYTES, WORDS_BYTES = 2.1e6, 4500.0
"""Measured: the packed chart library with style and script, and the words about one node."""


def build_view(assessment: Assessment, settings: ReportSettings | None = None) -> Report:
    """Turn an assessment into what the page shows.

    Parameters
    ----------
    assessment : Assessment
    settings : ReportSettings, optional
        Default: those the assessment was made with.

    Returns
    -------
    Report
    """
    source = Source(assessment, settings or ReportSettings(**_known_settings(assessment.settings.get("report") or {})))
    week, later = split_work(source)
    rows = sorted(assessment.nodes, key=lambda r: (r.rank is None, r.rank or 0, r.node))
    charts, fleet_data = panels(source)
    week_lines = tuple(work_line(source, i) for i in week)
    pressing = {line.href.removeprefix("#") for line in week_lines}
    sections, detail_note = _sections(source, rows, pressing)
    sketch, missing = _sketch(source, rows)
    shown = {signal(r.status).key for r in rows}
    return Report(
        title=source.settings.title,
        period=_period(assessment),
        made=f"Lamplighter {assessment.version}".strip(),
        headline=_headline(rows, week),
        warnings=tuple(assessment.warnings),
        standfirst=_standfirst(assessment, rows, len(later)),
        tally=_tally(rows),
        week=week_lines,
        week_shown=min(source.settings.week_rows, len(week_lines)),
        week_empty=_week_empty(source, later),
        week_places=_week_places(week),
        trips=trips(source),
        later=tuple(work_line(source, i) for i in later[: source.settings.later_rows]),
        later_more=max(0, len(later) - source.settings.later_rows),
        changes=changes(source),
        cautions=_cautions(week_lines),
        nodes=Made(partial(node_line, source), rows),
        sites=tuple(sorted({r.site for r in rows if r.site})),
        gateways=tuple(sorted({r.gateway for r in rows if r.gateway})),
        signals=tuple(SIGNAL[k] for k in SIGNAL if k in shown),
        sketch=sketch,
        sketch_missing=missing,
        strip=site_strip(source, rows),
        panels=charts,
        fleet_data=packed(fleet_data),
        shared=tuple(_marked(s, pressing) for s in shared_sections(source)),
        sections=sections,
        detail_note=detail_note,
        account=data_account(source),
        assumptions=tuple(assessment.assumptions),
        settings=settings_used(assessment.settings),
        trust=when_not_to_trust(source),
    )


def _known_settings(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return those settings this version knows; a report may be made of an older assessment."""
    return {k: v for k, v in values.items() if k in ReportSettings.__dataclass_fields__}


def _period(a: Assessment) -> str:
    return f"As of {moment(a.as_of)}" if known(a.as_of) else "No data"


def _standfirst(a: Assessment, rows: list[NodeRow], later: int) -> str:
    gateways = {r.gateway for r in rows if r.gateway}
    return " ".join(filter(None, (standfirst(len(rows), len(gateways), a.start, a.end, later), a.counted)))


def _headline(rows: list[NodeRow], week: list[Item]) -> str:
    places = {i.site or i.gateway for i in week} - {""}
    return headline(len(week), len(places), sum(1 for r in rows if r.status == "F"), len(rows))


def _week_empty(source: Source, later: list[Item]) -> str:
    dated = [i for i in later if known(i.due)]
    if not dated:
        return "Nothing has to be done this week, and nothing has a date after it."
    first = min(dated, key=lambda i: (i.due or 0.0, i.rank))
    note = due_note(first.due, source.assessment.as_of, source.doubtful)
    what = f"{first.action or 'go and see'}, {first.subject}, by {date(first.due)}" + (f" ({note})" if note else "")
    return f"Nothing has to be done this week. Next: {what}."


def _week_places(week: list[Item]) -> tuple[Fact, ...]:
    """Return the sites with work this week, most work first; none when there is but one place to go to."""
    counts = Counter(i.site or i.gateway or "no site given" for i in week)
    ranked = sorted(counts.items(), key=lambda c: (-c[1], c[0]))
    return tuple(Fact(label=place, value=count(n, "job")) for place, n in ranked) if len(ranked) > 1 else ()


def _tally(rows: list[NodeRow]) -> tuple[Tally, ...]:
    counts = Counter(signal(r.status).key for r in rows)
    return tuple(
        Tally(signal=SIGNAL[key], count=counts[key], share=counts[key] / len(rows))
        for key in sorted(counts, key=lambda k: ORDER[k])
    )


def _cautions(lines: tuple[WorkLine, ...]) -> tuple[str, ...]:
    """Return the cautions of the week's work, each once; that the site's procedures come first is said always."""
    return tuple(dict.fromkeys([*cautions_for(()), *(text for line in lines for text in line.cautions)]))


def _sketch(source: Source, rows: list[NodeRow]) -> tuple[Sketch | None, str]:
    places = []
    for row in rows:
        entry = source.assessment.register.get(row.node) or {}
        lat, lon = entry.get("latitude"), entry.get("longitude")
        if lat is not None and lon is not None and known(lat) and known(lon):
            places.append((row.node, float(lat), float(lon), signal(row.status), source.href(row.node), row.site))
    sketch = site_sketch(places, len(rows) - len(places))
    missing = (
        "" if sketch else "No positions: give latitude and longitude in the register and the nodes are plotted here."
    )
    return sketch, missing


def _sections(source: Source, rows: list[NodeRow], pressing: Set[str]) -> tuple[Sequence[NodeSection], str]:
    """Return a section a node; charts for the worst first, until the allowance is spent."""
    items: dict[str, Item] = {}
    for i in source.assessment.items:
        if i.subject_kind == "node":
            items.setdefault(i.subject, i)
    data = _chart_data(source, rows)
    note = "The charts of this node were left out to keep the file small; nodes that rank higher have theirs."
    with_series = [r.node for r in rows if r.node in source.assessment.series]
    trimmed = [n for n in with_series if n not in data]
    left_out = set(trimmed)
    work = _by_node(source.assessment.worklog)

    def section(row: NodeRow) -> NodeSection:
        node = row.node
        made = node_section(
            source, row, items.get(node), work.get(node, []), data.get(node, ""), note if node in left_out else ""
        )
        return _marked(made, pressing)

    said = ""
    if trimmed:
        said = (
            f"Charts are kept for the {count(len(data), 'node')} that rank highest; "
            f"the other {len(trimmed):,} have figures and verdicts only. Raise detail_mb and page_mb for more."
        )
    return Made(section, rows), said


def _marked(section: NodeSection, pressing: Set[str]) -> NodeSection:
    """Return a section, marked when it is of this week's work, since those are printed open."""
    return replace(section, this_week=True) if section.anchor in pressing else section


def _by_node(entries: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for entry in entries:
        found.setdefault(entry["node"], []).append(entry)
    return found


def allowance(settings: ReportSettings, nodes: int) -> float:
    """Return the bytes that chart data may take in a page about so many nodes."""
    return max(0.0, min(settings.detail_mb * MB, settings.page_mb * MB - LIBRARY_BYTES - WORDS_BYTES * nodes))


def _chart_data(source: Source, rows: list[NodeRow]) -> dict[str, str]:
    """Return packed chart data by node, worst first, until the allowance is spent."""
    a, left = source.assessment, allowance(source.settings, len(rows))
    gaps: Spool[list[Gap]] = Spool()
    for node, some in groupby(a.gaps, lambda gap: gap.node):
        gaps[node] = [*gaps.get(node, []), *some]
    work = _by_node(a.worklog)
    data: dict[str, str] = {}
    for row in rows:
        series = a.series.get(row.node)
        if not series:
            continue
        text = packed(
            node_data(
                series, source.findings.get(row.node, []), gaps.get(row.node, []), work.get(row.node, []), a,
                source.settings.points_per_line,
            )
        )  # fmt: skip
        left -= len(text)
        if left < 0:
            break
        data[row.node] = text
    return data
