"""Lamplighter: which wireless nodes need a person, for what, by when, and how sure we are."""

from __future__ import annotations

from lamplighter.assess import assess
from lamplighter.checkins import CheckIns
from lamplighter.errors import InputError, LamplighterError, SettingsError
from lamplighter.fleet import Fleet, read_fleet
from lamplighter.intake import read_exports
from lamplighter.results import Assessment, Finding, read_assessment
from lamplighter.settings import Settings, read_settings

__all__ = [
    "Assessment",
    "CheckIns",
    "Finding",
    "Fleet",
    "InputError",
    "LamplighterError",
    "Settings",
    "SettingsError",
    "assess",
    "read_assessment",
    "read_exports",
    "read_fleet",
    "read_settings",
    "write_report",
]


def write_report(assessment: Assessment, path: str) -> None:
    """Write the report of an assessment as one self-contained HTML file."""
    from lamplighter.report import write_report as write  # plotly is loaded only when a report is wanted

    write(assessment, path)
