"""Encodings, marks between cells, decimal marks, quotation marks, and lines that are no data."""

from __future__ import annotations

import gzip
import io
import zipfile

import pytest

from lamplighter import InputError
from lamplighter.intake import read_exports
from lamplighter.intake.read import made_ahead
from lamplighter.intake.text import TextStream, blocks_of
from tests.intake.helpers import PLAIN, assert_sound, read, rows_of, settings_of


@pytest.fixture
def expected(tmp_path_factory: pytest.TempPathFactory) -> list[tuple]:
    return rows_of(read(tmp_path_factory.mktemp("reference"), PLAIN))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_every_encoding_and_line_end_reads_alike(tmp_path, expected, encoding, line_end):
    assert rows_of(read(tmp_path, PLAIN.replace("\n", line_end).encode(encoding))) == expected


@pytest.mark.parametrize(("encoding", "name"), [("cp1252", "Pumpe Süd"), ("utf-8", "Pumpe Süd"), ("utf-16", "Насос 3")])
def test_names_beyond_ascii_survive(tmp_path, encoding, name):
    assert read(tmp_path, PLAIN.replace("PT-101", name).encode(encoding)).nodes() == sorted(["PT-102", name])


def test_a_windows_letter_far_down_the_file_is_no_stumbling_block(tmp_path):
    many = "".join(
        f"PT-101,2026-01-{d:02d}T{h:02d}:{m:02d}:00Z,1.0\n"
        for d in range(1, 29)
        for h in range(24)
        for m in range(0, 60, 2)
    )
    got = read(
        tmp_path,
        ("node,time,reading\n" + many + "Süd,2026-01-05T08:00:00Z,2\n").encode("cp1252"),
        intake={"block_mb": 0.1},
    )
    assert "Süd" in got.nodes()
    assert got.account.rejected == 0


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_every_delimiter(tmp_path, expected, delimiter):
    assert rows_of(read(tmp_path, PLAIN.replace(",", delimiter))) == expected


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_decimal_comma(tmp_path, expected, delimiter):
    assert rows_of(read(tmp_path, PLAIN.replace(",", delimiter).replace(".", ","))) == expected


@pytest.mark.parametrize(
    ("cell", "other", "value"),
    [
        ('"1,234.5"', "12.5", 1234.5),
        ('"1,234,567"', "12.5", 1234567.0),
        ('"1 234.5"', "12.5", 1234.5),
        ("1'234.5", "12.5", 1234.5),
        ('"1.234,5"', '"12,5"', 1234.5),
        ('"1.234"', '"12,5"', 1234.0),
        ("1.234", "12.5", 1.234),
        ("+1.5", "12.5", 1.5),
        ("-.5", "12.5", -0.5),
        ("1e3", "12.5", 1000.0),
        (" 12 ", "12.5", 12.0),
        ('"12,5"', "12.5", None),
    ],
)
def test_thousands_marks_and_odd_numbers(tmp_path, cell, other, value):
    text = f"node,time,reading,battery_v\nA,2026-01-05T08:00:00Z,{cell},3.6\nA,2026-01-05T09:00:00Z,{other},3.6\n"
    text += f"A,2026-01-05T10:00:00Z,{other},3.6\n"
    if "," in other:
        text = text.replace("3.6", '"3,6"')
    got = read(tmp_path, text)
    assert len(got.table) == 3
    assert rows_of(got)[0][2] == value


def test_a_decimal_mark_can_be_declared(tmp_path):
    text = "node;time;reading\nA;2026-01-05T08:00:00Z;1,234\n"
    assert rows_of(read(tmp_path, text))[0][2] == 1.234
    assert rows_of(read(tmp_path, text, intake={"decimal": "."}))[0][2] == 1234.0


def test_quoted_cells_with_delimiters_and_line_breaks(tmp_path):
    text = 'node,time,reading,note\n"PT, 1",2026-01-05T08:00:00Z,1.5,"first\nsecond, ""third"""\n'
    text += '"PT, 1",2026-01-05T09:00:00Z,2.5,x\n'
    got = read(tmp_path, text)
    assert got.nodes() == ["PT, 1"]
    assert list(got.table["reading"]) == [1.5, 2.5]


def test_a_stray_quotation_mark_does_not_swallow_the_file(tmp_path):
    lines = [f"A,2026-01-05T{h:02d}:{m:02d}:00Z,1.{h},ok\n" for h in range(24) for m in range(0, 60, 5)]
    lines[3] = 'A,2026-01-05T00:15:00Z,1.0,"2" pipe\n'
    got = read(tmp_path, "node,time,reading,note\n" + "".join(lines))
    assert len(got.table) == len(lines)


def test_quotation_marks_inside_cells_are_text(tmp_path):
    text = 'node,time,reading\nA,2026-01-0"5T08:00:00Z,1\nA,2026-01-05T09:00:00Z,2\nA 2" pipe,2026-01-05T10:00:00Z,3\n'
    got = read(tmp_path, text)
    assert got.nodes() == ["A", 'A 2" pipe']
    assert list(got.rejects["line"]) == [2]


def test_line_numbers_count_lines_inside_quoted_cells(tmp_path):
    text = 'node,time,reading,note\nA,2026-01-05T08:00:00Z,1,"one\ntwo\nthree"\n\nA,soon,2,x\n'
    got = read(tmp_path, text)
    assert list(got.rejects["line"]) == [6]
    assert list(got.rejects["text"]) == ["A,soon,2,x"]


def test_preamble_totals_repeated_headings_and_a_cut_last_line(tmp_path, expected):
    heading, *lines = PLAIN.splitlines()
    text = "\n".join(
        [
            "Export of the district historian",
            "Created;05.01.2026",
            "",
            heading,
            *lines[:2],
            heading,
            *lines[2:],
            "Total,4,,,,,,",
            "PT-102,2026-01-05T08:3",
        ]
    )
    got = read(tmp_path, text)
    assert rows_of(got) == expected
    assert got.account.records_read == 7
    assert got.account.reasons["heading repeated"] == 1
    assert got.account.reasons["total or closing line"] == 1
    assert list(got.rejects["line"]) == [7, 10, 11]
    assert got.rejects["text"].iloc[2] == "PT-102,2026-01-05T08:3"


def test_a_last_line_cut_inside_its_last_cells_is_kept_as_far_as_it_goes(tmp_path):
    got = read(tmp_path, PLAIN + "PT-102,2026-01-05T08:30:10Z,17.4,3.5")
    assert rows_of(got)[-1][2:5] == (17.4, 3.5, None)


def test_more_empty_cells_than_headings_are_no_fault(tmp_path, expected):
    assert rows_of(read(tmp_path, PLAIN.replace("192,1\n", "192,1,,\n"))) == expected


def test_too_many_cells_are_set_aside_with_their_text(tmp_path):
    got = read(tmp_path, PLAIN + "PT-102,2026-01-05T08:30:10Z,17.4,3.5,-90,4,192,13,oops\n")
    assert got.account.reasons == {"has 9 cells, not 8": 1}
    assert got.rejects.iloc[0]["line"] == 6


@pytest.mark.parametrize("content", [b"", b"\n\n", b"\xef\xbb\xbf", b"   \r\n", b"\0\0\0\0"])
def test_an_empty_file_is_an_error_that_names_it(tmp_path, content):
    with pytest.raises(InputError, match=r"export\.csv: is empty"):
        read(tmp_path, content)


def test_headings_alone_are_an_empty_table(tmp_path):
    got = read(tmp_path, PLAIN.splitlines()[0] + "\n")
    assert len(got.table) == 0
    assert got.account.records_read == 0


def test_a_file_without_headings_is_refused_with_a_remedy(tmp_path):
    with pytest.raises(InputError, match=r"no line of headings.*\[columns\]"):
        read(tmp_path, "PT-101,2026-01-05T08:00:00Z,52.1\n")


def test_a_work_log_is_no_export(tmp_path):
    with pytest.raises(InputError, match="work log"):
        read(tmp_path, "node,time,action,note\nPT-101,2026-01-05,zeroed,\n")


def test_gzip(tmp_path, expected):
    assert rows_of(read(tmp_path, gzip.compress(PLAIN.encode()), "export.csv.gz")) == expected


def test_gzip_that_breaks_off_gives_what_it_holds(tmp_path):
    lines = "".join(
        f"A,2026-01-{d:02d}T{h:02d}:{m:02d}:00Z,{d * h * m % 97}\n"
        for d in range(1, 29)
        for h in range(24)
        for m in range(60)
    )
    packed = gzip.compress(("node,time,reading\n" + lines).encode())
    got = read(tmp_path, packed[: len(packed) // 2], "export.csv.gz")
    assert 1000 < len(got.table) < 28 * 24 * 60
    assert "breaks off" in got.account.files[0].problem
    assert any(n.kind == "problem" for n in got.account.notes)


def zipped(members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out.getvalue()


def test_zip_with_several_exports(tmp_path, expected):
    heading, *lines = PLAIN.splitlines(keepends=True)
    members = {
        "b/week2.csv": (heading + "\n" + "".join(lines[2:])).encode(),
        "week1.csv": (heading + "\n" + "".join(lines[:2])).encode(),
    }
    got = read(tmp_path, zipped(members), "exports.zip")
    assert rows_of(got) == expected
    assert [f.file for f in got.account.files] == [
        f"{tmp_path}/exports.zip/b/week2.csv",
        f"{tmp_path}/exports.zip/week1.csv",
    ]


def test_member_names_never_become_paths(tmp_path):
    got = read(tmp_path, zipped({"../../outside.csv": PLAIN.encode()}), "exports.zip")
    assert len(got.table) == 4
    assert sorted(p.name for p in tmp_path.iterdir()) == ["exports.zip"]


@pytest.mark.parametrize("name", ["bomb.zip", "bomb.csv.gz"])
def test_an_archive_that_expands_too_much_is_refused(tmp_path, name):
    text = b"node,time,reading\n" + b"A,2026-01-05T08:00:00Z,1.00\n" * 2_500_000
    packed = zipped({"a.csv": text}) if name.endswith("zip") else gzip.compress(text, 9)
    with pytest.raises(InputError, match=r"expands more than 250 times.*max_expansion"):
        read(tmp_path, packed, name)


@pytest.mark.parametrize("content", [b"PK\x03\x04 no archive", zipped({"a.csv": PLAIN.encode()})[:120]])
def test_a_broken_zip_is_an_error(tmp_path, content):
    with pytest.raises(InputError, match=r"exports\.zip: is not a readable zip archive"):
        read(tmp_path, content, "exports.zip")


def test_a_broken_file_among_good_ones(tmp_path, expected):
    (tmp_path / "a.csv").write_bytes(b"\x00\x01\x02 nothing")
    (tmp_path / "b.csv").write_text(PLAIN)
    (tmp_path / "register.csv").write_text("node,site\nPT-101,North\n")
    got = read_exports(tmp_path)
    assert_sound(got)
    assert rows_of(got) == expected
    assert [bool(f.problem) for f in got.account.files] == [True, False, True]
    with pytest.raises(InputError, match=r"a\.csv"):
        read_exports([tmp_path / "a.csv", tmp_path / "b.csv"])


def test_nothing_readable_is_an_error(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"nothing")
    with pytest.raises(InputError, match="none of 1 file"):
        read_exports(tmp_path)
    with pytest.raises(InputError, match="no such file"):
        read_exports(tmp_path / "missing.csv")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="holds no export"):
        read_exports(tmp_path / "empty")
    with pytest.raises(InputError, match="no export was named"):
        read_exports([])


def test_folders_and_globs_are_searched(tmp_path, expected):
    (tmp_path / "2026" / "01").mkdir(parents=True)
    heading, *lines = PLAIN.splitlines(keepends=True)
    (tmp_path / "2026" / "01" / "a.csv").write_text(heading + "".join(lines[:2]))
    (tmp_path / "2026" / "b.txt").write_text(heading + "".join(lines[2:]))
    assert rows_of(read_exports(tmp_path)) == expected
    assert rows_of(read_exports(str(tmp_path / "**" / "*.*"))) == expected
    assert rows_of(read_exports([tmp_path, tmp_path / "2026" / "b.txt"])) == expected


def test_small_blocks_read_like_large_ones(tmp_path):
    lines = [
        f'"A",2026-01-{d:02d}T{h:02d}:{m:02d}:00Z,{d + h},"x\ny"\n'
        for d in range(1, 4)
        for h in range(24)
        for m in range(0, 60, 3)
    ]
    text = "Preamble\nnode,time,reading,note\n" + "".join(lines) + "A,never,1,z\n"
    large = read(tmp_path, text)
    small = read(tmp_path, text, intake={"block_mb": 0.001})
    assert rows_of(small) == rows_of(large)
    assert small.rejects.equals(large.rejects)
    assert int(large.rejects["line"].iloc[0]) == 2 * len(lines) + 3


@pytest.mark.parametrize(
    "heading",
    [
        '"node","time","reading"',
        'Preamble of "one" word\n"node","time","reading"',
        'He said "so\nnode,time,reading',
    ],
)
@pytest.mark.parametrize("block_mb", [32.0, 0.001])
def test_quotation_marks_in_the_headings_alone_change_nothing(tmp_path, heading, block_mb):
    rows = [f"A,2026-01-{d:02d}T{h:02d}:00:00Z,{d + h}" for d in range(1, 29) for h in range(24)]
    body = "\n".join([*rows, "A,never,1"]) + "\n"
    got = read(tmp_path, f"{heading}\n{body}", intake={"block_mb": block_mb})
    assert got.table["reading"].tolist() == [float(r.rsplit(",", 1)[1]) for r in rows]
    assert got.rejects["line"].tolist() == [heading.count("\n") + 1 + len(rows) + 1]


def test_lines_after_headings_in_quotation_marks_are_read_without_looking_for_any():
    text = b'"node","time"\n' + b"A,2026-01-01T00:00:00Z\n" * 100
    blocks = list(blocks_of(TextStream(io.BytesIO(text), "utf-8"), 10**6, 100))
    assert [(b.line, b.quoted, b.line_ends) for b in blocks] == [(1, True, 1), (2, False, 100)]
    assert b"".join(b.data for b in blocks) == text


def test_items_made_ahead_come_in_order_and_errors_where_they_were_made():
    def some(most):
        yield from range(most)
        raise ValueError("broke off")

    ahead = made_ahead(k for k in range(100))
    assert [next(ahead), next(ahead)] == [0, 1]
    ahead.close()
    broken = made_ahead(some(2))
    assert [next(broken), next(broken)] == [0, 1]
    with pytest.raises(ValueError, match="broke off"):
        next(broken)


def test_an_unknown_encoding_is_refused(tmp_path):
    with pytest.raises(InputError, match="encoding"):
        read(tmp_path, PLAIN, intake={"encoding": "no such"})
    assert settings_of(intake={"encoding": "cp1252"}).intake.encoding == "cp1252"
