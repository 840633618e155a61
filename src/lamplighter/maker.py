"""What stands for the code, libraries and settings that summaries are made with: others may answer otherwise."""

from __future__ import annotations

import hashlib
import json
import platform
import zoneinfo
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from lamplighter.settings import Settings

LIBRARIES = ("lamplighter", "numpy", "scipy")


def code_on_disk() -> str:
    """Return what stands for the code as it lies on the disk; empty where it cannot be read: then nothing is kept."""
    try:
        said = [platform.machine(), *(version(name) for name in LIBRARIES)]
        files = sorted(Path(__file__).parent.rglob("*.py"))
        content = [file.read_bytes() for file in files]
    except (OSError, PackageNotFoundError):
        return ""
    found = hashlib.blake2b("\n".join(said).encode(), digest_size=16)
    for part in content:
        found.update(part)
    return found.hexdigest() if content else ""


CODE = code_on_disk()
"""Taken when the package is loaded: what is changed on the disk later is not what runs here."""


def maker(settings: Settings, checks: Sequence[str]) -> str:
    """Return what stands for the settings that the checks' summaries are made with: the time zone, and their own."""
    said = settings.as_dict()
    used = {name: said[name] for name in ("timezone", *checks)}
    return json.dumps([rules_of(settings.timezone), used], sort_keys=True)


def rules_of(zone: str) -> str:
    """Return what stands for the rules of a time zone, which change by law: its file, found as Python finds it."""
    for place in zoneinfo.TZPATH:
        path = Path(place, zone)
        if path.is_file():
            return hashlib.blake2b(path.read_bytes(), digest_size=16).hexdigest()
    try:
        return version("tzdata")
    except PackageNotFoundError:
        return ""
