"""A first settings file, made by looking at an export."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from pathlib import Path

from lamplighter.errors import InputError
from lamplighter.intake.preview import preview
from lamplighter.settings import load_settings, settings_toml


def starter_settings(paths: Iterable[str | Path]) -> tuple[str, tuple[str, ...]]:
    """Return a commented settings file that pins down how an export is read, and what the user should check.

    Parameters
    ----------
    paths : iterable of path
        An export, or several of one kind.

    Returns
    -------
    tuple of str and tuple of str
        The text of the file, and notices in plain words.

    Raises
    ------
    InputError
        When none can be read.
    """
    looks = [f for f in preview(paths).files if not f.problem]
    if not looks:
        raise InputError("none of the exports could be read", remedy="look at them with lamplighter preview")
    notices = [f"Read as {looks[0].layout}, times as {looks[0].time}: check with lamplighter preview."]
    found = tomllib.loads(looks[0].settings)
    if len(looks) > 1:
        # Headings differ between the kinds, so only what they share may be pinned.
        found = {"timezone": found["timezone"]} if "timezone" in found else {}
        notices.append(f"The exports are of {len(looks)} kinds; their columns are left to be recognised.")
    if "timezone" in found:
        notices.append(
            f'Times carry no offset; timezone = "{found["timezone"]}" is assumed: set the zone of the historian.'
        )
    return settings_toml(load_settings(found)), tuple(notices)


def write_starter(paths: Iterable[str | Path], out: str | Path, *, replace: bool = False) -> tuple[str, ...]:
    """Write :func:`starter_settings` to a file; return its notices.

    Raises
    ------
    InputError
        When the file is there already and may not be replaced, or cannot be written.
    """
    out = Path(out)
    if out.exists() and not replace:
        raise InputError("is there already", file=out, remedy="add --replace, or name another with --out")
    text, notices = starter_settings(paths)
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as bad:
        raise InputError(f"cannot write: {bad.strerror}", file=out, remedy="name another file with --out") from bad
    return notices
