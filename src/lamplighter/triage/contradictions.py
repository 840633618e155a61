"""Work log entries that the data contradict: a swap without a rise, a re-zero without a step, a removal not done."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from lamplighter import wording
from lamplighter.checkins import DAY_S
from lamplighter.checks.base import CheckResult, Context
from lamplighter.fleet import WorkEntry
from lamplighter.results import Finding
from lamplighter.settings.triage import TriageSettings

RESETS = ("zeroed", "recalibrated")
SD_PER_MAD = 1.4826
"""Standard deviation of normal values over their median absolute deviation."""
Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Change:
    """Level before and after an instant, and the change with its 95 % interval."""

    before: float
    after: float
    change: float
    low: float
    high: float


def find_contradictions(results: Mapping[str, CheckResult], context: Context) -> list[Finding]:
    """Compare each node's work log with its data.

    Needs the battery check's daily temperature-adjusted voltage and the zero check's zero errors; says nothing
    where the data cannot tell, as when a battery was swapped while its voltage was still that of a new one.

    Returns
    -------
    list of Finding
        Kind ``worklog_contradicted`` of check ``data``, by node and time.
    """
    s = context.settings.triage
    volts = Pairs(series_of(results, "battery"), "day", "volts")
    zeros = Pairs(series_of(results, "zero"), "time", "error_pct")
    swapped = any(w.action == "battery replaced" for log in context.worklog.values() for w in log)
    fresh = fresh_levels(volts, context) if swapped else {}
    found = []
    for node, log in sorted(context.worklog.items()):
        for entry in log:
            said: tuple[str, Change | None] | None = None
            if entry.action == "battery replaced" and node in volts:
                said = no_rise(entry, *volts[node], fresh.get(node), s)
            elif entry.action in RESETS and node in zeros:
                said = no_step(entry, *zeros[node], _tolerance(node, results, context), s)
            elif entry.action == "removed":
                said = still_heard(entry, log, results, context)
            if said is not None:
                found.append(_finding(entry, *said, context))
    return found


def series_of(results: Mapping[str, CheckResult], check: str) -> Mapping[str, dict[str, Any]]:
    """Return what a check drew, by node."""
    return results[check].series if check in results else {}


def pair(drawn: Mapping[str, Any], x: str, y: str) -> tuple[np.ndarray, np.ndarray]:
    """Return two columns of a series as arrays, pairs with a gap left out."""
    both = [(a, b) for a, b in zip(drawn.get(x, ()), drawn.get(y, ()), strict=False) if b is not None]
    return (np.array([a for a, _ in both], dtype=float), np.array([b for _, b in both], dtype=float))


@dataclass(frozen=True, slots=True)
class Pairs(Mapping[str, tuple[np.ndarray, np.ndarray]]):
    """Two columns of every node's series, see :func:`pair`, made when they are asked for."""

    drawn: Mapping[str, Mapping[str, Any]]
    x: str
    y: str

    def __getitem__(self, node: str) -> tuple[np.ndarray, np.ndarray]:
        return pair(self.drawn[node], self.x, self.y)

    def __contains__(self, node: object) -> bool:
        return node in self.drawn

    def __iter__(self) -> Iterator[str]:
        return iter(self.drawn)

    def __len__(self) -> int:
        return len(self.drawn)


def change_at(time: np.ndarray, value: np.ndarray, when: float, window_s: float, skip_s: float) -> Change | None:
    """Return how the level changed at an instant: medians on either side, interval from their scatter.

    Parameters
    ----------
    time, value : array, shape (n,)
    when : float
        The instant, same unit as ``time``.
    window_s, skip_s : float
        How far to look on either side, and how much next to the instant to pass over.

    Returns
    -------
    Change or None
        None with fewer than three values on either side.
    """
    before = value[(time >= when - window_s) & (time < when - skip_s)]
    after = value[(time > when + skip_s) & (time <= when + window_s)]
    if len(before) < 3 or len(after) < 3:
        return None
    levels = [float(np.median(side)) for side in (before, after)]
    errors = [_median_error(side, level) for side, level in zip((before, after), levels, strict=True)]
    half = Z95 * float(np.hypot(errors[0], errors[1]))
    change = levels[1] - levels[0]
    return Change(levels[0], levels[1], change, change - half, change + half)


def _median_error(values: np.ndarray, level: float) -> float:
    """Return the standard error of a median of normal values: sqrt(pi / 2) that of a mean."""
    return float(np.sqrt(np.pi / 2 / len(values)) * SD_PER_MAD * np.median(np.abs(values - level)))


def fresh_levels(volts: Mapping[str, tuple[np.ndarray, np.ndarray]], context: Context) -> dict[str, float]:
    """Return the voltage of a new battery for each node: its own highest, or its type's usual highest if above it."""
    own = {n: float(np.quantile(v, 0.95)) for n, (_, v) in volts.items() if len(v)}
    types: dict[tuple[str, str], list[float]] = {}
    for node, level in own.items():
        types.setdefault(_type(node, context), []).append(level)
    usual = {kind: float(np.quantile(levels, 0.75, method="higher")) for kind, levels in types.items()}
    return {n: max(level, usual[_type(n, context)]) if any(_type(n, context)) else level for n, level in own.items()}


def _type(node: str, context: Context) -> tuple[str, str]:
    entry = context.register.get(node)
    return ("", "") if entry is None else (entry.battery_chemistry, entry.battery_part)


def no_rise(
    entry: WorkEntry, time: np.ndarray, volts: np.ndarray, fresh: float | None, s: TriageSettings
) -> tuple[str, Change | None] | None:
    """Return why a logged swap is doubtful: the old battery was well below a new one, and the voltage did not rise."""
    change = change_at(time, volts, entry.time, s.contradiction_window_days * DAY_S, DAY_S)
    if change is None or fresh is None or fresh - change.before < 2 * s.swap_rise_v or change.high >= s.swap_rise_v:
        return None
    words = (
        f"The work log says the battery was replaced on {wording.date(entry.time)}, but its voltage was "
        f"{wording.quantity(change.before, 'V')} before and {wording.quantity(change.after, 'V')} after; "
        f"a new one shows about {wording.quantity(fresh, 'V')}."
    )
    return words, change


def no_step(
    entry: WorkEntry, time: np.ndarray, error: np.ndarray, tolerance: float | None, s: TriageSettings
) -> tuple[str, Change | None] | None:
    """Return why a logged re-zero is doubtful: the zero was off before and is off by as much after."""
    change = change_at(time, error, entry.time, 3 * s.contradiction_window_days * DAY_S, DAY_S)
    if change is None or tolerance is None or abs(change.before) < tolerance / 2:
        return None
    # Seen from the side of the error: how much of it was taken away at the most.
    taken = max(-np.sign(change.before) * end for end in (change.low, change.high))
    if taken >= abs(change.before) / 2:
        return None
    words = (
        f"The work log says it was {entry.action} on {wording.date(entry.time)}, but its zero error was "
        f"{wording.number(change.before, 2)} % of span before and {wording.number(change.after, 2)} % after."
    )
    return words, change


def still_heard(
    entry: WorkEntry, log: tuple[WorkEntry, ...], results: Mapping[str, CheckResult], context: Context
) -> tuple[str, Change | None] | None:
    """Return why a logged removal is doubtful: the node has checked in since, and no later entry says it is back."""
    last = results["arrivals"].facts.get(entry.node, {}).get("last_seen") if "arrivals" in results else None
    back = any(w.time > entry.time for w in log)
    if last is None or back or last <= entry.time + context.settings.triage.removal_grace_days * DAY_S:
        return None
    said, heard = wording.date(entry.time), wording.date(last)
    return f"The work log says it was removed on {said}, but it still checked in on {heard}.", None


def _tolerance(node: str, results: Mapping[str, CheckResult], context: Context) -> float | None:
    told = context.register[node].zero_tolerance_pct_span if node in context.register else None
    drawn = series_of(results, "zero").get(node, {}).get("tolerance_pct")
    return told if told is not None else drawn if isinstance(drawn, (int, float)) else None


def _finding(entry: WorkEntry, words: str, change: Change | None, context: Context) -> Finding:
    recent = context.as_of - entry.time <= context.settings.triage.contradiction_recent_days * DAY_S
    known = context.register.get(entry.node)
    return Finding(
        check="data",
        kind="worklog_contradicted",
        node=entry.node,
        gateway="" if known is None else known.gateway,
        since=entry.time,
        value=None if change is None else round(change.change, 4),
        unit="" if change is None else "V" if entry.action == "battery replaced" else "% of span",
        low=None if change is None else round(change.low, 4),
        high=None if change is None else round(change.high, 4),
        severity="M" if recent else "info",
        evidence=words,
        remedy="Find out what was really done, and to which node; correct the work log.",
        key=f"{wording.iso(entry.time)[:10]} {entry.action}",
        data={"action": entry.action},
    )
