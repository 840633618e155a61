"""Settings of the section ``[radio]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class RadioSettings(Section):
    """Thresholds of the section ``[radio]``, each with unit and reason."""
