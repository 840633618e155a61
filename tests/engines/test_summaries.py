"""What a history keeps of closed half-years spares reading, and never changes an answer: byte for byte as without."""

from __future__ import annotations

import hashlib
import shutil
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from lamplighter import assess, measuring, pipeline, read_exports
from lamplighter.errors import InputError
from lamplighter.intake.store import History, collect, describe, forget
from lamplighter.intake.store.manifest import Part
from lamplighter.intake.store.summaries import FOLDER, HASH_BYTES, MAGIC
from lamplighter.maker import CODE, code_on_disk, maker, rules_of
from lamplighter.record import LEAD_D, OPEN_D, block_at, block_start, joined, open_block
from lamplighter.results import write_assessment
from lamplighter.settings import Settings
from tests.bench.fleet import START, node_columns, node_name, write_register

DAYS, NODES = 430, 6
SILENT, YOUNG = node_name(4), node_name(5)
EPOCH_DAY = int(START.astype("datetime64[D]").astype("int64"))
CUTS = (0, 200, 400, 416, 423, DAYS)
"""Days at which the exports begin and end; the last two are weeks."""
LATE = slice(210, 217)
"""Days of the second half-year that one node's second export holds back."""


def rows(first: int, days: int) -> pd.DataFrame:
    """Return some days of hourly check-ins: a node that ends early and one that begins late among them."""
    parts = []
    for k in range(NODES):
        a, b = {4: (0, 150), 5: (330, DAYS)}.get(k, (0, DAYS))
        a, b = max(a, first), min(b, first + days)
        if b > a:
            part = pd.DataFrame(node_columns(k, a, b - a, 3600))
            parts.append(part.assign(node=node_name(k), time=pd.to_datetime(part["time"], unit="s", utc=True)))
    return pd.concat(parts, ignore_index=True)


def day(k: int) -> str:
    """Return a day of the fleet as a date."""
    return str(np.datetime64(EPOCH_DAY + k, "D"))


@pytest.fixture(scope="module")
def exports(tmp_path_factory) -> list[Path]:
    folder = tmp_path_factory.mktemp("exports")
    files = []
    for a, b in pairwise(CUTS):
        table = rows(a, b - a)
        late = (table["node"] == node_name(1)) & table["time"].between(day(LATE.start), day(LATE.stop))
        if late.any():
            table[late].to_csv(folder / "late.csv", index=False)
        table[~late].to_csv(folder / f"from-{a:03d}.csv", index=False)
        files.append(folder / f"from-{a:03d}.csv")
    return files


@pytest.fixture(scope="module")
def register(tmp_path_factory) -> Path:
    return write_register(tmp_path_factory.mktemp("register") / "register.csv", NODES)


@pytest.fixture(scope="module")
def grown(exports, register, tmp_path_factory) -> Path:
    """A history that was assessed before its last week was collected."""
    folder = tmp_path_factory.mktemp("grown") / "h"
    collect(exports[:-1], folder)
    with History(folder) as history:
        assess(history, register)
    collect(exports[-1:], folder)
    return folder


@pytest.fixture
def folder(grown, tmp_path) -> Path:
    """A copy that a test may harm."""
    return Path(shutil.copytree(grown, tmp_path / "h"))


def written(source, register, **more) -> bytes:
    """Return an assessment as it is written."""
    path = Path(register).with_name("assessment.json")
    write_assessment(assess(source, register, **more), path)
    return path.read_bytes()


def with_and_without(folder: Path, register: Path, **more) -> tuple[bytes, bytes]:
    """Assess a history as it is, and a copy without any summaries."""
    bare = Path(shutil.copytree(folder, folder.with_name("bare"), dirs_exist_ok=True))
    shutil.rmtree(bare / FOLDER, ignore_errors=True)
    with History(folder) as kept, History(bare) as none:
        return written(kept, register, **more), written(none, register, **more)


def files_of(folder: Path) -> dict[str, bytes]:
    """Return all kept summaries."""
    return {p.name: p.read_bytes() for p in (folder / FOLDER).rglob("*.zst")}


def kept_by(folder: Path, register: Path, **where) -> dict[str, bytes]:
    """Assess a history, and return what it keeps then."""
    with History(folder) as history:
        assess(history, register, **where)
    return files_of(folder)


@pytest.fixture
def months(monkeypatch) -> dict[str, list[str]]:
    """Months whose data files are opened, by node."""
    seen: dict[str, list[str]] = {}
    read = History._read

    def noted(self: History, part: Part, node: str):
        seen.setdefault(node, []).append(part.path.split("month=")[1][:7])
        return read(self, part, node)

    monkeypatch.setattr(History, "_read", noted)
    return seen


def test_a_week_more_gives_what_reading_everything_gives(folder, register, exports):
    kept, none = with_and_without(folder, register)
    assert kept == none == written(read_exports(exports), register)


def test_a_week_more_reads_the_open_half_year_and_its_lead_in_alone(folder, register, months):
    with History(folder) as history:
        present = history.span()[1]
        assess(history, register)
        months.clear()
        assess(history, register)
    opened = block_start(open_block(present))
    assert present - opened >= OPEN_D * 86_400
    lead_in = str(np.datetime64(int(opened - LEAD_D * 86_400), "s").astype("datetime64[M]"))
    months.pop(SILENT)  # its last weeks lie in a closed half-year, and are asked about
    months.pop(YOUNG)  # of a short record all is looked at
    assert len(months) == NODES - 2
    assert {min(of) for of in months.values()} == {lead_in}
    assert {len(of) for of in months.values()} == {len(set(of)) for of in months.values()}  # none is opened twice


def test_without_summaries_everything_is_read(folder, register, months):
    shutil.rmtree(folder / FOLDER)
    with History(folder) as history:
        assess(history, register)
    assert all(min(months[node_name(k)]) <= str(START.astype("datetime64[M]")) for k in range(4))


def test_late_rows_in_a_closed_half_year_count(folder, register, exports):
    before = with_and_without(folder, register)[0]
    collect([exports[0].with_name("late.csv")], folder)
    kept, none = with_and_without(folder, register)
    assert kept == none != before


def test_summaries_are_made_once_a_half_year(folder, register):
    first = kept_by(folder, register)
    stamps = [p.stat().st_mtime_ns for p in sorted((folder / FOLDER).rglob("*.zst"))]
    assert kept_by(folder, register) == first
    assert [p.stat().st_mtime_ns for p in sorted((folder / FOLDER).rglob("*.zst"))] == stamps
    assert len(first) == NODES  # of the node that began late as well: its first half-year has closed


@pytest.mark.parametrize("as_of", [day(100), day(300), day(399) + "T07:30"])
def test_an_earlier_present_uses_what_was_closed_by_then(folder, register, as_of):
    kept, none = with_and_without(folder, register, as_of=as_of)
    assert kept == none


def test_other_settings_or_another_register_make_them_anew(folder, register, tmp_path):
    zone = tmp_path / "lamplighter.toml"
    zone.write_text('timezone = "Australia/Adelaide"\n[stuck]\nmin_hours = 30.0\n')
    kept, none = with_and_without(folder, register, settings=zone)
    assert kept == none
    other = tmp_path / "register.csv"
    other.write_text(register.read_text().replace(",100,", ",50,"))
    assert other.read_text() != register.read_text()
    kept, none = with_and_without(folder, other)
    assert kept == none


def in_another_layout(content: bytes) -> bytes:
    """Return a sound file of something else."""
    return MAGIC + hashlib.blake2b(content, digest_size=HASH_BYTES).digest() + content


HARM = {
    "another version": lambda b: b.replace(b"1", b"2", 1),
    "not packed": lambda _: in_another_layout(b"12345678 and so on"),
    "no head": lambda _: in_another_layout((5).to_bytes(8, "little") + pa.compress(b"nodes", "zstd", asbytes=True)),
    "empty": lambda b: b"",
    "cut short": lambda b: b[:40],
    "end wiped": lambda b: b[:-9] + bytes(9),
    "one letter": lambda b: b[:20] + bytes([b[20] ^ 1]) + b[21:],
}


@pytest.mark.parametrize("harm", HARM.values(), ids=HARM)
def test_a_damaged_summary_is_made_anew(folder, register, harm):
    sound = kept_by(folder, register)
    for path in (folder / FOLDER).rglob("*.zst"):
        path.write_bytes(harm(path.read_bytes()))
    kept, none = with_and_without(folder, register)
    assert kept == none
    assert files_of(folder) == sound


def test_where_nothing_can_be_kept_nothing_is_lost(folder, register):
    shutil.rmtree(folder / FOLDER)
    (folder / FOLDER).write_text("in the way")
    kept, none = with_and_without(folder, register)
    assert kept == none


@pytest.mark.parametrize("where", [{"engine": "serial"}, {"engine": "processes", "workers": 2}])
def test_every_engine_keeps_the_same(folder, register, where):
    sound = kept_by(folder, register)
    shutil.rmtree(folder / FOLDER)
    assert kept_by(folder, register, **where) == sound


def test_a_history_says_what_it_keeps(folder):
    said = "\n".join(describe(History(folder)))
    assert f"MB of summaries of closed half-years, {len(files_of(folder))} nodes, " in said


def test_what_is_forgotten_is_kept_no_longer(folder, register):
    assert files_of(folder)
    forget(folder, node_name(0))
    assert files_of(folder) == {}
    kept, none = with_and_without(folder, register)
    assert kept == none
    assert files_of(folder)
    forget(folder, day(90))
    assert files_of(folder) == {}
    kept, none = with_and_without(folder, register)
    assert kept == none


def test_what_a_reader_still_keeps_of_the_forgotten_goes_with_the_next_collect(folder, register, exports):
    with History(folder) as before:
        assert not forget(folder, day(380)).deleted
        assess(before, register)
        assert files_of(folder)
    collect([exports[0].with_name("late.csv")], folder)
    assert files_of(folder) == {}


def test_forgetting_says_what_it_could_not_delete(folder, monkeypatch):
    monkeypatch.setattr(shutil, "rmtree", lambda *_, **__: None)
    with pytest.raises(InputError, match="summaries made of it could not be deleted"):
        forget(folder, node_name(0))


def test_what_an_interrupted_run_left_is_swept(folder, exports):
    left = next((folder / FOLDER).rglob("*.zst")).with_suffix(".new")
    left.write_bytes(b"half")
    collect([exports[0].with_name("late.csv")], folder)
    assert not left.exists()


@pytest.mark.parametrize(
    ("time", "start"),
    [
        ("1970-01-01", "1970-01-01"),
        ("2024-02-29", "2024-01-01"),
        ("2025-06-30T23:59:59", "2025-01-01"),
        ("2025-07-01", "2025-07-01"),
        ("2026-12-31T23:59:59", "2026-07-01"),
    ],
)
def test_half_years_begin_where_the_calendar_says(time, start):
    instant = np.datetime64(time, "s").astype("int64").astype(float)
    assert block_start(block_at(instant)) == np.datetime64(start, "s").astype("int64")


def test_joining_one_summary_is_that_summary():
    thing = object()
    assert joined([thing]) is thing


def test_code_is_that_of_the_whole_package_as_it_was_loaded(tmp_path, monkeypatch):
    copied = Path(shutil.copytree(Path(pipeline.__file__).parent, tmp_path / "lamplighter"))
    monkeypatch.setattr("lamplighter.maker.__file__", str(copied / "maker.py"))
    assert code_on_disk() == CODE != ""
    (copied / "fleet.py").write_text((copied / "fleet.py").read_text() + "\n")
    assert code_on_disk() != CODE


def test_where_the_code_cannot_be_told_nothing_is_kept(folder, register, monkeypatch, tmp_path):
    monkeypatch.setattr("lamplighter.maker.__file__", str(tmp_path / "archive.zip" / "lamplighter" / "maker.py"))
    assert code_on_disk() == ""
    expected = with_and_without(folder, register)[1]
    shutil.rmtree(folder / FOLDER)
    monkeypatch.setattr(measuring, "CODE", "")
    monkeypatch.setattr(pipeline, "CODE", "")
    assert with_and_without(folder, register)[0] == expected
    assert files_of(folder) == {}


def test_a_worker_with_other_code_keeps_nothing(folder, register, monkeypatch):
    shutil.rmtree(folder / FOLDER)
    monkeypatch.setattr(pipeline, "CODE", "of the leading process")
    kept_by(folder, register)
    assert files_of(folder) == {}


def test_rules_of_a_time_zone_count(tmp_path, monkeypatch):
    first = maker(Settings(timezone="Europe/Berlin"), measuring.CHECKS)
    assert maker(Settings(timezone="Europe/Berlin"), measuring.CHECKS) == first
    (tmp_path / "Europe").mkdir()
    (tmp_path / "Europe" / "Berlin").write_bytes(b"other rules")
    monkeypatch.setattr("zoneinfo.TZPATH", (str(tmp_path),))
    assert maker(Settings(timezone="Europe/Berlin"), measuring.CHECKS) != first
    assert rules_of("Europe/Paris")  # from the package, where the system has none
