"""Measures the runs in which a node's reading stands still, against the node's own ordinary runs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import DAY_S, NodeHistory
from lamplighter.checks.stuck.longest import BATTERY, CHANNELS, EXACT, FROZEN, RSSI
from lamplighter.checks.stuck.reference import find_bands, find_stands, steps_beside
from lamplighter.checks.stuck.sketch import Spread, together
from lamplighter.checks.stuck.spikes import WEEKS_S, Spikes, far, measure_spikes
from lamplighter.checks.stuck.stand import Stand, suspicious
from lamplighter.checks.stuck.summary import SLOT_S, Summary
from lamplighter.checks.stuck.tables import Table, runs_of
from lamplighter.checks.stuck.whole import Whole, usual_levels, whole_of
from lamplighter.record import Record
from lamplighter.settings import Settings
from lamplighter.settings.stuck import StuckSettings
from lamplighter.stats.order import quantile, weighted_median

BESIDE_S = 30 * DAY_S
"""What the other channels do during a stand is seen from its first days [s]: one may last for years."""
FIRST_VOLTS = 50
"""Voltages from which that at the beginning of a stand is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StuckMeasures:
    """What was measured about one node's standing still.

    Attributes
    ----------
    check_ins : int
        Check-ins with a usable reading.
    span_s : float
        From the first to the last of them [s].
    runs : int
        Runs of equal readings among them.
    levels : float
        Usual range outside the longest run, in steps of the resolution.
    stands : tuple of Stand
        The longest runs, each with its probability, longest first.
    frozen : tuple of Stand
        The same for runs in which the whole record repeats.
    usual_v : float
        Usual battery voltage [V].
    failure_ma : tuple of (start, end, value)
        Periods in which a current output signalled failure.
    spikes : Spikes
    """

    check_ins: int
    span_s: float
    runs: int
    levels: float
    stands: tuple[Stand, ...]
    frozen: tuple[Stand, ...]
    usual_v: float
    failure_ma: tuple[tuple[float, float, float], ...]
    spikes: Spikes


def measure(summary: Summary, record: Record, settings: Settings) -> StuckMeasures:
    """Measure one node's runs of equal readings and how probable they are under its own repeats."""
    s = settings.stuck
    whole = whole_of(summary, record.typical_interval_s, s)
    table = runs_of(summary, EXACT, whole)
    stands = find_stands(table, summary, whole, s, creeps=True)
    band = band_width(whole, s)
    if whole.readings >= s.min_check_ins and whole.usual > 0 and whole.usual >= s.min_levels * band:
        stands += find_bands(summary, whole, band, s)
    stands = tuple(looked_at(stand, record, whole, s) for stand in without_doubles(stands))
    volts = together(summary.volt_sketch, summary.volts)
    usual_v = volts.at(0.9)
    return StuckMeasures(
        check_ins=whole.readings,
        span_s=whole.last - whole.first if whole.readings else 0.0,
        runs=int(summary.runs.sum()) - (int((summary.run_kind == EXACT).sum()) - len(table)),
        levels=levels_of(summary, table, whole),
        stands=tuple(sorted(stands, key=lambda stand: (-stand.watched_s, stand.start))),
        frozen=frozen_records(summary, whole, s),
        usual_v=usual_v,
        failure_ma=failure_currents(summary),
        spikes=spikes_among(summary, record, whole, volts, usual_v, s),
    )


def band_width(whole: Whole, s: StuckSettings) -> float:
    """Width of the classes within which a reading counts as still: a share of its usual range, or six resolutions."""
    return max(6 * whole.step, s.band_pct_range / 100 * whole.usual)


def levels_of(summary: Summary, table: Table, whole: Whole) -> float:
    """Usual range of the readings outside the longest run, in steps of the resolution; NaN when it never moves."""
    if not len(table):
        return math.nan
    longest = int(np.argmax(table.count))
    return usual_levels(summary, whole, table.begin[longest], table.end[longest], int(table.count[longest]))


def without_doubles(stands: tuple[Stand, ...]) -> tuple[Stand, ...]:
    """Leave out a stand within a band where an exact one covers nearly all of it; longest first."""
    exact = [stand for stand in stands if not stand.band]
    kept = exact + [
        b for b in stands if b.band and sum(overlap(b, e) for e in exact) < 0.9 * (b.end - b.start)
    ]  # fmt: skip
    return tuple(sorted(kept, key=lambda stand: (-stand.watched_s, stand.start)))


def overlap(a: Stand, b: Stand) -> float:
    """Seconds that two stands share."""
    return max(0.0, min(a.end, b.end) - max(a.start, b.start))


def looked_at(stand: Stand, record: Record, whole: Whole, s: StuckSettings) -> Stand:
    """Add to an odd stand what only the check-ins themselves show: its very edges, and the other channels.

    Others are looked at only while they last, and as far as they lie in the open block, whose rows are at hand.
    """
    beside = 2 * max(SLOT_S, whole.longest_step)
    at_hand = float(record.open.time[0]) + beside if len(record.open) else math.inf
    if not suspicious(stand, s) and not (stand.open and stand.start >= at_hand):
        since = max(stand.start, at_hand)
        return _beside(stand, record.rows(since, since + BESIDE_S)) if stand.open and since < stand.end else stand
    rows = record.rows(stand.start - beside, stand.start + BESIDE_S)
    if stand.band:
        stand = _sharpened(stand, rows, record, whole, beside)
    return _beside(stand, rows)


def _sharpened(stand: Stand, rows: NodeHistory, record: Record, whole: Whole, beside: float) -> Stand:
    """Add the check-ins in the slots beside a stand within a band that belong to it, and the steps at its ends."""
    time, value, still = _still(stand, rows)
    inside = np.flatnonzero((time >= stand.start) & (time <= stand.end))
    outside = np.flatnonzero(~still & (time < stand.start))
    first = int(outside[-1]) + 1 if len(outside) else 0
    entry = abs(float(value[first] - value[first - 1])) if first > 0 else math.nan
    start, middle = float(time[first]), quantile(value[inside], 0.5)
    if stand.open:
        return replace(stand, start=start, value=middle, **steps_beside(whole, entry, math.nan))
    if stand.end + beside > stand.start + BESIDE_S:
        time, value, still = _still(stand, record.rows(stand.end - beside, stand.end + beside))
    outside = np.flatnonzero(~still & (time > stand.end))
    last = int(outside[0]) - 1 if len(outside) else len(time) - 1
    leave = abs(float(value[last + 1] - value[last])) if len(outside) else math.nan
    return replace(stand, start=start, end=float(time[last]), value=middle, **steps_beside(whole, entry, leave))


def _still(stand: Stand, rows: NodeHistory) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times and readings, and which of them lie in the class of a stand."""
    usable = np.isfinite(rows.good_reading)
    value = rows.good_reading[usable]
    return (
        rows.time[usable],
        value,
        np.floor(value / stand.band + stand.shift) == np.floor(stand.low / stand.band + stand.shift),
    )


def _beside(stand: Stand, rows: NodeHistory) -> Stand:
    """Add what the other channels did during a stand: share of check-ins at which each changed, and the voltage."""
    part = (rows.time >= stand.start) & (rows.time <= stand.end) & np.isfinite(rows.good_reading)
    moved = {name: changes(getattr(rows, name)[part]) for name in CHANNELS[1:]}
    volts = rows.battery_v[part]
    volts = volts[np.isfinite(volts)][:FIRST_VOLTS]
    return replace(stand, moved=moved, battery_v=float(np.median(volts)) if len(volts) else math.nan)


def changes(column: np.ndarray) -> float:
    """Share of neighbouring known values that differ; NaN when there are too few."""
    known = column[np.isfinite(column)]
    return float((np.diff(known) != 0).mean()) if len(known) > 1 else math.nan


def frozen_records(summary: Summary, whole: Whole, s: StuckSettings) -> tuple[Stand, ...]:
    """Stands of the whole record: reading and every other channel that is usually alive repeat together."""
    known, pairs, changed = (
        np.reshape(counts, (-1, len(CHANNELS))).sum(0) for counts in (summary.known, summary.pairs, summary.changed)
    )
    alive = (pairs > 0) & (changed >= s.alive_change_share * pairs)
    if not (alive[BATTERY] or alive[RSSI]):
        return ()
    names = np.flatnonzero(known > summary.rows.sum() / 2)
    table = runs_of(summary, FROZEN + int((1 << names).sum()), whole)
    if table.count.max(initial=0) < s.min_check_ins:
        return ()
    found = find_stands(table, summary, whole, s, creeps=False)
    return tuple(replace(stand, channels=tuple(CHANNELS[n] for n in names)) for stand in found)


def failure_currents(summary: Summary) -> tuple[tuple[float, float, float], ...]:
    """Periods of two check-ins or more in which a current output lay in a failure range, oldest first."""
    if not len(summary.failed_begin):
        return ()
    goes_on = summary.failed_goes_on > 0
    goes_on[0] = False
    first = np.flatnonzero(~goes_on)
    last = np.append(first[1:], len(goes_on)) - 1
    count = np.add.reduceat(summary.failed_count, first)
    return tuple(
        (
            float(summary.failed_begin[a]),
            float(summary.failed_end[b]),
            float(np.median(np.repeat(summary.failed_value[a : b + 1], summary.failed_count[a : b + 1]))),
        )
        for a, b in zip(first[count >= 2], last[count >= 2], strict=True)
    )


def spikes_among(
    summary: Summary, record: Record, whole: Whole, volts: Spread, usual_v: float, s: StuckSettings
) -> Spikes:
    """Count spikes; a battery is low below the cut-off, else below a share of its usual voltage."""
    below = record.entry.cutoff_v if record.entry.cutoff_v is not None else s.low_battery_share * usual_v
    readings = int(summary.readings.sum())
    if not readings:
        return Spikes()
    since = record.last - WEEKS_S
    recent = record.daily.count[record.daily.day * DAY_S >= since]
    low = volts.share_below(below)
    low_of = round(low * readings) if math.isfinite(low) else 0
    step = weighted_median(summary.usual_step, summary.readings)
    wild = summary.spike_size > far(step, whole.usual, s)
    time, with_v = summary.spike_time[wild], summary.spike_v[wild]
    return measure_spikes(time, with_v, below, (since, int(recent.sum())), low_of, readings)
