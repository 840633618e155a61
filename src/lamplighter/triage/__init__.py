"""From findings to causes, ranks and visits."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from lamplighter.triage.cautions import cautions_for
from lamplighter.triage.judge import judge_fleet
from lamplighter.triage.review import review

if TYPE_CHECKING:
    from lamplighter.triage.papers import plan_summary, write_visits
    from lamplighter.triage.visits import VisitPlan, plan_visits

# Loaded on first use: the planner needs an optimiser that ranking does not.
_HOME = {"VisitPlan": "visits", "plan_visits": "visits", "plan_summary": "papers", "write_visits": "papers"}

__all__ = ["VisitPlan", "cautions_for", "judge_fleet", "plan_summary", "plan_visits", "review", "write_visits"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'lamplighter.triage' has no attribute {name!r}")
    return getattr(import_module(f"lamplighter.triage.{_HOME[name]}"), name)
