"""What is seen of a battery over the whole record, put together from what is kept of its blocks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import DAY_S, NodeHistory
from lamplighter.checks.battery.credible import (
    MOSTLY,
    NOTHING,
    READING,
    THERMOMETER,
    credible_in,
    in_range,
    is_temperature,
    within,
)
from lamplighter.checks.battery.lives import Surroundings
from lamplighter.checks.battery.observe import (
    FIT_LEAST_ROWS,
    HINGE_C,
    NORMAL_P90,
    QUARTER_DAY_S,
    Temperature,
    Track,
    filled,
    fit_means,
    fit_usual,
    is_freezing,
    response,
)
from lamplighter.checks.battery.season import without_gaps
from lamplighter.checks.battery.summary import LEVELS, Summary, adjusted_bins
from lamplighter.checks.battery.unit import in_volts
from lamplighter.settings.battery import BatterySettings
from lamplighter.stats.order import weighted_median


@dataclass(frozen=True, slots=True)
class Course:
    """What is seen of one node's battery.

    track : by bin, adjusted with ``every``, the response to temperature in all weather; usual : the response in the
    usual range of the record, by which discharge is told; noise : scatter of single voltages [V]; level : usual
    voltage [V]; source : of the temperatures; first, last : credible voltages [s]; block : number of each bin's block;
    local : each block's own response, that of all weather where it has none; change : usual change over some check-ins
    in each block, at least that of the record [V]; factor : what took each bin to volts.
    """

    track: Track
    every: Temperature
    usual: Temperature
    noise: float
    level: float
    source: np.int8
    first: float
    last: float
    block: np.ndarray
    local: tuple[Temperature, ...]
    change: np.ndarray
    factor: np.ndarray

    @property
    def rescaled(self) -> bool:
        """Whether some voltages came in another unit."""
        return bool((self.factor != 1.0).any())


@dataclass(frozen=True, slots=True)
class Quarters:
    """Quarter-day means that count, and the kind of the temperatures' source in each; see :class:`Summary`."""

    time: np.ndarray
    volts: np.ndarray
    temperature: np.ndarray
    frost: np.ndarray
    source: np.ndarray


def put_together(kept: Summary, settings: BatterySettings, opened: NodeHistory | None = None) -> Course | None:
    """Return what is seen of a node's battery; None without credible voltages.

    Days in another unit are taken to volts; other days far from the usual level (a dead converter) are left out. The
    last block, if ``opened`` holds its rows, is adjusted anew with the record's response: its own knows no frost yet
    when the first of a winter comes.
    """
    level = weighted_median(kept.volts, kept.count) if len(kept.volts) else np.nan
    kept, factor = in_volts(kept, level, settings)
    level = weighted_median(kept.volts, kept.count) if (factor != 1.0).any() else level
    day = np.flatnonzero(within(kept.volts, level))
    if not len(day):
        return None
    block = np.repeat(np.arange(len(kept.bins)), kept.bins)[day]
    rows = np.bincount(block, weights=kept.count[day], minlength=len(kept.bins))
    means = quarters_of(kept, level)
    source = source_of(kept, rows, means, settings)
    means = with_temperature(means, source)
    plain = means.volts, means.temperature, means.frost
    freezes = is_freezing(int(kept.freezing[trusted(kept.source, source)].sum()), int(rows.sum()))
    every = fit_means(*plain, freezes) if source != NOTHING and rows.sum() >= FIT_LEAST_ROWS else Temperature()
    noise = noise_of(kept, rows)
    anew = opened is not None and len(opened) and trusted(kept.source[-1:], source)[0]
    anew = anew and (factor[block_starts(kept)[-1] :] == 1.0).all()
    return Course(
        track=track_of(
            answered(kept, opened, every, settings) if anew else kept, day, block, source, every, noise, settings
        ),
        every=every,
        usual=fit_usual(*plain, freezes, every),
        noise=noise,
        level=level,
        source=source,
        first=edge(kept, day, block, 0),
        last=edge(kept, day, block, -1),
        block=block,
        local=tuple(
            Temperature(float(slope), float(extra)) if known and np.isfinite(slope) else every
            for slope, extra, known in zip(kept.slope, kept.extra, trusted(kept.source, source), strict=True)
        ),
        change=changes(kept, rows),
        factor=factor[day],
    )


def block_starts(kept: Summary) -> np.ndarray:
    """Return where each block's bins begin, shape (n_blocks,)."""
    return np.cumsum(kept.bins) - kept.bins


def answered(kept: Summary, opened: NodeHistory, every: Temperature, settings: BatterySettings) -> Summary:
    """Return what is kept with the last block's bins adjusted with the record's response, from its rows."""
    _, bins = adjusted_bins(credible_in(opened, settings), every, DAY_S, settings)
    first = int(block_starts(kept)[-1])
    new = {name: np.concatenate([getattr(kept, name)[:first], bins[name]]) for name in ("volts", "fall", "swing")}
    own = {"slope": every.slope, "extra": every.extra}
    return replace(kept, **new, **{name: np.append(getattr(kept, name)[:-1], value) for name, value in own.items()})


def changes(kept: Summary, rows: np.ndarray) -> np.ndarray:
    """Return the usual change over some check-ins by block, at least that of the record [V]; infinite without any."""
    record = weighted_median(kept.change, np.repeat(rows, LEVELS))
    own = kept.change.reshape(-1, LEVELS)[:, LEVELS // 2]
    return 1.4826 * np.fmax(own, record if np.isfinite(record) else np.inf)


def edge(kept: Summary, day: np.ndarray, block: np.ndarray, end: int) -> float:
    """Return the first (0) or the last (-1) credible voltage [s]: the middle of its day, where its block has others."""
    ends = np.cumsum(kept.bins)
    outermost = (ends - kept.bins)[block[end]] if end == 0 else ends[block[end]] - 1
    exact = kept.first if end == 0 else kept.last
    return float(exact[block[end]] if day[end] == outermost else kept.time[day[end]])


def quarters_of(kept: Summary, level: float) -> Quarters:
    """Return the quarter-day means that are of the record's usual level."""
    source = np.repeat(kept.source, kept.quarters)
    means = Quarters(
        kept.quarter * QUARTER_DAY_S, kept.quarter_volts, kept.quarter_temperature, kept.quarter_frost, source
    )
    plain = within(means.volts, level)
    return means if plain.all() else Quarters(*(getattr(means, name)[plain] for name in Quarters.__slots__))


def source_of(kept: Summary, rows: np.ndarray, means: Quarters, settings: BatterySettings) -> np.int8:
    """Return where the record's temperatures come from: its thermometer, or readings that plainly are temperatures.

    One answer for all blocks: a thermometer that failed for some of them is bridged, as if it had missed some hours,
    and readings are looked at together, however little the voltage moved in one block.
    """
    counted = rows > 0
    if kept.thermometer[counted].sum() >= MOSTLY * rows.sum():
        return THERMOMETER
    lent = means.source == READING
    if not lent.any():
        return NOTHING
    celsius, readings = filled(means.time[lent], means.temperature[lent]), int(kept.readings[counted].sum())
    return READING if is_temperature(means.volts[lent], celsius, readings, settings) else NOTHING


def trusted(of_block: np.ndarray, source: np.int8) -> np.ndarray:
    """Return which blocks' temperatures count: what a thermometer tells counts beside readings too, not the reverse."""
    return (of_block != NOTHING) & (of_block <= source)


def with_temperature(means: Quarters, source: np.int8) -> Quarters:
    """Return quarter-day means with temperatures that count, gaps bridged; all NaN without any."""
    known = trusted(means.source, source) & np.isfinite(means.temperature)
    if known.all():
        return means
    celsius = filled(means.time, np.where(known, means.temperature, np.nan))
    frost = np.where(known, means.frost, np.minimum(celsius, HINGE_C))
    return Quarters(means.time, means.volts, celsius, frost, means.source)


def noise_of(kept: Summary, rows: np.ndarray) -> float:
    """Return the noise of single voltages [V] from successive differences, robust to pulses and swings.

    At a coarse resolution most differences are zero; the noise is then that of the rounding.
    """
    rounding = weighted_median(kept.rounding, rows)
    if not np.isfinite(rounding):
        return 0.0
    some = (rows > 0) & np.isfinite(kept.mean)
    weight = rows[some] / rows[some].sum()
    apart = kept.mean[some] - weight @ kept.mean[some]
    scatter = np.sqrt(weight @ (kept.scatter[some] ** 2 + apart**2))
    steps = 1.4826 * weighted_median(kept.step, np.repeat(rows, LEVELS)) / np.sqrt(2)
    return max(float(steps), min(rounding / np.sqrt(12.0), float(scatter)))


def track_of(
    kept: Summary,
    day: np.ndarray,
    block: np.ndarray,
    source: np.int8,
    every: Temperature,
    noise: float,
    settings: BatterySettings,
) -> Track:
    """Return the track of the bins that count, adjusted with one response to temperature."""
    time = kept.time[day]
    known = trusted(kept.source, source)[block]
    felt, cold = (np.where(known, x[day], np.nan) for x in (kept.temperature, kept.coldest))
    felt, cold = without_gaps(time, felt, cold, settings)
    fall, swing = kept.fall[day], kept.swing[day]
    if source != NOTHING:
        rest = cold_hours(kept, block, felt, cold, every)
        # From the cold hours to the warm ones it is twice as far as to the middle.
        fall, swing = (np.sqrt(np.maximum(x * x + far * far * rest, 0.0)) for x, far in ((fall, 1.0), (swing, 2.0)))
    return Track(
        time=time,
        volts=kept.volts[day] - response(felt, every, settings.reference_c),
        temperature=felt,
        coldest=cold,
        count=kept.count[day].astype(np.int64),
        drop=np.maximum(fall - NORMAL_P90 * noise, 0.0),
        swing=swing,
    )


def cold_hours(kept: Summary, block: np.ndarray, felt: np.ndarray, cold: np.ndarray, every: Temperature) -> np.ndarray:
    """Return what the record's response adds to the spread of single voltages within bins, as a square [V^2].

    Within a block it was taken after the block's own response. What the record's leaves of the day's warmth adds to it
    like any independent part. Of a block too short to tell its response, or too warm to tell that to frost, the part
    is in the spread and is taken out: negative. 0 where no temperature is known.
    """
    slope, extra = (np.nan_to_num(x)[block] for x in (kept.slope, kept.extra))
    warmth = (every.slope - slope) * (felt - cold)
    frost = (every.extra - extra) * (np.minimum(felt, HINGE_C) - np.minimum(cold, HINGE_C))
    both, apart = (warmth + frost) ** 2, warmth**2 - frost**2
    return np.nan_to_num(np.where(np.isfinite(kept.slope[block]), np.where(extra == 0.0, apart, both), -both))


def surroundings(history: NodeHistory, course: Course, i: int, settings: BatterySettings) -> Surroundings:
    """Return the credible voltages of some check-ins around a bin, taken to one temperature.

    They are adjusted as its block tells, and so their usual change is that of the block: what another season's
    response leaves of cold nights and mornings looks like sudden changes.
    """
    volts = history.battery_v
    if course.rescaled:
        bins = course.track.time
        volts = volts * course.factor[np.searchsorted(0.5 * (bins[1:] + bins[:-1]), history.time)]
    keep = within(volts, course.level)
    time, volts = history.time[keep], volts[keep]
    block = course.block[i]
    if course.source != NOTHING:
        celsius = (history.temperature_c if course.source == THERMOMETER else history.good_reading)[keep]
        celsius = filled(time, np.where(in_range(celsius, settings), celsius, np.nan))
        volts = volts - response(celsius, course.local[block], settings.reference_c)
    return Surroundings(time, volts, max(float(course.change[block]), course.noise / 2))


def is_short(kept: Summary, settings: BatterySettings) -> bool:
    """Whether voltages are known over so few days that they are read in quarter days."""
    known = np.isfinite(kept.first)
    return bool(known.any()) and kept.last[known][-1] - kept.first[known][0] < settings.fine_below_days * DAY_S
