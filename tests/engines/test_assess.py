"""An assessment is the same, byte for byte, on every engine and from every source."""

from __future__ import annotations

import json
import os
import pickle
import tempfile
from functools import partial

import pytest

from lamplighter import assess, read_exports, spool, write_report
from lamplighter.engines import Engine
from lamplighter.errors import InputError
from lamplighter.intake.store import History, collect
from lamplighter.results import json_parts, plain, write_assessment
from tests.bench.fleet import write_plain, write_register
from tests.engines.test_engines import cluster  # noqa: F401  (a fixture)

NODES, MONTHS = 7, 4


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fleet")
    files = write_plain(folder / "exports", NODES, MONTHS)
    for file in files:
        collect([file], folder / "h")
    return files, folder / "h", write_register(folder / "register.csv", NODES)


@pytest.fixture(scope="module")
def written(fleet, tmp_path_factory):
    """How one assessment is written, from a source and an engine."""
    _, _, register = fleet

    def write(source, **where) -> bytes:
        path = tmp_path_factory.mktemp("out") / "assessment.json"
        write_assessment(assess(source, register, as_of="2021-04-25T12:00:00+00:00", **where), path)
        return path.read_bytes()

    return write


@pytest.fixture(scope="module")
def expected(fleet, written):
    return written(read_exports(fleet[0]))


def test_the_assessment_says_something(expected):
    assert b'"findings":[{' in expected
    assert b'"set_aside":0' not in expected


def test_order_of_exports_does_not_matter(fleet, written, expected):
    assert written(read_exports(fleet[0][::-1])) == expected


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_processes(fleet, written, expected, workers):
    assert written(read_exports(fleet[0]), engine="processes", workers=workers) == expected


def test_a_history_gives_what_its_exports_give(fleet, written, expected):
    with History(fleet[1]) as history:
        assert written(history) == expected


def test_a_history_on_processes(fleet, written, expected):
    with History(fleet[1]) as history:
        assert written(history, engine="processes", workers=2) == expected


@pytest.mark.parametrize("where", [{"engine": "serial"}, {"engine": "processes", "workers": 2}])
def test_temporary_files_change_nothing(fleet, written, expected, where, monkeypatch, tmp_path):
    monkeypatch.setattr(spool, "HELD", 0)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    assert written(read_exports(fleet[0]), **where) == expected
    assert os.listdir(tmp_path) == []


def test_a_full_disk_stops_an_assessment_with_one_clear_line(fleet, monkeypatch):
    if not os.path.exists("/dev/full"):
        pytest.skip("needs a device that is always full")
    monkeypatch.setattr(spool, "HELD", 0)
    monkeypatch.setattr(tempfile, "TemporaryFile", partial(open, "/dev/full", "r+b"))
    with pytest.raises(InputError, match="cannot write a temporary file: No space left"):
        assess(read_exports(fleet[0]), fleet[2])


def test_an_assessment_is_plain_data_whether_spooled_or_not(fleet, tmp_path):
    made = assess(read_exports(fleet[0]), fleet[2], as_of="2021-04-25T12:00:00+00:00")
    assert json.dumps(plain(made), ensure_ascii=False, separators=(",", ":")) + "\n" == "".join(json_parts(made))
    copy = pickle.loads(pickle.dumps(made))
    assert copy == made
    assert [type(getattr(copy, name)) for name in ("gaps", "series", "verdicts", "register")] == [list, *[dict] * 3]
    assert copy.gaps_table.equals(made.gaps_table)
    write_report(made, tmp_path / "made.html")
    write_report(copy, tmp_path / "copy.html")
    assert (tmp_path / "made.html").read_bytes() == (tmp_path / "copy.html").read_bytes()


def test_the_work_of_judging_is_shared_out(fleet, written, expected, monkeypatch):
    run, shared = Engine.run, []

    def recorded(engine, job, tasks):
        work = job.work.work if isinstance(job.work, spool.Packed) else job.work
        shared.append((work.func.__name__, len(tasks)))
        return run(engine, job, tasks)

    monkeypatch.setattr(Engine, "run", recorded)
    assert written(read_exports(fleet[0]), engine="processes", workers=2) == expected
    assert shared == [(work, NODES) for work in ("measure_node", "_answer", "_consider", "battery_of", "judge_node")]


def test_a_history_sent_elsewhere(fleet, written, expected):
    with History(fleet[1]) as history:
        assert written(pickle.loads(pickle.dumps(history))) == expected


@pytest.mark.slow
def test_dask_over_exports_and_over_a_history(fleet, written, expected, cluster):  # noqa: F811
    address, workers = cluster
    assert written(read_exports(fleet[0]), engine="dask", scheduler=address) == expected
    done = []

    def kill_one(*_: int) -> None:
        done.append(1)
        if len(done) == 2:
            workers[0].kill()

    with History(fleet[1]) as history:
        assert written(history, engine=Engine("dask", scheduler=address), progress=kill_one) == expected
    assert workers[0].wait(10) is not None
