"""Battery cells: chemistries, IEC 60086 designations, discharge curves and typical capacities.

Curves and capacities are data (``data/curves.csv``, ``data/cells.csv``), each line with its source. They are typical
figures, not a maker's promise: IEC 60086-2 specifies minimum average durations, not capacities. What the register says
of a node always comes first.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files

import numpy as np

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chemistry:
    """What is typical of a battery chemistry; volts are a cell's.

    ``cutoff_v`` is the end point assumed when the register names none; ``self_discharge`` is the share of capacity lost
    a year at 25 degC; ``forecast`` is False for rechargeable cells kept up by a charger, where voltage is a balance.
    """

    name: str
    words: str
    letter: str
    nominal_v: float
    fresh_v: float
    cutoff_v: float
    self_discharge: float
    lithium: bool = False
    forecast: bool = True
    source: str = ""


CHEMISTRIES: dict[str, Chemistry] = {
    c.name: c
    for c in (
        Chemistry(
            name="li-socl2", words="lithium thionyl chloride", letter="E", nominal_v=3.6, fresh_v=3.65, cutoff_v=3.0,
            self_discharge=0.01, lithium=True,
            source="3.6 V, self-discharge under 1 % a year: makers' handbooks (secondary); cut-off: common practice",
        ),
        Chemistry(
            name="li-mno2", words="lithium manganese dioxide", letter="C", nominal_v=3.0, fresh_v=3.1, cutoff_v=2.0,
            self_discharge=0.01, lithium=True,
            source="nominal 3 V, end point 2.0 V: table of IEC letters (secondary); self-discharge from memory",
        ),
        Chemistry(
            name="alkaline", words="alkaline", letter="L", nominal_v=1.5, fresh_v=1.58, cutoff_v=0.9,
            self_discharge=0.025,
            source="nominal 1.5 V: table of IEC letters (secondary); end point, 2 to 3 % a year: from memory",
        ),
        Chemistry(
            name="li-fes2", words="lithium iron disulphide", letter="F", nominal_v=1.5, fresh_v=1.75, cutoff_v=0.9,
            self_discharge=0.005, lithium=True, source="from memory",
        ),
        Chemistry(
            name="lead-acid", words="lead-acid with a charger", letter="", nominal_v=2.0, fresh_v=2.13, cutoff_v=1.9,
            self_discharge=0.04, forecast=False, source="from memory",
        ),
        Chemistry(
            name="li-ion", words="lithium-ion with a charger", letter="", nominal_v=3.7, fresh_v=4.1, cutoff_v=3.3,
            self_discharge=0.02, lithium=True, forecast=False, source="from memory",
        ),
        Chemistry(
            name="nickel", words="nickel-metal hydride with a charger", letter="", nominal_v=1.2, fresh_v=1.35,
            cutoff_v=1.0, self_discharge=0.2, forecast=False, source="from memory",
        ),
    )
}  # fmt: skip

_LETTERS = {c.letter: c.name for c in CHEMISTRIES.values() if c.letter}
_WORDS = (
    ("li-ion", ("phosphate", "lifepo")),
    ("li-socl2", ("socl2", "thionyl", "ltc")),
    ("li-mno2", ("mno2", "manganese", "limn")),
    ("li-fes2", ("fes2", "disulf", "disulph", "iron")),
    ("alkaline", ("alkal",)),
    ("lead-acid", ("lead", "pba", "pb-", "sla", "agm", "vrla", "gel")),
    ("nickel", ("nimh", "nicd", "ni-mh", "ni-cd", "nickel")),
    ("li-ion", ("ion", "lipo", "polymer", "nmc", "lco", "rechargeable", "18650")),
)
_DESIGNATION = re.compile(r"^(\d{0,2})([A-Z]?)R(\d{1,5})[A-Z]*$")
_SIZE_NAMES = {"AAA": "03", "AA": "6", "C": "14", "D": "20"}
_LONG_SIZES = {"6": "14505", "14": "26500", "20": "34615"}
"""The same can by diameter and height: Linden's Handbook of Batteries, table 4.9a, gives the dimensions."""
_COUNT = re.compile(r"^\s*(\d{1,2})\s*(?:[xX×*]|pcs|cells?)\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What a designation or the register's words say: chemistry, cells in series, size code, capacity [Ah]."""

    chemistry: str = UNKNOWN
    series: int | None = None
    size: str = ""
    capacity_ah: float | None = None

    @property
    def nominal_v(self) -> float | None:
        """Nominal voltage of the whole battery [V], None when chemistry or cell count is not known."""
        if self.chemistry == UNKNOWN or self.series is None:
            return None
        return CHEMISTRIES[self.chemistry].nominal_v * self.series


def chemistry_named(text: str) -> str:
    """Return the chemistry that a register's words name, ``"unknown"`` when none does."""
    plain = text.strip().lower().replace("_", "-")
    if plain in CHEMISTRIES:
        return plain
    squeezed = plain.replace(" ", "").replace("/", "")
    if squeezed in ("solar", "pv"):
        return "lead-acid"
    found = (name for name, words in _WORDS if any(w in squeezed or w in plain for w in words))
    return next(found, UNKNOWN)


def parse_designation(text: str) -> Cell:
    """Read an IEC 60086 designation of a round cell, such as ``ER14505``, ``CR17450``, ``LR6``, ``FR6`` or ``2xLR20``.

    Parameters
    ----------
    text : str
        Cells in series (optional, ``2x`` or the standard's own prefix), the letter of the electrochemical system, ``R``
        for round, and the size: an old code (R03, R6, R14, R20) or diameter and height in tenths of a millimetre.

    Returns
    -------
    Cell
        Unknown fields stay empty when the text is no such designation.

    Notes
    -----
    Letters: table of IEC letters (secondary). A code without a letter is zinc-carbon, for which nothing is stored here.
    """
    count = _COUNT.match(text)
    rest = text[count.end() :] if count else text
    match = _DESIGNATION.match(re.sub(r"[\s-]", "", rest).upper())
    if not match:
        return Cell(series=int(count.group(1)) if count else None)
    prefix, letter, size = match.groups()
    chemistry = _LETTERS.get(letter, UNKNOWN)
    series = int(count.group(1)) if count else int(prefix) if prefix else 1
    return Cell(chemistry=chemistry, series=series, size=size, capacity_ah=typical_capacities().get((chemistry, size)))


def cell_of(chemistry: str, part: str) -> Cell:
    """Return what the register's two columns say together; its words for the chemistry come before the part."""
    parsed = _common_size(part) or parse_designation(part)
    named = chemistry_named(chemistry) if chemistry else UNKNOWN
    if named == UNKNOWN and chemistry:
        spoken = parse_designation(chemistry)
        named = spoken.chemistry
        parsed = parsed if parsed.size else spoken
    if named in (UNKNOWN, parsed.chemistry):
        return parsed
    if named == "li-socl2":
        parsed = replace(parsed, size=_LONG_SIZES.get(parsed.size, parsed.size))
    capacity = typical_capacities().get((named, parsed.size))
    return Cell(chemistry=named, series=parsed.series, size=parsed.size, capacity_ah=capacity)


def _common_size(part: str) -> Cell | None:
    """Return the cell of a part given by its everyday size name alone, such as ``2xAA``; None for any other."""
    count = _COUNT.match(part)
    name = (part[count.end() :] if count else part).strip().upper()
    if name not in _SIZE_NAMES:
        return None
    return Cell(series=int(count.group(1)) if count else 1, size=_SIZE_NAMES[name])


def cells_in_series(chemistry: str, volts: float) -> int:
    """Return how many cells in series best explain a fresh battery's voltage [V]; at least one."""
    c = CHEMISTRIES[chemistry]
    return max(1, round(volts / (0.5 * (c.nominal_v + c.fresh_v))))


def _rows(name: str) -> list[dict[str, str]]:
    text = files("lamplighter.checks.battery").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def typical_capacities() -> dict[tuple[str, str], float]:
    """Return typical capacities by chemistry and size code [Ah]."""
    return {(r["chemistry"], r["size"]): float(r["capacity_ah"]) for r in _rows("cells.csv")}


@cache
def discharge_curves() -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
    """Return curves by chemistry and variant: depth of discharge [0..1] and a cell's loaded voltage [V]."""
    points: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for r in _rows("curves.csv"):
        points.setdefault((r["chemistry"], r["variant"]), []).append((float(r["dod"]), float(r["volts"])))
    return {key: tuple(np.array(p, dtype=float).T) for key, p in points.items()}  # type: ignore[misc]
