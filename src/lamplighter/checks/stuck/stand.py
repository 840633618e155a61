"""One run in which a reading stands still, and whether the process at rest explains it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from lamplighter.settings.stuck import StuckSettings

SUSPECT_P = 0.05
"""Runs less probable than this do not count as ordinary when another run is judged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """One run in which the reading stands still.

    Attributes
    ----------
    start, end : float
        Times of its first and last check-in [s since 1970-01-01 UTC].
    check_ins : int
        Check-ins in the run.
    watched_s : float
        Time covered, gaps counted only in part [s].
    value, low, high : float
        Middle, lowest and highest reading.
    p : float
        Probability that the node's ordinary runs bring forth one this long in the whole record.
    longest_s : float
        Longest run of the reference [s].
    references : int
        Runs in the reference.
    rests, rest_s : int, float
        Rests at the same level at other times, and their duration together [s].
    level_s : float
        Time watched at the same level at other times, rests or not [s]; NaN where there are no rests to speak of.
    jumps : float
        Share of the rests that ended by a jump rather than by creeping away.
    other_s : float
        Time watched outside the run and its neighbourhood [s].
    liveliness, rest_liveliness : float
        Standard deviation of the readings in the run, and over all rests at the same level together.
    extreme : bool
        Whether no reading lies beyond it on one side.
    at_zero : bool
        Whether it lies at zero, as far as zero errors go.
    entry, leave : float
        Step into and out of the run as a share of the usual range; NaN at the ends of the record.
    entry_rare, leave_rare : float
        Share of the node's steps that are at least as large as the entry, and as the leave.
    open : bool
        Whether it lasts until the last check-in.
    band, shift : float
        Width of the classes within which the reading counted as still, 0 for exactly equal readings; and where they
        lie, in widths.
    moved : dict
        Share of check-ins in the run at which each other channel changed.
    battery_v : float
        Battery voltage as it began [V].
    channels : tuple of str
        For a frozen record: the channels that repeat.
    """

    start: float
    end: float
    check_ins: int
    watched_s: float
    value: float
    low: float
    high: float
    p: float
    longest_s: float
    references: int
    rests: int
    rest_s: float
    level_s: float
    other_s: float
    jumps: float
    liveliness: float
    rest_liveliness: float
    extreme: bool
    at_zero: bool
    entry: float
    leave: float
    entry_rare: float
    leave_rare: float
    open: bool
    band: float = 0.0
    shift: float = 0.0
    moved: dict[str, float] = field(default_factory=dict)
    battery_v: float = math.nan
    channels: tuple[str, ...] = ()


def suspicious(stand: Stand, s: StuckSettings) -> bool:
    """Whether a run is odd enough to be kept out of what counts as ordinary when the others are judged."""
    odd = stand.p < SUSPECT_P and stand.watched_s >= s.min_ratio * stand.longest_s
    return odd and not rests_there(stand, s) and not saturates(stand, s)


def rests_there(stand: Stand, s: StuckSettings) -> bool:
    """Whether the process is known to rest at this level: it stood there again and again, as quiet as now.

    Rests must make up most of the time at the level and end by a jump: where the last digit is usually alive, or the
    level creeps, a dead reading shows. Away from zero even a rest ends sooner or later.
    """
    recurs = stand.rests >= s.rest_recurrences and stand.rest_s >= s.rest_share * stand.other_s
    alike = not stand.liveliness < s.quiet_ratio * stand.rest_liveliness
    pure = not stand.rest_s < s.rest_purity * stand.level_s
    bounded = stand.at_zero or stand.watched_s < s.rest_most_ratio * stand.longest_s
    return recurs and alike and pure and bounded and stand.jumps >= s.rest_jumps


def saturates(stand: Stand, s: StuckSettings) -> bool:
    """Whether the reading stands at the end of its range as a clipped process does: it was held there before.

    Weather holds it for days, a habit for some times the longest rest; only zero may last for a season.
    """
    short = stand.watched_s <= s.saturation_days * 86_400
    usual = stand.at_zero or stand.watched_s < s.rest_most_ratio * stand.longest_s
    return stand.extreme and ((short and stand.rests >= 1) or (usual and stand.rests >= s.rest_recurrences))
