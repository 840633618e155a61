"""Settings of the section ``[arrivals]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class ArrivalsSettings(Section):
    """Thresholds of the section ``[arrivals]``, each with unit and reason."""

    confidence: float = setting(0.95, "-", "Two-sided coverage of delivery intervals.", low=0.5, high=0.999)
    short_spell_h: float = setting(
        72.0, "h", "A faster spell shorter than this is fast sampling, not a changed interval.", low=1.0, high=2000.0
    )
    silent_missed: float = setting(
        3.0, "check-ins", "Missed check-ins in a row before a node may be called silent.", low=1.0, high=1000.0
    )
    silent_quantile: float = setting(
        0.999, "-", "A silence must also exceed this share of the node's own gaps.", low=0.5, high=0.99999
    )
    silent_most_days: float = setting(
        14.0, "d", "A longer silence is told whatever the node's gaps were, once enough check-ins are missed.",
        low=1.0, high=365.0,
    )  # fmt: skip
    due_tolerance: float = setting(
        0.25, "intervals", "How late a check-in may be before it counts as missed.", low=0.0, high=1.0
    )
    recent_days: float = setting(28.0, "d", "Days that count as now when delivery is judged.", low=7.0, high=365.0)
    least_expected: float = setting(
        50.0, "check-ins", "Fewer expected check-ins than this cannot be judged.", low=5.0, high=10_000.0
    )
    low_delivery: float = setting(
        0.90, "-", "Delivery below this leaves holes that a trend display shows.", low=0.0, high=1.0
    )
    falling_loss: float = setting(
        0.05, "-", "Rise of the share lost that is worth a look; less is weather.", low=0.001, high=1.0
    )
    falling_lasts_days: float = setting(
        14.0, "d", "A fall of delivery must have lasted this long: bad spells of days pass.", low=1.0, high=365.0
    )
    falling_odds: float = setting(
        0.05, "-", "Odds, before looking, that a node's delivery has changed.", low=1e-6, high=10.0
    )
    false_discovery_rate: float = setting(
        0.05, "-", "Share of false findings tolerated among the findings of one kind.",
        source="Benjamini and Hochberg 1995, usual choice", low=1e-6, high=0.5,
    )  # fmt: skip
    outage_nodes: int = setting(3, "nodes", "Fewer nodes silent together are no common cause.", low=2, high=1000)
    outage_share: float = setting(
        0.4, "-", "Least share of a gateway's nodes silent together that blames the gateway.", low=0.1, high=1.0
    )
    host_share: float = setting(
        0.7, "-", "Least share of all nodes silent together that blames the host or its connection.", low=0.2, high=1.0
    )
    outage_log_odds: float = setting(
        20.0, "nats", "Evidence that silences coincide by a common cause and not by chance; 20 is 500 million to 1.",
        low=3.0, high=200.0,
    )  # fmt: skip
    outage_least_min: float = setting(
        15.0, "min", "Shorter common silences are collisions or crowding, not outages.", low=0.0, high=10_000.0
    )
    adopt_log_odds: float = setting(
        8.0, "nats", "Evidence that a node on no gateway in the register shares one's outages; 8 is 3,000 to 1.",
        low=1.0, high=200.0,
    )  # fmt: skip
    outage_covers: float = setting(
        0.8, "-", "A gap that an outage covers by this share is put down to it in full.", low=0.5, high=1.0
    )
    listed_missed: int = setting(
        3, "check-ins", "Gaps with fewer missed check-ins are counted but not listed.", low=1, high=1000
    )
    most_listed: int = setting(
        500, "gaps", "Most gaps listed a node, the longest; a bad link has thousands.", low=1, high=1_000_000
    )
    most_gaps: int = setting(
        20_000, "gaps", "Gaps remembered a node, the longest first; bounds memory.", low=100, high=10_000_000
    )
    burst_missed: int = setting(3, "check-ins", "Missed in a row from which a gap counts as a burst.", low=2, high=100)
    silence_days: float = setting(1.0, "d", "A gap at least this long counts as a silence.", low=0.01, high=100.0)
    told_outages: int = setting(
        8, "outages", "More outages of one gateway than this are told in one finding.", low=1, high=1000
    )
