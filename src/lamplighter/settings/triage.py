"""Settings of the section ``[triage]``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time

from lamplighter.errors import SettingsError
from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class TriageSettings(Section):
    """Thresholds of the section ``[triage]``, each with unit and reason.

    Money is in one currency of the user's choice; only ratios decide, so the defaults serve until better are known.
    """

    # Ranking
    planning_interval_days: float = setting(
        28.0, "days", "Time until the next planned visit: what waits, waits this long.", low=1, high=730
    )
    default_criticality: float = setting(
        3.0, "1 to 5", "Criticality of a node whose register entry does not say.", low=1, high=5
    )
    loss_cost_per_day: tuple[float, ...] = setting(
        (2.0, 5.0, 12.0, 30.0, 75.0),
        "money a day",
        "Cost of a day of lost or wrong data for criticality 1 to 5; about 2.5 times more a step.",
        low=0,
    )
    wrong_reading_share: float = setting(
        0.5, "share", "A reading outside its zero tolerance costs this share of a reading that is lost.", low=0, high=1
    )
    weak_link_share: float = setting(
        0.3,
        "share",
        "Share of check-ins taken to be at risk while the fade margin is below its minimum.",
        low=0,
        high=1,
    )
    thin_margin_share: float = setting(
        0.02, "share", "Share counted as at risk while the margin is below its minimum though check-ins still arrive.",
        low=0, high=1,
    )  # fmt: skip
    acceptable_delivery: float = setting(
        0.95, "share", "Losses down to this delivery rate are the radio's ordinary ones and no visit mends them.",
        low=0.01, high=1,
    )  # fmt: skip
    margin_uncertainty_db: float = setting(
        2.0, "dB", "Standard deviation of the fade margin besides that of its trend.", low=0.1, high=20
    )
    zero_uncertainty_share: float = setting(
        0.15, "share of tolerance", "Standard deviation of a zero error besides that of its drift.", low=0.01, high=2
    )
    battery_uncertainty_days: float = setting(
        7.0, "days", "Least standard deviation of an end-of-life date, however sharp the forecast.", low=0.1, high=365
    )
    unknown_life_days: float = setting(
        1460.0, "days", "Mean life left once only a 'no earlier than' date is known and has passed.", low=30
    )

    # Due dates
    failure_due_days: tuple[float, ...] = setting(
        (28.0, 14.0, 7.0, 3.0, 2.0),
        "days",
        "A node that is lost (F) wants a visit within this time, for criticality 1 to 5.",
        low=0,
    )
    attention_due_days: tuple[float, ...] = setting(
        (56.0, 42.0, 28.0, 21.0, 14.0),
        "days",
        "A node that is doubtful, out of specification or needs maintenance (C, S, M) with no forecast date.",
        low=0,
    )
    shared_due_days: float = setting(
        2.0, "days", "A gateway or host fault wants attention within this time: it darkens many nodes.", low=0
    )

    # Diagnosis
    rules_file: str = setting(
        "", "path", "A table of causes and likelihoods to use instead of the one that comes along."
    )
    evidence_weight: float = setting(
        0.8,
        "-",
        "Exponent on the likelihoods: below 1 because pieces of evidence are not independent.",
        low=0.1,
        high=1,
    )
    least_sure_probability: float = setting(
        0.3, "probability", "With a first cause less probable than this the job is to look into it.", low=0, high=1
    )
    second_cause_probability: float = setting(
        0.5, "probability", "A further cause at least this probable is put on the same job.", low=0.05, high=1
    )
    shown_cause_probability: float = setting(
        0.05, "probability", "Causes less probable than this are not listed.", low=0, high=1
    )
    pattern_p: float = setting(
        0.001,
        "p-value",
        "Losses follow the hour, the cold, the signal or the battery when chance rarely does.",
        low=0,
        high=1,
    )
    pattern_ratio: float = setting(
        2.0, "ratio", "... and when they are this many times more on one side than on the other.", low=1, high=100
    )
    pattern_share: float = setting(0.02, "share", "... and by at least this share of the check-ins.", low=0, high=1)
    shared_share: float = setting(
        0.6, "share", "A trouble that this share of a gateway's nodes show together is the gateway's.", low=0.05, high=1
    )
    shared_nodes: int = setting(3, "nodes", "Fewer nodes than this never make a shared trouble.", low=2)
    shared_days: float = setting(
        3.0, "days", "Troubles that began within this time of one another count as together.", low=0.1
    )

    # New nodes
    acceptance_days: float = setting(
        14.0, "days", "A node this young gets an acceptance line: the crew is still near.", low=1, high=90
    )
    acceptance_zero_share: float = setting(
        0.5, "share of tolerance", "A new node's zero error may use up this share of its tolerance.", low=0.05, high=1
    )
    acceptance_battery_share: float = setting(
        0.97, "share", "A new battery shows at least this share of the voltage usual for its type.", low=0.5, high=1
    )

    # Work log against data
    contradiction_window_days: float = setting(
        10.0, "days", "A logged swap or re-zero must show in the data within this time.", low=1, high=90
    )
    swap_rise_v: float = setting(
        0.03, "V", "A new battery of the same chemistry lifts the voltage by at least this much.", low=0.001, high=2
    )
    contradiction_recent_days: float = setting(
        90.0, "days", "A work log entry older than this is only noted when the data contradict it.", low=1
    )
    removal_grace_days: float = setting(
        2.0, "days", "A node may check in this long after the day it was logged as removed: logs carry dates.", low=0
    )

    # Visits
    horizon_days: int = setting(182, "days", "How far ahead visits are planned.", low=7, high=1100)
    currency: str = setting("", "-", "Name of the currency shown beside costs.")
    hourly_cost: float = setting(90.0, "money an hour", "A crew's hour, on the road or at work.", low=0)
    travel_hours: float = setting(
        2.0, "h", "Driving to a site and back, when nothing is said of the site.", low=0, high=24
    )
    site_travel_hours: dict[str, float] = setting({}, "h", "Driving to a site and back, by site.")
    trip_cost: float = setting(
        40.0, "money a trip", "Vehicle and preparation of one trip, besides the crew's hours.", low=0
    )
    visit_minutes: float = setting(
        20.0, "min", "Time on site a visit besides the jobs: arrival, permit, talking to the operator.", low=0
    )
    battery_price: float = setting(25.0, "money", "One battery pack, when nothing is said of the part.", low=0)
    part_prices: dict[str, float] = setting({}, "money", "Price of a part, by part number.")
    typical_life_days: float = setting(
        1460.0, "days", "Whole life of a battery whose start is not known.", low=30, high=7300
    )
    wasted_life_share: float = setting(
        0.25,
        "share",
        "A battery is not changed while more than this share of its life is likely left.",
        low=0.01,
        high=1,
    )
    wasted_life_days: float = setting(
        180.0, "days", "... nor while it will likely last longer than this, however long its whole life.", low=7
    )
    unforeseen_share: float = setting(
        0.2,
        "share",
        "Batteries that end before a later week's forecast could announce it; the others are seen coming.",
        low=0.01,
        high=1,
    )
    response_days: float = setting(
        5.0, "days", "How long a failed node stays dark when batteries are replaced on failure.", low=0
    )
    crews: dict[str, str] = setting({"Crew 1": "Mon-Fri 8h"}, "-", "Crews: working days and hours a day.")
    day_start: str = setting("08:00", "hour:minute", "When a working day begins, in the time zone of the settings.")
    days_off: tuple[str, ...] = setting((), "ISO dates", "Days on which no crew works.")
    site_months: dict[str, str] = setting({}, "-", 'Months in which a site can be reached, by site: "4-10" or "5,6,9".')
    postponed_trip_share: float = setting(
        0.5, "share", "A job left for after the horizon will cost this share of a trip then.", low=0, high=1
    )
    late_cost_per_day: float = setting(
        50.0, "money a day", "Added for each day a job is done after it is due, so that due dates give way last.", low=0
    )
    planner_gap: float = setting(
        0.01, "share", "The planner stops once its plan is proven this close to the best possible.", low=0, high=0.5
    )
    planner_nodes: int = setting(
        400,
        "branches",
        "The planner settles for what it has after this much search; counted, so that runs agree.",
        low=1,
    )
    planner_tries: int = setting(
        200,
        "tries",
        "How often sites are planned anew where proving the best plan would take too long; counted, so that runs agree.",
        low=0,
    )
    planner_seconds: float = setting(
        30.0, "s", "Last resort against a search that drags on; where it is reached, runs may differ.", low=1
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in ("loss_cost_per_day", "failure_due_days", "attention_due_days"):
            if len(getattr(self, name)) != 5:
                raise SettingsError(f"setting {name} needs five numbers, for criticality 1 to 5")
        for name in ("site_travel_hours", "part_prices"):
            for key, value in getattr(self, name).items():
                if isinstance(value, bool) or not isinstance(value, (int, float)) or not value >= 0:
                    raise SettingsError(f"setting {name}: {key} is {value!r}", remedy="write a number from 0 up")
        for name in ("crews", "site_months"):
            for key, value in getattr(self, name).items():
                if not isinstance(value, str):
                    raise SettingsError(f"setting {name}: {key} is {value!r}", remedy="write it as text in quotes")
        try:
            time.fromisoformat(self.day_start)
        except ValueError as bad:
            raise SettingsError(f"setting day_start is {self.day_start!r}", remedy='write "08:00"') from bad
