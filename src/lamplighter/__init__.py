"""Lamplighter: which wireless nodes need a person, for what, by when, and how sure we are."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lamplighter.checkins import CheckIns
    from lamplighter.errors import InputError, LamplighterError, SettingsError
    from lamplighter.fleet import Fleet, read_fleet
    from lamplighter.intake import read_exports
    from lamplighter.pipeline import assess
    from lamplighter.report import write_report
    from lamplighter.results import Assessment, Finding, read_assessment
    from lamplighter.settings import Settings, read_settings

# Loaded on first use, so that the command line starts at once and reading alone never loads plotly.
_HOME = {
    "Assessment": "results",
    "CheckIns": "checkins",
    "Finding": "results",
    "Fleet": "fleet",
    "InputError": "errors",
    "LamplighterError": "errors",
    "Settings": "settings",
    "SettingsError": "errors",
    "assess": "pipeline",
    "read_assessment": "results",
    "read_exports": "intake",
    "read_fleet": "fleet",
    "read_settings": "settings",
    "write_report": "report",
}

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


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'lamplighter' has no attribute {name!r}")
    return getattr(import_module(f"lamplighter.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return __all__
