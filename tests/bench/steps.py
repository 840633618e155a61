"""The steps of a run, timed one by one inside one process; prints JSON.

Run as ``python -m tests.bench.steps STEP ... `` by the benchmark.
"""

from __future__ import annotations

import json
import pickle
import resource
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

times: dict[str, float] = {}


@contextmanager
def step(name: str) -> Iterator[None]:
    began = time.perf_counter()
    yield
    times[name] = time.perf_counter() - began


def floor(paths: list[str]) -> None:
    """Read the same bytes with pyarrow alone."""
    import pyarrow.csv

    with step("read"):
        times["rows"] = sum(pyarrow.csv.read_csv(p).num_rows for p in paths)


def fleet(layout: str, folder: str, nodes: str, months: str) -> None:
    """Write the exports and the register of a fleet."""
    from tests.bench.fleet import WRITERS

    WRITERS[layout](Path(folder), int(nodes), int(months))
    register(f"{folder}/register.txt", nodes)


def register(path: str, nodes: str) -> None:
    """Write the register of a fleet."""
    from tests.bench.fleet import write_register

    write_register(Path(path), int(nodes))


def read(paths: list[str]) -> None:
    """Read exports as lamplighter does."""
    from lamplighter import read_exports

    with step("read"):
        found = read_exports(paths)
    times["rows"] = len(found.table)


def whole(register: str, paths: list[str]) -> None:
    """Read, assess with one worker and with two, and write the outputs."""
    from lamplighter import assess, read_exports
    from lamplighter.outputs import write_outputs

    with step("read"):
        source = read_exports(paths)
    from lamplighter.pipeline import load_checks

    load_checks()
    with step("assess"):
        found = assess(source, register)
    with step("assess, two workers"):
        again = assess(source, register, engine="processes", workers=2)
    with tempfile.TemporaryDirectory() as folder, step("report and tables"):
        write_outputs(found, source.rejects, Path(folder))
    assert found.nodes == again.nodes
    with step("measure"):
        measured(source, register, "serial")
    with step("measure, two workers"):
        measured(source, register, "processes")


def measured(source: object, register: str, engine: str) -> int:
    """Only the measuring of nodes, the part that engines share out."""
    from functools import partial

    from lamplighter.engines import Engine, Job
    from lamplighter.fleet import read_fleet
    from lamplighter.pipeline import history_of, measure_node
    from lamplighter.settings import Settings

    start, end = source.span()
    load = partial(history_of, source, fleet=read_fleet(register, None), start=start, as_of=end)
    return sum(1 for _ in Engine(engine, 2).run(Job(load, partial(measure_node, Settings())), source.nodes()))


def history(register: str, folder: str) -> None:
    """Assess a history; the memory is the process's own peak."""
    from lamplighter import assess
    from lamplighter.intake.store import History

    began = time.process_time()
    with step("assess"), History(folder) as source:
        found = assess(source, register)
    times["processor"] = time.process_time() - began
    times["kept"] = len(pickle.dumps((found.series, found.nodes, found.findings, found.gaps)))
    times["nodes"] = len(found.nodes)
    times["rows"] = found.account.check_ins
    times["disk"] = sum(p.stat().st_size for p in Path(folder).rglob("*") if p.is_file())


def build_history(folder: str, nodes: str, months: str) -> None:
    """Make a history of a fleet without files, a month at a time."""
    from lamplighter.checkins import FileAccount, empty_rejects
    from lamplighter.intake.rows import WHOLE, Names, make_rows
    from lamplighter.intake.store.collect import collect_with
    from lamplighter.intake.store.found import Found, Sink
    from lamplighter.settings import Settings
    from tests.bench.fleet import month_days, node_columns, node_name

    def reader(paths: Sequence[Path], names: Names, first: int, sink: Sink) -> Iterator[Found]:
        for number, path in enumerate(paths, start=first):
            rows = 0
            for k in range(int(nodes)):
                c = node_columns(k, *json.loads(path.read_text()))
                c["time"] = c["time"] * 1_000_000
                rows += len(c["time"])
                sink(make_rows(len(c["time"]), node=names.code(node_name(k)), has=WHOLE | 15, file=number, **c), names)
            account = FileAccount(file=path.name, layout="plain", records_read=rows)
            yield Found(accounts=(account,), rejects=empty_rejects())

    reader.registered = ()
    with tempfile.TemporaryDirectory() as made:
        files = []
        for a, n in month_days(int(months)):
            files.append(Path(made) / f"{a:05d}")
            files[-1].write_text(json.dumps([a, n]))
        for file in files:
            with step(f"collect {file.name}"):
                collect_with([file], folder, Settings(), reader)


if __name__ == "__main__":
    name, *rest = sys.argv[1:]
    if name in ("floor", "read"):
        globals()[name](rest)
    elif name == "whole":
        whole(rest[0], rest[1:])
    else:
        globals()[name](*rest)
    times["peak"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(json.dumps(times))
