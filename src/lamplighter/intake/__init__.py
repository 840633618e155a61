"""Export files to check-ins."""

from __future__ import annotations

from lamplighter.intake.read import read_exports

__all__ = ["read_exports"]
