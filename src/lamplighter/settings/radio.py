"""Settings of the section ``[radio]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class RadioSettings(Section):
    """Thresholds of the section ``[radio]``, each with unit and reason."""

    lowest_dbm: float = setting(
        -140.0, "dBm", "Below this a value is no signal strength but a code for none.", low=-200.0
    )
    highest_dbm: float = setting(
        0.0, "dBm", "At or above this a value is no signal strength but a code or a missing sign.", high=30.0
    )
    history_days: float = setting(
        800.0,
        "d",
        "How far back trends and steps are looked for; two years show the seasons apart.",
        low=60.0,
        high=10_000.0,
    )
    least_days: int = setting(30, "d", "Fewer days with RSSI than this say nothing of a trend.", low=10, high=1000)
    least_rows_share: float = setting(
        0.2, "-", "A day with fewer check-ins than this share of the usual number is left out.", low=0.0, high=1.0
    )
    season_db: float = setting(
        3.0, "dB", "Usual half swing of RSSI over the year (leaves, snow, humidity).", low=0.01, high=50.0
    )
    temperature_db: float = setting(1.5, "dB per 10 degC", "Usual effect of temperature on RSSI.", low=0.01, high=50.0)
    usual_step_db: float = setting(
        8.0, "dB", "Usual size of a step when there is one; sets the penalty.", low=0.1, high=60.0
    )
    usual_slope_db: float = setting(
        10.0, "dB per year", "Usual size of a trend when there is one; sets the penalty.", low=0.1, high=200.0
    )
    usual_wander_db: float = setting(
        2.0, "dB", "Usual slow wander of RSSI that season and temperature do not explain.", low=0.1, high=50.0
    )
    common_nodes: int = setting(
        8, "nodes", "Nodes needed to tell weather that all of them share from what one does alone.", low=3, high=10_000
    )
    shared_error_db: float = setting(
        0.5, "dB per year", "How well the trend of shared weather is known within a year or so; widens slopes.",
        low=0.0, high=20.0,
    )  # fmt: skip
    doubtful_p: float = setting(
        0.1, "-", "Nodes whose trend is less likely than this by chance are looked at again, shared weather taken out.",
        low=0.0, high=1.0,
    )  # fmt: skip
    change_odds: float = setting(
        0.05, "-", "Odds, before looking, that a node's RSSI has changed for good.", low=1e-6, high=10.0
    )
    step_margin_days: float = setting(
        10.0, "d", "A step must have lasted this long: a flood or a parked truck passes.", low=1.0, high=100.0
    )
    trend_margin_days: float = setting(45.0, "d", "A trend must have lasted this long.", low=7.0, high=1000.0)
    least_slope_db: float = setting(
        3.0,
        "dB per year",
        "A slower decline is not worth a finding: years pass before it matters.",
        low=0.0,
        high=100.0,
    )
    least_fall_db: float = setting(
        2.0, "dB", "A decline must have cost this much so far; less is within the weather.", low=0.0, high=50.0
    )
    least_step_db: float = setting(4.0, "dB", "A smaller step is not worth a finding.", low=0.1, high=60.0)
    rise_step_db: float = setting(
        8.0, "dB", "A rise of this size is told: something was done, or moved.", low=0.1, high=60.0
    )
    false_discovery_rate: float = setting(
        0.02, "-", "Share of false findings tolerated among the findings of one kind; a visit for nothing is two hours.",
        source="method of Benjamini and Hochberg 1995; the rate is a choice", low=1e-6, high=0.5,
    )  # fmt: skip
    sensitivity_dbm: float = setting(
        -100.0, "dBm", "Receiver sensitivity where the register gives none; set it to the radio's data sheet.",
        source="IEEE 802.15.4 asks for -85 dBm (2450 MHz) and -92 dBm (868/915 MHz); radios do better", low=-150.0, high=-30.0,
    )  # fmt: skip
    recent_days: float = setting(28.0, "d", "Days that count as now when the margin is judged.", low=7.0, high=365.0)
    least_margin_db: float = setting(
        10.0, "dB", "Fade margin wanted: Rayleigh fading takes about 10 % of check-ins at 10 dB, 1 % at 20 dB.",
        source="Rayleigh distribution: outage = 1 - exp(-10^(-margin/10))", low=0.0, high=60.0,
    )  # fmt: skip
    critical_margin_db: float = setting(
        3.0, "dB", "Below this margin a link is told even while its check-ins still arrive.", low=-20.0, high=60.0
    )
    holds_delivery: float = setting(
        0.98, "-", "A link that delivers this share is let be, thin margin or not.", low=0.0, high=1.0
    )
    too_strong_dbm: float = setting(
        -20.0, "dBm", "Stronger than this the radios are within a foot or two and may overload.", low=-80.0, high=30.0
    )
    frequency_mhz: float = setting(
        915.0, "MHz", "Radio frequency, for the loss in free space.", low=100.0, high=10_000.0
    )
    gateway_gain_dbi: float = setting(
        0.0, "dBi", "Gain of the gateway's antenna less its cable loss.", low=-20.0, high=40.0
    )
    impossible_db: float = setting(
        10.0, "dB", "RSSI this much above free space cannot be: distance, power or gain in the register is wrong.",
        source="ITU-R P.525", low=3.0, high=60.0,
    )  # fmt: skip
    forecast_years: float = setting(
        5.0, "years", "Crossings of the margin further off than this are not dated.", low=0.1, high=50.0
    )
    gateway_share: float = setting(
        0.6,
        "-",
        "Least share of a gateway's nodes whose RSSI drops together that blames its antenna.",
        low=0.2,
        high=1.0,
    )
    gateway_nodes: int = setting(4, "nodes", "Fewer nodes cannot blame a gateway's antenna.", low=2, high=1000)
    gateway_step_db: float = setting(
        3.0, "dB", "A smaller drop common to a gateway's nodes is weather.", low=0.5, high=60.0
    )
