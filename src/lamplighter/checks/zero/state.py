"""What a node's zero is now and how it moves, put together from the measures."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from lamplighter.checkins import DAY_S, day_of
from lamplighter.checks.zero.measure import YEAR_S, ZeroMeasures, bends_of
from lamplighter.fleet import RegisterEntry
from lamplighter.settings.zero import ZeroSettings
from lamplighter.stats.changes import Change
from lamplighter.wording import count, quantity

VENT = "At the next visit vent it, check its zero and write that into the work log (licensed people, site procedure)."


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """One node's zero at present; errors in % of span, rates in % of span per year.

    Attributes
    ----------
    judged : bool
        Whether it can be judged; if not, ``why_not`` says why and what would help.
    tolerance : float
    error, error_half : float
        Zero error at its usual temperature, now, and half its 95 % interval.
    rate, rate_low, rate_high : float
        Drift now, with its 95 % interval.
    drift_p : float
        p-value that there is no drift.
    drift_since : float
        When the drift began [s since 1970-01-01 UTC].
    moved : float
        How far the drift has moved the zero.
    steps : tuple of Change
        Steps found, times in seconds since 1970-01-01 UTC.
    fit : ndarray, shape (n_days,)
        Fitted zero error without temperature.
    wander : float
        Standard deviation of what is neither drift, step nor temperature.
    days : int
        Days with a rest.
    warm : bool
        Whether temperature was taken out.
    reset : float
        When the zero was last set, logged or found.
    """

    judged: bool
    tolerance: float
    why_not: str = ""
    error: float = math.nan
    error_half: float = math.nan
    rate: float = math.nan
    rate_low: float = math.nan
    rate_high: float = math.nan
    drift_p: float = 1.0
    drift_since: float = math.nan
    moved: float = 0.0
    steps: tuple[Change, ...] = ()
    fit: np.ndarray = None  # type: ignore[assignment]
    wander: float = math.nan
    days: int = 0
    warm: bool = False
    reset: float = math.nan
    last: float = math.nan

    def leaves(self, as_of: float, horizon: float) -> tuple[float | None, float | None, float | None]:
        """Return when the zero leaves its tolerance: middle, early and late date; None beyond the horizon.

        An error already outside has left at the present.
        """
        if abs(self.error) >= self.tolerance:
            return as_of, as_of, as_of
        fast, slow = sorted((self.rate_low, self.rate_high), key=lambda r: -r * math.copysign(1.0, self.rate))
        rates = (self.rate, fast, slow)
        slack = (0.0, -self.error_half, self.error_half)
        dates = [self._crossing(r, extra) for r, extra in zip(rates, slack, strict=True)]
        return tuple(None if d is None or d > as_of + horizon else max(d, as_of) for d in dates)  # type: ignore[return-value]

    def _crossing(self, rate: float, slack: float) -> float | None:
        if rate == 0 or rate * self.rate < 0:
            return None
        limit = math.copysign(self.tolerance, rate)
        left = (limit - self.error) / rate + slack / abs(rate)
        return self.last + max(left, 0.0) * YEAR_S


def state_of(m: ZeroMeasures, entry: RegisterEntry, s: ZeroSettings) -> State:
    """Put one node's zero together, or say why it cannot be judged."""
    tolerance = entry.zero_tolerance_pct_span or s.tolerance_pct_span
    why = why_not(m, entry, s)
    if why:
        return State(judged=False, tolerance=tolerance, why_not=why)
    explained, start = m.explained, float(day_of(m.time[:1])[0]) * DAY_S
    steps = tuple(_in_seconds(c, start) for c in explained.changes if c.kind == "step")
    bends = bends_of(explained)
    last = float(m.time[-1])
    fit, slope = explained.fitted, explained.slope
    rate, low, high, p = slope.value, slope.low, slope.high, slope.p
    if bends:
        since = start + bends[0].time * YEAR_S
        moved = abs(sum(b.size * ((last - start) / YEAR_S - b.time) for b in bends))
        if low <= 0 <= high:
            # A drift that came to rest: what is left of it is an error, not a rate.
            p, moved = 1.0, 0.0
    else:
        since = max([float(start), *(c.time for c in steps), *([m.reset] if m.reset > start else [])])
        moved = abs(rate) * (last - since) / YEAR_S
    # Within half a step of the resolution nothing is known, however still the readings are.
    blind = m.grain / 2 * YEAR_S / max(last - since, YEAR_S / 12)
    low, high = min(low, rate - blind), max(high, rate + blind)
    resets = [c.time for c in steps] + ([m.reset] if math.isfinite(m.reset) else [])
    return State(
        judged=True,
        tolerance=tolerance,
        error=float(fit[-1]),
        error_half=max(_level_half(m, explained.noise_sd), m.grain / 2),
        rate=rate,
        rate_low=low,
        rate_high=high,
        drift_p=p,
        drift_since=since,
        moved=moved,
        steps=steps,
        fit=fit,
        wander=explained.noise_sd,
        days=len(m.time),
        warm=m.temperature_used,
        reset=max(resets, default=math.nan),
        last=last,
    )


def why_not(m: ZeroMeasures, entry: RegisterEntry, s: ZeroSettings) -> str:
    """Say why a zero cannot be judged and what would help; empty when it can."""
    if not math.isfinite(m.span):
        return "Its range (lrl, url) is not in the register, so a zero error cannot be put in per cent of span."
    if entry.rests_at_zero is False:
        return f"By the register it never rests at zero, so its zero cannot be seen in the record. {VENT}"
    needed = max(s.min_rest_days, s.min_share * m.days_seen)
    if len(m.time) < needed:
        seen = "never rests at zero" if len(m.time) == 0 else f"rested at zero on only {count(len(m.time), 'day')}"
        return f"It {seen}, so its zero cannot be judged. {VENT}"
    early = float(np.median(m.error[: max(s.min_rest_days, len(m.error) // 10)]))
    wanders = m.explained is not None and m.explained.noise_sd > s.near_wander_pct_span
    lingers = wanders or m.scatter > s.near_scatter_pct_span or m.passing > s.near_passing
    if entry.rests_at_zero is None and (abs(early) > s.near_pct_span or lingers):
        return (
            f"Its low readings, about {quantity(early, '% of span', 2)}, may be its process and not its zero; say "
            f"rests_at_zero in the register. {VENT}"
        )
    if m.explained is None:
        return f"Its rests at zero cover too short a time to show a drift. {VENT}"
    return ""


def _level_half(m: ZeroMeasures, noise: float) -> float:
    """Half the interval of the present level: noise that may have a memory, so the days around count as few."""
    near = int((m.time >= m.time[-1] - 30 * 86_400).sum())
    return 1.96 * noise / math.sqrt(max(1.0, min(near, 4)))


def _in_seconds(change: Change, start: float) -> Change:
    at, low, high = (start + t * YEAR_S for t in (change.time, change.time_low, change.time_high))
    return replace(change, time=at, time_low=low, time_high=high)
