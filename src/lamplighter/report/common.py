"""What the parts of the view share: signals, anchors, places."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from lamplighter.report.model import Signal
from lamplighter.report.wording import SIGNALS
from lamplighter.results import Assessment, Finding, Item, NodeRow
from lamplighter.settings.report import ReportSettings

SIGNAL = {key: Signal(key=key, label=label) for key, label in SIGNALS.items()}
INFO = Signal(key="info", label="For information")
ORDER = {key: place for place, key in enumerate(SIGNALS)}


def signal(status: str) -> Signal:
    """Return the signal of a status; an empty one cannot be judged."""
    return INFO if status == "info" else SIGNAL.get(status or "none", SIGNAL["none"])


def anchor(node: str) -> str:
    """Return an identity for a node's section that is safe in a page and stays the same every week."""
    return "n-" + hashlib.sha1(node.encode("utf-8", "surrogatepass"), usedforsecurity=False).hexdigest()[:10]


def place(site: str, gateway: str) -> str:
    """Return where something is, in words; empty when not known."""
    return " · ".join(dict.fromkeys(filter(None, (site, gateway))))


class Made(Sequence[Any]):
    """A part of the page for each row, made when it is asked for: all of a large fleet would fill the memory."""

    def __init__(self, make: Callable[[NodeRow], Any], rows: Sequence[NodeRow]) -> None:
        self._make, self._rows = make, rows

    def __getitem__(self, place: int | slice) -> Any:
        if isinstance(place, slice):
            return tuple(map(self._make, self._rows[place]))
        return self._make(self._rows[place])

    def __iter__(self) -> Iterator[Any]:
        return map(self._make, self._rows)

    def __len__(self) -> int:
        return len(self._rows)

    def __eq__(self, other: object) -> bool:
        return tuple(self) == tuple(other) if isinstance(other, (tuple, Made)) else NotImplemented

    __hash__ = None  # type: ignore[assignment]


@dataclass(frozen=True)
class Source:
    """An assessment with the settings of the page and the look-ups its parts need."""

    assessment: Assessment
    settings: ReportSettings = field(default_factory=ReportSettings)

    @property
    def doubtful(self) -> bool:
        """Whether the data are stale or incomplete, so that "in 3 days" may not be three days from the reader's day."""
        return bool(self.assessment.warnings)

    @cached_property
    def rows(self) -> dict[str, NodeRow]:
        """Rows by node."""
        return {row.node: row for row in self.assessment.nodes}

    @cached_property
    def findings(self) -> dict[str, list[Finding]]:
        """Findings by node, in the order of the assessment; those of gateways and the host under ''."""
        found: dict[str, list[Finding]] = {}
        for f in self.assessment.findings:
            found.setdefault(f.node, []).append(f)
        return found

    @cached_property
    def finding(self) -> dict[str, Finding]:
        """Findings by identity."""
        return {f.id: f for f in self.assessment.findings}

    @cached_property
    def shared(self) -> dict[str, Item]:
        """Items about gateways and the host by identity of their section."""
        return {anchor(i.id): i for i in self.assessment.items if i.subject_kind != "node"}

    def href(self, node: str) -> str:
        """Return the link to a node's section, empty when there is none."""
        return f"#{anchor(node)}" if node in self.rows else ""
