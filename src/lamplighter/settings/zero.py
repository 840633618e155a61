"""Settings of the section ``[zero]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class ZeroSettings(Section):
    """Thresholds of the section ``[zero]``, each with unit and reason."""

    tolerance_pct_span: float = setting(
        1.0, "% of span", "Zero error tolerated where the register says nothing.", low=0.01, high=50.0
    )
    false_rate: float = setting(
        0.05, "-", "Expected share of false ones among the zero drifts and steps called in one assessment.",
        low=1e-6, high=0.5,
    )  # fmt: skip
    drift_floor: float = setting(
        0.75, "tolerances", "A drift that has moved the zero by less than this asks for no visit.", low=0.0
    )
    step_probability: float = setting(
        0.001,
        "-",
        "A step of the zero is called when chance brings one forth less often than this.",
        low=1e-9,
        high=0.1,
    )
    step_floor: float = setting(1.0, "tolerances", "A smaller step of the zero asks for no visit.", low=0.0)
    rest_band_pct_span: float = setting(
        20.0,
        "% of span",
        "Readings further from zero are no rest at zero, even with the largest drift.",
        low=1.0,
        high=50.0,
    )
    near_pct_span: float = setting(
        4.0, "% of span", "Where the register does not say that a process rests at zero, its rests must begin this near it.",
        low=0.1, high=20.0,
    )  # fmt: skip
    near_scatter_pct_span: float = setting(
        0.2, "% of span", "... its rests must differ by less than this from day to day ...", low=0.001, high=5.0
    )
    near_wander_pct_span: float = setting(
        0.4, "% of span", "... what is neither drift, step nor temperature must stay below this: a zero wanders little ...",
        low=0.001, high=5.0,
    )  # fmt: skip
    near_passing: float = setting(
        0.5, "-", "... and fewer readings than this, for each one at rest, may lie just above: a process lingers, a rest "
        "does not.", low=0.0, high=10.0,
    )  # fmt: skip
    quiet_pct_span: float = setting(
        0.15, "% of span", "Neighbouring readings at rest differ by less: noise and temperature, not the process.",
        low=0.001, high=5.0,
    )  # fmt: skip
    rest_gathered: float = setting(
        0.7, "-", "Share of a day's readings about its rest that must lie at it; those of a running process spread.",
        low=0.0, high=1.0,
    )  # fmt: skip
    cluster_pct_span: float = setting(
        0.5,
        "% of span",
        "Quiet readings of one day this close to its lowest level belong to the rest.",
        low=0.01,
        high=5.0,
    )
    floor_pct_span: float = setting(
        1.0,
        "% of span",
        "A drift that was this near the lowest reading the instrument gives has crept onto it.",
        low=0.1,
    )
    lifted_days: int = setting(
        60, "days", "Days before and after that show where the zero lies: a line that does not drain for some weeks rests "
        "above it meanwhile.", low=3, high=400,
    )  # fmt: skip
    outlier_pct_span: float = setting(
        1.5, "% of span", "A day this far from the days around it was no rest at zero.", low=0.1, high=20.0
    )
    min_rest_days: int = setting(15, "days", "Fewer days with a rest show no trend.", low=5)
    min_span_days: float = setting(45.0, "d", "Over a shorter time a drift cannot be told from weather.", low=7.0)
    min_share: float = setting(
        0.02,
        "-",
        "Share of the record's days on which a rest must be seen for it to count as a habit.",
        low=0.0,
        high=1.0,
    )
    thermal_pct_span_per_c: float = setting(
        0.02, "% of span per degC", "Usual size of a thermal zero shift; how far temperature is allowed to explain the zero.",
        low=0.0001, high=1.0,
    )  # fmt: skip
    season_pct_span: float = setting(
        0.2, "% of span", "Usual size of a yearly swing of the zero where no temperature is there to explain it.",
        low=0.001, high=5.0,
    )  # fmt: skip
    usual_step_tolerances: float = setting(4.0, "tolerances", "Usual size of a step of the zero.", low=0.1)
    usual_drift_tolerances: float = setting(4.0, "tolerances per year", "Usual size of a zero drift.", low=0.1)
    change_odds: float = setting(
        0.1, "-", "Odds, before looking, that a zero changes at all within a record.", low=1e-6
    )
    bend_days: float = setting(30.0, "d", "A drift must have lasted this long to be told from wander.", low=3.0)
    most_changes: int = setting(4, "changes", "Most steps and drifts looked for in one record.", low=1, high=10)
    reset_share: float = setting(
        0.5, "-", "A step that takes away at least this share of the error is taken for a re-zero nobody logged.",
        low=0.1, high=1.0,
    )  # fmt: skip
    horizon_years: float = setting(3.0, "yr", "A forecast of leaving the tolerance further away is not given.", low=0.1)
    negative_hours: float = setting(
        6.0, "h", "A reading below its range for less together is weather or a passing fault.", low=0.1
    )
    negative_levels: int = setting(
        5, "values", "A reading stuck below its range is no zero error; it must still move.", low=1
    )
    peer_floor: float = setting(
        2.0, "tolerances", "Two nodes on one process differ by more before they are said to disagree.", low=0.1
    )
