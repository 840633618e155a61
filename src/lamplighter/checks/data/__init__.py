"""Find mistakes of set-up that only the record shows."""

from lamplighter.checks.data.judge import judge
from lamplighter.checks.data.measure import measure
from lamplighter.checks.data.summary import Summary, summarise

NAME = "data"

__all__ = ["NAME", "Summary", "judge", "measure", "summarise"]
