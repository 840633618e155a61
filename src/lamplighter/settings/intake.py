"""Settings of the section ``[intake]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class IntakeSettings(Section):
    """Thresholds of the section ``[intake]``, each with unit and reason."""
