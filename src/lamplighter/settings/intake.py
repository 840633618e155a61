"""Settings of the section ``[intake]``."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class IntakeSettings(Section):
    """Thresholds of the section ``[intake]``, each with unit and reason."""

    date_order: str = setting(
        "auto",
        "-",
        "Order of dates such as 03/04/2026 where the whole column does not tell.",
        choices=("auto", "day first", "month first"),
    )
    decimal: str = setting("auto", "-", "Decimal mark, where the file does not tell.", choices=("auto", ".", ","))
    delimiter: str = setting(
        "auto", "-", "Mark between cells, where the file does not tell.", choices=("auto", ",", ";", "\t", "|")
    )
    encoding: str = setting("auto", "-", "Encoding of the text, where the file does not tell, such as cp1252.")
    quality_codes: str = setting(
        "auto",
        "-",
        "What numbers in a quality column mean: 0 is bad in OPC Classic and good in OPC UA.",
        source="OPC Data Access quality flags; OPC UA Part 4, status codes",
        choices=("auto", "classic", "ua", "one is good", "none"),
    )
    missing_values: tuple[float, ...] = setting(
        (-9999.0,), "-", "Numbers that stand for no value; add the error codes of the transmitters, such as 7999."
    )
    missing_words: tuple[str, ...] = setting((), "-", "Further words that stand for no value.")
    earliest: str = setting(
        "2001-01-01",
        "ISO 8601",
        "Clocks that lost their time restart in 1970, 1980 or 2000; earlier stamps are set aside.",
    )
    latest: str = setting("", "ISO 8601", "Later stamps are set aside; empty means the day after the present.")
    join_tolerance_s: float = setting(
        10.0,
        "s",
        "Values of one check-in are stored a few seconds apart; nodes rarely check in more often than this.",
        low=0.0,
        high=600.0,
    )
    renames: dict[str, str] = setting({}, "-", "Old name of a node = new name, so that its history goes on.")
    storage: str = setting(
        "auto",
        "-",
        "How the historian stored the values, where the data do not tell.",
        choices=("auto", "every check-in", "compressed", "forward filled"),
    )
    filled_min_runs: int = setting(20, "runs", "Fewer changes of value cannot show a pattern.", low=3)
    filled_min_even: float = setting(0.9, "-", "A grid has nearly all rows at one spacing.", low=0.5, high=1.0)
    filled_max_single: float = setting(
        0.05, "-", "On a grid finer than the check-ins values hardly ever change two rows running.", low=0.0, high=0.5
    )
    filled_min_typical: float = setting(
        0.5,
        "-",
        "Changes at random put at most a sixth of the runs near one length at so few single ones.",
        low=0.3,
        high=1.0,
    )
    compressed_min_rows: int = setting(
        30, "rows", "Fewer steps of the reading cannot show that small ones are missing.", low=10
    )
    compressed_max_even: float = setting(
        0.5, "-", "Readings at even times are not stored by exception.", low=0.1, high=1.0
    )
    compressed_max_equal: float = setting(
        0.02, "-", "Storage by exception leaves out a value that stays.", low=0.0, high=0.5
    )
    compressed_min_hole: float = setting(
        0.2,
        "-",
        "Smallest step over the typical one: near 0 where all steps are stored, near 1 at a dead band.",
        low=0.02,
        high=1.0,
    )
    compressed_min_share: float = setting(
        0.3,
        "-",
        "Storage is set for a historian, not for a node; a single one that looks so is chance.",
        low=0.0,
        high=1.0,
    )
    rename_max_gap: float = setting(
        5.0,
        "check-in intervals",
        "A node that goes on under another name does so at once; a few check-ins may be lost.",
        low=1.0,
    )
    mixed_min_rows: int = setting(60, "rows", "Turns of two nodes show within a few dozen check-ins.", low=20)
    mixed_min_turns: float = setting(
        0.6,
        "-",
        "Two nodes take turns except where check-ins are lost; one node's values do so in two measures by chance only.",
        low=0.3,
        high=1.0,
    )
    max_expansion: float = setting(
        250.0, "times", "Exports shrink 5 to 30 times; a file that grows more than this is refused as a trap.", low=1.0
    )
    max_quoted_lines: int = setting(
        50, "lines", "A quoted cell longer than this is a stray quotation mark, not text with line breaks.", low=1
    )
    block_mb: float = setting(
        8.0, "MB", "Read at a time: large enough to be fast, small enough for any machine.", low=0.001, high=1024.0
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in ("earliest", "latest"):
            _check_instant(name, getattr(self, name))


def _check_instant(name: str, text: str) -> None:
    from datetime import datetime

    from lamplighter.errors import SettingsError

    try:
        if text:
            datetime.fromisoformat(text)
    except ValueError as bad:
        raise SettingsError(f"setting {name} is {text!r}", remedy="write a day such as 2026-01-31") from bad
