"""Stretches with missed check-ins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Gaps:
    """Stretches with missed check-ins, in order of time; arrays of shape (g,).

    The last one is open when it reaches to the present.
    """

    start: np.ndarray
    end: np.ndarray
    missed: np.ndarray
    interval: np.ndarray
    open: bool

    def __len__(self) -> int:
        return len(self.start)

    def due(self, which: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return when the missed check-ins of some gaps were due, and each one's gap, shape (m,)."""
        missed = self.missed[which]
        owner = np.repeat(which, missed)
        first = np.repeat(np.cumsum(missed) - missed, missed)
        place = np.arange(len(owner)) - first + 1
        step = np.divide(self.end - self.start, self.missed + 1.0)
        if self.open and len(self.start):
            step[-1] = self.interval[-1]
        return self.start[owner] + place * step[owner], owner

    def part(self, which: np.ndarray) -> Gaps:
        """Return some of the gaps, by number in order; the last one among them where it is open."""
        return Gaps(self.start[which], self.end[which], self.missed[which], self.interval[which], self.open)


def longest(gaps: Gaps, most: int) -> np.ndarray:
    """Mark the longest gaps, the open one among them, shape (g,)."""
    keep = np.ones(len(gaps), bool)
    if len(gaps) > most:
        order = np.argsort(-(gaps.end - gaps.start), kind="stable")
        if gaps.open:
            order = np.append(len(gaps) - 1, order[order != len(gaps) - 1])
        keep[order[most:]] = False
    return keep
