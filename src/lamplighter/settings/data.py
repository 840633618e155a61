"""Settings of the section ``[data]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class DataSettings(Section):
    """Thresholds of the section ``[data]``, each with unit and reason."""
