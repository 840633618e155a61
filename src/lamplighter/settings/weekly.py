"""Settings of the section ``[weekly]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class WeeklySettings(Section):
    """Thresholds of the section ``[weekly]``, each with unit and reason."""
