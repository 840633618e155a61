"""Settings of the section ``[stuck]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class StuckSettings(Section):
    """Thresholds of the section ``[stuck]``, each with unit and reason."""
