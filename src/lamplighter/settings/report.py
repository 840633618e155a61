"""Settings of the section ``[report]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class ReportSettings(Section):
    """Thresholds of the section ``[report]``, each with unit and reason."""
