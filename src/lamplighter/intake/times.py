"""Texts and numbers to instants: which form a time column has, and its values in microseconds."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from lamplighter.dates import COMPACT, TEXT, YEAR_FIRST, OrderEvidence
from lamplighter.intake.date_texts import Stamps, stamps_of_texts, whole_numbers
from lamplighter.intake.zones import DAY_US, US

SERIAL_1970 = 25569
"""Spreadsheet serial of 1970-01-01 in the 1900 date system."""

_SERIAL_RANGE = (20_000.0, 80_000.0)
_EPOCH_SCALES = (
    (1e9 / 20, 1, "epoch seconds"),
    (1e11, 1_000, "epoch milliseconds"),
    (1e14, 1_000_000, "epoch microseconds"),
    (1e17, 1_000_000_000, "epoch nanoseconds"),
)
_ISO = re.compile(r"^\d{4}-\d{2}-\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d{1,6})?)?(Z|[+-]\d{2}(?::?\d{2})?)?)?$")
_NUMBER = re.compile(r"^\s*-?\d+(?:[.,]\d+)?\s*$")
_DIGITS = re.compile(
    r"^(?:19|20)\d{2}(?:0[1-9]|1[0-2])[0-3]\d(?:[T ]?[0-2]\d:?[0-5]\d(?::?[0-5]\d)?(?:\.\d+)?)?(?:Z|[+-]\d{2}:?\d{2})?$"
)
_FIELDS = re.compile(r"^\s*(\d{1,2})[-/. ]\s?(\d{1,2})[-/. ,]\s?(\d{2,4})(?!\d)")


@dataclass(frozen=True, slots=True)
class TimeForm:
    """How a time column is written.

    ``kind`` is iso, text, compact, serial, or one of the epochs; ``scale`` is its units a second for epochs;
    ``order`` that of the date's parts in texts; ``offset`` says whether ISO texts carry one.
    """

    kind: str = "iso"
    order: str = YEAR_FIRST
    scale: int = 1
    offset: bool = False

    @property
    def numeric(self) -> bool:
        """Whether times are plain numbers."""
        return self.kind.startswith("epoch") or self.kind == "serial"


def form_of(samples: Iterable[str]) -> TimeForm | None:
    """Recognise how times are written from some of them; None when most are no times at all.

    The order of day and month is left at ``year first`` when the texts begin with the year, else empty: it is for the
    whole column to decide, see :func:`order_evidence`.
    """
    texts = [s.strip() for s in samples if s.strip()]
    if not texts:
        return None
    if sum(_DIGITS.match(t) is not None for t in texts) * 2 > len(texts):
        return TimeForm("compact")
    numbers = [t for t in texts if _NUMBER.match(t)]
    if len(numbers) * 2 > len(texts):
        return _form_of_numbers(numbers)
    iso = [m for t in texts if (m := _ISO.match(t))]
    if len(iso) == len(texts):
        return TimeForm("iso", offset=any(m.group(1) for m in iso))
    if sum(TEXT.match(t) is not None for t in texts) * 2 < len(texts):
        return None
    dated = [t for t in texts if _FIELDS.match(t)]
    return TimeForm("text", "" if len(dated) * 2 > len(texts) else YEAR_FIRST)


def _form_of_numbers(texts: list[str]) -> TimeForm | None:
    middle = float(np.median([abs(float(t.replace(",", "."))) for t in texts]))
    if _SERIAL_RANGE[0] <= middle <= _SERIAL_RANGE[1]:
        return TimeForm("serial")
    for least, scale, kind in reversed(_EPOCH_SCALES):
        if middle >= least:
            return TimeForm(kind, scale=scale)
    return TimeForm("epoch seconds") if middle < 1 else None


def order_evidence(texts: pa.Array) -> OrderEvidence:
    """Count the dates that can be read one way only."""
    found = pc.extract_regex(pc.unique(texts), r"^\s*(?P<a>\d{1,2})[-/. ]\s?(?P<b>\d{1,2})[-/. ,]\s?\d{2,4}(?:\D|$)")
    a = whole_numbers(pc.struct_field(found, "a"))
    b = whole_numbers(pc.struct_field(found, "b"))
    return OrderEvidence(
        day_first=int(((a > 12) & (b <= 12)).sum()),
        month_first=int(((b > 12) & (a <= 12)).sum()),
        open=int(((a <= 12) & (b <= 12) & (a > 0) & (a != b)).sum()),
    )


def parse(texts: pa.Array, form: TimeForm) -> Stamps:
    """Read a column of times cell by cell.

    Parameters
    ----------
    texts : pyarrow string array, shape (n,)
    form : TimeForm
        With its order decided.
    """
    if form.numeric:
        return parse_numbers(texts, form)
    if form.kind == "compact":
        return stamps_of_texts(texts, COMPACT, YEAR_FIRST)
    return parse_texts(texts, form.order)


def parse_numbers(texts: pa.Array, form: TimeForm) -> Stamps:
    """Read times that are plain numbers."""
    clean = pc.replace_substring(pc.utf8_trim_whitespace(texts), ",", ".")
    good = pc.fill_null(pc.match_substring_regex(clean, r"^-?\d{1,19}(?:\.\d+)?$"), False)
    value = pc.cast(pc.if_else(good, clean, None), pa.float64()).to_numpy(zero_copy_only=False)
    return stamps_of_numbers(value, form)


def stamps_of_numbers(value: np.ndarray, form: TimeForm) -> Stamps:
    """Turn numbers into instants; NaN is no time. Serials count on the local clock, epochs in UTC."""
    serial = form.kind == "serial"
    us = (value - SERIAL_1970) * DAY_US if serial else value * (US / form.scale)
    valid = np.isfinite(us) & (np.abs(us) < 2.0**62)
    us = np.where(valid, us, 0.0)
    # A serial has about a microsecond of resolution; whole milliseconds are what was meant.
    whole = (np.round(us / 1000) * 1000 if serial else np.round(us)).astype(np.int64)
    return Stamps(whole, valid, np.full(len(whole), not serial))


def parse_texts(texts: pa.Array, order: str) -> Stamps:
    """Read dates with marks between their parts, month names included, and clock times with or without AM and PM."""
    return stamps_of_texts(texts, TEXT, order)
