"""When enough nodes of a fleet were silent together to be looked at: found without holding all their gaps at once."""

from __future__ import annotations

from collections import Counter

import numpy as np

from lamplighter.checks.arrivals.outages import NOTABLE, PIECE_S, Presence, Silences, shown

LEAST_BIN_S = 60.0
"""Finest division of time [s]; a silence lasts minutes at the least."""
MOST_BINS = 500_000
"""Most divisions, so that memory does not grow with the length of the record: 15 minutes over 14 years."""


class Crowd:
    """Counts of silent nodes on a grid of time, bounded so that no instant with enough of them is missed.

    Gaps are counted in a first round and picked in a second: those that are silent at some time at which at least
    so many nodes, and such a share of those present, may have been.

    Parameters
    ----------
    who : Presence
    least : int
    share : float
    """

    def __init__(self, who: Presence, least: int, share: float) -> None:
        self.who, self.least, self.share = who, least, share
        self.start = float(who.first.min(initial=np.inf)) if len(who.first) else 0.0
        span = float(who.last.max()) - self.start if len(who.last) else 0.0
        self.width = max(LEAST_BIN_S, span / MOST_BINS)
        bins = int(span / self.width) + 3
        self._began, self._ended, self._dozed, self._woke = (np.zeros(bins, dtype=np.int32) for _ in range(4))
        self._intervals: Counter[float] = Counter()

    def add(self, s: Silences) -> None:
        """Count the gaps of some nodes."""
        use = np.flatnonzero(s.surprise >= NOTABLE)
        low, high, long = shown(s, use)
        begins = np.concatenate([low, high[long] - PIECE_S])
        ends = np.concatenate([np.where(long, low + PIECE_S, high), high[long]])
        for count, when in (
            (self._began, begins), (self._ended, ends), (self._dozed, low[long] + PIECE_S),
            (self._woke, high[long] - PIECE_S),
        ):  # fmt: skip
            count += np.bincount(self._bin(when), minlength=len(count)).astype(np.int32)
        values, counts = np.unique(s.interval[use], return_counts=True)
        self._intervals.update(dict(zip(values.tolist(), counts.tolist(), strict=True)))

    def crowded(self) -> np.ndarray:
        """Return how many divisions up to each are crowded, or next to one that is, shape (bins,)."""
        bins = len(self._began)
        silent = np.cumsum(self._began) - _before(self._ended)
        asleep = np.cumsum(self._dozed) - _before(self._woke)
        came, left = (np.bincount(self._bin(t), minlength=bins) for t in (self.who.first, self.who.last))
        present = _before(came) - np.cumsum(left)
        many = silent >= np.maximum(self.least, self.share * np.maximum(present - asleep, 1))
        return np.cumsum(many | np.append(many[1:], False) | np.append(False, many[:-1]))

    def pick(self, s: Silences, crowded: np.ndarray) -> Silences:
        """Return the gaps that are silent at a crowded time."""
        first, last = self._bin(s.start), self._bin(s.end)
        inside = crowded[last] - np.where(first > 0, crowded[first - 1], 0)
        return s.part((inside > 0) & (s.surprise >= NOTABLE))

    def usual_interval(self) -> float:
        """Return the median interval over all gaps that were counted [s]; NaN when there was none."""
        if not self._intervals:
            return float("nan")
        values = np.array(sorted(self._intervals))
        upto = np.cumsum([self._intervals[v] for v in values.tolist()])
        middle = [(upto[-1] - 1) // 2, upto[-1] // 2]
        return float(values[np.searchsorted(upto, middle, side="right")].mean())

    def _bin(self, when: np.ndarray) -> np.ndarray:
        place = np.floor((when - self.start) / self.width).astype(np.int64)
        return np.clip(place, 0, len(self._began) - 1)


def _before(counts: np.ndarray) -> np.ndarray:
    """Return the sum of all earlier counts, shape (bins,)."""
    return np.cumsum(counts) - counts
