"""Find mistakes of set-up that only the record shows."""

from lamplighter.checks.data.judge import judge
from lamplighter.checks.data.measure import measure

NAME = "data"

__all__ = ["NAME", "judge", "measure"]
