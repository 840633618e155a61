"""Find mistakes of set-up that only the record shows."""

from lamplighter.checks.data.judge import judge
from lamplighter.checks.data.measure import measure
from lamplighter.checks.data.summary import summarise

NAME = "data"

__all__ = ["NAME", "judge", "measure", "summarise"]
