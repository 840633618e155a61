"""Settings of the section ``[zero]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class ZeroSettings(Section):
    """Thresholds of the section ``[zero]``, each with unit and reason."""
