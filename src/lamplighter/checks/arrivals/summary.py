"""What is kept of a closed block's check-ins: counts, gaps, stretches with one interval; few rows are kept as such."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from lamplighter.checkins import COMPRESSED, NodeHistory, day_of
from lamplighter.checks.arrivals.counter import counted_steps, numbers_rows
from lamplighter.checks.arrivals.course import course_of, recount
from lamplighter.checks.arrivals.gaps import Gaps, longest
from lamplighter.checks.arrivals.intervals import follow
from lamplighter.checks.arrivals.loss import MOST_MISSED, by_local_hour, histogram
from lamplighter.checks.arrivals.sendings import first_sendings
from lamplighter.settings import Settings
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
    gap_start, gap_end, gap_interval
        Check-ins around each gap, and the interval before it [s].
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
    gap_interval: np.ndarray
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
    own = len(rows) - lead
    few = own == 0 or len(rows) < LEAST_ROWS or COMPRESSED in block.traits
    told = None if few else condense(rows, lead, block.entry.interval_s, settings)
    if told is None:
        told = _nothing(rows.part(slice(len(rows) if COMPRESSED in block.traits else lead, None)))
    again, repeats = counts_of(block.day[block.lead :][~fresh[block.lead :]])
    return replace(
        told,
        first=np.array([rows.time[lead] if own else np.nan]),
        last=np.array([rows.time[-1] if own else np.nan]),
        rows=np.array([own]),
        repeated=np.array([len(block) - block.lead - own]),
        repeat_day=again.astype(np.int32),
        repeats=repeats.astype(np.int32),
    )


def condense(rows: Rows, lead: int, stated_s: float | None, settings: Settings) -> Summary | None:
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
    Summary or None
        Without what is known of the block as a whole; None where no interval can be told.
    """
    s = settings.arrivals
    told = follow(rows.time, stated_s)
    if told is None:
        return None
    since = max(lead - 1, 0)
    start, end = rows.time[:-1], rows.time[1:]
    clock, interval = told.steps, told.interval
    settled, usual = clock, interval
    if len(told.first) > 1:
        course = course_of(start[told.first], interval[told.first], rows.time[-1], s.short_spell_h * 3600)
        settled, usual = recount(course, start, end, clock, interval)
    by_counter = counted_steps(rows.sequence, settled)
    counted = by_counter is not None and not numbers_rows(by_counter.lost, by_counter.by_one)
    missing = clock[since:] >= 2
    if by_counter and counted:
        missing |= by_counter.steps[since:] >= 2
        if not numbers_rows(by_counter.lost, by_counter.by_one, LEAST_NUMBERED):
            settled = np.where(by_counter.steps > 0, by_counter.steps, settled)
    at = since + np.flatnonzero(missing)
    counter = by_counter.steps[at] - 1 if by_counter and counted else np.full(len(at), NO_COUNT)
    gaps = Gaps(start[at], end[at], np.maximum(settled[at] - 1, 0), usual[at], False)
    listed = longest(gaps, s.most_gaps)
    due, owner = gaps.due(np.arange(len(gaps)))
    short = gaps.missed[owner] <= MOST_MISSED
    rest_day, rest = counts_of(np.sort(day_of(due[~listed[owner]])))
    lost = at[(gaps.missed >= 1) & (gaps.missed <= MOST_MISSED)] - since
    classes = histogram([column[since:-1] for column in (rows.rssi, rows.battery, rows.temperature)], lost)
    # The stretch in which the first own spacing lies, cut to begin with it, and all later ones.
    at_edge = int(np.searchsorted(told.first, since, side="right")) - 1
    cut = np.maximum(told.first[max(at_edge, 0) :], since)
    cut = cut[cut < len(clock)]
    within = at_edge > 0 and told.first[at_edge] < since
    names = ("class_of", "class_at", "class_rows", "class_lost")
    return replace(
        _nothing(rows.part(slice(0))),
        condensed=np.array([True]),
        linked=np.array([lead > 0]),
        onset=np.array([start[told.first[at_edge]] if within else np.nan]),
        spacings=np.array([len(clock) - since]),
        jitter=np.array([told.jitter]),
        counted=np.array([counted]),
        counter_lost=np.array([by_counter.lost if by_counter else 0]),
        counter_by_one=np.array([by_counter.by_one if by_counter else 0]),
        hour_received=by_local_hour(rows.time[lead:], settings.timezone),
        hour_missed=by_local_hour(due[short], settings.timezone),
        **dict(zip(names, classes, strict=True)),
        stretch_start=start[cut],
        stretch_interval=interval[cut],
        gap_start=gaps.start[listed],
        gap_end=gaps.end[listed],
        gap_interval=interval[at][listed],
        gap_clock=(clock[at][listed] - 1).astype(np.int32),
        gap_counter=counter[listed].astype(np.int32),
        unlisted_day=rest_day.astype(np.int32),
        unlisted=rest.astype(np.int32),
    )


def counts_of(ordered: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the distinct ones of some values in order, and how often each occurs."""
    first, size = stretches(ordered)
    return ordered[first], size


def _nothing(kept: Rows) -> Summary:
    """Return what is kept of a block of which nothing is told, with the rows that are kept as such."""
    none, whole, small = np.zeros(0), np.zeros(0, np.int32), np.zeros(1, np.int64)
    unknown, no = np.full(1, np.nan), np.zeros(1, bool)
    return Summary(
        first=unknown, last=unknown, rows=small, repeated=small, condensed=no, linked=no, onset=unknown, spacings=small,
        jitter=unknown, counted=no, counter_lost=small, counter_by_one=small,
        hour_received=np.zeros(24, np.int32), hour_missed=np.zeros(24, np.int32),
        class_of=np.zeros(0, np.int8), class_at=whole, class_rows=whole, class_lost=whole,
        stretch_start=none, stretch_interval=none,
        gap_start=none, gap_end=none, gap_interval=none, gap_clock=whole, gap_counter=whole,
        repeat_day=whole, repeats=whole, unlisted_day=whole, unlisted=whole,
        kept_time=kept.time, kept_sequence=kept.sequence, kept_rssi=kept.rssi, kept_battery=kept.battery,
        kept_temperature=kept.temperature,
    )  # fmt: skip
