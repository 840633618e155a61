"""How a set of exports is to be read: one plan each, with what they tell of one another."""

from __future__ import annotations

from collections.abc import Sequence

from lamplighter.dates import OrderEvidence
from lamplighter.errors import InputError
from lamplighter.intake.files import Broken, Export
from lamplighter.intake.plan import Plan
from lamplighter.intake.source import plan_of
from lamplighter.intake.survey import order_is_open, weigh_order, with_codes, with_order
from lamplighter.settings import Settings


def plan_all(
    exports: Sequence[Export | Broken], settings: Settings
) -> list[tuple[Export, Plan] | tuple[Export | Broken, InputError]]:
    """Recognise how all exports are to be read; the error in place of a plan where one cannot be.

    Exports with the same headings help each other to tell the order of day and month.
    """
    plans: list[Plan | InputError] = []
    own: dict[int, OrderEvidence] = {}
    for i, export in enumerate(exports):
        try:
            if isinstance(export, Broken):
                raise export.error
            plan = plan_of(export, settings)
            if order_is_open(plan):
                own[i] = weigh_order(export, plan, settings)
            plans.append(with_codes(export, plan, settings))
        except InputError as bad:
            plans.append(bad)
    together: dict[tuple[str, ...], OrderEvidence] = {}
    for i, evidence in own.items():
        if isinstance(plan := plans[i], Plan):
            together[plan.heading] = together.get(plan.heading, OrderEvidence()) + evidence
    for i, evidence in own.items():
        if isinstance(plan := plans[i], Plan):
            try:
                plans[i] = with_order(plan, evidence, together[plan.heading], exports[i].name)
            except InputError as bad:
                plans[i] = bad
    return list(zip(exports, plans, strict=True))  # type: ignore[arg-type]
