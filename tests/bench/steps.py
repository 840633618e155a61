"""The steps of a run, timed one by one inside one process; prints JSON.

Run as ``python -m tests.bench.steps STEP ... `` by the benchmark.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

times: dict[str, object] = {}


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
    from lamplighter import read_exports
    from lamplighter.outputs import write_outputs

    with step("read"):
        source = read_exports(paths)
    found, times["parts, one worker"] = dissected(source, register, "serial", 1)
    times["assess"] = times["parts, one worker"].pop("all")
    again, times["parts, two workers"] = dissected(source, register, "processes", 2)
    times["assess, two workers"] = times["parts, two workers"].pop("all")
    assert found.nodes == again.nodes
    with tempfile.TemporaryDirectory() as folder, step("report and tables"):
        write_outputs(found, source.rejects, Path(folder))


PARTS = ("measure_all", "review", "judge_fleet", "gather_verdicts", "overview")
"""Functions of the pipeline that are timed one by one, besides the judging of each check."""


def dissected(source: object, register: str, engine: str, workers: int) -> tuple[object, dict[str, float]]:
    """Assess, and time the parts of it in the leading process [s]."""
    from unittest.mock import patch

    from lamplighter import pipeline

    parts: dict[str, float] = {}

    def timed(name: str, work: Callable) -> Callable:
        def measured(*args: object, **more: object) -> object:
            began = time.perf_counter()
            try:
                return work(*args, **more)
            finally:
                parts[name] = time.perf_counter() - began

        return measured

    with ExitStack() as patched:
        for name in PARTS:
            patched.enter_context(patch.object(pipeline, name, timed(name, getattr(pipeline, name))))
        for check in pipeline.load_checks():
            patched.enter_context(patch.object(check, "judge", timed(f"judge {check.NAME}", check.judge)))
        found = timed("all", pipeline.assess)(source, register, engine=engine, workers=workers)
    parts["the rest"] = 2 * parts["all"] - sum(parts.values())
    return found, parts


def history(register: str, folder: str, *engine: str) -> None:
    """Assess a history and write the outputs, with the engine named or the one that suits."""
    from lamplighter import assess
    from lamplighter.intake.store import History
    from lamplighter.outputs import write_outputs

    with History(folder) as source, tempfile.TemporaryDirectory() as out:
        with step("assess"):
            found = assess(source, register, engine=engine[0] if engine else None)
        with step("report and tables"):
            write_outputs(found, source.rejects, Path(out))
        times["rows"] = found.account.check_ins
    times["disk"] = sum(p.stat().st_size for p in Path(folder).rglob("*") if p.is_file())


def kept(register: str, folder: str) -> None:
    """Say how much an assessment puts into temporary files, and what it keeps in memory when it is done."""
    import gc
    import tracemalloc
    from unittest.mock import patch

    from lamplighter import assess, spool
    from lamplighter.intake.store import History

    sizes: list[int] = []
    append = spool._Store.append

    def counted(store: spool._Store, data: bytes) -> None:
        sizes.append(len(data))
        append(store, data)

    with patch.object(spool._Store, "append", counted), patch.object(spool, "HELD", 0), History(folder) as source:
        tracemalloc.start()
        found = assess(source, register, engine="serial")
        gc.collect()
        before = tracemalloc.get_traced_memory()[0]
        del found
        gc.collect()
        times["kept"] = before - tracemalloc.get_traced_memory()[0]
    times["spooled"] = sum(sizes)


def week(register: str, folder: str, nodes: str, months: str) -> None:
    """Collect and assess a week, alone and added to a history; and the same with everything read again."""
    from tests.bench.fleet import month_days

    *_, (last, days) = month_days(int(months))
    new = [(last + days, 7)]
    with tempfile.TemporaryDirectory(dir=Path(folder).parent) as made:
        both(Path(made) / "first", nodes, new, register)  # loads the libraries
        found = {"a week alone": both(Path(made) / "alone", nodes, new, register)[0]}
        bare = shutil.ignore_patterns("summaries")
        grown, plain = (Path(shutil.copytree(folder, Path(made) / name, ignore=bare)) for name in ("grown", "plain"))
        assessed(grown, register)
        kept = sum(p.stat().st_size for p in (grown / "summaries").rglob("*") if p.is_file())
        found["a week more"], some = both(grown, nodes, new, register)
        found["a week more, everything read"], every = both(plain, nodes, new, register)
    times.clear()
    times.update(found, kept=kept, same=some == every)


def both(folder: Path, nodes: str, spans: Sequence[tuple[int, int]], register: str) -> tuple[list[float], bytes]:
    """Collect some days and assess; return wall time and processor time [s] of both, and the assessment as written."""
    began = time.perf_counter(), time.process_time()
    collected(folder, nodes, spans)
    written = assessed(folder, register)
    return [time.perf_counter() - began[0], time.process_time() - began[1]], written


def assessed(folder: Path, register: str) -> bytes:
    """Assess a history in this process and write all outputs; return the assessment as written."""
    from lamplighter import assess
    from lamplighter.intake.store import History
    from lamplighter.outputs import write_outputs

    with History(folder) as source, tempfile.TemporaryDirectory() as out:
        write_outputs(assess(source, register, engine="serial"), source.rejects, Path(out))
        return (Path(out) / "assessment.json").read_bytes()


def build_history(folder: str, nodes: str, months: str) -> None:
    """Make a history of a fleet without files, a month at a time."""
    from tests.bench.fleet import month_days

    collected(Path(folder), nodes, list(month_days(int(months))))


def collected(folder: Path, nodes: str, spans: Sequence[tuple[int, int]]) -> None:
    """Collect days of a fleet, given as first day and number of days, each span by itself."""
    from lamplighter.checkins import FileAccount, empty_rejects
    from lamplighter.intake.rows import WHOLE, Names, make_rows
    from lamplighter.intake.store.collect import collect_with
    from lamplighter.intake.store.found import Found, Sink
    from lamplighter.settings import Settings
    from tests.bench.fleet import node_columns, node_name

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
        for a, n in spans:
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
    print(json.dumps(times))
