"""What the checks and the triage say: plain data, written to JSON and CSV and read back."""

from __future__ import annotations

import json
import math
import types
import typing
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from lamplighter.checkins import Account
from lamplighter.errors import InputError
from lamplighter.wording import counted_from, iso

if TYPE_CHECKING:
    import pandas as pd

SCHEMA = 1
Instant = Annotated[float, "seconds since 1970-01-01 UTC"]
"""An instant; written as ISO 8601 UTC in every file."""

Status = Literal["F", "C", "S", "M", "good", ""]
"""NAMUR NE 107 status signal; empty when the node cannot be judged."""
SEVERITIES = ("F", "C", "S", "M", "info")
"""Severity of a finding: an NE 107 signal, or ``info``; worst first (the order is a choice of this project)."""

CheckName = Literal["arrivals", "outage", "radio", "zero", "stuck", "battery", "data"]
CHECK_NAMES: tuple[CheckName, ...] = typing.get_args(CheckName)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found about a node, a gateway or the host.

    Parameters
    ----------
    check, kind : str
        Which check found it, and what it is; kinds are listed in DEVELOPERS.md.
    node, gateway : str
        The subject; ``node`` is empty for a finding about a gateway or the host.
    since, until : Instant, optional
        When it began and ended; ``until`` is None while it lasts.
    value, low, high : float, optional
        Size with its interval, in ``unit``.
    probability : float, optional
        Probability that the finding is real [0..1].
    severity : str
        One of :data:`SEVERITIES`.
    evidence : str
        One sentence in plain words.
    remedy : str
        What would settle or mend it, in plain words; may be empty.
    key : str
        Tells apart findings of one kind on one subject, stable from week to week; usually empty or a date.
    data : dict
        Further numbers by name, for the diagnosis and the report.
    """

    check: CheckName
    kind: str
    node: str = ""
    gateway: str = ""
    since: Instant | None = None
    until: Instant | None = None
    value: float | None = None
    unit: str = ""
    low: float | None = None
    high: float | None = None
    probability: float | None = None
    severity: str = "info"
    evidence: str = ""
    remedy: str = ""
    key: str = ""
    data: dict[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """Identity that stays the same from week to week."""
        return ":".join(filter(None, (self.check, self.kind, self.node or self.gateway or "all", self.key)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Check-ins missed in a row: from the last one received to the next, or to the present."""

    node: str
    start: Instant
    end: Instant
    missed: int
    cause: str = "node"
    """One of node, gateway, host, export."""
    kind: str = ""
    """One of isolated, burst, silence, outage."""
    open: bool = False
    """True when the node has not checked in since."""

    def __reduce__(self) -> tuple[Any, ...]:
        # There are many: by the usual way each would take several times as long.
        return _gap, (self.node, self.start, self.end, self.missed, self.cause, self.kind, self.open)


def _gap(node: str, start: float, end: float, missed: int, cause: str, kind: str, still: bool) -> Gap:
    return Gap(node=node, start=start, end=end, missed=missed, cause=cause, kind=kind, open=still)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """An interval in which many nodes of one gateway, or of all, were silent together."""

    level: str
    """One of gateway, group, host."""
    subject: str
    start: Instant
    end: Instant
    nodes: int
    share: float
    open: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What one check says of one node: good, finding, or not evaluated, with the reason."""

    state: Literal["good", "finding", "not evaluated"]
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A probable cause with its probability and the evidence for and against it."""

    cause: str
    probability: float
    evidence_for: tuple[str, ...] = ()
    evidence_against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing for a person to do, about a node, a gateway or the host, ranked by risk."""

    id: str
    subject_kind: Literal["node", "gateway", "host"]
    subject: str
    rank: int = 0
    name: str = ""
    site: str = ""
    gateway: str = ""
    status: Status = ""
    cause: str = ""
    cause_probability: float | None = None
    causes: tuple[Cause, ...] = ()
    jobs: tuple[str, ...] = ()
    """Names of the causes that the action deals with: the first, and others that are probable or also seen."""
    action: str = ""
    reason: str = ""
    not_before: Instant | None = None
    due: Instant | None = None
    part: str = ""
    minutes: float | None = None
    criticality: float = 3.0
    risk: float = 0.0
    risk_parts: dict[str, float] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class NodeRow:
    """One row of nodes.csv; fields are its columns in order, None when not known."""

    rank: int | None = None
    node: str = ""
    name: str = ""
    site: str = ""
    gateway: str = ""
    status: Status = ""
    reason: str = ""
    cause: str = ""
    cause_probability: float | None = None
    action: str = ""
    due: Instant | None = None
    risk: float | None = None
    criticality: float | None = None
    interval_s: float | None = None
    first_seen: Instant | None = None
    last_seen: Instant | None = None
    expected: int | None = None
    received: int | None = None
    missed: int | None = None
    delivery: float | None = None
    delivery_low: float | None = None
    delivery_high: float | None = None
    rssi_median_dbm: float | None = None
    rssi_slope_db_per_year: float | None = None
    rssi_slope_low: float | None = None
    rssi_slope_high: float | None = None
    fade_margin_db: float | None = None
    margin_due: Instant | None = None
    zero_error_pct_span: float | None = None
    zero_drift_pct_span_per_year: float | None = None
    zero_drift_low: float | None = None
    zero_drift_high: float | None = None
    stuck_since: Instant | None = None
    battery_v: float | None = None
    battery_since: Instant | None = None
    eol_p10: Instant | None = None
    eol_p50: Instant | None = None
    eol_p90: Instant | None = None
    eol_not_before: Instant | None = None
    eol_method: str = ""
    risk_parts: dict[str, float] = field(default_factory=dict)
    eol_cold_p10: Instant | None = None
    eol_cold_p50: Instant | None = None
    eol_cold_p90: Instant | None = None


@dataclass(kw_only=True)
class Assessment:
    """Everything one run found out; the report, the tables and the comparison are made from this alone.

    ``gaps``, ``verdicts``, ``series`` and ``register`` of a run just made lie in temporary files: they are read like a
    list and like dicts, one value at a time, and are not to be changed in place.
    """

    as_of: Instant
    start: Instant
    end: Instant
    account: Account
    settings: dict[str, Any]
    nodes: list[NodeRow]
    items: list[Item]
    findings: list[Finding]
    gaps: Sequence[Gap]
    outages: list[Outage]
    verdicts: Mapping[str, dict[str, Verdict]]
    series: Mapping[str, dict[str, Any]]
    register: Mapping[str, dict[str, Any]] = field(default_factory=dict)
    worklog: list[dict[str, Any]] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)
    fleet: dict[str, Any] = field(default_factory=dict)
    """Fleet-level numbers for the report, by check."""
    changes: dict[str, Any] = field(default_factory=dict)
    """What changed since the last run, when one was compared."""
    warnings: list[str] = field(default_factory=list)
    """What makes the whole run doubtful (stale or incomplete data), in plain words; shown before all else."""
    version: str = ""
    schema: int = SCHEMA

    def row(self, node: str) -> NodeRow:
        """Return the row of one node.

        Raises
        ------
        KeyError
            When the assessment holds no such node.
        """
        for row in self.nodes:
            if row.node == node:
                return row
        raise KeyError(node)

    @property
    def counted(self) -> str:
        """From which day due dates count, in words, where visits were planned from another day; else empty."""
        planned = (self.fleet.get("visits") or {}).get("as_of")
        return counted_from(self.as_of, datetime.fromisoformat(planned).timestamp()) if planned else ""

    @property
    def nodes_table(self) -> pd.DataFrame:
        """One row a node, ranked, as nodes.csv has it."""
        return _tables().frame(self.nodes, NodeRow, _tables().NODE_COLUMNS)

    @property
    def findings_table(self) -> pd.DataFrame:
        """One row a finding, as findings.csv has it."""
        return _tables().frame(self.findings, Finding, _tables().FINDING_COLUMNS)

    @property
    def gaps_table(self) -> pd.DataFrame:
        """One row a gap, as gaps.csv has it."""
        return _tables().frame(self.gaps, Gap, _tables().GAP_COLUMNS)


def _tables() -> types.ModuleType:
    from lamplighter import tables  # tables needs the classes above

    return tables


@cache
def hints_of(kind: type) -> dict[str, Any]:
    """Return the type hints of a result's fields."""
    return typing.get_type_hints(kind, include_extras=True)


_AS_THEY_ARE = (str, int, bool, type(None))


def plain(value: Any) -> Any:
    """Turn results into JSON's types: instants to ISO 8601, numpy to Python, NaN to None."""
    # Most of an assessment is numbers in lists; by type alone they are told apart quickly.
    kind = type(value)
    if kind is float:
        return value if math.isfinite(value) else None
    if kind in _AS_THEY_ARE:
        return value
    if kind is list:
        return [v if type(v) in _AS_THEY_ARE else plain(v) for v in value]
    if is_dataclass(value) and not isinstance(value, type):
        hints = hints_of(type(value))
        return {
            f.name: iso(v) or None if holds_instant(hints[f.name]) else plain(v)
            for f in fields(value)
            for v in (getattr(value, f.name),)
        }
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [plain(v) for v in value]
    if isinstance(value, (set, frozenset)):
        return sorted(plain(v) for v in value)
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def holds_instant(hint: Any) -> bool:
    """Whether a type hint is an :data:`Instant`, or one that may be None."""
    return hint == Instant or any(h == Instant for h in typing.get_args(hint))


def revive(hint: Any, value: Any) -> Any:
    """Undo :func:`plain` for a type hint."""
    if value is None:
        return None
    if holds_instant(hint):
        return datetime.fromisoformat(value).timestamp()
    args = typing.get_args(hint)
    origin = typing.get_origin(hint)
    if is_dataclass(hint):
        hints = hints_of(typing.cast(type, hint))
        return hint(**{k: revive(hints[k], v) for k, v in value.items() if k in hints})  # type: ignore[operator]
    if origin is tuple:
        return tuple(revive(args[0], v) for v in value)
    if origin in (list, Sequence):
        return [revive(args[0], v) for v in value]
    if origin in (dict, Mapping):
        return {k: revive(args[1], v) for k, v in value.items()}
    return value


_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode


def json_of(value: Any) -> str:
    """Return a value as JSON."""
    try:
        return _encode(value)  # most is plain already, and is not gone through twice
    except (TypeError, ValueError):
        return _encode(plain(value))


def json_parts(assessment: Assessment) -> Iterator[str]:
    """Yield an assessment as JSON in parts that are small, however many nodes there are."""
    hints = hints_of(Assessment)
    for k, f in enumerate(fields(assessment)):
        value = getattr(assessment, f.name)
        yield f"{',' if k else '{'}{_encode(f.name)}:"
        if holds_instant(hints[f.name]):
            yield _encode(iso(value) or None)
        elif isinstance(value, Mapping):
            yield from _enclosed("{}", (f"{_encode(str(key))}:{json_of(v)}" for key, v in value.items()))
        elif isinstance(value, Sequence) and not isinstance(value, str):
            yield from _enclosed("[]", map(json_of, value))
        else:
            yield json_of(value)
    yield "}\n"


def _enclosed(brackets: str, parts: Iterable[str]) -> Iterator[str]:
    before = brackets[0]
    for part in parts:
        yield before + part
        before = ","
    yield brackets if before != "," else brackets[1]


def write_assessment(assessment: Assessment, path: str | Path) -> None:
    """Write an assessment as JSON with its schema version."""
    with open(path, "w", encoding="utf-8") as out:
        out.writelines(json_parts(assessment))


def read_assessment(path: str | Path) -> Assessment:
    """Read an assessment that :func:`write_assessment` wrote.

    Raises
    ------
    InputError
        When the file is missing, is no assessment, or has another schema version.
    """
    path = Path(path)
    if path.is_dir():
        if not (path / "assessment.json").exists():
            raise InputError("holds no assessment.json", file=path, remedy="give the folder that assess wrote")
        path = path / "assessment.json"
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        schema = data["schema"]
    except OSError as bad:
        raise InputError(f"cannot read: {bad.strerror}", file=path, remedy="run assess first") from bad
    except (ValueError, KeyError, TypeError) as bad:
        raise InputError("is not an assessment", file=path, remedy="give the assessment.json of a run") from bad
    if schema != SCHEMA:
        raise InputError(f"has schema {schema}, not {SCHEMA}", file=path, remedy="run assess again with this version")
    return revive(Assessment, data)
