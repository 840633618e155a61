"""Texts to numbers: decimal and thousands marks, words and codes in place of a value."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

MISSING_WORDS = (
    "", "-", "--", "---", "nan", "NaN", "NAN", "na", "NA", "n/a", "N/A", "#N/A", "null", "NULL", "Null", "none", "None",
    "NONE", "nil", "?", "*", "bad", "Bad", "BAD", "no data", "No Data", "NO DATA", "No data", "nodata", "NoData",
    "timeout", "Timeout", "TIMEOUT", "#VALUE!", "#REF!", "#DIV/0!", "#NUM!", "-nan", "1.#QNAN", "1.#IND", "-1.#IND",
)  # fmt: skip
"""Texts that stand for no value; any other text that is no number does too, and is counted in a notice."""

_DECIMAL_COMMA = re.compile(r"^\s*[+-]?(?:\d{1,3}(?:[.' \u00a0\u202f]\d{3})+|\d*),\d+(?:[eE][+-]?\d+)?\s*$")
_DECIMAL_POINT = re.compile(r"^\s*[+-]?(?:\d{1,3}(?:[,' \u00a0\u202f]\d{3})+|\d*)\.\d+(?:[eE][+-]?\d+)?\s*$")
_OPEN = re.compile(r"^\s*[+-]?[1-9]\d{0,2}[.,]\d{3}\s*$")
_GROUPS = re.compile(r"^\s*[+-]?\d{1,3}(?:([.,' \u00a0\u202f])\d{3}){2,}\s*$")


@dataclass(frozen=True, slots=True)
class NumberForm:
    """The decimal mark of a file; every other mark between groups of three digits is a thousands mark."""

    decimal: str = "."


def decimal_of(texts: Iterable[str], delimiter: str, declared: str = "auto") -> str:
    """Decide a file's decimal mark from cells that hold numbers.

    A cell such as ``1,234`` may be either; it counts only when nothing else decides, and then a comma is a decimal
    mark unless commas also separate the cells.
    """
    if declared != "auto":
        return declared
    comma = point = open_comma = open_point = 0
    for text in texts:
        groups = _GROUPS.match(text)
        if groups:
            comma += groups.group(1) == "."
            point += groups.group(1) == ","
        elif _OPEN.match(text):
            open_comma += "," in text
            open_point += "." in text
        elif _DECIMAL_COMMA.match(text):
            comma += 1
        elif _DECIMAL_POINT.match(text):
            point += 1
    if comma != point:
        return "," if comma > point else "."
    return "," if open_comma > open_point and delimiter != "," else "."


def parse(texts: pa.Array, decimal: str) -> tuple[np.ndarray, np.ndarray]:
    """Read numbers from a column of texts.

    Parameters
    ----------
    texts : pyarrow string array, shape (n,)
    decimal : str
        The decimal mark.

    Returns
    -------
    values : ndarray of float64, shape (n,)
        NaN where there is no finite number.
    strange : ndarray of bool, shape (n,)
        Where the text is neither a number nor one of the words that stand for none.
    """
    clean = pc.utf8_trim_whitespace(pc.fill_null(texts, ""))
    plain = clean if decimal == "." else pc.replace_substring(clean, ",", ".")
    pattern = r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?$"
    good = pc.match_substring_regex(plain, pattern)
    if decimal == ",":
        good = pc.and_(good, pc.invert(pc.match_substring_regex(clean, r"^[+-]?[1-9]\d{0,2}(?:\.\d{3})+$|\..*,|,.*\.")))
    values = _floats(pc.if_else(good, plain, None))
    rest = np.flatnonzero(~good.to_numpy(zero_copy_only=False))
    strange = np.zeros(len(values), dtype=bool)
    if len(rest):
        values[rest], strange[rest] = _grouped(clean.take(pa.array(rest)), decimal)
    values[~np.isfinite(values)] = np.nan
    return values, strange


def _floats(texts: pa.Array) -> np.ndarray:
    unsigned = pc.replace_substring_regex(texts, r"^\+", "")
    return pc.cast(unsigned, pa.float64()).to_numpy(zero_copy_only=False).astype(np.float64, copy=True)


def _grouped(texts: pa.Array, decimal: str) -> tuple[np.ndarray, np.ndarray]:
    """Numbers with thousands marks, and words."""
    other, mark = (",", r"\.") if decimal == "." else (r"\.", ",")
    pattern = rf"^[+-]?\d{{1,3}}(?:[{other}' \x{{a0}}\x{{202f}}]\d{{3}})+(?:{mark}\d*)?$"
    good = pc.match_substring_regex(texts, pattern)
    bare = pc.replace_substring_regex(texts, rf"[{other}' \x{{a0}}\x{{202f}}]", "")
    bare = pc.replace_substring(bare, decimal, ".") if decimal == "," else bare
    values = _floats(pc.if_else(good, bare, None))
    words = {w.lower() for w in MISSING_WORDS} | {"inf", "-inf", "infinity"}
    known = pc.is_in(pc.utf8_lower(texts), value_set=pa.array(sorted(words)))
    strange = ~good.to_numpy(zero_copy_only=False) & ~known.to_numpy(zero_copy_only=False)
    return values, strange
