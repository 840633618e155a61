"""Looking after a history: what is in it, whether it is whole, and taking things out of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from lamplighter.errors import InputError
from lamplighter.fleet import parse_time
from lamplighter.intake.rows import Rows
from lamplighter.intake.store.commit import commit, sweep
from lamplighter.intake.store.disk import readable_errors, writing
from lamplighter.intake.store.history import US_PER_S, History
from lamplighter.intake.store.manifest import Manifest, NodeSpan, Part, Slot, bucket_of
from lamplighter.intake.store.parts import digest_of, month_of, read_part, slots, spans_in, write_part
from lamplighter.intake.store.summaries import FOLDER, kept_sizes, sweep_summaries
from lamplighter.settings import Settings
from lamplighter.wording import count, moment, number, quantity

BYTES_PER_MB = 1e6


def describe(history: History) -> list[str]:
    """Return in plain words what a history holds, one line a fact."""
    manifest, account = history.manifest, history.account
    first, last = history.span()
    size = sum(p.size for p in manifest.parts.values())
    lines = [
        count(len(manifest.nodes), "node"),
        count(manifest.rows, "check-in") + (f" from {moment(first)} to {moment(last)}" if manifest.rows else ""),
        f"{count(len(manifest.files), 'export file')} collected, {count(account.records_read, 'record')} read: "
        f"{account.kept:,} kept, {count(account.duplicates, 'duplicate')}, {account.rejected:,} rejected",
        f"{quantity(size / BYTES_PER_MB, 'MB')} on disk in {count(len(manifest.parts), 'data file')}"
        + (f", {number(size / manifest.rows)} bytes a check-in" if manifest.rows else ""),
    ]
    kept = kept_sizes(history.folder, manifest)
    if kept:
        lines.append(
            f"{quantity(sum(kept) / BYTES_PER_MB, 'MB')} of summaries of closed half-years, "
            f"{count(len(kept), 'node')}, "
            "made anew when they are missing or out of date"
        )
    if manifest.forgotten:
        lines.append(f"{count(manifest.forgotten, 'check-in')} removed on request")
    return lines


def verify(history: History) -> list[str]:
    """Check a history against its manifest.

    Returns
    -------
    list of str
        Everything that is wrong, in plain words; empty when the history is whole.
    """
    manifest = history.manifest
    problems: list[str] = []
    found: dict[str, NodeSpan] = {}
    for slot, part in sorted(manifest.parts.items()):
        wrong = _part_problem(history.folder, slot, part, manifest.buckets)
        if wrong:
            problems.append(f"{part.path}: {wrong}")
        else:
            _add_spans(found, spans_in(history.folder, part))
    if not problems and found != manifest.nodes:
        odd = sorted(n for n in {*found, *manifest.nodes} if found.get(n) != manifest.nodes.get(n))
        problems.append(f"the index disagrees with the data files about {count(len(odd), 'node')}, first {odd[0]}")
    problems += [f"{path}: missing" for path in manifest.rejects if not (history.folder / path).is_file()]
    if not history.account.balanced:
        problems.append("records read are not the sum of records kept, duplicates and rejected")
    return problems


def _part_problem(folder: Path, slot: Slot, part: Part, buckets: int) -> str:
    path = folder / part.path
    if not path.is_file():
        return "missing"
    try:
        if path.stat().st_size != part.size or digest_of(path) != part.digest:
            return "damaged: its content is not what was written"
        rows, names = read_part(folder, part)
    except (OSError, pa.ArrowException) as bad:
        return f"cannot be read: {bad}"
    if len(rows) != part.rows:
        return f"holds {count(len(rows), 'row')}, not {part.rows:,}"
    step = np.diff(rows.node)
    if (step < 0).any() or (np.diff(rows.time)[step == 0] <= 0).any() or names != sorted(names):
        return "not sorted by node and time, or a check-in stands there twice"
    if {place for place, _ in slots(rows, names, buckets)} != {slot}:
        return "holds check-ins that belong elsewhere"
    return ""


def _add_spans(total: dict[str, NodeSpan], more: dict[str, NodeSpan]) -> None:
    for node, span in more.items():
        known = total.get(node, replace(span, rows=0))
        total[node] = NodeSpan(
            rows=known.rows + span.rows, first=min(known.first, span.first), last=max(known.last, span.last)
        )


@dataclass(frozen=True)
class Forgetting:
    """What would be, or was, taken out of a history: a node, or everything before an instant."""

    target: str
    rows: int
    nodes: int
    node: str = ""
    before_us: int | None = None
    deleted: bool = False
    """True when the data are gone from the disk; else they go with the next collect that finds no reader."""

    def question(self) -> str:
        """Return what to ask before it is done."""
        what = f"node {self.node}" if self.node else f"everything before {moment((self.before_us or 0) / US_PER_S)}"
        return f"Forget {what}: {count(self.rows, 'check-in')} of {count(self.nodes, 'node')}, for good?"


def plan_forgetting(history: History, target: str, timezone: str = "UTC") -> Forgetting:
    """Say what forgetting a node, or all check-ins before a time, would take out; changes nothing.

    Parameters
    ----------
    history : History
    target : str
        Name of a node, or an ISO 8601 time; a node of that name comes first.
    timezone : str
        Zone of a time without offset.

    Raises
    ------
    InputError
        When it is neither a node of this history nor a time.
    """
    manifest = history.manifest
    if target in manifest.nodes:
        return Forgetting(target=target, rows=manifest.nodes[target].rows, nodes=1, node=target)
    try:
        before = round(parse_time(target, timezone) * US_PER_S)
    except ValueError as bad:
        raise InputError(
            f"{target!r} is neither a node of this history nor a time",
            file=history.folder,
            remedy="give a node's name or a date such as 2024-01-31",
        ) from bad
    rows, nodes = _older(history.folder, manifest, before)
    return Forgetting(target=target, rows=rows, nodes=nodes, before_us=before)


def _older(folder: Path, manifest: Manifest, before: int) -> tuple[int, int]:
    """Check-ins and nodes older than an instant."""
    count_of, nodes = 0, set()
    for slot, part in manifest.parts.items():
        if slot[1] < month_of(before):
            count_of += part.rows
            nodes |= set(spans_in(folder, part))
        elif slot[1] == month_of(before):
            rows, names = read_part(folder, part)
            old = np.unique(rows.node[rows.time < before])
            count_of += int((rows.time < before).sum())
            nodes |= {names[k] for k in old}
    return count_of, len(nodes)


def forget(folder: str | Path, target: str, settings: Settings | None = None) -> Forgetting:
    """Take a node, or all check-ins before a time, out of a history; what exports said of them in rejects stays.

    Exports collected already stay known by their content, so collecting them again brings nothing back.

    Raises
    ------
    InputError
        When the target is neither a node of this history nor a time, or the history cannot be written.
    """
    settings, folder = settings or Settings(), Path(folder)
    History(folder).close()
    with readable_errors(folder), writing(folder, settings.history.wait_s):
        with History(folder) as history:
            plan = plan_forgetting(history, target, settings.timezone)
            before = history.manifest
        sweep(folder, before)
        done = True
        if plan.rows:
            after = _without(folder, before, plan)
            done = commit(folder, before, after)
            if done and not sweep_summaries(folder, after):
                raise InputError(
                    "forgotten, but summaries made of it could not be deleted",
                    file=folder / FOLDER,
                    remedy="delete this folder with the rights of whoever ran the assessment; it is made anew",
                )
    return replace(plan, deleted=done)


def _without(folder: Path, before: Manifest, plan: Forgetting) -> Manifest:
    """Return the manifest without what is forgotten; writes the data files it needs."""
    parts = dict(before.parts)
    keep, touched = _filter(before, plan)
    for slot in touched:
        rows, names = read_part(folder, parts.pop(slot))
        rows = rows.take(keep(rows, names))
        if len(rows):
            parts[slot] = write_part(folder, slot, before.generation + 1, rows, names)
    buckets = {slot[0] for slot in touched}
    nodes = {n: s for n, s in before.nodes.items() if bucket_of(n, before.buckets) not in buckets}
    for slot, part in parts.items():
        if slot[0] in buckets:
            _add_spans(nodes, spans_in(folder, part))
    return replace(
        before,
        generation=before.generation + 1,
        parts=parts,
        nodes=nodes,
        traits={n: t for n, t in before.traits.items() if n in nodes},
        areas={path: n for path, n in before.areas.items() if n != plan.node},
        forgotten=before.forgotten + plan.rows,
    )


def _filter(before: Manifest, plan: Forgetting) -> tuple[Callable[[Rows, list[str]], np.ndarray], list[Slot]]:
    """Which rows stay, and which data files hold others."""
    if plan.node:
        bucket = bucket_of(plan.node, before.buckets)
        touched = [s for s in before.parts if s[0] == bucket]
        return lambda rows, names: ~np.isin(rows.node, [k for k, n in enumerate(names) if n == plan.node]), touched
    limit = plan.before_us or 0
    touched = [s for s in before.parts if s[1] <= month_of(limit)]
    return lambda rows, _names: rows.time >= limit, touched
