"""Settings of the section ``[arrivals]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class ArrivalsSettings(Section):
    """Thresholds of the section ``[arrivals]``, each with unit and reason."""
