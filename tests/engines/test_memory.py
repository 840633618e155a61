"""Memory does not grow with the number of nodes, and the benchmark sees the memory of workers."""

from __future__ import annotations

import gc
import tracemalloc

import numpy as np
import pytest

from lamplighter import spool
from lamplighter.checkins import Account, NodeHistory
from lamplighter.engines import Engine
from lamplighter.fleet import Fleet, RegisterEntry
from lamplighter.intake.store import History, collect
from lamplighter.maker import CODE, maker
from lamplighter.measuring import CHECKS, load_node, measure_node
from lamplighter.pipeline import assess_fleet
from lamplighter.report import write_report
from lamplighter.results import write_assessment
from lamplighter.settings import Settings
from tests.bench.fleet import write_plain
from tests.bench.timed import python

MOST_A_NODE = 8_000
"""Bytes that a further node may cost: of a run that needs 250 MB, 3,000 of them are a tenth."""
NODES, MONTHS = 5, 3


class Repeated:
    """A history whose nodes come many times over, each time under another name."""

    def __init__(self, history: History, times: int) -> None:
        self.history, self.account = history, Account()
        self.named = {f"{node}-{k:03d}": node for node in history.nodes() for k in range(times)}
        self.traits: dict[str, frozenset[str]] = {}

    def nodes(self) -> list[str]:
        return sorted(self.named)

    def span(self) -> tuple[float, float]:
        return self.history.span()

    on_disk = False

    def arrays(self, node: str, since: float = float("-inf")):
        return self.history.arrays(self.named[node], since)

    def fleet(self) -> Fleet:
        return Fleet({n: RegisterEntry(node=n, gateway=f"GW {k // 10}") for k, n in enumerate(self.nodes())})


def peak(source: Repeated, folder) -> int:
    """Return the most memory that assessing and writing takes beyond what was there before [bytes]."""
    gc.collect()
    tracemalloc.start()
    try:
        found = assess_fleet(source, source.fleet(), Settings(), engine=Engine())
        write_assessment(found, folder / "a.json")
        write_report(found, folder / "a.html")
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.slow
def test_memory_hardly_grows_with_the_number_of_nodes(tmp_path, monkeypatch):
    monkeypatch.setattr(spool, "HELD", 0)
    for file in write_plain(tmp_path / "exports", NODES, MONTHS):
        collect([file], tmp_path / "h")
    with History(tmp_path / "h") as history:
        peak(Repeated(history, 1), tmp_path)  # what is loaded and kept at the first use
        few, many = (peak(Repeated(history, times), tmp_path) for times in (6, 26))
    assert (many - few) / (20 * NODES) < MOST_A_NODE


def test_the_benchmark_counts_the_memory_of_workers():
    code = (
        "import multiprocessing, time\n"
        "def work(_):\n    kept = bytearray(range(256)) * 400_000\n    time.sleep(1)\n    return len(kept)\n"
        "with multiprocessing.get_context('fork').Pool(2) as pool:\n    print(sum(pool.map(work, range(2))))\n"
    )
    alone, shared = python("-c", "print(1)"), python("-c", code)
    assert shared.data == 2 * 256 * 400_000
    assert 200e6 < shared.peak - alone.peak < 300e6


def test_a_measured_node_is_gone_from_memory_at_once(tmp_path):
    """What waits for the collector of cycles, large arrays above all, adds up over thousands of nodes."""
    collect(write_plain(tmp_path / "exports", 2, 9), tmp_path / "h")
    with History(tmp_path / "h") as history:
        start, as_of = history.span()
        for _ in range(2):  # with summaries to make, and with summaries kept
            for node in history.nodes():
                loaded = load_node(history, node, Fleet({}), start, as_of, (CODE, maker(Settings(), CHECKS)))
                gc.collect()
                measure_node(Settings(), loaded)
                del loaded
                gc.set_debug(gc.DEBUG_SAVEALL)
                try:
                    gc.collect()
                    assert not [x for x in gc.garbage if isinstance(x, np.ndarray | NodeHistory)]
                finally:
                    gc.set_debug(0)
                    gc.garbage.clear()
