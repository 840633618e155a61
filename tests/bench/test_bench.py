"""The benchmark measures what it says: the same fleet each time, a fair script, a complete report."""

from __future__ import annotations

import pandas as pd
import pytest

from lamplighter import read_exports
from tests.bench import conventional
from tests.bench.__main__ import PARTS, Bench
from tests.bench.fleet import WRITERS, write_plain


def test_a_fleet_is_the_same_bytes_each_time(tmp_path):
    once, again = (write_plain(tmp_path / name, 2, 2) for name in "ab")
    assert [f.read_bytes() for f in once] == [f.read_bytes() for f in again]


def test_all_layouts_hold_the_same_nodes(tmp_path):
    nodes = {layout: read_exports(write(tmp_path / layout, 3, 1)).nodes() for layout, write in WRITERS.items()}
    assert nodes["plain"] == nodes["tags"] == nodes["wide"] == ["QV-00000", "QV-00001", "QV-00002"]


def test_the_conventional_script_answers_the_five_questions(tmp_path):
    """Node 1 fades, node 2 empties first, node 4 is stuck: a script worth being compared with sees that."""
    files = write_plain(tmp_path / "exports", 5, 4)
    conventional.main(str(tmp_path / "answers.csv"), [str(f) for f in files])
    answers = pd.read_csv(tmp_path / "answers.csv").set_index("node")
    assert answers["longest_run"].idxmax() == "QV-00004"
    assert answers["empty"].idxmin() == "QV-00002"
    assert (answers["missed"] > 0).all()


@pytest.mark.slow
def test_every_part_reports(tmp_path):
    size = {
        "main": (2, 1),
        "reading": (2, 1),
        "fleets": ((2, 1), (3, 1)),
        "history": (2, 3),
        "week": (2, 9),
        "sample": (2, 3),
    }
    bench = Bench(tmp_path, size)
    for part in PARTS[:-1]:
        getattr(bench, part)()
    text = "\n".join(bench.lines)
    for word in ("the floor", "Start-up", "pyarrow.csv", "Scaling", "Over a history", "the same, byte for byte"):
        assert word in text
