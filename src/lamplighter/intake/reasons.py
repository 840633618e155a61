"""Why a record is no check-in."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

CUT_OFF = "line incomplete: the file ends in it"
NO_TIME, NO_NODE = "time could not be read", "no node"
_CLOSING = ("total", "sum", "average", "mean", "count", "min", "max", "end of", "rows", "records", "gesamt", "summe")


@dataclass
class Reasons:
    """The first reason against each of ``n`` rows, if any."""

    n: int
    words: list[str] = field(default_factory=lambda: [""])
    code: np.ndarray = field(init=False)
    any: bool = False

    def __post_init__(self) -> None:
        self.code = np.zeros(self.n, dtype=np.int32)

    @property
    def empty(self) -> np.ndarray:
        """Rows with nothing against them."""
        return self.code == 0

    def give(self, rows: np.ndarray, why: str) -> None:
        """Hold a reason against some rows that have none yet; ``rows`` is a mask or a list of places."""
        if rows.dtype == bool:
            if not rows.any():
                return
            rows = np.flatnonzero(rows)
        if len(rows):
            self.any = True
            self.words.append(why)
            self.code[rows[self.code[rows] == 0]] = len(self.words) - 1

    def give_each(self, rows: np.ndarray, which: np.ndarray, words: list[str]) -> None:
        """Hold one of several reasons against each of some rows: ``words[which]`` against ``rows``."""
        if len(rows):
            self.any = True
            free = self.code[rows] == 0
            self.code[rows[free]] = len(self.words) + which[free]
            self.words += words

    def text(self, row: int) -> str:
        """Return the reason against a row."""
        return self.words[self.code[row]]


def closer_look(text: str, delimiter: str, heading: list[str], why: str) -> str:
    """Tell repeated headings, totals and empty lines from lines whose time or node is wrong."""
    if why not in (NO_TIME, NO_NODE):
        return why
    cells = [c.strip().strip('"').strip().lower() for c in text.split(delimiter)]
    if sum(a == b and a != "" for a, b in zip(cells, heading, strict=False)) * 2 > sum(h != "" for h in heading):
        return "heading repeated"
    if not any(cells):
        return "empty line"
    if any(c.startswith(_CLOSING) for c in cells):
        return "total or closing line"
    return why
