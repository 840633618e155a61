"""Settings of the section ``[battery]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting

_CALIBRATED = "calibrated on completed lives of simulated fleets and of real logs; see checks/battery/blend.py"


@dataclass(frozen=True, kw_only=True)
class BatterySettings(Section):
    """Thresholds of the section ``[battery]``, each with unit and reason."""

    # What is looked at
    fine_below_days: float = setting(
        120.0, "days", "A record shorter than this is read in quarter days, for batteries that live only weeks.", low=0
    )
    min_days: float = setting(
        3.0, "days", "Voltage must be known on this many days before anything is said of the battery.", low=1
    )
    voltage_lost_days: float = setting(
        28.0, "days", "A node heard for so long without a credible voltage has lost its channel: no end is forecast from "
        "old voltages.", source="visits are planned by the month; common practice, no source", low=1,
    )  # fmt: skip
    voltage_lost_spacings: float = setting(
        4.0,
        "-",
        "... and for so many of the usual spacings of its voltages: some nodes send theirs once a month.",
        low=1,
    )
    unit_lasting_days: float = setting(
        3.0,
        "days",
        "Voltages a thousand times those before for so long came in another unit and are read in it.",
        low=0,
    )
    unit_match_share: float = setting(
        0.25, "share", "... when taken to volts they differ from the voltages beside them by less than this share.",
        low=0.01, high=1,
    )  # fmt: skip
    temperature_low_c: float = setting(
        -60.0, "degC", "Colder temperatures are taken as invalid and not used for compensation.", low=-273.15
    )
    temperature_high_c: float = setting(
        85.0,
        "degC",
        "Hotter temperatures are taken as invalid and not used for compensation.",
        source="upper end of the usual range of lithium primary cells, makers' handbooks (secondary)",
        high=1000,
    )
    thermometer_lost_days: float = setting(
        28.0, "days", "A thermometer silent for so long, at either end of a record, says nothing of the day: its season does.",
        source="fronts pass within days, seasons within months; common practice, no source", low=1,
    )  # fmt: skip
    reference_c: float = setting(20.0, "degC", "Voltages are adjusted to this temperature.")
    coefficient_v_per_c: float = setting(
        0.0015,
        "V/degC",
        "Temperature coefficient assumed for a single cell whose own cannot be told.",
        low=0,
        high=0.05,
    )
    coefficient_spread: float = setting(
        0.0015, "V/degC", "Spread of the coefficient between nodes of one class, for shrinking a node toward its class.",
        low=1e-6,
    )  # fmt: skip
    ambient_min_nodes: int = setting(
        3, "nodes", "With this many thermometers in the fleet, nodes without one take the fleet's weather.", low=1
    )
    reading_explains: float = setting(
        0.4, "share", "A node without a thermometer whose reading explains this share of its voltage's daily movement "
        "measures a temperature, and lends it.", low=0.1, high=1,
    )  # fmt: skip
    temperature_doubt: float = setting(
        0.25, "share", "Share of a temperature adjustment that may be wrong; days far from the usual count for less.",
        source=_CALIBRATED, low=0, high=1,
    )  # fmt: skip

    # Lives
    swap_min_share: float = setting(
        0.012, "share", "A rise must reach this share of the voltage to be a battery swap.", low=0.001, high=0.5
    )
    swap_min_sigma: float = setting(
        6.0, "-", "A rise must stand out of the node's own day-to-day movement so far.", low=1
    )
    swap_sharp_share: float = setting(
        0.65, "share", "A swap happens between two check-ins: this share of the rise must come at once.", low=0, high=1
    )
    swap_window_days: float = setting(
        3.0, "days", "Days compared on either side of a rise; a shorter wait finds a swap sooner but takes recovery for it.",
        low=0.5,
    )  # fmt: skip
    swap_begin_share: float = setting(
        0.2,
        "share",
        "A swap whose battery climbs out of passivation still begins with this share at once.",
        low=0,
        high=1,
    )
    swap_sudden_sigma: float = setting(
        4.0, "-", "The sudden change must stand out of the node's usual change over as many check-ins so far.", low=1
    )
    swap_memory_days: float = setting(
        14.0, "days", "A level is new when the voltage did not reach it in so many days before.", low=7
    )
    swap_level_share: float = setting(
        0.85,
        "share",
        "A swap leads to at least this share of the highest usual voltage: a worn battery that recovers does not.",
        low=0,
        high=1,
    )
    swap_certain_share: float = setting(
        0.08,
        "share",
        "Weather does not move the voltage by this share at once; such a rise needs no temperature.",
        low=0,
    )
    swap_blind_factor: float = setting(
        2.0, "-", "Without a temperature a rise must be this much larger: weather cannot be told from a swap.", low=1
    )
    dip_days: float = setting(
        10.0, "days", "A low that began as suddenly as it ended and lasted less is a disturbance, not a swap.", low=0
    )
    log_match_days: float = setting(7.0, "days", "A rise this near to a logged replacement is that replacement.", low=0)

    # When it ends
    assumed_end_v: float = setting(
        1.0, "V", "End point assumed for each 1.5 V of a battery of unknown chemistry.",
        source="end points of letters L (1.0 V) and C (2.0 V for 3 V), table of IEC letters (secondary)", low=0.5, high=1.5,
    )  # fmt: skip
    assumed_match_share: float = setting(
        0.04, "share", "A fresh voltage this near to a multiple of 3.6 V is taken for lithium thionyl chloride.", low=0
    )
    below_hold_days: float = setting(
        4.0, "days", "Voltage must stay under the cut-off this long to have ended the battery.", low=0
    )
    below_lasting_days: float = setting(
        10.0, "days", "... and when it goes on sending, this long: a front or a cold week alone ends no battery.", low=0
    )
    last_stretch: float = setting(
        0.25, "share", "In this last share of the way to the cut-off, readings or check-ins that fail end the battery.",
        low=0, high=1,
    )  # fmt: skip
    collapse_share: float = setting(
        0.3, "share", "Days with fewer than this share of the usual check-ins count as failing.", low=0, high=1
    )
    response_days: float = setting(
        60.0, "days", "The response to temperature of so many last days may differ from that of the whole record: inner "
        "resistance grows toward a battery's end.", low=10,
    )  # fmt: skip
    response_growth: float = setting(
        0.5, "share", "... by about this share of it.", source=_CALIBRATED, low=0.01, high=5
    )
    cold_margin_sd: float = setting(
        0.0,
        "sd",
        "How far below the season's mean a battery must hold; 0 is the end that lasts, more an earlier, colder day.",
        low=0,
    )
    warm_margin_sd: float = setting(
        1.0, "sd", "How far the warmest of the days that make an end last lies above the season's mean.",
        source="mean of the largest of four independent normal values is 1.03 sd; four weeks' fronts in ten days", low=0,
    )  # fmt: skip
    coldest_of_days: float = setting(
        90.0, "days", "The first shortfall in the cold waits at most for the coldest day of so many: a winter.",
        source="median of the largest of 18 independent normal values, one for each front, is 1.78 sd", low=5,
    )  # fmt: skip
    cold_hours_share: float = setting(
        1.0, "share", "... in its coldest hours: the share that counts of what they lie below the day's mean.",
        low=0, high=3,
    )  # fmt: skip
    cold_loss_per_c: float = setting(
        0.003, "share/degC", "Share of the capacity that each degree under 10 degC takes out of reach; a third for lithium.",
        source="calibrated on completed lives of simulated fleets; a secondary page has twice as much for alkaline cells",
        low=0, high=0.03,
    )  # fmt: skip
    cold_earlier_days: float = setting(
        7.0, "days", "A shortfall in the cold is told of when it comes so much earlier than the end that lasts.",
        source="visits are planned by the week; common practice, no source", low=0,
    )  # fmt: skip
    weather_days: float = setting(
        5.0, "days", "Temperatures nearer than this are one piece of evidence of the season.",
        source="fronts pass within days; common practice, no source", low=0.1,
    )  # fmt: skip
    season_swing_c: float = setting(
        10.0, "degC", "Usual size of each wave of the yearly temperature; what a short record does not show of it is doubt.",
        source="half the range of monthly means is 5 to 20 degC in temperate climates; from memory", low=0.1,
    )  # fmt: skip

    # The forecast
    evidence_bins: float = setting(
        12.0, "-", "Independent pieces of evidence in one life's voltage; more would make the forecast too sure of itself.",
        source=_CALIBRATED, low=2,
    )  # fmt: skip
    model_error_share: float = setting(
        0.0025, "share", "How far a true discharge curve strays from every stored one, as a share of the voltage.",
        source=_CALIBRATED, low=1e-5,
    )  # fmt: skip
    spread_known: float = setting(
        0.48, "-", "Factor on the width of the forecast in log remaining time, for a battery whose start is known.",
        source=_CALIBRATED, low=0.2, high=5,
    )  # fmt: skip
    spread_bound: float = setting(
        1.15, "-", "A further factor for the bound that 95 % outlast: it lies in the early tail.", source=_CALIBRATED,
        low=1, high=5,
    )  # fmt: skip
    tipping_share: float = setting(
        0.007, "share", "Standard deviation of the very day of the end, as a share of the record's length.",
        source=_CALIBRATED, low=0, high=0.1,
    )  # fmt: skip
    spread_chemistry: float = setting(
        1.25, "-", "A further factor where the chemistry is not known.", source=_CALIBRATED, low=0.2, high=5
    )
    spread_flat: float = setting(
        1.5, "-", "The same while the voltage is flat and charge budget or fleet lives carry the forecast.",
        source=_CALIBRATED, low=0.2, high=5,
    )  # fmt: skip
    spread_unknown: float = setting(
        0.84, "-", "The same for a battery that was already in use when the record begins.", source=_CALIBRATED,
        low=0.2, high=5,
    )  # fmt: skip
    weight_curve: float = setting(
        0.30, "-", "Weight of the discharge curves in the blend.", source=_CALIBRATED, low=0.01
    )
    weight_knee: float = setting(0.45, "-", "Weight of the steepening fit in the blend.", source=_CALIBRATED, low=0.01)
    weight_trend: float = setting(0.25, "-", "Weight of the local trend in the blend.", source=_CALIBRATED, low=0)
    capacity_sd: float = setting(
        0.15, "-", "Spread of usable capacity between batteries of one kind, in log units.", low=0.01
    )
    usable_capacity: float = setting(
        0.92, "share", "What is had of the rated capacity: the rating is at one current, 20 degC and a lower cut-off.",
        low=0.3, high=1.2,
    )  # fmt: skip
    charge_sd: float = setting(0.20, "-", "Spread of a charge budget's consumption, in log units.", low=0.01)
    self_discharge_q10: float = setting(
        2.0,
        "-",
        "Self-discharge grows by this factor for each 10 degC.",
        source="Q10 rule, secondary page",
        low=1,
        high=5,
    )
    min_completed_lives: int = setting(3, "lives", "Completed lives of a class before they inform others.", low=1)
    longest_days: float = setting(7300.0, "days", "No battery is forecast to last longer.", low=365)

    # What is said
    uninformative_ratio: float = setting(
        8.0, "-", "A forecast whose late date lies this many times farther than the early one is no date; only a bound is given.",
        low=2,
    )  # fmt: skip
    uninformative_days: float = setting(
        4.0, "days", "... an early date nearer than this counts as this: the ratio of days to hours is no lack of knowledge.",
        source="no visit is planned to the day; common practice, no source", low=0,
    )  # fmt: skip
    fall_sigma: float = setting(
        2.0, "-", "A voltage has fallen when it lost this many times its own scatter over the record.", low=0.5
    )
    flat_headroom: float = setting(
        0.6, "share", "While more than this share of the way from fresh to cut-off is left, a wide forecast is no date.",
        source=_CALIBRATED, low=0, high=1,
    )  # fmt: skip
    plan_ahead_days: float = setting(90.0, "days", "A battery that probably ends within this time is a finding.", low=1)
    plan_ahead_probability: float = setting(
        0.65, "probability", "... when it ends within it at least this probably: an even chance demands no visit yet.",
        low=0.05, high=1,
    )  # fmt: skip
    certain_within_days: float = setting(
        14.0, "days", "A battery that may well end within this time is a finding however late its range reaches.", low=0
    )
    certain_within_probability: float = setting(
        0.3, "probability", "... when it ends within it at least this probably: a week later may be too late to go.",
        low=0.05, high=1,
    )  # fmt: skip

    # Rechargeable
    solar_swing_share: float = setting(
        0.01,
        "share",
        "A daily swing of this share of the voltage beyond noise and temperature points to a charger.",
        low=0,
    )
    solar_blind_factor: float = setting(
        2.5, "-", "Without a temperature the swing must be this much wider: the day's warmth makes one too.", low=1
    )
    solar_fall_share_per_week: float = setting(
        0.008, "share", "Weekly fall of the nightly voltage of a charged battery that means it is not kept up.", low=0
    )
    solar_min_weeks: int = setting(
        3, "weeks", "Weeks of falling voltage before a charged battery is called run down.", low=2
    )
