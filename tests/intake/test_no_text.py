"""Files that hold no text are named for what they are."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from lamplighter import InputError
from lamplighter.intake import preview, read_exports
from tests.intake.helpers import PLAIN

ODS = "application/vnd.oasis.opendocument.spreadsheet"


def packed(*names: str) -> bytes:
    """Return a zip archive with members of these names."""
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        for name in names:
            archive.writestr(name, ODS if name == "mimetype" else "some text")
    return whole.getvalue()


def parquet() -> bytes:
    """Return a small Parquet file."""
    whole = io.BytesIO()
    pq.write_table(pa.table({"node": ["A"], "reading": [1.5]}), whole)
    return whole.getvalue()


# Parts of a workbook: ECMA-376 part 2 and 1; first bytes of a compound file: [MS-CFB] 2.2; both from memory.
FILES = {
    "week.xlsx": (packed("[Content_Types].xml", "_rels/.rels", "xl/workbook.xml"), "is an Excel workbook"),
    "week.ods": (packed("mimetype", "content.xml"), "is an OpenDocument spreadsheet"),
    "week.xls": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504), "is an Excel workbook"),
    "week.parquet": (parquet(), "is a Parquet file"),
    "week.pdf": (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n", "is a PDF document"),
    "week.export": (packed("a.csv"), "is a zip archive"),
}


@pytest.mark.parametrize("name", FILES)
def test_a_file_named_directly_is_refused_by_what_it_is(tmp_path: Path, name: str) -> None:
    content, words = FILES[name]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=words) as caught:
        read_exports(tmp_path / name)
    assert caught.value.remedy
    assert words in preview(tmp_path / name).files[0].problem


@pytest.mark.parametrize("name", [n for n in FILES if n != "week.export"])
def test_in_a_folder_beside_exports_it_is_told_and_the_others_are_read(tmp_path: Path, name: str) -> None:
    content, words = FILES[name]
    (tmp_path / name).write_bytes(content)
    (tmp_path / "a.csv").write_text(PLAIN)
    (tmp_path / "~$week.xlsx").write_bytes(b"lock")
    got = read_exports(tmp_path)
    assert [(Path(f.file).name, bool(f.problem)) for f in got.account.files] == [("a.csv", False), (name, True)]
    assert words in got.account.files[1].problem
    assert got.account.check_ins == 4
