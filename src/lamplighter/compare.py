"""What changed between two assessments, and which findings a person has said to know about."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from lamplighter.errors import InputError
from lamplighter.results import SEVERITIES, Assessment, Finding
from lamplighter.settings import Settings
from lamplighter.wording import DAY_S, date, duration, known, moment, number, quantity

# Kinds whose value tells how bad it is; for others (a level, a count that grows by itself) only the signal does.
LARGER_IS_WORSE = frozenset(
    {
        "rssi_trend",
        "rssi_step",
        "zero_drift",
        "zero_step",
        "zero_error",
        "delivery_falling",
        "fast_sampling",
        "bad_quality",
    }
)
SMALLER_IS_WORSE = frozenset({"low_delivery", "low_margin"})
KINDS = ("new", "worse", "better", "done", "gone")
ChangeKind = Literal["new", "worse", "better", "done", "gone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One finding that is new, worse, better, done (work explains it) or gone (nothing does)."""

    kind: ChangeKind
    id: str
    node: str
    gateway: str
    severity: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledgement:
    """A finding that someone knows about: quiet until its date, or until it gets worse."""

    id: str
    until: float
    severity: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two assessments side by side.

    Attributes
    ----------
    since, until : float
        The presents of the two assessments [s since 1970-01-01 UTC].
    changes : tuple of Change
        Worst first within each kind; acknowledged findings left out.
    quiet : tuple of Acknowledgement
        Acknowledgements in force.
    """

    since: float
    until: float
    changes: tuple[Change, ...]
    quiet: tuple[Acknowledgement, ...] = ()

    def of_kind(self, kind: ChangeKind) -> list[Change]:
        """Return the changes of one kind."""
        return [c for c in self.changes if c.kind == kind]


def compare(
    old: Assessment,
    new: Assessment,
    settings: Settings | None = None,
    acknowledged: Iterable[Acknowledgement] = (),
) -> Comparison:
    """Compare two assessments of one fleet.

    Parameters
    ----------
    old, new : Assessment
    settings : Settings, optional
        Section ``[weekly]`` says how large a change counts.
    acknowledged : iterable of Acknowledgement
        Findings to leave out while they are in force.

    Returns
    -------
    Comparison
    """
    settings = settings or Settings()
    partners = _partners(old, new, settings.weekly.same_event_days * DAY_S)
    quiet = in_force(acknowledged, new, old)
    silent = {a.id for a in quiet}
    changes = [*_changes_of_present(new, partners, settings, silent), *_changes_of_past(old, new, partners)]
    order = {kind: i for i, kind in enumerate(KINDS)}
    changes.sort(key=lambda c: (order[c.kind], SEVERITIES.index(c.severity), c.id))
    return Comparison(since=old.as_of, until=new.as_of, changes=tuple(changes), quiet=tuple(quiet))


def require_order(old: Assessment, new: Assessment) -> None:
    """Refuse two assessments given the wrong way round.

    Raises
    ------
    InputError
        When the earlier one is the later.
    """
    if old.as_of > new.as_of:
        raise InputError(
            f"OLD is of {moment(old.as_of)} and later than NEW, of {moment(new.as_of)}", remedy="swap them"
        )


def _partners(old: Assessment, new: Assessment, tolerance: float) -> dict[str, Finding]:
    """For each present finding the past one that is the same thing, by identity or by kind, subject and date."""
    by_id = {f.id: f for f in old.findings}
    partners = {f.id: by_id[f.id] for f in new.findings if f.id in by_id}
    taken = set(partners)
    loose: dict[tuple[str, ...], list[Finding]] = {}
    for f in old.findings:
        if f.id not in taken:
            loose.setdefault((f.check, f.kind, f.node, f.gateway), []).append(f)
    for f in new.findings:
        rivals = loose.get((f.check, f.kind, f.node, f.gateway), ())
        near = [o for o in rivals if known(o.since) and known(f.since) and abs(o.since - f.since) <= tolerance]
        if f.id not in partners and near:
            partners[f.id] = min(near, key=lambda o: abs(o.since - f.since))
            loose[(f.check, f.kind, f.node, f.gateway)].remove(partners[f.id])
    return partners


def _changes_of_present(
    new: Assessment, partners: Mapping[str, Finding], settings: Settings, silent: set[str]
) -> list[Change]:
    changes = []
    for f in new.findings:
        before = partners.get(f.id)
        if f.id in silent or (f.severity == "info" and (before is None or before.severity == "info")):
            continue
        if before is None:
            changes.append(_change("new", f, f.evidence))
            continue
        kind, reason = _moved(before, f, settings)
        if kind is not None:
            changes.append(_change(kind, f, reason))
    return changes


def _change(kind: ChangeKind, f: Finding, reason: str) -> Change:
    return Change(kind=kind, id=f.id, node=f.node, gateway=f.gateway, severity=f.severity, reason=reason)


def _moved(before: Finding, now: Finding, settings: Settings) -> tuple[ChangeKind | None, str]:
    """Whether a finding became worse or better, and why."""
    step = SEVERITIES.index(now.severity) - SEVERITIES.index(before.severity)
    if step:
        return ("worse" if step < 0 else "better"), f"NE 107 signal {before.severity} became {now.severity}"
    dates = [f.data.get("p50") for f in (before, now)]
    if now.kind == "battery_end" and all(isinstance(d, (int, float)) for d in dates):
        return _date_moved(dates[0], dates[1], settings)
    if now.kind in LARGER_IS_WORSE | SMALLER_IS_WORSE and before.unit == now.unit and before.value and known(now.value):
        return _size_moved(before, now, settings)
    return None, ""


def _date_moved(before: float, now: float, settings: Settings) -> tuple[ChangeKind | None, str]:
    moved = now - before
    if abs(moved) < settings.weekly.date_change_days * DAY_S:
        return None, ""
    reason = f"likely end moved {duration(abs(moved))} {'later' if moved > 0 else 'earlier'}, to {date(now)}"
    return ("better" if moved > 0 else "worse"), reason


def _size_moved(before: Finding, now: Finding, settings: Settings) -> tuple[ChangeKind | None, str]:
    growth = abs(now.value) / abs(before.value) - 1.0  # type: ignore[arg-type]
    if abs(growth) < settings.weekly.size_change_share:
        return None, ""
    worse = (growth > 0) == (now.kind in LARGER_IS_WORSE)
    return ("worse" if worse else "better"), f"went from {number(before.value)} to {quantity(now.value, now.unit)}"


def _changes_of_past(old: Assessment, new: Assessment, partners: Mapping[str, Finding]) -> list[Change]:
    still = {f.id for f in partners.values()}
    rows = {row.node for row in new.nodes}
    changes = []
    for f in old.findings:
        if f.id in still or f.severity == "info":
            continue
        work = _work_since(f, old, new)
        if work:
            changes.append(_change("done", f, work))
        elif f.node and f.node not in rows:
            changes.append(_change("gone", f, "the node is no longer in the data"))
        else:
            changes.append(_change("gone", f, "no longer found in the data, and no work is logged"))
    return changes


def _work_since(f: Finding, old: Assessment, new: Assessment) -> str:
    for entry in new.worklog:
        if entry["node"] == f.node and old.as_of < entry["time"] <= new.as_of:
            return f"work log: {entry['action']} on {date(entry['time'])}"
    for found in new.findings:
        if found.node == f.node and found.kind == "battery_swap" and known(found.since) and found.since > old.as_of:
            return f"a battery swap on {date(found.since)} shows in the data"
    return ""


def read_acknowledged(path: str | Path | None, timezone: str = "UTC") -> list[Acknowledgement]:
    """Read acknowledged.csv: id, until, severity, note (the last two optional).

    Parameters
    ----------
    path : path or None
        None, or a file that is not there, gives an empty list.
    timezone : str
        Zone of the dates; a date without a time lasts to the end of that day.

    Raises
    ------
    InputError
        When the file cannot be read or a line cannot be understood.
    """
    if path is None or not Path(path).exists():
        return []
    try:
        reader = csv.DictReader(io.StringIO(Path(path).read_text(encoding="utf-8-sig"), newline=""))
    except (OSError, UnicodeDecodeError) as bad:
        raise InputError("cannot be read as UTF-8 text", file=path, remedy="save it as CSV UTF-8") from bad
    if not {"id", "until"} <= set(reader.fieldnames or ()):
        raise InputError(
            "needs the columns id and until", file=path, line=1, remedy="first line: id,until,severity,note"
        )
    return [_acknowledgement(row, path, reader.line_num, timezone) for row in reader if any(row.values())]


def _acknowledgement(row: Mapping[str, Any], path: str | Path, line: int, timezone: str) -> Acknowledgement:
    severity = (row.get("severity") or "").strip()
    if severity not in ("", *SEVERITIES):
        raise InputError(
            f"unknown severity {severity!r}", file=path, line=line, remedy="use F, C, S, M or leave it empty"
        )
    text = (row.get("until") or "").strip()
    try:
        when = datetime.fromisoformat(text)
    except ValueError as bad:
        raise InputError(f"until is {text!r}", file=path, line=line, remedy="write a date like 2026-01-31") from bad
    if len(text) <= 10:
        when = when.replace(hour=23, minute=59, second=59)
    when = when if when.tzinfo else when.replace(tzinfo=ZoneInfo(timezone))
    return Acknowledgement(
        id=(row["id"] or "").strip(), until=when.timestamp(), severity=severity, note=(row.get("note") or "").strip()
    )


def in_force(
    acknowledged: Iterable[Acknowledgement], new: Assessment, old: Assessment | None = None
) -> list[Acknowledgement]:
    """Return the acknowledgements whose date has not passed and whose finding has not become worse.

    The severity that was acknowledged is the one the line states, else the one of the last assessment;
    with neither, any severity is quiet until the date.
    """
    now = {f.id: f.severity for f in new.findings}
    then = {f.id: f.severity for f in old.findings} if old else {}
    kept = []
    for a in acknowledged:
        accepted = a.severity or then.get(a.id) or now.get(a.id, "info")
        worse = a.id in now and SEVERITIES.index(now[a.id]) < SEVERITIES.index(accepted)
        if a.until >= new.as_of and not worse:
            kept.append(a)
    return kept


def note_changes(
    assessment: Assessment,
    before: Assessment | None,
    settings: Settings,
    acknowledged: Sequence[Acknowledgement],
) -> Comparison | None:
    """Write into an assessment what changed since an earlier one and what is acknowledged; return the comparison."""
    if before is not None:
        comparison = compare(before, assessment, settings, acknowledged)
        assessment.changes = changes_of(comparison)
        return comparison
    quiet = in_force(acknowledged, assessment)
    if quiet:
        assessment.changes = {"acknowledged": _plain_quiet(quiet)}
    return None


def _plain_quiet(quiet: Iterable[Acknowledgement]) -> list[dict[str, Any]]:
    return [{"id": a.id, "until": a.until, "note": a.note} for a in quiet]


def changes_of(comparison: Comparison) -> dict[str, Any]:
    """Return a comparison as the plain data an assessment carries for its report."""
    lists: dict[str, Any] = {
        kind: [
            {"id": c.id, "node": c.node or c.gateway, "severity": c.severity, "text": c.reason}
            for c in comparison.of_kind(kind)
        ]
        for kind in KINDS
    }
    return {"since": comparison.since, **lists, "acknowledged": _plain_quiet(comparison.quiet)}


def comparison_text(comparison: Comparison, most: int = 20) -> str:
    """Return a comparison as lines of text, at most ``most`` of each kind."""
    lines = [f"Changes from {date(comparison.since)} to {date(comparison.until)}"]
    for kind in KINDS:
        changes: Sequence[Change] = comparison.of_kind(kind)
        lines.append(f"{kind}: {len(changes)}")
        lines += [f"  {c.severity:4} {c.node or c.gateway or 'host'}: {c.reason}" for c in changes[:most]]
        if len(changes) > most:
            lines.append(f"  and {len(changes) - most} more")
    lines += [f"  quiet until {date(a.until)}: {a.id} {a.note}".rstrip() for a in comparison.quiet]
    return "\n".join(lines)
