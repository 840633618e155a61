"""Settings of the section ``[battery]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class BatterySettings(Section):
    """Thresholds of the section ``[battery]``, each with unit and reason."""
