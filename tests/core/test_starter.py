"""A first settings file is complete, valid, and reads the export it was made from the same way."""

from __future__ import annotations

from pathlib import Path

import pytest

from lamplighter import InputError, read_exports, read_settings
from lamplighter.starter import write_starter

PLAIN = "node;time;reading;battery_v\n" + "".join(f"A;{d:02d}/11/2025 10:00;1,5;3,6\n" for d in range(10, 25))


def test_it_reads_the_export_the_same_way(tmp_path: Path) -> None:
    export = tmp_path / "export.csv"
    export.write_text(PLAIN, encoding="utf-8")
    notices = write_starter([export], tmp_path / "lamplighter.toml")
    settings = read_settings(tmp_path / "lamplighter.toml")
    assert read_exports([export], settings).table.equals(read_exports([export]).table)
    assert settings.columns["node"] == "node"
    assert any("zone of the historian" in n for n in notices)


def test_it_never_writes_over_a_file_unless_told(tmp_path: Path) -> None:
    export = tmp_path / "export.csv"
    export.write_text(PLAIN, encoding="utf-8")
    (tmp_path / "s.toml").write_text("mine")
    with pytest.raises(InputError, match="is there already"):
        write_starter([export], tmp_path / "s.toml")
    write_starter([export], tmp_path / "s.toml", replace=True)
    assert "[battery]" in (tmp_path / "s.toml").read_text()


def test_an_unreadable_export_is_refused(tmp_path: Path) -> None:
    (tmp_path / "e.csv").write_bytes(b"\x00\x01\x02")
    with pytest.raises(InputError):
        write_starter([tmp_path / "e.csv"], tmp_path / "s.toml")
