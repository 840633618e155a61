"""How the nodes are measured: one after the other, in several processes, or on a Dask cluster; with the same result."""

from __future__ import annotations

import gc
import multiprocessing
import os
import pickle
import sys
import warnings
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain
from typing import Any

from lamplighter.errors import InputError

ENGINES = ("serial", "processes", "dask")
ENOUGH_CHECK_INS = 200_000
"""Fewer (two dozen nodes for three months) are done in a second or two, of which workers would save little."""
CHUNK_MOST = 8
"""Most tasks sent to a worker at once: few enough that all workers end together."""
CHUNKS_A_WORKER = 16
CHUNKS_IN_FLIGHT = 4
"""Chunks a Dask worker thread has waiting, so that memory does not grow with the number of tasks."""


@dataclass(frozen=True)
class Job:
    """What is done with every task.

    Attributes
    ----------
    load : callable
        From a task to what the work is done on.
    work : callable
        From that to the result.
    travels : bool
        True when a worker on another machine can load by itself; else Dask is sent what was loaded here.
    """

    load: Callable[[Any], Any]
    work: Callable[[Any], Any]
    travels: bool = False

    def __call__(self, task: Any) -> Any:
        """Return the result of one task."""
        return self.work(self.load(task))


@dataclass(frozen=True)
class Engine:
    """Where the work is done.

    Parameters
    ----------
    name : str
        One of :data:`ENGINES`.
    workers : int, optional
        Number of processes; default: one a core.
    scheduler : str, optional
        Address of a running Dask scheduler; default: a cluster on this machine.

    Raises
    ------
    InputError
        When the name is unknown or the options do not belong together.
    """

    name: str = "serial"
    workers: int | None = None
    scheduler: str | None = None

    def __post_init__(self) -> None:
        if self.name not in ENGINES:
            raise InputError(f"unknown engine {self.name!r}", remedy=f"use one of {', '.join(ENGINES)}")
        if self.scheduler and self.name != "dask":
            raise InputError("--scheduler is for the dask engine", remedy="add --engine dask")
        if self.workers is not None and self.workers < 1:
            raise InputError(f"--workers is {self.workers}", remedy="use 1 or more")

    def run(self, job: Job, tasks: Sequence[Any]) -> Iterator[Any]:
        """Yield the result of every task, in the order of the tasks.

        Raises
        ------
        InputError
            When a worker process is lost or the cluster cannot be used.
        """
        workers = self.workers or cores()
        if self.name == "dask":
            return _run_dask(job, tasks, workers, self.scheduler)
        if self.name == "processes" and min(workers, len(tasks)) > 1:
            return _run_processes(job, tasks, min(workers, len(tasks)))
        return map(job, tasks)


def fitting(check_ins: int, workers: int | None = None, scheduler: str | None = None) -> Engine:
    """Return the engine that suits so many check-ins: several processes where they pay, else serial.

    They pay with more than one core and enough check-ins, or are meant when a number of workers is given. They are
    started only where workers are forked: elsewhere each would load the calling script anew, which must be written
    for that.
    """
    wanted = workers > 1 if workers is not None else check_ins >= ENOUGH_CHECK_INS and cores() > 1
    may = FORKS and not multiprocessing.current_process().daemon
    return Engine("processes" if wanted and may else "serial", workers, scheduler)


FORKS = sys.platform == "linux"
"""Whether workers are forked, and so share what was read with this process; elsewhere each is sent it once."""


def cores() -> int:
    """Return the number of processor cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def chunked(tasks: Sequence[Any], workers: int) -> list[Sequence[Any]]:
    """Return the tasks in pieces, small enough that the workers end together."""
    size = min(CHUNK_MOST, max(1, len(tasks) // (workers * CHUNKS_A_WORKER)))
    return [tasks[k : k + size] for k in range(0, len(tasks), size)]


_job: Job | None = None
"""The job of a worker process, set once when it starts."""


def _start_worker(job: Job) -> None:
    global _job
    _job = job
    # What came from the leading process is never collected, and so never copied by being looked at.
    gc.freeze()


def _work_here(chunk: Sequence[Any]) -> list[Any]:
    assert _job is not None
    return [_job(task) for task in chunk]


def _run_processes(job: Job, tasks: Sequence[Any], workers: int) -> Iterator[Any]:
    context = multiprocessing.get_context("fork" if FORKS else "spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker, initargs=(job,))
    try:
        with warnings.catch_warnings():
            # Newer Pythons warn of forking beside threads; ours are the idle readers of pyarrow, which mind forks.
            warnings.filterwarnings("ignore", message=".*fork.*", category=DeprecationWarning)
            results = pool.map(_work_here, chunked(tasks, workers))
        yield from chain.from_iterable(results)
    except BrokenProcessPool as bad:
        raise InputError(
            "a worker process was ended from outside, most likely for want of memory",
            remedy="use fewer --workers, or --engine serial",
        ) from bad
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _run_dask(job: Job, tasks: Sequence[Any], workers: int, scheduler: str | None) -> Iterator[Any]:
    with _client(workers, scheduler) as client:
        threads = max(1, sum(client.nthreads().values()))
        # The job is itself a task, not scattered data: when the worker that holds it dies, Dask makes it anew.
        shared = client.submit(pickle.loads, pickle.dumps(job if job.travels else job.work), pure=False)
        pieces = (chunk if job.travels else [job.load(t) for t in chunk] for chunk in chunked(tasks, threads))
        submitted = (client.submit(_work_there, shared, pickle.dumps(piece), pure=False) for piece in pieces)
        for future in _ahead(submitted, threads * CHUNKS_IN_FLIGHT):
            yield from pickle.loads(future.result())


def _ahead(items: Iterable[Any], most: int) -> Iterator[Any]:
    """Yield items in order while up to ``most`` of the next are already drawn."""
    waiting: deque[Any] = deque()
    for item in items:
        waiting.append(item)
        if len(waiting) >= most:
            yield waiting.popleft()
    yield from waiting


def _work_there(work: Callable[[Any], Any], chunk: bytes) -> bytes:
    return pickle.dumps([work(task) for task in pickle.loads(chunk)])


@contextmanager
def _client(workers: int, scheduler: str | None) -> Iterator[Any]:
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as bad:
        raise InputError("the dask engine is not installed", remedy='pip install "lamplighter[cluster]"') from bad
    with dask.config.set({"distributed.admin.large-graph-warning-threshold": "1GB"}):
        if scheduler is None:
            options = {"n_workers": workers, "threads_per_worker": 1, "dashboard_address": None, "processes": True}
            with LocalCluster(**options) as cluster, Client(cluster) as client:
                yield client
            return
        try:
            client = Client(scheduler, timeout="10s")
        except (OSError, ValueError, TimeoutError) as bad:
            raise InputError(
                f"cannot reach a scheduler at {scheduler}", remedy="check the address: tcp://HOST:8786"
            ) from bad
        with client:
            client.wait_for_workers(1, timeout=60)
            yield client
