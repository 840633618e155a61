"""Texts of dates and clock times to instants, column by column."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from lamplighter.dates import MONTH_FIRST, month_of, offset_minutes
from lamplighter.intake.zones import DAY_US, US


@dataclass(frozen=True)
class Stamps:
    """Times read from a column, all arrays of shape (n,).

    ``us`` is microseconds since 1970-01-01, in UTC where ``fixed`` (the text carried an offset, or the number counts
    from the epoch), else on the local clock; ``valid`` says which could be read.
    """

    us: np.ndarray
    valid: np.ndarray
    fixed: np.ndarray


def stamps_of_texts(texts: pa.Array, pattern: re.Pattern[str], order: str) -> Stamps:
    """Read dates and clock times by a pattern, :data:`~lamplighter.dates.TEXT` or ``COMPACT``."""
    if isinstance(texts, pa.ChunkedArray):
        texts = texts.combine_chunks()
    fields = _even_fields(texts, pattern)
    return _stamps_of(_regex_fields(texts, pattern) if fields is None else fields, order)


@dataclass(frozen=True)
class _Fields:
    """Parts of dates and clock times, arrays of shape (n,); a month's name is minus its number, -99 is no number.

    ``half`` is 1 in the morning, 2 in the afternoon, 0 on a clock of 24 hours; ``fraction`` and ``offset`` in us.
    """

    valid: np.ndarray
    a: np.ndarray
    b: np.ndarray
    c: np.ndarray
    year_first: np.ndarray
    hour: np.ndarray
    minute: np.ndarray
    second: np.ndarray
    fraction: np.ndarray
    half: np.ndarray
    offset: np.ndarray
    fixed: np.ndarray


def _regex_fields(texts: pa.Array, pattern: re.Pattern[str]) -> _Fields:
    found = pc.extract_regex(texts, pattern.pattern)
    part = {f.name: pc.struct_field(found, f.name) for f in found.type}
    offset, fixed = _offsets(part["z"])
    a, b, c = (_part(part[k]) for k in "abc")
    letter = pc.fill_null(pc.utf8_lower(part["p"]), "") if "p" in part else pa.array([""] * len(texts))
    return _Fields(
        pc.is_valid(found).to_numpy(zero_copy_only=False),
        a,
        b,
        c,
        (_lengths(part["a"]) == 4) & (a >= 0),  # "Sept" and "März" have four letters and are no years
        *(whole_numbers(part[k], 0) for k in ("h", "mi", "s")),
        _fraction(part["f"]),
        pc.index_in(letter, value_set=pa.array(["", "a", "p"])).fill_null(0).to_numpy(zero_copy_only=False),
        offset,
        fixed,
    )


def _even_fields(texts: pa.Array, pattern: re.Pattern[str]) -> _Fields | None:
    """Fields of texts that all look alike (same length, digits in the same places), read as a table of digits.

    Ten times as fast as a regular expression a text. None when they do not look alike or hold names of months.
    """
    if len(texts) == 0 or texts.null_count or not pa.types.is_string(texts.type):
        return None
    start = np.frombuffer(texts.buffers()[1], dtype=np.int32)[texts.offset : texts.offset + len(texts) + 1]
    width = int(start[1] - start[0])
    found = pattern.match(texts[0].as_py())
    if not found or not 0 < width <= 40 or (np.diff(start) != width).any():
        return None
    data = np.frombuffer(texts.buffers()[2], dtype=np.uint8)[start[0] : start[-1]].reshape(-1, width)
    spans = {k: found.span(k) for k in found.re.groupindex}
    half_at, zone_at = spans.get("p", (-1, -1)), spans["z"]
    digit = np.array([48 <= c <= 57 for c in data[0]])
    digit[zone_at[0] : max(zone_at[1], 0)] = False
    steady = ~digit
    steady[half_at[0] : max(half_at[1], 0)] = False
    if (
        len(texts[0].as_py()) != width
        or (data[:, steady] != data[0, steady]).any()
        or ((data[:, digit] - 48) > 9).any()
    ):
        return None
    numbers = {k: _digits(data, spans[k]) for k in ("a", "b", "c", "h", "mi", "s", "f")}
    if any(v is None for v in numbers.values()):
        return None
    n = len(data)
    letter = data[:, half_at[0]] | 32 if half_at[0] >= 0 else np.zeros(n, dtype=np.uint8)
    if half_at[0] >= 0 and not np.isin(letter, (97, 112)).all():
        return None
    zone = found.group("z") or ""
    places = spans["f"][1] - spans["f"][0] if spans["f"][0] >= 0 else 6
    return _Fields(
        np.ones(n, dtype=bool),
        numbers["a"], numbers["b"], numbers["c"],
        np.full(n, spans["a"][1] - spans["a"][0] == 4),
        numbers["h"], numbers["mi"], numbers["s"],
        numbers["f"] * 10 ** (6 - places) if places <= 6 else numbers["f"] // 10 ** (places - 6),
        (letter == 97) + 2 * (letter == 112).astype(np.int64),
        np.full(n, _offset_us(zone), dtype=np.int64),
        np.full(n, bool(zone)),
    )  # fmt: skip


def _digits(data: np.ndarray, span: tuple[int, int]) -> np.ndarray | None:
    """Return the number that some columns of digits make; zero for no columns, None if they hold anything else."""
    out = np.zeros(len(data), dtype=np.int64)
    for column in range(*span) if span[0] >= 0 else ():
        if not 48 <= data[0, column] <= 57:
            return None
        out = out * 10 + (data[:, column] - 48)
    return out


def _stamps_of(f: _Fields, order: str) -> Stamps:
    named_first, named = f.a < 0, f.b < 0
    day_first = np.full(len(f.a), order != MONTH_FIRST)
    year = np.where(f.year_first, f.a, f.c)
    month = np.where(named_first, -f.a, np.where(named, -f.b, np.where(f.year_first | day_first, f.b, f.a)))
    day = np.where(day_first, f.a, f.b)
    day = np.where(named_first, np.abs(f.b), np.where(named & ~f.year_first, f.a, np.where(f.year_first, f.c, day)))
    year = np.where((year < 100) & ~f.year_first, year + np.where(year < 70, 2000, 1900), year)
    twelve = f.half > 0
    hour = np.where(twelve, np.where((f.hour < 1) | (f.hour > 12), -1, f.hour % 12 + 12 * (f.half == 2)), f.hour)
    valid = f.valid & _sensible(year, month, day, hour, f.minute, f.second)
    days = days_since_1970(np.where(valid, year, 1970), np.where(valid, month, 1), np.where(valid, day, 1))
    us = days * DAY_US + ((hour * 60 + f.minute) * 60 + f.second) * US + f.fraction - f.offset
    return Stamps(np.where(valid, us, 0), valid, f.fixed)


def days_since_1970(year: np.ndarray, month: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Return whole days since 1970-01-01 of dates of the Gregorian calendar."""
    months = ((year - 1970) * 12 + (month - 1)).astype("datetime64[M]")
    return months.astype("datetime64[D]").astype(np.int64) + day - 1


def _sensible(
    year: np.ndarray, month: np.ndarray, day: np.ndarray, hour: np.ndarray, minute: np.ndarray, second: np.ndarray
) -> np.ndarray:
    good = (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1900) & (year <= 2200)
    first = np.where(good, (year - 1970) * 12 + month - 1, 0)
    length = (first + 1).astype("datetime64[M]").astype("datetime64[D]") - first.astype("datetime64[M]").astype(
        "datetime64[D]"
    )
    clock = ((hour < 24) | ((hour == 24) & (minute == 0) & (second == 0))) & (minute < 60) & (second <= 60)
    return good & (day <= length.astype(np.int64)) & clock & (hour >= 0)


def whole_numbers(texts: pa.Array, missing: int = -1) -> np.ndarray:
    """Return the whole numbers that texts hold, ``missing`` where they hold anything else."""
    some = pc.fill_null(pc.match_substring_regex(texts, r"^\d+$"), False)
    return pc.fill_null(pc.cast(pc.if_else(some, texts, None), pa.int64()), missing).to_numpy(zero_copy_only=False)


def _part(texts: pa.Array) -> np.ndarray:
    """Return a date's part: its number, or minus the month that its letters name, or -99."""
    value = whole_numbers(texts, -99)
    if (value == -99).any():
        names = pc.unique(texts.filter(pa.array(value == -99))).drop_null()
        months = np.array([0, *(month_of(n) for n in names.to_pylist())], dtype=np.int64)
        place = pc.fill_null(pc.index_in(texts, value_set=names), -1).to_numpy(zero_copy_only=False) + 1
        value = np.where(place > 0, -months[place], value)
    return value


def _lengths(texts: pa.Array) -> np.ndarray:
    return pc.fill_null(pc.utf8_length(texts), 0).to_numpy(zero_copy_only=False)


def _fraction(texts: pa.Array) -> np.ndarray:
    padded = pc.utf8_slice_codeunits(pc.utf8_rpad(pc.fill_null(texts, ""), 6, "0"), 0, 6)
    return whole_numbers(padded, 0)


def _offsets(texts: pa.Array) -> tuple[np.ndarray, np.ndarray]:
    """Offset from UTC [us] of each text, and whether it has one."""
    out = np.zeros(len(texts), dtype=np.int64)
    fixed = _lengths(texts) > 0
    if fixed.any():
        zones = pc.unique(texts).drop_null()
        shift = np.array([0, *(_offset_us(z) for z in zones.to_pylist())], dtype=np.int64)
        out = shift[pc.fill_null(pc.index_in(texts, value_set=zones), -1).to_numpy(zero_copy_only=False) + 1]
    return out, fixed


def _offset_us(text: str) -> int:
    return offset_minutes(text) * 60 * US
