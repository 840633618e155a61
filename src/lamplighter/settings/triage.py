"""Settings of the section ``[triage]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section


@dataclass(frozen=True, kw_only=True)
class TriageSettings(Section):
    """Thresholds of the section ``[triage]``, each with unit and reason."""
