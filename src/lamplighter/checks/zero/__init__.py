"""Tell whether a transmitter still reads zero where its process is at zero."""

from lamplighter.checks.zero.judge import judge
from lamplighter.checks.zero.measure import measure
from lamplighter.checks.zero.summary import Summary, summarise

NAME = "zero"

__all__ = ["NAME", "Summary", "judge", "measure", "summarise"]
