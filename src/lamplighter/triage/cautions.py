"""Cautions shown beside work; nothing here authorises any."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from functools import cache
from importlib.resources import files

ALWAYS = "site"
"""The caution shown with every other: the site's procedures, codes and licensed practice come first."""


@cache
def all_cautions() -> dict[str, str]:
    """Return every caution by its key, in the order they are shown."""
    text = files("lamplighter.triage").joinpath("data", "cautions.csv").read_text(encoding="utf-8")
    return {row["key"]: row["text"] for row in csv.DictReader(io.StringIO(text))}


def cautions_for(keys: Iterable[str]) -> list[str]:
    """Return the texts of cautions, the general one first.

    Parameters
    ----------
    keys : iterable of str
        Keys as on an item; those not known are passed over.
    """
    wanted = {ALWAYS, *keys}
    return [text for key, text in all_cautions().items() if key in wanted]
