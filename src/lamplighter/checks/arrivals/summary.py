"""What is kept of a closed block's check-ins: counts, gaps, stretches with one interval; few rows are kept as such."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from lamplighter.checkins import COMPRESSED, NodeHistory, day_of
from lamplighter.checks.arrivals.counter import counted_steps, numbers_rows
from lamplighter.checks.arrivals.course import course_of, recount
from lamplighter.checks.arrivals.gaps import Gaps, longest
from lamplighter.checks.arrivals.intervals import Followed, follow
from lamplighter.checks.arrivals.loss import MOST_MISSED, by_local_hour, histogram
from lamplighter.checks.arrivals.sendings import first_sendings
from lamplighter.settings import Settings
from lamplighter.settings.arrivals import ArrivalsSettings
from lamplighter.stats.order import stretches

LEAST_ROWS = 50
"""Fewer rows, those of the lead-in included, do not surely tell an interval: they are kept, to be put beside others."""
LEAST_NUMBERED = 3
"""A block that lost fewer check-ins than this says nothing of whether its counter counts rows."""
NO_COUNT = -1
"""Stands for a gap that the node's own counter does not count."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Check-ins without repeats, arrays of shape (n,)."""

    time: np.ndarray
    sequence: np.ndarray
    rssi: np.ndarray
    battery: np.ndarray
    temperature: np.ndarray

    def __len__(self) -> int:
        return len(self.time)

    def part(self, which: slice | np.ndarray) -> Rows:
        """Return some of the rows."""
        return Rows(*(getattr(self, f.name)[which] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Summary:
    """What is kept of a block. "By block" is one entry a block; gaps belong to the block in which they end.

    Attributes
    ----------
    first, last : by block
        First and last check-in that repeats none [s]; NaN without one.
    rows, repeated : by block
        Check-ins, and rows that repeat the one before.
    condensed, linked : by block
        Whether intervals were told, and whether the spacing from the block before is among those told of.
    onset : by block
        When the interval at the block's beginning set in, where that was within the lead-in [s]; NaN otherwise.
    spacings, jitter : by block
        Spacings told of, and their typical deviation from the interval, as a share of it.
    counted, counter_lost, counter_by_one : by block
        Whether the node's own counter agrees with the clock; as of :class:`counter.Counted`.
    hour_received, hour_missed : 24 a block
        Check-ins received, and missed in short gaps, by hour of the local day.
    class_of, class_at, class_rows, class_lost
        As of :func:`loss.histogram`.
    stretch_start, stretch_interval
        When each stretch with one interval begins, and the interval [s].
    gap_start, gap_end
        Check-ins around each gap [s].
    gap_clock, gap_counter
        Check-ins missed in it by the clock and by the counter; :data:`NO_COUNT` where it does not count.
    repeat_day, repeats
        Days with repeats, and how many there are.
    unlisted_day, unlisted
        Days with check-ins missed in gaps that are not listed, and how many there are.
    kept_time, kept_sequence, kept_rssi, kept_battery, kept_temperature
        Rows of blocks that have too few of them.
    """

    first: np.ndarray
    last: np.ndarray
    rows: np.ndarray
    repeated: np.ndarray
    condensed: np.ndarray
    linked: np.ndarray
    onset: np.ndarray
    spacings: np.ndarray
    jitter: np.ndarray
    counted: np.ndarray
    counter_lost: np.ndarray
    counter_by_one: np.ndarray
    hour_received: np.ndarray
    hour_missed: np.ndarray
    class_of: np.ndarray
    class_at: np.ndarray
    class_rows: np.ndarray
    class_lost: np.ndarray
    stretch_start: np.ndarray
    stretch_interval: np.ndarray
    gap_start: np.ndarray
    gap_end: np.ndarray
    gap_clock: np.ndarray
    gap_counter: np.ndarray
    repeat_day: np.ndarray
    repeats: np.ndarray
    unlisted_day: np.ndarray
    unlisted: np.ndarray
    kept_time: np.ndarray
    kept_sequence: np.ndarray
    kept_rssi: np.ndarray
    kept_battery: np.ndarray
    kept_temperature: np.ndarray

    @property
    def kept(self) -> Rows:
        """The rows that are kept."""
        return Rows(
            self.kept_time, self.kept_sequence, self.kept_rssi, self.kept_battery, self.kept_temperature
        )  # fmt: skip


def summarise(block: NodeHistory, settings: Settings) -> Summary:
    """Condense one block's check-ins.

    Parameters
    ----------
    block : NodeHistory
        With its lead-in, so that an interval, or a spell of fast sampling, that began before is known.
    settings : Settings

    Returns
    -------
    Summary
    """
    fresh = first_sendings(block)
    lead = int(np.count_nonzero(fresh[: block.lead]))
    columns = (block.time, block.sequence, block.rssi_dbm, block.battery_v, block.temperature_c)
    rows = Rows(*columns) if fresh.all() else Rows(*(column[fresh] for column in columns))
    own, judged = len(rows) - lead, COMPRESSED not in block.traits
    enough = judged and own > 0 and len(rows) >= LEAST_ROWS
    told = condense(rows, lead, block.entry.interval_s, settings) if enough else None
    kept = rows.part(slice(lead, None)) if told is None and judged else rows.part(slice(0))
    again, repeats = counts_of(block.day[block.lead :][~fresh[block.lead :]])
    whole = {
        "first": np.array([rows.time[lead] if own else np.nan]),
        "last": np.array([rows.time[-1] if own else np.nan]),
        "rows": np.array([own]),
        "repeated": np.array([len(block) - block.lead - own]),
        "repeat_day": again.astype(np.int32),
        "repeats": repeats.astype(np.int32),
        # Copies, so that a summary does not hold on to the rows that it was made from.
        **{f"kept_{f.name}": getattr(kept, f.name).copy() for f in fields(kept)},
    }
    return Summary(**_NOTHING | (told or {}) | whole)


def condense(rows: Rows, lead: int, stated_s: float | None, settings: Settings) -> dict[str, np.ndarray] | None:
    """Tell intervals and gaps of some rows, and what losses go with.

    Parameters
    ----------
    rows : Rows
    lead : int
        So many rows at the front are there for the intervals alone; the spacing after them is counted.
    stated_s : float, optional
        Interval in the register [s].
    settings : Settings

    Returns
    -------
    dict of str to ndarray, or None
        Fields of :class:`Summary` but for what is known of the block as a whole; None where no interval can be told.
    """
    told = follow(rows.time, stated_s)
    if told is None:
        return None
    since = max(lead - 1, 0)
    steps = count_steps(rows, told, settings.arrivals)
    at = since + np.flatnonzero((told.steps[since:] >= 2) | (steps.counter[since:] >= 2))
    gaps = Gaps(rows.time[at], rows.time[at + 1], np.maximum(steps.settled[at] - 1, 0), steps.interval[at], False)
    listed = longest(gaps, settings.arrivals.most_gaps)
    due, owner = gaps.due(np.arange(len(gaps)))
    short = (gaps.missed >= 1) & (gaps.missed <= MOST_MISSED)
    rest_day, rest = counts_of(np.sort(day_of(due[~listed[owner]])))
    places = ("class_of", "class_at", "class_rows", "class_lost")
    quantities = [column[since:-1] for column in (rows.rssi, rows.battery, rows.temperature)]
    return {
        "condensed": np.array([True]),
        "linked": np.array([lead > 0]),
        "spacings": np.array([len(told.steps) - since]),
        "jitter": np.array([told.jitter]),
        "counted": np.array([bool(steps.counter.any())]),
        "counter_lost": np.array([steps.lost]),
        "counter_by_one": np.array([steps.by_one]),
        "hour_received": by_local_hour(rows.time[lead:], settings.timezone),
        "hour_missed": by_local_hour(due[short[owner]], settings.timezone),
        **dict(zip(places, histogram(quantities, at[short] - since), strict=True)),
        **_stretches(rows.time, told, since),
        "gap_start": gaps.start[listed],
        "gap_end": gaps.end[listed],
        "gap_clock": (told.steps[at][listed] - 1).astype(np.int32),
        "gap_counter": np.where(steps.counter > 0, steps.counter - 1, NO_COUNT)[at][listed].astype(np.int32),
        "unlisted_day": rest_day.astype(np.int32),
        "unlisted": rest.astype(np.int32),
    }


@dataclass(frozen=True, slots=True)
class Steps:
    """Intervals that passed between rows, as far as one block can tell.

    Attributes
    ----------
    settled : ndarray of int, shape (n - 1,)
        By the counter where it is believed, else by the clock, fast sampling considered.
    interval : ndarray, shape (n - 1,)
        Interval in force [s].
    counter : ndarray of int, shape (n - 1,)
        By the counter; 0 where it does not count.
    lost, by_one : int
        As of :class:`counter.Counted`; 0 without a counter.
    """

    settled: np.ndarray
    interval: np.ndarray
    counter: np.ndarray
    lost: int
    by_one: int


def count_steps(rows: Rows, told: Followed, s: ArrivalsSettings) -> Steps:
    """Count steps between rows by the clock and by the node's own counter."""
    settled, interval, start = told.steps, told.interval, rows.time[:-1]
    if len(told.first) > 1:
        course = course_of(start[told.first], interval[told.first], rows.time[-1], s.short_spell_h * 3600)
        settled, interval = recount(course, start, rows.time[1:], settled, interval)
    found = counted_steps(rows.sequence, settled)
    if found is None or numbers_rows(found.lost, found.by_one):
        none = np.zeros(len(settled), np.int64)
        return Steps(settled, interval, none, found.lost if found else 0, found.by_one if found else 0)
    if not numbers_rows(found.lost, found.by_one, LEAST_NUMBERED):
        settled = np.where(found.steps > 0, found.steps, settled)
    return Steps(settled, interval, found.steps, found.lost, found.by_one)


def _stretches(time: np.ndarray, told: Followed, since: int) -> dict[str, np.ndarray]:
    """Return the stretches with one interval from a spacing on, the first one cut to begin with it."""
    at_edge = int(np.searchsorted(told.first, since, side="right")) - 1
    cut = np.maximum(told.first[max(at_edge, 0) :], since)
    cut = cut[cut < len(told.interval)]
    within = at_edge > 0 and told.first[at_edge] < since
    return {
        "onset": np.array([time[told.first[at_edge]] if within else np.nan]),
        "stretch_start": time[cut],
        "stretch_interval": told.interval[cut],
    }


def counts_of(ordered: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the distinct ones of some values in order, and how often each occurs."""
    first, size = stretches(ordered)
    return ordered[first], size


def part_of(told: dict[str, np.ndarray]) -> Summary:
    """Return what was told of some rows as a summary that counts them in no block."""
    return Summary(**_NOTHING | told)


def _nothing() -> dict[str, np.ndarray]:
    """Return the fields of a summary of a block of which nothing is known."""
    none, whole, small = np.zeros(0), np.zeros(0, np.int32), np.zeros(1, np.int64)
    unknown, no, hours = np.full(1, np.nan), np.zeros(1, bool), np.zeros(24, np.int32)
    by_block = {
        "first": unknown, "last": unknown, "rows": small, "repeated": small, "condensed": no, "linked": no,
        "onset": unknown, "spacings": small, "jitter": unknown, "counted": no, "counter_lost": small,
        "counter_by_one": small, "hour_received": hours, "hour_missed": hours,
    }  # fmt: skip
    counts = ("class_at", "class_rows", "class_lost", "gap_clock", "gap_counter")
    days = ("repeat_day", "repeats", "unlisted_day", "unlisted")
    empty = {"class_of": np.zeros(0, np.int8)} | dict.fromkeys((*counts, *days), whole)
    return {f.name: none for f in fields(Summary)} | by_block | empty


_NOTHING = _nothing()
