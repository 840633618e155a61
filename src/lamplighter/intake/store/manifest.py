"""The manifest: the one file that says what a history holds. Whatever it does not name does not exist."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from lamplighter.checkins import Account, FileAccount, Note
from lamplighter.errors import InputError
from lamplighter.intake.store.disk import write_aside

FORMAT = 1
NAME = "manifest.json"

Slot = tuple[int, str]
"""Bucket of nodes and month (``2026-01``): the place of one data file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One data file: the check-ins of one bucket of nodes in one month."""

    path: str
    rows: int
    size: int
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeSpan:
    """How much of a node is stored; times in microseconds since 1970-01-01 UTC."""

    rows: int
    first: int
    last: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Collected:
    """One export file as it was collected."""

    digest: str
    size: int
    accounts: tuple[FileAccount, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a history holds at one generation.

    Attributes
    ----------
    generation : int
        Counts the changes; 0 is the empty history.
    buckets : int
        Number of groups the nodes are spread over; fixed when the history is made.
    files : tuple of Collected
    parts : dict of Slot to Part
    nodes : dict of str to NodeSpan
    areas : dict of str to str
        What the nodes are called that exports name by tags, by all that stands before the measure.
    renames : dict of str to str
        Old name of a node = new name, as set or found so far.
    traits : dict of str to frozenset of str
    reasons : dict of str to int
        Rejected records by reason.
    rejects : tuple of str
        Files of rejected records.
    notes : tuple of Note
    forgotten : int
        Check-ins removed on request.
    """

    generation: int = 0
    buckets: int
    files: tuple[Collected, ...] = ()
    parts: Mapping[Slot, Part] = field(default_factory=dict)
    nodes: Mapping[str, NodeSpan] = field(default_factory=dict)
    areas: Mapping[str, str] = field(default_factory=dict)
    renames: Mapping[str, str] = field(default_factory=dict)
    traits: Mapping[str, frozenset[str]] = field(default_factory=dict)
    reasons: Mapping[str, int] = field(default_factory=dict)
    rejects: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()
    forgotten: int = 0

    @property
    def rows(self) -> int:
        """Check-ins stored."""
        return sum(n.rows for n in self.nodes.values())

    def account(self) -> Account:
        """Return the account of everything collected so far."""
        files = tuple(a for f in self.files for a in f.accounts)
        return account_of(files, self.rows, self.reasons, self.notes)


def account_of(
    files: tuple[FileAccount, ...], check_ins: int, reasons: Mapping[str, int], notes: tuple[Note, ...]
) -> Account:
    """Add up the accounts of files."""
    return Account(
        files=files,
        records_read=sum(f.records_read for f in files),
        kept=sum(f.kept for f in files),
        duplicates=sum(f.duplicates for f in files),
        rejected=sum(f.rejected for f in files),
        check_ins=check_ins,
        reasons=dict(sorted(reasons.items())),
        notes=notes,
    )


def bucket_of(node: str, buckets: int) -> int:
    """Return the group a node belongs to, from its name alone, the same on every machine."""
    return (
        int.from_bytes(hashlib.blake2b(node.encode("utf-8", "surrogatepass"), digest_size=8).digest(), "big") % buckets
    )


def merged_notes(*groups: Iterable[Note]) -> tuple[Note, ...]:
    """Return notes without repeats, in order of appearance."""
    return tuple(dict.fromkeys(note for group in groups for note in group))


def save(manifest: Manifest, folder: Path) -> None:
    """Make a manifest the present one, at once."""
    data = asdict(manifest) | {
        "format": FORMAT,
        "parts": [{"bucket": b, "month": m, **asdict(p)} for (b, m), p in sorted(manifest.parts.items())],
        "nodes": {n: [s.rows, s.first, s.last] for n, s in sorted(manifest.nodes.items())},
        "areas": dict(sorted(manifest.areas.items())),
        "renames": dict(sorted(manifest.renames.items())),
        "traits": {n: sorted(t) for n, t in sorted(manifest.traits.items())},
        "reasons": dict(sorted(manifest.reasons.items())),
    }
    write_aside(folder / NAME, json.dumps(data, separators=(",", ":"), ensure_ascii=True).encode("ascii") + b"\n")


def load(folder: Path) -> Manifest | None:
    """Return the present manifest, None when the folder holds no history yet.

    Raises
    ------
    InputError
        When it cannot be read or has another format.
    """
    damaged = InputError(
        "the manifest of the history is damaged", file=folder / NAME, remedy="restore it from a backup"
    )
    try:
        data = json.loads((folder / NAME).read_bytes())
    except FileNotFoundError:
        return None
    except OSError as bad:
        raise InputError(
            f"cannot read the history: {bad.strerror}", file=folder, remedy="check the path and your rights"
        ) from bad
    except ValueError as bad:
        raise damaged from bad
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise InputError(
            "the history has a format this version does not know", file=folder / NAME, remedy="update lamplighter"
        )
    try:
        return _revived(data)
    except (KeyError, TypeError, ValueError, AttributeError) as bad:
        raise damaged from bad


def _revived(data: dict[str, Any]) -> Manifest:
    return Manifest(
        generation=data["generation"],
        buckets=data["buckets"],
        files=tuple(
            Collected(digest=f["digest"], size=f["size"], accounts=tuple(FileAccount(**a) for a in f["accounts"]))
            for f in data["files"]
        ),
        parts={
            (p["bucket"], p["month"]): Part(path=p["path"], rows=p["rows"], size=p["size"], digest=p["digest"])
            for p in data["parts"]
        },
        nodes={n: NodeSpan(rows=r, first=a, last=b) for n, (r, a, b) in data["nodes"].items()},
        areas=data["areas"],
        renames=data["renames"],
        traits={n: frozenset(t) for n, t in data["traits"].items()},
        reasons=data["reasons"],
        rejects=tuple(data["rejects"]),
        notes=tuple(Note(**n | {"nodes": tuple(n["nodes"])}) for n in data["notes"]),
        forgotten=data["forgotten"],
    )
