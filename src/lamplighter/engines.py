"""How the nodes are measured: one after the other, or in several processes; the results are the same."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any


def run_serial(work: Callable[[Any], Any], tasks: Iterable[Any]) -> Iterator[Any]:
    """Yield the result of every task in order."""
    yield from map(work, tasks)
