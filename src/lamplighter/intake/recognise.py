"""How an export is to be read, recognised from its first lines."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

from lamplighter.checkins import MEASURES
from lamplighter.errors import InputError
from lamplighter.intake import numerals, times
from lamplighter.intake.dialect import DELIMITERS, Dialect, dialect_of
from lamplighter.intake.names import HIERARCHY, SYNONYMS, TagRules, heading_of, means, pattern_of
from lamplighter.intake.plan import PLAIN, TAGS, WIDE, Plan, time_cells
from lamplighter.settings import Settings

_ROLES = ("node", "time", "date", *MEASURES, "quality", "sequence", "tag", "measure", "unit")
_NOT_EXPORTS = ({"node", "time", "action"}, {"node", "fault", "start"})


def make_plan(head: str, encoding: str, name: str, stem: str, settings: Settings) -> Plan:
    """Recognise how an export is to be read from its first lines; the order of dates stays open if they do not tell.

    Raises
    ------
    InputError
        When the file is empty, holds no headings that are known, or is no export.
    """
    if not head.strip("\ufeff\0 \t\r\n"):
        raise InputError("is empty", file=name, remedy="export it again")
    declared = settings.intake.delimiter
    dialect = dialect_of(head, DELIMITERS if declared == "auto" else (declared,), frozenset(settings.columns.values()))
    if dialect is None:
        first = " ".join(head.strip().splitlines()[0].split())[:60] if head.strip() else ""
        raise InputError(
            f"no line of headings with a time column was found; it begins {first!r}",
            file=name,
            remedy='name the columns in the settings, for example [columns] time = "Stamp"',
        )
    columns, notes = assign_roles(dialect, settings.columns)
    plan = Plan(
        "", encoding, dialect.delimiter, dialect.heading, dialect.line, columns, notes=notes, sample=dialect.rows
    )
    _refuse_other_files(plan, name)
    plan = _with_layout(plan, dialect, stem, settings, name)
    return _with_forms(plan, dialect, settings, name)


def assign_roles(dialect: Dialect, overrides: dict[str, str]) -> tuple[dict[str, int], tuple[str, ...]]:
    """Give each role its column: the one the settings name, else the one with the foremost synonym for a heading."""
    taken: dict[str, int] = {}
    used: set[int] = set()
    lowered = [h.lower() for h in dialect.heading]
    for role, heading in overrides.items():
        if heading.lower() in lowered:
            taken[role] = lowered.index(heading.lower())
            used.add(taken[role])
    for role in _ROLES:
        fitting = [i for i, cell in enumerate(dialect.heading) if i not in used and means(cell, role)]
        if role not in taken and fitting:
            taken[role] = min(fitting, key=lambda i: _preference(dialect.heading[i], role))
            used.add(taken[role])
    notes: list[str] = []
    if "date" not in taken and "time" in taken:
        _split_date_and_clock(dialect, taken, used)
    elif "date" in taken and "time" in taken and _is_clock(dialect, taken["time"]):
        taken["clock"] = taken.pop("time")
    elif "date" in taken and "time" in taken:
        used.discard(taken.pop("date"))
    elif "date" in taken:
        clock = next((i for i, h in enumerate(dialect.heading) if i not in used and means(h, "clock")), None)
        if clock is not None:
            taken["clock"] = clock
    return taken, tuple(notes)


def _preference(heading: str, role: str) -> tuple[bool, int]:
    """Order of headings that mean the same: a time in UTC first, then as the synonyms stand in their table."""
    taken_apart = heading_of(heading)
    return role == "time" and taken_apart.zone != "UTC", SYNONYMS[role].index(taken_apart.words)


def _is_clock(dialect: Dialect, column: int) -> bool:
    cells = [r[column] for r in dialect.rows if column < len(r) and r[column].strip()]
    return (bool(cells) and times.form_of(cells[:50]) is None) or (
        bool(cells) and all(":" in c and len(c) <= 15 and not any(m in c for m in "-/") for c in cells[:50])
    )


def _split_date_and_clock(dialect: Dialect, taken: dict[str, int], used: set[int]) -> None:
    """Give a column called date that was taken for the whole time the clock column beside it."""
    if not means(dialect.heading[taken["time"]], "date"):
        return
    for i, cell in enumerate(dialect.heading):
        if i not in used and means(cell, "clock"):
            taken["date"], taken["clock"] = taken.pop("time"), i
            used.add(i)
            return


def _refuse_other_files(plan: Plan, name: str) -> None:
    words = {heading_of(h).words for h in plan.heading}
    if any(signs <= words for signs in _NOT_EXPORTS):
        raise InputError("is no export: it looks like a work log or a list of faults", file=name, remedy="leave it out")


def _with_layout(plan: Plan, dialect: Dialect, stem: str, settings: Settings, name: str) -> Plan:
    columns = dict(plan.columns)
    rules = tag_rules(settings)
    if "node" in columns and "measure" in columns and "reading" in columns:
        return replace(plan, layout=TAGS, columns=columns)
    if "tag" in columns and "node" not in columns and "reading" in columns:
        cells = [r[columns["tag"]] for r in dialect.rows if columns["tag"] < len(r)]
        if any(_is_tag(c, rules) for c in cells) or not cells:
            return replace(plan, layout=TAGS, columns=columns)
        columns["node"] = columns.pop("tag")
    if "node" in columns or "tag" in columns:
        if "node" not in columns:
            columns["node"] = columns.pop("tag")
        used = set(columns.values())
        ignored = tuple(h for i, h in enumerate(plan.heading) if i not in used and h)
        units = {r: heading_of(plan.heading[c]).unit for r, c in columns.items() if heading_of(plan.heading[c]).unit}
        return replace(plan, layout=PLAIN, columns=columns, units=units, ignored=ignored)
    return _wide(plan, columns, stem, rules, dialect, name)


def _is_tag(cell: str, rules: TagRules) -> bool:
    """Whether a cell reads like a tag: it names a measure, or an unknown one after an area and a node."""
    tag = rules.split(cell)
    if tag.guessed:
        return not tag.measure and len(HIERARCHY.split(cell.strip(" ./\\|:"))) >= 3
    return bool(tag.node and tag.measure)


def tag_rules(settings: Settings) -> TagRules:
    """Return how tags are taken apart: ``[tags] reading = "PRES, LVL"``, ``PRES = "reading"`` or ``pattern = "..."``.

    Raises
    ------
    InputError
        When a line of ``[tags]`` makes no sense.
    """
    overrides: dict[str, str] = {}
    pattern = None
    known = {*MEASURES, "quality", "sequence"}
    for key, value in settings.tags.items():
        if key in known:
            overrides.update({v.strip(): key for v in value.split(",")})
        elif value in known:
            overrides[key] = value
        elif key == "pattern":
            try:
                pattern = pattern_of(value)
            except ValueError as bad:
                raise InputError(
                    f"[tags] pattern = {value!r}: {bad}", remedy='for example "{area}.{node}.{measure}"'
                ) from bad
        else:
            raise InputError(
                f"[tags] {key} = {value!r} names no column", remedy=f"columns: {', '.join(sorted(known))}, or a pattern"
            )
    return TagRules(overrides, pattern)


def _wide(plan: Plan, columns: dict[str, int], stem: str, rules: TagRules, dialect: Dialect, name: str) -> Plan:
    timing = {r: c for r, c in columns.items() if r in ("time", "date", "clock")}
    tags, ignored = {}, []
    for i, heading in enumerate(plan.heading):
        if i in timing.values() or not heading:
            continue
        tag = rules.split(heading)
        if not tag.node and tag.measure:
            tag = replace(tag, node=stem, path=stem)
        if tag.measure in ("", "quality of another") or (tag.guessed and not _numeric(dialect, i)):
            ignored.append(heading)
        else:
            tags[i] = tag
    if not tags:
        raise InputError(
            "holds a time column but no node, tag or measured value that is known",
            file=name,
            line=plan.heading_line,
            remedy='name them in the settings, for example [columns] node = "Device"',
        )
    single = stem if all(t.node == stem for t in tags.values()) else ""
    note = (f"the node is not named; it is called {stem} after the file",) if single else ()
    return replace(
        plan, layout=WIDE, columns=timing, tags=tags, ignored=tuple(ignored), node=single, notes=plan.notes + note
    )


def _numeric(dialect: Dialect, column: int) -> bool:
    """Whether a column's first filled cells are not all words."""
    cells = [r[column].strip() for r in dialect.rows if column < len(r) and r[column].strip()]
    return not cells or any(any(ch.isdigit() for ch in c) for c in cells)


def _with_forms(plan: Plan, dialect: Dialect, settings: Settings, name: str) -> Plan:
    cells = time_cells(plan, dialect.rows)
    form = times.form_of(cells) or (times.TimeForm() if not cells else None)
    if form is None:
        heading = plan.heading[plan.columns.get("time", plan.columns.get("date", 0))]
        raise InputError(
            f"column {heading!r} holds no times, for example {cells[0]!r}", file=name, line=plan.heading_line + 1,
            remedy='name the time column in the settings, for example [columns] time = "Stamp"',
        )  # fmt: skip
    if form.kind == "text" and not form.order and settings.intake.date_order != "auto":
        form = replace(form, order=settings.intake.date_order)
    zones = [heading_of(plan.heading[c]).zone for r, c in plan.columns.items() if r in ("time", "date", "clock")]
    zone = next((z for z in zones if z == "UTC" or "/" in z), "") or settings.timezone
    numbers = [r[c] for c in _number_columns(plan) for r in dialect.rows if c < len(r)]
    decimal = numerals.decimal_of(numbers, plan.delimiter, settings.intake.decimal)
    return replace(plan, form=form, zone=_known_zone(zone, settings.timezone), decimal=decimal)


def _known_zone(zone: str, fallback: str) -> str:
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        return fallback
    return zone


def _number_columns(plan: Plan) -> list[int]:
    return [c for r, c in plan.columns.items() if r in MEASURES] + list(plan.tags)
