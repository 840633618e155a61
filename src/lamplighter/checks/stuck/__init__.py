"""Tell a reading that follows its process from one that stands still on its own."""

from lamplighter.checks.stuck.judge import judge
from lamplighter.checks.stuck.measure import measure
from lamplighter.checks.stuck.summary import summarise

NAME = "stuck"

__all__ = ["NAME", "judge", "measure", "summarise"]
