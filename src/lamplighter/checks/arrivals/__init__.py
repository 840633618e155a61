"""Missed check-ins: which nodes are silent or lose more than before, and which silences are not their own."""

from __future__ import annotations

from lamplighter.checks.arrivals.judge import judge
from lamplighter.checks.arrivals.measure import ArrivalsMeasure, measure

NAME = "arrivals"

__all__ = ["NAME", "ArrivalsMeasure", "judge", "measure"]
