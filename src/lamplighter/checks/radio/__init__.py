"""RSSI: is a node's signal getting weaker, has it dropped, is there enough to spare."""

from __future__ import annotations

from lamplighter.checks.radio.judge import judge
from lamplighter.checks.radio.measure import RadioMeasure, measure
from lamplighter.checks.radio.summary import Summary, summarise

NAME = "radio"

__all__ = ["NAME", "RadioMeasure", "Summary", "judge", "measure", "summarise"]
