"""Settings of the section ``[history]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class HistorySettings(Section):
    """How a history is stored, each with unit and reason."""

    buckets: int = setting(
        64,
        "groups of nodes",
        "A month of a group is one file: at 2,000 nodes a weekly run rewrites files of about 90,000 rows. "
        "Used when the history is made; raise it to 1024 for 100,000 nodes.",
        source="measured on this project's store",
        low=1,
        high=65_536,
    )
    wait_s: float = setting(
        30.0, "s", "Time that a second collect waits for the first before it gives up.", low=0.0, high=86_400.0
    )
