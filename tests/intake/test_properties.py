"""What holds of every reading: order does not matter, nothing is lost, twice is once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lamplighter.intake import read_exports
from tests.intake.helpers import assert_sound, settings_of

QUICK = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
VALUE = st.sampled_from(["", "1.5", "1.6", "-3", "NaN", "Bad"])
TIME = st.sampled_from(
    ["2026-01-05T08:00:00Z", "2026-01-05T08:00:03Z", "2026-01-05T08:15:00Z", "1970-01-01T00:00:00Z", "never"]
)
ROW = st.tuples(
    st.sampled_from(["N1", "N2", "N10"]),
    TIME,
    VALUE,
    VALUE,
    st.sampled_from(["192", "16", "24", "64"]),
)
ROWS = st.lists(ROW, min_size=1, max_size=25)
TAG = st.tuples(st.sampled_from(["S.N1", "S.N2"]), st.sampled_from(["PV", "VBAT", "RSSI", "SEQ", "ODD"]), TIME, VALUE)
HEADING = "node,time,reading,battery_v,quality\n"


def plain_text(rows) -> str:
    return HEADING + "N1,2026-01-04T08:00:00Z,1,3,192\n" + "".join(",".join(r) + "\n" for r in rows)


def tags_text(rows) -> str:
    return "tag,time,value\nS.N1.PV,2026-01-04T08:00:00Z,1\n" + "".join(f"{n}.{m},{t},{v}\n" for n, m, t, v in rows)


def written(folder: Path, *texts: str) -> list[Path]:
    paths = []
    for k, text in enumerate(texts):
        paths.append(folder / f"{k}.csv")
        paths[-1].write_text(text)
    return paths


def same(a, b) -> bool:
    """Equal to the byte, but for where each record was rejected."""
    return a.table.equals(b.table) and a.traits == b.traits and a.account.reasons == b.account.reasons


@QUICK
@given(st.data(), st.sampled_from([(plain_text, ROWS), (tags_text, st.lists(TAG, min_size=1, max_size=25))]))
def test_the_order_of_rows_does_not_matter(tmp_path, data, kind):
    text, strategy = kind
    rows = data.draw(strategy)
    first = read_exports(written(tmp_path, text(rows)))
    second = read_exports(written(tmp_path, text(data.draw(st.permutations(rows)))))
    assert_sound(first)
    assert_sound(second)
    assert same(first, second)


@QUICK
@given(st.data(), st.sampled_from([(plain_text, ROWS), (tags_text, st.lists(TAG, min_size=1, max_size=25))]))
def test_the_order_of_files_does_not_matter(tmp_path, data, kind):
    text, strategy = kind
    rows = data.draw(strategy)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(rows)), min_size=1, max_size=3)))
    parts = [text(rows[a:b]) for a, b in zip([0, *cuts], [*cuts, len(rows)], strict=True)]
    paths = written(tmp_path, *parts)
    first, second = read_exports(paths), read_exports(paths[::-1])
    assert same(first, second)
    assert first.account == second.account
    assert first.rejects.equals(second.rejects)
    swapped = read_exports(written(tmp_path, *parts[::-1]))
    assert_sound(swapped)
    assert same(first, swapped)


@QUICK
@given(ROWS)
def test_the_same_file_twice_changes_nothing_but_duplicates(tmp_path, rows):
    once = read_exports(written(tmp_path, plain_text(rows)))
    twice = read_exports(written(tmp_path, plain_text(rows), plain_text(rows)))
    assert_sound(twice)
    assert once.table.equals(twice.table)
    assert twice.account.kept == once.account.kept
    assert twice.account.records_read == 2 * once.account.records_read
    assert twice.account.rejected == 2 * once.account.rejected


@QUICK
@given(ROWS)
def test_reading_twice_is_identical(tmp_path, rows):
    paths = written(tmp_path, plain_text(rows))
    first, second = read_exports(paths), read_exports(paths)
    assert first.table.equals(second.table)
    assert first.account == second.account


@QUICK
@given(ROWS)
def test_every_line_is_a_record(tmp_path, rows):
    got = read_exports(written(tmp_path, plain_text(rows)))
    assert got.account.records_read == len(rows) + 1
    assert got.account.kept >= len(got.table)


@QUICK
@given(
    st.lists(st.floats(allow_nan=False, allow_infinity=False, width=32), min_size=1, max_size=30),
    st.sampled_from([",", ";"]),
)
def test_numbers_survive_in_every_dialect(tmp_path, values, delimiter):
    decimal = "," if delimiter == ";" else "."
    cells = [repr(float(v)).replace(".", decimal) for v in values]
    lines = [f"N{i:02d}{delimiter}2026-01-05T08:00:00Z{delimiter}{c}" for i, c in enumerate(cells)]
    text = delimiter.join(["node", "time", "reading"]) + "\n" + "\n".join(lines)
    got = read_exports(written(tmp_path, text), settings_of(intake={"decimal": decimal, "missing_values": []}))
    assert_sound(got)
    assert np.array_equal(got.table["reading"].to_numpy(), np.array(values, dtype=np.float64))


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_blocks_do_not_matter_in_any_layout(tmp_path, delimiter):
    rng = np.random.default_rng(5)
    stamps = [f"2026-01-{d:02d} {h:02d}:00:00" for d in range(1, 9) for h in range(24)]
    texts = {
        "plain": "node,time,reading\n" + "".join(f"N{k},{s},{rng.normal():.3f}\n" for s in stamps for k in range(3)),
        "tags": "tag,time,value\n"
        + "".join(f"A.N{k}.{m},{s},{rng.normal():.3f}\n" for k in range(3) for m in ("PV", "RSSI") for s in stamps),
        "wide": "time,A.N1.PV,A.N1.RSSI,A.N2.PV\n"
        + "".join(f"{s},{rng.normal():.3f},,{rng.normal():.3f}\n" for s in stamps),
    }
    for text in texts.values():
        (path,) = written(tmp_path, text.replace(",", delimiter))
        large, small = read_exports(path), read_exports(path, settings_of(intake={"block_mb": 0.001}))
        assert large.table.equals(small.table)
        assert large.account == small.account
