"""An assessment is the same, byte for byte, on every engine and from every source."""

from __future__ import annotations

import pickle

import pytest

from lamplighter import assess, read_exports
from lamplighter.engines import Engine
from lamplighter.intake.store import History, collect
from lamplighter.results import write_assessment
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
