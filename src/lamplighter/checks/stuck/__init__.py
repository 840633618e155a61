"""Tell a reading that follows its process from one that stands still on its own."""

from lamplighter.checks.stuck.judge import judge
from lamplighter.checks.stuck.measure import measure
from lamplighter.checks.stuck.summary import Summary, summarise

NAME = "stuck"

__all__ = ["NAME", "Summary", "judge", "measure", "summarise"]
