"""Every engine gives the same results in the same order."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import time
from functools import partial

import pytest

from lamplighter import engines
from lamplighter.cli import EngineName
from lamplighter.engines import ENGINES, ENOUGH_CHECK_INS, Engine, Job, chunked, cores, fitting
from lamplighter.errors import InputError


def _load(offset: int, task: int) -> float:
    return float(task + offset)


def _work(value: float) -> tuple[float, float]:
    return value, math.sqrt(value)


JOB = Job(partial(_load, 3), _work)
EXPECTED = [(k + 3.0, math.sqrt(k + 3)) for k in range(50)]


@pytest.mark.parametrize("workers", [1, 2, 3, 60])
def test_processes_give_what_serial_gives(workers):
    assert list(Engine("processes", workers).run(JOB, range(50))) == list(Engine().run(JOB, range(50))) == EXPECTED


@pytest.mark.parametrize("name", ENGINES[:2])
def test_no_tasks_give_no_results(name):
    assert list(Engine(name, 2).run(JOB, [])) == []


def _unpicklable_load(secret, task):
    return secret(task)


def test_what_was_read_is_shared_with_the_workers_not_sent():
    """A function made on the spot cannot be pickled, so it can only have come by fork."""
    if sys.platform != "linux":
        pytest.skip("workers are forked on Linux only")
    assert list(Engine("processes", 2).run(Job(partial(_unpicklable_load, lambda t: t * 2), float), range(9))) == [
        2.0 * k for k in range(9)
    ]


def _fail(value: float) -> float:
    if value == 7:
        raise InputError("node 7 is odd", file="x.csv", line=3)
    return value


@pytest.mark.parametrize("engine", [Engine(), Engine("processes", 2)])
def test_an_error_in_a_worker_reaches_the_user_as_it_was(engine):
    with pytest.raises(InputError, match=r"x.csv, line 3: node 7 is odd"):
        list(engine.run(Job(float, _fail), range(20)))


def _die(value: float) -> float:
    if value == 7:
        os.kill(os.getpid(), signal.SIGKILL)
    return value


def test_a_lost_worker_process_is_one_clear_line():
    with pytest.raises(InputError, match="most likely for want of memory"):
        list(Engine("processes", 2).run(Job(float, _die), range(20)))


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"name": "threads"}, "unknown engine 'threads' .use one of serial, processes, dask."),
        ({"name": "processes", "workers": 0}, "--workers is 0"),
        ({"scheduler": "tcp://127.0.0.1:1"}, "--scheduler is for the dask engine"),
    ],
)
def test_wrong_options_are_refused(options, says):
    with pytest.raises(InputError, match=says):
        Engine(**options)


@pytest.mark.parametrize(
    ("check_ins", "has", "forks", "workers", "name"),
    [
        (ENOUGH_CHECK_INS, 2, True, None, "processes"),
        (ENOUGH_CHECK_INS - 1, 2, True, None, "serial"),
        (10 * ENOUGH_CHECK_INS, 1, True, None, "serial"),
        (10 * ENOUGH_CHECK_INS, 8, False, None, "serial"),
        (10, 1, True, 3, "processes"),
        (10 * ENOUGH_CHECK_INS, 8, True, 1, "serial"),
        (10 * ENOUGH_CHECK_INS, 8, False, 3, "serial"),
    ],
)
def test_processes_are_used_where_they_pay_or_are_asked_for(monkeypatch, check_ins, has, forks, workers, name):
    monkeypatch.setattr(engines, "cores", lambda: has)
    monkeypatch.setattr(engines, "FORKS", forks)
    assert fitting(check_ins, workers) == Engine(name, workers)


def test_a_scheduler_alone_is_refused():
    with pytest.raises(InputError, match="--scheduler is for the dask engine"):
        fitting(10, None, "tcp://127.0.0.1:1")


def test_the_help_says_from_which_size_on_processes_are_used():
    assert f"{ENOUGH_CHECK_INS:,} check-ins" in EngineName.__metadata__[0].help


@pytest.mark.parametrize(("n", "workers"), [(1, 1), (7, 2), (240, 2), (2000, 2), (100_000, 64)])
def test_chunks_hold_every_task_once_and_leave_every_worker_several(n, workers):
    pieces = chunked(range(n), workers)
    assert [t for p in pieces for t in p] == list(range(n))
    assert len(pieces) >= min(n, workers * 8)


def test_there_is_at_least_one_core():
    assert cores() >= 1


# ---- Dask: a real scheduler and two worker processes on loopback


@pytest.fixture
def cluster():
    """A scheduler and two workers as separate processes, as an administrator would start them."""
    pytest.importorskip("distributed")
    processes = []

    def start(*args: str) -> subprocess.Popen:
        process = subprocess.Popen(
            [sys.executable, "-m", *args], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        processes.append(process)
        return process

    scheduler = start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
    address = ""
    for line in scheduler.stderr:
        if "Scheduler at:" in line:
            address = line.split("Scheduler at:")[1].strip()
            break
    options = ("--nthreads", "1", "--no-dashboard", "--no-nanny")
    workers = [start("distributed.cli.dask_worker", address, *options) for _ in range(2)]
    yield address, workers
    for process in reversed(processes):
        process.kill()
        process.wait()
        process.stderr.close()


def _slow(value: float) -> tuple[int, float]:
    time.sleep(0.05)
    return os.getpid(), value


@pytest.mark.slow
@pytest.mark.parametrize("travels", [True, False])
def test_the_result_is_complete_when_a_worker_is_killed_mid_run(cluster, travels):
    address, workers = cluster
    from distributed import Client

    with Client(address) as client:
        client.wait_for_workers(2, timeout="30s")
    results, pids = [], set()
    for pid, value in Engine("dask", scheduler=address).run(Job(float, _slow, travels), range(120)):
        results.append(value)
        pids.add(pid)
        if len(results) == 30:
            workers[0].kill()
    assert results == [float(k) for k in range(120)]
    assert pids == {w.pid for w in workers}


@pytest.mark.slow
def test_a_cluster_of_its_own_is_made_when_no_scheduler_is_named():
    assert list(Engine("dask", 2).run(JOB, range(50))) == EXPECTED


@pytest.mark.slow
def test_a_scheduler_that_is_not_there_is_named():
    with pytest.raises(InputError, match=r"cannot reach a scheduler at tcp://127.0.0.1:9"):
        list(Engine("dask", scheduler="tcp://127.0.0.1:9").run(JOB, range(3)))


def test_dask_that_is_not_installed_is_named_with_the_remedy(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r'not installed \(pip install "lamplighter\[cluster\]"\)'):
        list(Engine("dask").run(JOB, range(3)))
