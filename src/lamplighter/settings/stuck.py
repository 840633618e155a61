"""Settings of the section ``[stuck]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class StuckSettings(Section):
    """Thresholds of the section ``[stuck]``, each with unit and reason."""

    false_rate: float = setting(
        0.05, "-", "Expected share of false ones among the runs called stuck in one assessment.", low=1e-6, high=0.5
    )
    most_probability: float = setting(
        5e-3, "-", "A run more probable than this under the node's own repeats is never called.", low=1e-12, high=0.1
    )
    min_hours: float = setting(
        6.0, "h", "A reading that stands still for less is not worth a drive, whatever its probability.", low=0.1
    )
    min_check_ins: int = setting(12, "check-ins", "Fewer equal readings are too few to call a sensor stuck.", low=3)
    min_ratio: float = setting(
        3.0, "-", "A stuck run lasts this many times the node's longest ordinary one: a large effect, not only a rare one.",
        low=1.0,
    )  # fmt: skip
    tail_runs: tuple[int, ...] = setting(
        (10, 30), "runs", "How many of the longest ordinary runs describe the tail: few see its end, many are steadier.",
        low=5, high=500,
    )  # fmt: skip
    tail_shape: float = setting(
        0.5, "-", "Shape of the tail of ordinary runs (Weibull): 1 would be a constant chance of ending, weather and "
        "operation are heavier.", low=0.05, high=1.0,
    )  # fmt: skip
    tail_prior: float = setting(
        2.0, "thresholds", "Length of the one run added to the tail of ordinary ones, so that equal runs are no wall.",
        low=1.01,
    )  # fmt: skip
    min_reference_runs: int = setting(
        20, "runs", "With fewer ordinary runs nothing is known of how the node repeats.", low=5
    )
    habit_runs: int = setting(
        3, "runs", "A node that stood still for as long on so many other occasions does so by habit; one or two may be "
        "faults that are past.", low=1,
    )  # fmt: skip
    min_levels: float = setting(
        12.0,
        "resolution steps",
        "A reading whose usual range is fewer steps of its resolution cannot show life.",
        low=2.0,
    )
    gap_intervals: float = setting(
        3.0, "check-in intervals", "A silence within a run counts no longer than this: what happened in it is not known.",
        low=1.0,
    )  # fmt: skip
    open_days: float = setting(
        60.0, "d", "A run that lasts now is one of those begun in this time, not one of all in the record.", low=1.0
    )
    rest_recurrences: int = setting(
        3,
        "rests",
        "A level at which the reading stood still this often before is a place where the process rests.",
        low=2,
    )
    rest_hours: float = setting(4.0, "h", "A shorter stand is no rest of the process.", low=0.1)
    rest_check_ins: int = setting(6, "check-ins", "A stand of fewer equal readings is no rest of the process.", low=2)
    rest_share: float = setting(
        0.03, "-", "Share of the other time spent in rests at a level before it counts as a place of rest.",
        low=0.0, high=1.0,
    )  # fmt: skip
    rest_purity: float = setting(
        0.5, "-", "Share of the time at a level that rests make up where it is a place of rest; a level passed through, "
        "or one at which the last digit is alive, is none.", low=0.0, high=1.0,
    )  # fmt: skip
    rest_most_ratio: float = setting(
        6.0, "-", "A stand at a level of rest is called after all when it lasts this many times the longest ordinary one; "
        "at zero, where closed lines and empty tanks rest for a season, it is not.", low=1.0,
    )  # fmt: skip
    rest_crowd: float = setting(
        0.4, "-", "Share of the longest runs at one level from which they are kept apart from runs elsewhere.",
        low=0.05, high=1.0,
    )  # fmt: skip
    rest_jumps: float = setting(
        0.5, "-", "Share of the rests at a level that end by a jump, as operation ends them; where they end by creeping "
        "away the level is alive, and a stand there is no rest.", low=0.0, high=1.0,
    )  # fmt: skip
    quiet_ratio: float = setting(
        0.6, "-", "A stand within a band that is less lively than this, against ordinary rests at its level, is no rest.",
        low=0.0, high=1.0,
    )  # fmt: skip
    over_ratio: float = setting(
        6.0, "-", "A run that is over asks for nothing today: it must last this many times the longest ordinary one.",
        low=1.0,
    )  # fmt: skip
    gentle_share: float = setting(
        0.05, "-", "A run that is over and was left by a step no larger than this share of all steps ended as an ordinary "
        "rest does.", low=0.0, high=1.0,
    )  # fmt: skip
    gentle_ratio: float = setting(
        20.0, "-", "A run that ended as a rest does must last this many times the longest ordinary one.", low=1.0
    )
    saturation_days: float = setting(
        14.0, "d", "A reading may stay at a natural limit (0, 100 %, a range limit) for this long when it went there "
        "gradually; weather does not hold one longer.", low=0.5,
    )  # fmt: skip
    band_least_days: float = setting(
        30.0, "days", "A stand within a band is judged only after a record of this length: before, the process at rest may not have been seen.",
        low=0,
    )  # fmt: skip
    band_pct_range: float = setting(
        2.0, "% of the reading's usual range", "A reading that moves within half of this for far longer than usual has "
        "lost its life even if its last digit still dithers.", low=0.01, high=20.0,
    )  # fmt: skip
    limit_pct_span: float = setting(
        0.2, "% of span", "A reading this close to a range limit counts as at it.", low=0.0, high=5.0
    )
    beyond_pct_span: float = setting(
        2.0, "% of span", "A reading this far outside the range is more than a zero error.", low=0.1, high=50.0
    )
    beyond_probability: float = setting(
        0.1, "-", "A stand outside the range is called from this probability on: no process in service belongs there.",
        low=1e-6, high=0.5,
    )  # fmt: skip
    failure_low_ma: float = setting(
        3.6, "mA", "At or below, a current output signals failure.", source="NAMUR NE 43", low=0.0, high=4.0
    )
    failure_high_ma: float = setting(
        21.0, "mA", "At or above, a current output signals failure.", source="NAMUR NE 43", low=20.0, high=30.0
    )
    alive_change_share: float = setting(
        0.1, "-", "A channel that changes at fewer of the ordinary check-ins than this cannot show that a record is alive.",
        low=0.01, high=1.0,
    )  # fmt: skip
    low_battery_share: float = setting(
        0.88, "-", "Below this share of its usual voltage a battery is low where the register gives no cut-off.",
        low=0.5, high=0.99,
    )  # fmt: skip
    recent_days: float = setting(30.0, "d", "A stuck run that ended longer ago asks for no visit by itself.", low=0.0)
    spike_scales: float = setting(
        12.0, "robust standard deviations", "A single reading this far from both neighbours' level is a spike.", low=4.0
    )
    spike_share: float = setting(
        0.01, "-", "Share of spikes among the check-ins of the last weeks before they are reported.", low=0.0, high=1.0
    )
    spike_ratio: float = setting(
        10.0,
        "-",
        "Spikes this many times as frequent with a low battery as otherwise are put down to the battery.",
        low=1.0,
    )
    min_spikes: int = setting(5, "check-ins", "Fewer spikes with a low battery show nothing.", low=1)
