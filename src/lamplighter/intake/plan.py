"""How one export will be read: layout, columns and their meaning, time, numbers and quality."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from lamplighter.intake import quality
from lamplighter.intake.names import Tag
from lamplighter.intake.times import TimeForm

PLAIN, TAGS, WIDE = "one row a check-in", "one row a tag and time", "one column a tag"


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
        """The reading in one line of plain words."""
        return f"{self.text_words}; times {self.time_words}"

    @property
    def text_words(self) -> str:
        """Encoding, marks and place of the headings in plain words."""
        marks = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "pipes"}
        cells = f"cells between {marks[self.delimiter]}, decimal {'comma' if self.decimal == ',' else 'point'}"
        return f"{self.encoding}, {cells}, headings on line {self.heading_line}"

    @property
    def time_words(self) -> str:
        """Form and zone of the times in plain words."""
        form = self.form
        kinds = {"iso": "ISO 8601", "text": f"text, {form.order or 'order of day and month open'}"}
        kinds |= {"compact": "digits, year first", "serial": "spreadsheet serial dates"}
        parts = "date and time of day in two columns" if "clock" in self.columns else ""
        local = f"local to {self.zone}"
        zone = "with its offset from UTC" if form.offset else "" if form.kind.startswith("epoch") else local
        return ", ".join(filter(None, (kinds.get(form.kind, form.kind), parts, zone)))


def time_cells(plan: Plan, rows: Iterable[tuple[str, ...]]) -> list[str]:
    """Return the time texts of some rows; date and clock joined where they stand apart."""
    places = (
        [plan.columns["time"]]
        if "time" in plan.columns
        else [plan.columns["date"], *([plan.columns["clock"]] if "clock" in plan.columns else [])]
    )
    texts = [" ".join(r[p].strip() for p in places) for r in rows if max(places) < len(r)]
    return [t for t in texts if t.strip() and any(c.isdigit() for c in t)]
