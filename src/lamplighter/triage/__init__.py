"""From findings to causes, ranks and visits."""

from lamplighter.triage.cautions import cautions_for
from lamplighter.triage.judge import judge_fleet

__all__ = ["cautions_for", "judge_fleet"]
