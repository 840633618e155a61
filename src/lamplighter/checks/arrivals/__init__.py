"""Missed check-ins: which nodes are silent or lose more than before, and which silences are not their own."""

from __future__ import annotations

from lamplighter.checks.arrivals.judge import judge
from lamplighter.checks.arrivals.measure import ArrivalsMeasure, measure
from lamplighter.checks.arrivals.summary import Summary, summarise

NAME = "arrivals"

__all__ = ["NAME", "ArrivalsMeasure", "Summary", "judge", "measure", "summarise"]
