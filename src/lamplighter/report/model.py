"""What the page is made of: plain values, already in words, nothing left to decide or compute."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A NAMUR NE 107 status signal as it is shown: a letter in a shape, and its name."""

    key: str
    """F, C, S, M, good or none."""
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Spark:
    """A line drawing of the evidence, a few centimetres wide: SVG path data by class."""

    width: int
    height: int
    paths: tuple[tuple[str, str], ...]
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkLine:
    """One thing for a person to do."""

    rank: int
    signal: Signal
    action: str
    subject: str
    name: str
    place: str
    href: str
    due: str
    due_note: str
    overdue: bool
    quiet: bool
    """True when a person knows about all of it and has asked for quiet."""
    sure: str
    sure_note: str
    cause: str
    reason: str
    effort: str
    cautions: tuple[str, ...] = ()
    spark: Spark | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeLine:
    """One change since the last run."""

    subject: str
    href: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeGroup:
    """Changes of one kind, with how many are left out."""

    kind: str
    label: str
    lines: tuple[ChangeLine, ...]
    more: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What changed since the last run, or why that cannot be said."""

    since: str
    groups: tuple[ChangeGroup, ...]
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """How many nodes carry one signal."""

    signal: Signal
    count: int
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A table cell: what is read, and the number it is sorted by."""

    text: str
    key: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeLine:
    """One row of the node table."""

    href: str
    signal: Signal
    node: str
    name: str
    site: str
    gateway: str
    action: str
    window: str
    """Due in: week, month, later or none."""
    rank: Cell
    status: Cell
    due: Cell
    delivery: Cell
    margin: Cell
    battery: Cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A label and a value."""

    label: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictLine:
    """What one check says of a node."""

    check: str
    state: str
    """good, finding or not evaluated."""
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseLine:
    """A probable cause with what speaks for and against it."""

    cause: str
    probability: str
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingLine:
    """One finding in words."""

    signal: Signal
    check: str
    when: str
    text: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A drawing of one measure of a node over time: its title states what it shows."""

    key: str
    title: str
    axis: str
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeSection:
    """Everything about one node."""

    anchor: str
    node: str
    name: str
    place: str
    signal: Signal
    lead: str
    """The first sentence of the reason."""
    reason: str
    """The whole reason, empty when a finding says the same."""
    due: str
    action: str
    facts: tuple[Fact, ...]
    causes: tuple[CauseLine, ...]
    findings: tuple[FindingLine, ...]
    verdicts: tuple[VerdictLine, ...]
    risk: tuple[Fact, ...]
    risk_note: str
    work: tuple[Fact, ...]
    cautions: tuple[str, ...]
    charts: tuple[Chart, ...]
    noticed: tuple[str, ...]
    """What was noticed in this node's data when they were read."""
    note: str
    data: str
    """Chart data, gzip in base64; empty when there is none."""
    this_week: bool = False
    """True when it is about work of this week, which is printed open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One fleet chart: a question answered in its title."""

    key: str
    title: str
    axis: str
    alt: str
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TripJob:
    """One job of a trip."""

    action: str
    subject: str
    name: str
    href: str
    due: str
    late: bool
    """True when the trip is after the job is due."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TripLine:
    """One trip of one crew to one place."""

    place: str
    crew: str
    jobs_count: str
    hours: str
    """Time on site."""
    jobs: tuple[TripJob, ...]
    bring: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TripDay:
    """The trips of one day."""

    day: str
    note: str
    """How far off it is."""
    trips: tuple[TripLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskLine:
    """Something that needs a person, but no trip; the subject is empty where it is not known."""

    subject: str
    name: str
    href: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CostShare:
    """A stretch of a bar of costs."""

    key: str
    x: float
    width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CostLine:
    """What one way of doing the work costs."""

    way: str
    reckoned: str
    total: str
    trips: str
    own: bool
    """True for the plan itself."""
    parts: str
    bar: tuple[CostShare, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trips:
    """The visit plan."""

    title: str
    soon: tuple[TripDay, ...]
    """The trips of the coming week."""
    days: tuple[TripDay, ...]
    more: int
    unmet_words: str
    """How many jobs cannot be done in time; empty when all can."""
    unmet: tuple[str, ...]
    unmet_more: int
    desk: tuple[DeskLine, ...]
    desk_more: int
    parts: tuple[Fact, ...]
    parts_more: int
    cost_title: str
    cost_unit: str
    costs: tuple[CostLine, ...]
    proof: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A node, or a gateway's label, on the sketch of the site."""

    x: float
    y: float
    signal: Signal
    label: str
    href: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """Where the nodes are: plotted from their positions, north up, with a scale bar."""

    width: float
    height: float
    dots: tuple[Dot, ...]
    labels: tuple[tuple[float, float, str], ...]
    scale: float
    scale_label: str
    note: str
    arrows: tuple[str, ...] = ()
    """Paths beside the dots of nodes that lie beyond the edge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A node in the strip of its site."""

    signal: Signal
    label: str
    href: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLine:
    """One site: a mark for each node that needs a person, and how many do not."""

    site: str
    marks: tuple[Mark, ...]
    more: int
    rest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingLine:
    """One setting as it was used."""

    section: str
    name: str
    value: str
    unit: str
    reason: str
    source: str
    changed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DataAccount:
    """What was read and what became of it."""

    sentence: str
    balanced: bool
    files: tuple[tuple[str, ...], ...]
    reasons: tuple[Fact, ...]
    notes: tuple[str, ...]
    outages: tuple[tuple[str, ...], ...]
    outages_more: int
    gaps: tuple[Fact, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """The whole page."""

    title: str
    period: str
    made: str
    headline: str
    warnings: tuple[str, ...]
    standfirst: str
    tally: tuple[Tally, ...]
    week: tuple[WorkLine, ...]
    week_shown: int
    week_empty: str
    week_places: tuple[Fact, ...]
    trips: Trips | None
    """None when no visits were planned."""
    later: tuple[WorkLine, ...]
    later_more: int
    changes: Changes
    cautions: tuple[str, ...]
    nodes: Sequence[NodeLine]
    sites: tuple[str, ...]
    gateways: tuple[str, ...]
    signals: tuple[Signal, ...]
    sketch: Sketch | None
    sketch_missing: str
    strip: tuple[SiteLine, ...]
    panels: tuple[Panel, ...]
    fleet_data: str
    shared: tuple[NodeSection, ...]
    """Gateways and the host that need a person."""
    sections: Sequence[NodeSection]
    detail_note: str
    account: DataAccount
    assumptions: tuple[str, ...]
    settings: tuple[SettingLine, ...]
    trust: tuple[str, ...]
