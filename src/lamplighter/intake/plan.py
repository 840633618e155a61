"""How one export will be read: layout, columns and their meaning, time, numbers and quality."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from lamplighter.checkins import MEASURES
from lamplighter.errors import InputError
from lamplighter.intake import numerals, quality, times
from lamplighter.intake.dialect import DELIMITERS, Dialect, dialect_of
from lamplighter.intake.names import Tag, TagRules, heading_of, means, pattern_of
from lamplighter.intake.times import TimeForm
from lamplighter.settings import Settings

PLAIN, TAGS, WIDE = "one row a check-in", "one row a tag and time", "one column a tag"
_ROLES = ("node", "time", "date", *MEASURES, "quality", "sequence", "tag", "measure", "unit")
_NOT_EXPORTS = ({"node", "time", "action"}, {"node", "fault", "start"})


@dataclass(frozen=True)
class Plan:
    """How one export will be read.

    Attributes
    ----------
    layout : str
    encoding, delimiter, decimal : str
    heading : tuple of str
        The cells of the heading line, one a column.
    heading_line : int
        Its number in the file, from 1.
    columns : dict of str to int
        Role to column: node, time, date, clock, a measure, quality, sequence, tag, measure, unit.
    units : dict of str to str
        Role to the unit its heading names.
    tags : dict of int to Tag
        In the layout of one column a tag: column to what it holds.
    form : TimeForm
    zone : str
        IANA zone of times without an offset.
    codes : str
        Convention of the quality column.
    node : str
        The node of a file that holds only one and does not name it.
    ignored : tuple of str
        Headings that mean nothing here.
    sample : tuple of tuple of str
        The cells of the first rows.
    notes : tuple of str
        What was assumed, in plain words.
    """

    layout: str
    encoding: str
    delimiter: str
    heading: tuple[str, ...]
    heading_line: int
    columns: dict[str, int]
    decimal: str = "."
    units: dict[str, str] = field(default_factory=dict)
    tags: dict[int, Tag] = field(default_factory=dict)
    form: TimeForm = field(default_factory=TimeForm)
    zone: str = "UTC"
    codes: str = quality.WORDS
    node: str = ""
    ignored: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    sample: tuple[tuple[str, ...], ...] = field(default=(), repr=False)

    @property
    def described(self) -> str:
        """The reading in one line."""
        marks = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}
        time = self.form.kind + (f", {self.form.order}" if self.form.kind == "text" else "")
        return (
            f"{self.encoding}, {marks.get(self.delimiter, self.delimiter)}, decimal {self.decimal}, headings on line "
            f"{self.heading_line}, time {time}{'' if self.form.offset else f' in {self.zone}'}"
        )


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
    """Give each role its column: the one the settings name, else the first whose heading is a synonym."""
    taken: dict[str, int] = {}
    used: set[int] = set()
    lowered = [h.lower() for h in dialect.heading]
    for role, heading in overrides.items():
        if heading.lower() in lowered:
            taken[role] = lowered.index(heading.lower())
            used.add(taken[role])
    for role in _ROLES:
        if role not in taken:
            for i, cell in enumerate(dialect.heading):
                if i not in used and means(cell, role):
                    taken[role] = i
                    used.add(i)
                    break
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
    tag = rules.split(cell)
    return bool(tag.node and tag.measure and not tag.guessed)


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
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        return fallback
    return zone


def _number_columns(plan: Plan) -> list[int]:
    return [c for r, c in plan.columns.items() if r in MEASURES] + list(plan.tags)


def time_cells(plan: Plan, rows: Iterable[tuple[str, ...]]) -> list[str]:
    """Return the time texts of some rows; date and clock joined where they stand apart."""
    places = (
        [plan.columns["time"]]
        if "time" in plan.columns
        else [plan.columns["date"], *([plan.columns["clock"]] if "clock" in plan.columns else [])]
    )
    texts = [" ".join(r[p].strip() for p in places) for r in rows if max(places) < len(r)]
    return [t for t in texts if t.strip() and any(c.isdigit() for c in t)]


__all__ = ["PLAIN", "TAGS", "WIDE", "Plan", "assign_roles", "make_plan", "tag_rules", "time_cells"]
