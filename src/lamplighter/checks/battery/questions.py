"""The answers of the what-if command: for a node of register or assessment, or a battery given by its part."""

from __future__ import annotations

from collections.abc import Sequence

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.cells import CHEMISTRIES, UNKNOWN, Cell, cell_of
from lamplighter.checks.battery.whatif import Lifetime, Plan, budget_lifetime, scaled_lifetime
from lamplighter.errors import InputError
from lamplighter.fleet import RegisterEntry
from lamplighter.results import Assessment, NodeRow
from lamplighter.settings.battery import BatterySettings
from lamplighter.wording import between, duration, joined, number, percent


def lifetimes(
    entry: RegisterEntry, row: NodeRow | None, plans: Sequence[Plan], settings: BatterySettings
) -> list[Lifetime]:
    """Return the life under each plan: from a charge budget when the figures are known, else from the life so far.

    Raises
    ------
    InputError
        When neither the figures of a charge budget nor a forecast of the present battery is known.
    """
    cell = cell_of(entry.battery_chemistry, entry.battery_part)
    capacity = entry.battery_capacity_ah or cell.capacity_ah
    if cell.chemistry != UNKNOWN and not CHEMISTRIES[cell.chemistry].forecast:
        raise InputError("a charged battery has no life to foretell", remedy="ask for a primary battery")
    if capacity and entry.sleep_current_ua is not None and entry.charge_per_check_in_mc is not None:
        budget = [
            budget_lifetime(cell, capacity, entry.sleep_current_ua, entry.charge_per_check_in_mc, plan, settings)
            for plan in plans
        ]
        return budget
    known = life_so_far(row)
    if row is None or known is None or not row.interval_s:
        raise lacking(entry, capacity, cell)
    now = Plan(interval_s=row.interval_s, temperature_c=plans[0].temperature_c)
    return [scaled_lifetime(known, now, plan, settings) for plan in plans]


def lacking(entry: RegisterEntry, capacity: float | None, cell: Cell) -> InputError:
    """Return the error that says exactly which figures of a charge budget are missing, with examples to try."""
    figures = (
        (not capacity, "its capacity in Ah (--capacity 2.4)"),
        (entry.sleep_current_ua is None, "the current while asleep in uA (--sleep-ua 20)"),
        (entry.charge_per_check_in_mc is None, "the charge of a check-in in mC (--charge-mc 50)"),
    )
    part = f"part {entry.battery_part!r} is not known; " if entry.battery_part and cell.chemistry == UNKNOWN else ""
    return InputError(
        f"{part}to tell how long the battery{f' of {entry.node}' if entry.node else ''} lasts, give "
        f"{joined([words for missing, words in figures if missing])}",
        remedy="these figures are examples, the node's datasheet has its own; an assessment with a forecast for the "
        "node does too",
    )


def life_so_far(row: NodeRow | None) -> tuple[float, float, float] | None:
    """Return the whole life of a node's present battery by its forecast [days], None without start or dates."""
    if row is None or row.battery_since is None or row.eol_p10 is None or row.eol_p50 is None or row.eol_p90 is None:
        return None
    low, mid, high = ((end - row.battery_since) / DAY_S for end in (row.eol_p10, row.eol_p50, row.eol_p90))
    return (low, mid, high) if low > 0 else None


def subject(
    node: str | None, register: dict[str, RegisterEntry], assessment: Assessment | None
) -> tuple[RegisterEntry, NodeRow | None]:
    """Return what is known of a node, from the register or the assessment; an empty entry when no node is named.

    Raises
    ------
    InputError
        When the node is in neither.
    """
    if node is None:
        return RegisterEntry(node=""), None
    row = next((r for r in assessment.nodes if r.node == node), None) if assessment is not None else None
    if node in register:
        return register[node], row
    if assessment is not None and node in assessment.register:
        names = RegisterEntry.__dataclass_fields__
        said = {k: v for k, v in assessment.register[node].items() if k in names}
        return RegisterEntry(**said), row
    if not register and assessment is None:
        raise InputError(f"nothing is known of node {node}", remedy="give --register or --assessment")
    raise InputError(f"node {node} is not known", remedy="check its name in the register or the assessment")


def answer_text(cell: Cell, plans: Sequence[Plan], lives: Sequence[Lifetime], width: int = 80) -> str:
    """Return the table that a person reads on the terminal; stacked where it is wider than ``width``."""
    words = CHEMISTRIES[cell.chemistry].words if cell.chemistry != UNKNOWN else "chemistry not known"
    rows = [("check-in every", "likely life", "80 % between", "check-ins take", "sleep", "self-discharge")]
    for plan, life in zip(plans, lives, strict=True):
        p10, p50, p90 = life.years
        shares = (life.check_in_share, life.sleep_share, life.self_discharge_share)
        rows.append(
            (
                duration(plan.interval_s), f"{number(p50, 2)} years", between(p10, p90, "years", 2),
                *(percent(s, 2) if s is not None else "-" for s in shares),
            )
        )  # fmt: skip
    wide = [max(len(r[i]) for r in rows) for i in range(len(rows[0]))]
    table = ["  ".join(c.ljust(w) for c, w in zip(r, wide, strict=True)).rstrip() for r in rows]
    if max(map(len, table)) > width:
        stacks = [[f"  {name}: {cell}" for name, cell in zip(rows[0][1:], r[1:], strict=True)] for r in rows[1:]]
        table = [line for r, stack in zip(rows[1:], stacks, strict=True) for line in (f"{rows[0][0]} {r[0]}", *stack)]
    first = plans[0]
    about = f"Battery: {words}; {first.temperature_c:g} °C; judged by {lives[0].basis}."
    if first.fast_share:
        every = duration(first.fast_interval_s or first.interval_s)
        about += f" Fast sampling {percent(first.fast_share, 2)} of the time, every {every}."
    long = any(life.years[2] > AGEING_YEARS for life in lives)
    note = ["", f"Beyond some {AGEING_YEARS:g} years seals and shelf life end a battery first."] if long else []
    return "\n".join([about, "", *table, *note])


AGEING_YEARS = 20.0
"""Common practice, no source: no charge budget is believed beyond it."""
USUAL_INTERVALS = (60.0, 300.0, 900.0, 3_600.0, 14_400.0)


def intervals(asked: Sequence[str] | None, entry: RegisterEntry, row: NodeRow | None) -> list[float]:
    """Return the intervals to answer for [s]: those asked, else usual ones with the node's own among them."""
    if asked:
        return [seconds_of(text) for text in asked]
    own = entry.interval_s or (row.interval_s if row is not None else None)
    return sorted({*USUAL_INTERVALS, *([float(own)] if own else [])})


def seconds_of(text: str) -> float:
    """Return a length of time in words as seconds: ``900``, ``15min``, ``1h``, ``2d``.

    Raises
    ------
    InputError
        When it is no length of time.
    """
    units = {"": 1.0, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3_600.0, "d": 86_400.0}
    plain = text.strip().lower().replace(" ", "")
    figure = plain.rstrip("abcdefghijklmnopqrstuvwxyz")
    try:
        value = float(figure) * units[plain[len(figure) :]]
    except (ValueError, KeyError) as bad:
        raise InputError(f"{text!r} is not a length of time", remedy="write 900, 15min, 1h or 1d") from bad
    if not 0 < value < 1e9:
        raise InputError(f"{text!r} is not a length of time", remedy="write 900, 15min, 1h or 1d")
    return value
