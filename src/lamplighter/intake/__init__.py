"""Export files to check-ins."""

from __future__ import annotations

from lamplighter.intake.preview import Preview, preview
from lamplighter.intake.read import read_exports

__all__ = ["Preview", "preview", "read_exports"]
