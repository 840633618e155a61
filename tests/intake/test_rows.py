"""Rows put together: in order, each column copied once, nothing lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.intake.rows import DTYPES, joined, joined_in_order, make_rows
from lamplighter.intake.settle import sort_order

PART = st.lists(st.tuples(st.integers(0, 4), st.integers(0, 30)), max_size=25)


def part_of(pairs: list[tuple[int, int]], file: int):
    node, time = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    return make_rows(len(pairs), node=node, time=time, reading=np.arange(len(pairs)) + 100.0 * file, file=file)


@given(st.lists(PART, min_size=1, max_size=5))
def test_rows_put_together_in_order_are_those_put_together_and_then_sorted(parts):
    rank = np.array([3, 0, 4, 1, 2], dtype=np.int32)
    whole = joined([part_of(p, k) for k, p in enumerate(parts)])
    whole.node = rank[whole.node]
    order = np.lexsort((whole.time, whole.node))
    found = joined_in_order([part_of(p, k) for k, p in enumerate(parts)], rank, sort_order)
    for name, dtype in DTYPES.items():
        column = getattr(found, name)
        assert column.dtype == dtype
        assert column.flags.writeable
        assert np.array_equal(column, getattr(whole, name)[order], equal_nan=name not in ("quality", "has"))


def test_no_rows_at_all_are_put_together():
    assert len(joined_in_order([], np.zeros(0, np.int32), sort_order)) == 0


def test_the_parts_are_emptied_on_the_way():
    parts = [part_of([(1, 5)], 0), part_of([(0, 3)], 1)]
    joined_in_order(parts, np.arange(2, dtype=np.int32), sort_order)
    assert [len(p.reading) for p in parts] == [0, 0]


@pytest.mark.parametrize("name", ["sequence", "quality", "file"])
def test_a_column_of_one_value_can_be_written_once_it_is_put_together(name):
    only = joined([part_of([(0, 1), (0, 2)], 0)])
    getattr(only, name)[0] = 7
    assert getattr(only, name).tolist()[0] == 7
