"""Settings of the section ``[data]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class DataSettings(Section):
    """Thresholds of the section ``[data]``, each with unit and reason."""

    block_rows: int = setting(
        48, "check-ins", "Check-ins looked at together for two nodes under one name: a day or two, enough to compare halves.",
        low=16, high=500,
    )  # fmt: skip
    phase_width: float = setting(
        0.1, "of the interval", "A node's own check-ins keep their phase within this; two nodes make two such groups.",
        low=0.01, high=0.4,
    )  # fmt: skip
    split_share: float = setting(
        0.2, "-", "Smallest share of the check-ins that the second node of a name must have.", low=0.05, high=0.5
    )
    split_t: float = setting(
        4.0, "standard errors", "Difference of two phase groups in one channel that counts as one.", low=2.0
    )
    split_sure_t: float = setting(
        10.0, "standard errors", "Difference in voltage or RSSI that settles it alone.", low=4.0
    )
    split_channels: int = setting(
        2, "channels", "Voltage, RSSI, reading and temperature that must differ together; a process may swing at the pace "
        "of check-ins, a process and a radio do not.", low=1, high=4,
    )  # fmt: skip
    split_blocks: int = setting(5, "blocks", "Fewer blocks with two groups may be chance.", low=2)
    split_run_share: float = setting(
        0.1, "-", "Share of the blocks with two groups, from the first of them on.", low=0.1, high=1.0
    )
    scale_instant: float = setting(
        0.14, "log ratio", "How far the jump between two check-ins may lie from a unit's ratio: the process moves meanwhile.",
        low=0.01, high=0.5,
    )  # fmt: skip
    scale_stir: float = setting(
        0.15,
        "log ratio",
        "A process that usually moves by more between check-ins hides a unit's ratio.",
        low=0.01,
        high=1.0,
    )
    scale_level: float = setting(
        0.3, "log ratio", "How far the middle before and after may differ from a unit's ratio: the process does not stand.",
        low=0.01, high=1.0,
    )  # fmt: skip
    scale_extent: float = setting(
        0.45, "log ratio", "How far the highest readings of the weeks before and after may differ from it: a process that "
        "switches between two states keeps both.", low=0.01, high=1.0,
    )  # fmt: skip
    scale_motion: float = setting(
        0.15, "log ratio", "How far the size of the small steps may differ from it: a process that rose keeps its ripple.",
        low=0.01, high=1.5,
    )  # fmt: skip
    scale_grain: float = setting(
        0.03, "log ratio", "How far the resolution may differ from it: a scale takes the resolution with it exactly.",
        low=0.001, high=0.5,
    )  # fmt: skip
    scale_grain_rows: int = setting(
        60, "check-ins", "Check-ins that show the resolution of the reading.", low=20, high=1000
    )
    scale_check_ins: int = setting(
        24, "check-ins", "Check-ins on either side that are compared where such a jump is rare.", low=6, high=500
    )
    scale_days: int = setting(
        10, "days", "Days on either side that are compared where the process often jumps so far.", low=3, high=60
    )
    scale_weeks: int = setting(8, "weeks", "Weeks on either side whose highest readings are compared.", low=1, high=52)
    scale_usual_jumps: int = setting(
        3, "jumps", "From so many other jumps as large on, a jump is what the process does.", low=1
    )
    span_outside_pct: float = setting(
        7.0, "% of span", "Readings further outside the range than sensors go do not fit the register.", low=0.5
    )
    span_outside_share: float = setting(
        0.02,
        "-",
        "Share of the last weeks' readings outside the range before range or unit are doubted.",
        low=0.0001,
        high=1.0,
    )
    interval_tolerance: float = setting(
        0.05, "-", "Relative difference between the interval seen and the one in the register.", low=0.001, high=1.0
    )
    interval_kept: float = setting(
        0.1, "-", "Share of the last months' time at the interval of the register from which the node is held to keep it.",
        low=0.01, high=1.0,
    )  # fmt: skip
    fast_share: float = setting(
        0.1, "-", "Share of the time spent sampling faster than the interval before the alarm threshold is doubted.",
        low=0.001, high=1.0,
    )  # fmt: skip
    fast_days: float = setting(60.0, "d", "The last months, over which fast sampling is measured.", low=7.0)
    fast_most: float = setting(
        0.9, "-", "Faster than its interval for more of the time, a node has another interval and no threshold crossed.",
        low=0.1, high=1.0,
    )  # fmt: skip
    fast_below: float = setting(
        0.6, "intervals", "Check-ins closer together than this are fast sampling.", low=0.05, high=0.95
    )
    fast_times_fleet: float = setting(
        5.0, "times", "A node must sample fast this many times as often as the fleet's usual node.", low=1.0
    )
    nodes_per_gateway: int = setting(240, "nodes", "Most nodes on one network.", low=1)
    bad_share: float = setting(
        0.05, "-", "Share of readings of bad quality in the last weeks before they are reported.", low=0.0001, high=1.0
    )
    recent_days: float = setting(28.0, "d", "The last weeks, for shares that should hold now.", low=1.0)
    min_rows: int = setting(50, "check-ins", "Fewer check-ins say nothing about a node's set-up.", low=10)
    unregistered_share: float = setting(
        0.5,
        "-",
        "From this share of nodes missing in the register it is told once, for the register.",
        low=0.0,
        high=1.0,
    )
    absent_share: float = setting(
        0.25,
        "-",
        "With more than this share of the registered nodes never heard, the exports are taken to be partial.",
        low=0.0,
        high=1.0,
    )
    absent_nodes: int = setting(3, "nodes", "With fewer nodes never heard, each is told by itself.", low=1)
