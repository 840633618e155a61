"""Puts what the zero check found into findings and plain words."""

from __future__ import annotations

import math

from lamplighter.checkins import DAY_S
from lamplighter.checks.zero.measure import YEAR_S, ZeroMeasures
from lamplighter.checks.zero.state import VENT, State
from lamplighter.fleet import RegisterEntry
from lamplighter.results import Finding
from lamplighter.settings.zero import ZeroSettings
from lamplighter.stats.changes import Change
from lamplighter.wording import between, count, date, dates_between, iso, number, quantity

REZERO = "Vent it and zero it at the next visit (licensed people, site procedure; isolate and release pressure first)."
DRAINED = "Ask operations whether the line has drained since that day; if it has, vent and zero it at the next visit."
PCT = "% of span"


def drift(node: str, entry: RegisterEntry, state: State, as_of: float, s: ZeroSettings) -> Finding:
    """Return a zero that drifts."""
    due, early, late = state.leaves(as_of, s.horizon_years * YEAR_S)
    outside = abs(state.error) > state.tolerance
    allowed = quantity(state.tolerance, PCT, 2)
    if outside:
        when = (
            f"It is now {quantity(state.error, PCT)} off, outside its tolerance of {quantity(state.tolerance, PCT, 2)}."
        )
    elif due is None and early is None:
        when = (
            f"It is now {quantity(state.error, PCT)} off, inside its tolerance of {quantity(state.tolerance, PCT, 2)}."
        )
    else:
        when = (
            f"It is now {quantity(state.error, PCT)} off and will likely leave its tolerance of {allowed} "
            f"{dates_between(early, late)}."
        )
    rate = quantity(state.rate, f"{PCT} per year")
    return Finding(
        check="zero",
        kind="zero_drift",
        node=node,
        gateway=entry.gateway,
        since=state.drift_since,
        value=state.rate,
        unit=f"{PCT} per year",
        low=state.rate_low,
        high=state.rate_high,
        probability=1 - state.drift_p,
        severity="S" if outside else "M",
        evidence=f"Its zero drifts by {rate} ({between(state.rate_low, state.rate_high)}) since "
        f"{date(state.drift_since)}, seen on {count(state.days, 'day')} at rest{_warm(state)}. "
        f"{when}{_negative(state, entry)}",
        remedy=REZERO,
        data={
            "error_pct_span": state.error,
            "tolerance_pct_span": state.tolerance,
            "moved_pct_span": state.moved,
            "due": due,
            "due_low": early,
            "due_high": late,
            "rest_days": state.days,
            "temperature_used": state.warm,
        },
    )


def step(node: str, entry: RegisterEntry, state: State, change: Change, m: ZeroMeasures, s: ZeroSettings) -> Finding:
    """Return a zero that stepped, one that went back since, or one set back that nobody wrote down."""
    before = float(state.fit[max(int((m.time < change.time).sum()) - 1, 0)])
    back = abs(before + change.size) <= (1 - s.reset_share) * abs(before)
    undone = [c.time for c in state.steps if c.time > change.time and c.size * change.size < 0]
    outside = abs(state.error) > state.tolerance
    over = not back and bool(undone) and not outside
    # A line that does not drain lifts a reading off its zero for some weeks; only time tells that from a step.
    young = not back and change.size > 0 and state.last - change.time < s.lifted_days / 2 * DAY_S
    size = f"{quantity(change.size, PCT)} ({between(change.low, change.high)})"
    if back:
        said = (
            f"Its zero error of {quantity(before, PCT)} changed by {size} on {date(change.time)}: taken for a re-zero "
            "that nobody logged."
        )
    else:
        now = f"went back on {date(undone[0])}" if over else f"is now {quantity(state.error, PCT)} off"
        said = f"Its zero stepped by {size} on {date(change.time)}{_warm(state)} and {now}.{_negative(state, entry)}"
    return Finding(
        check="zero",
        kind="zero_reset" if back else "zero_step",
        node=node,
        gateway=entry.gateway,
        since=change.time,
        until=change.time if back else undone[0] if over else None,
        value=change.size,
        unit=PCT,
        low=change.low,
        high=change.high,
        probability=change.probability,
        severity="info" if back or over or young else "S" if outside else "M",
        evidence=said,
        remedy="Write the re-zero into the work log." if back else DRAINED if young else REZERO,
        key=iso(change.time)[:10],
        data={"error_pct_span": state.error, "tolerance_pct_span": state.tolerance, "before_pct_span": before},
    )


def error(node: str, entry: RegisterEntry, state: State) -> Finding:
    """Return a zero out of tolerance that neither drifts nor stepped."""
    half = state.error_half
    return Finding(
        check="zero",
        kind="zero_error",
        node=node,
        gateway=entry.gateway,
        value=state.error,
        unit=PCT,
        low=state.error - half,
        high=state.error + half,
        severity="S",
        evidence=f"Its zero is {quantity(state.error, PCT)} off ({between(state.error - half, state.error + half)}), "
        f"outside its tolerance of {quantity(state.tolerance, PCT, 2)}, without a clear drift or step."
        + _negative(state, entry),
        remedy=REZERO,
        data={"error_pct_span": state.error, "tolerance_pct_span": state.tolerance},
    )


def negative(node: str, entry: RegisterEntry, m: ZeroMeasures) -> Finding:
    """Return readings below the range of a node whose zero cannot be judged otherwise."""
    return Finding(
        check="zero",
        kind="below_range",
        node=node,
        gateway=entry.gateway,
        since=m.below_since,
        value=m.below_pct,
        unit=PCT,
        severity="S",
        evidence=f"It reads below its range, by {number(-m.below_pct)} % of span at the middle, for "
        f"{number(m.below_s / 3600, 2)} hours in all since {date(m.below_since)}: a gauge cannot, so its zero has "
        "shifted.",
        remedy=VENT,
    )


def fine(state: State) -> str:
    """Say that a zero is in order, with its numbers."""
    rate = f"{quantity(state.rate, f'{PCT} per year', 2)} ({between(state.rate_low, state.rate_high, digits=2)})"
    allowed = quantity(state.tolerance, PCT, 2)
    return f"At rest it reads {quantity(state.error, PCT, 2)} off and moves by {rate}; its tolerance is {allowed}."


def _warm(state: State) -> str:
    return ", temperature taken out" if state.warm else ", temperature not known"


def _negative(state: State, entry: RegisterEntry) -> str:
    """Say that a reading below zero is impossible for a gauge, where it is."""
    below = state.error + state.error_half < 0 and abs(state.error) > state.tolerance / 2
    if not below or entry.lrl is None or not math.isclose(entry.lrl, 0.0, abs_tol=1e-9):
        return ""
    return " A gauge at rest cannot read below zero, so it is the zero and not the process."
