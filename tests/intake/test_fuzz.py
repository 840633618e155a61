"""Broken exports of every kind: never a traceback, never a record lost."""

from __future__ import annotations

import gzip
import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lamplighter import InputError
from lamplighter.intake import preview, read_exports
from lamplighter.intake.preview_text import preview_lines
from tests.intake.helpers import PLAIN, assert_sound, settings_of

SEEDS = [
    PLAIN,
    PLAIN.replace(",", ";").replace(".", ","),
    "Report of the district\n\n" + PLAIN.replace("192", "Good") + "Total,4,,,,,,\n",
    'node,date,time,reading,note\n"A, 1",05/13/2026,8:00 AM,"1,234.5","two\nlines"\n"A, 1",05/14/2026,12:00 PM,2,""\n',
    "tag,time,value,quality\nN.P1.PV,2026-01-05 08:00,1.5,0x00000000\n"
    "N.P1.VBAT,2026-01-05 08:00:03,3600,0x80050000\nN.P1.RSSI,2026-01-05 08:00,-80,0\n",
    "Zeit\tNord.P1.PV\tNord.P1.UB (mV)\tNord.P2.PV\n05.01.2026 08:00\t1,5\t3600\t\n"
    "15.01.2026 08:15\t1,6\tBad\t7\n15.01.2026 08:30\t1,7\t\t8\n",
    "node|epoch ms|value\n1|1769846707000|5\n1|1769846767000|6\n2|1769846707000|NaN\n",
    "Timestamp,A,B\n45658.25,1,2\n45658.5,,3\n45658.75,4,\n",
    "node,time,reading\n"
    + "".join(f"A,2026-11-01 0{h}:{m:02d}:00,{h}.{m}\n" for h in (0, 1, 1, 2) for m in range(0, 60, 10)),
    "node,parameter,time,value,unit\nP1,Pressure,2026-01-05 08:00,100,psi\nP1,Battery,2026-01-05 08:00,3600,mV\n",
]
TOKENS = [
    b'"', b'""', b",", b";", b"\t", b"|", b"\n", b"\r", b"\r\n", b"\n\n", b"\0", b"\xff", b"\xef\xbb\xbf",
    b"\xc3", b"\x85",
    "\u2028".encode(), "é".encode(), b"NaN", b"inf", b"-inf", b"1e999", b"-1e-999", b"9" * 40, b"0x80050000",
    b"1e5", b"+", b"-", b".",
    b"1.234.567", b"1,2,3", b"2026-02-30", b"9999-12-31T23:59:59Z", b"0000-00-00", b"1970-01-01", b"24:00",
    b"12:00 PM", b"99/99/9999",
    b"time", b"node", b"value", b"tag", b"node,time,reading\n", b"Total", b"=1+1", b"../../x", b"'", b"(psi)",
    b"a.b.c.PV", b" " * 50, b"X" * 5000,
    b"1769846707", b"-9223372036854775808", b"18446744073709551616", b"1e308", b"45658.5", b"0", b"", b"#", b"\\",
    b"{", b"%s",
]  # fmt: skip
ZONES = ["UTC", "America/Denver", "Europe/Berlin"]


def mutated(seed: int) -> bytes:
    """A valid export broken in a few places."""
    rng = random.Random(seed)
    data = bytearray(rng.choice(SEEDS).encode(rng.choice(["utf-8"] * 6 + ["utf-16", "cp1252"]), errors="replace"))
    for _ in range(rng.choice([1, 1, 2, 3, 5, 10, 40])):
        at, kind = rng.randrange(len(data) + 1), rng.randrange(9)
        if kind == 0:
            data[at:at] = rng.choice(TOKENS)
        elif kind == 1:
            del data[at : at + rng.choice([1, 1, 2, 5, 40])]
        elif kind == 2 and at < len(data):
            data[at] = rng.randrange(256)
        elif kind == 3:
            data[at : at + rng.randrange(1, 12)] = rng.choice(TOKENS)
        elif kind == 4:
            lines = data.split(b"\n")
            rng.shuffle(lines)
            data = bytearray(b"\n".join(lines))
        elif kind == 5:
            data = data + data[at:]
        elif kind == 6:
            data = data[:at] if rng.random() < 0.3 else data
        elif kind == 7:
            data = data.replace(
                rng.choice([b",", b"\n", b".", b":", b"2026", b"1"]), rng.choice(TOKENS), rng.choice([1, 2, -1])
            )
        else:
            cells = data.split(b",")
            cells[rng.randrange(len(cells))] = rng.choice(TOKENS)
            data = bytearray(b",".join(cells))
        if not data:
            break
    packed = bytes(data[:200_000])
    if rng.random() < 0.1:
        packed = gzip.compress(packed)
        packed = packed[: rng.randrange(len(packed) + 1)] if rng.random() < 0.5 else packed
    return packed


def check(path: Path, data: bytes, seed: int) -> None:
    """Reading gives a sound table or an error that the user can act on."""
    path.write_bytes(data)
    chosen = settings_of(
        timezone=ZONES[seed % 3],
        intake={"block_mb": [32.0, 0.001][seed % 2], "date_order": ["auto", "day first"][seed % 2]},
    )
    try:
        got = read_exports(path, chosen)
    except InputError as bad:
        words = str(bad)
    else:
        words = ""
    if words:
        assert str(path) in words
        assert "\n" not in words
        return
    assert_sound(got)
    if seed % 7 == 0:
        assert preview_lines(preview(path, chosen))


def test_mutated_exports(tmp_path):
    for seed in range(200):
        check(tmp_path / "e.csv", mutated(seed), seed)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(20))
def test_ten_thousand_mutated_exports(tmp_path, part):
    for seed in range(1000 + 500 * part, 1500 + 500 * part):
        check(tmp_path / "e.csv", mutated(seed), seed)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=400))
def test_any_bytes(tmp_path, data):
    check(tmp_path / "e.csv", data, len(data))


CELL = st.one_of(
    st.sampled_from([t.decode("utf-8", "replace") for t in TOKENS]),
    st.text(max_size=8),
    st.floats().map(str),
    st.datetimes().map(str),
    st.integers().map(str),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(
        ["node,time,reading,quality", "tag,time,value", "time,A.B.PV,A.B.RSSI", "node;date;time;value;battery"]
    ),
    st.lists(st.lists(CELL, min_size=1, max_size=6), max_size=12),
    st.booleans(),
)
def test_any_cells_under_good_headings(tmp_path, heading, rows, quoted):
    mark = ";" if ";" in heading else ","
    body = "\n".join(mark.join(f'"{c}"' if quoted else c for c in row) for row in rows)
    check(tmp_path / "e.csv", f"{heading}\n{body}".encode("utf-8", "replace"), len(body))
