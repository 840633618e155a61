"""Stands at past days and forecasts again, with nothing that was not known then."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from lamplighter.backtest.summary import BacktestResult, Stand, result_of
from lamplighter.checkins import DAY_S, NodeHistory, Source
from lamplighter.checks import battery as battery_check
from lamplighter.checks.base import measure_rows
from lamplighter.checks.battery.blend import Forecast
from lamplighter.checks.battery.fleetwide import Battery, Life, Weather, ambient, gather
from lamplighter.checks.battery.judge import forecastable
from lamplighter.checks.battery.learning import Class, learn_classes
from lamplighter.checks.battery.measure import BatteryMeasures
from lamplighter.checks.battery.predict import Prediction, predict
from lamplighter.fleet import Fleet, RegisterEntry
from lamplighter.measuring import history_of
from lamplighter.settings import Settings

LEADS = (90.0, 60.0, 30.0, 14.0, 7.0)
"""How long before the end to stand [days]."""
LINE_DAYS = 90.0


def backtest(
    source: Source,
    fleet: Fleet | None = None,
    settings: Settings | None = None,
    *,
    leads: Sequence[float] = LEADS,
    as_of: float | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> BacktestResult:
    """Forecast again every battery that has since ended, and see how the forecasts did.

    Parameters
    ----------
    source : Source
        Check-ins, from :func:`lamplighter.read_exports` or a history.
    fleet : Fleet, optional
    settings : Settings, optional
    leads : sequence of float
        How long before the end to stand [days].
    as_of : float, optional
        The present [s since 1970-01-01 UTC]; later check-ins are set aside.
    progress : callable, optional
        Called with the number of nodes done and in all.

    Returns
    -------
    BacktestResult
        Empty when no battery's end lies in the data.
    """
    fleet, settings = fleet or Fleet(), settings or Settings()
    present = source.span()[1] if as_of is None else as_of
    batteries, weather, start = measured_fleet(source, fleet, settings, present)
    ended = [
        life
        for node in sorted(batteries)
        if forecastable(batteries[node])
        for life in batteries[node].lives
        if np.isfinite(life.ended_at)
    ]
    stands: list[Stand] = []
    for done, life in enumerate(ended, start=1):
        for lead in leads:
            stand = stand_before(life, lead, source, fleet, settings, batteries, start, weather)
            if stand is not None:
                stands.append(stand)
        if progress:
            progress(done, len(ended))
    return result_of(tuple(stands), len(ended), len(batteries))


def measured_fleet(
    source: Source, fleet: Fleet, settings: Settings, as_of: float
) -> tuple[dict[str, Battery], Weather | None, float]:
    """Return every node's battery at the present, the fleet's weather, and the first instant of the data."""
    start = source.span()[0]
    measures: dict[str, BatteryMeasures] = {}
    register: dict[str, RegisterEntry] = {}
    for node in source.nodes():
        history, _ = history_of(source, node, fleet, start, as_of)
        if len(history):
            measures[node] = measured(history, settings)
            register[node] = history.entry
    tracks = (measures[n].track for n in sorted(measures) if measures[n].track is not None)
    weather = ambient(tracks, settings.battery.ambient_min_nodes)
    # Every stand looks at all of them: they are kept in memory.
    return dict(gather(measures, register, settings.battery, weather)), weather, start


def measured(history: NodeHistory, settings: Settings) -> BatteryMeasures:
    """Return the measures of one node's battery alone."""
    return measure_rows([battery_check], history, settings)[battery_check.NAME]


def stand_before(
    life: Life,
    lead: float,
    source: Source,
    fleet: Fleet,
    settings: Settings,
    batteries: Mapping[str, Battery],
    start: float,
    weather: Weather | None = None,
) -> Stand | None:
    """Forecast one life's end from so many days before it; None when the life, or its record, was not there yet."""
    stood = life.ended_at - lead * DAY_S
    if stood < life.track.time[0] + settings.battery.min_days * DAY_S:
        return None
    entry = fleet.register.get(life.node)
    if entry is not None and entry.battery_installed is not None and entry.battery_installed > stood:
        # A later battery's date stood not in the register of that day.
        entry = replace(entry, battery_installed=None)
    cut = replace(fleet, register=dict(fleet.register) | ({life.node: entry} if entry is not None else {}))
    history, _ = history_of(source, life.node, cut, start, stood)
    if not len(history):
        return None
    felt = until(weather, stood)
    seen = measured(history, settings)
    if seen.lost:
        return None  # nothing was said on that day
    own = gather({life.node: seen}, {life.node: history.entry}, settings.battery, felt)
    if life.node not in own:
        return None
    battery = own[life.node]
    kin = {n: b for n, b in ((n, as_known(b, stood)) for n, b in batteries.items()) if b is not None}
    group = batteries[life.node].group
    known = learn_classes({n: b for n, b in kin.items() if b.group == group}, settings.battery).get(group, Class())
    made = predict(replace(battery, group=group), known, settings.battery)
    if made is None:
        return None
    return told(life, lead, stood, made, straight_line(made.life, battery.cutoff_v, stood))


def until(weather: Weather | None, when: float) -> Weather | None:
    """Return the weather up to an instant."""
    if weather is None:
        return None
    known = weather[0] <= when / DAY_S
    return (weather[0][known], weather[1][known], weather[2][known]) if known.any() else None


def told(life: Life, lead: float, stood: float, p: Prediction, line: float | None) -> Stand:
    """Return a forecast as days from the day on which it was made."""
    f = p.forecast
    if f is None:
        # Called empty already, too early.
        gone = (p.ended_at - p.now) / DAY_S
        f = Forecast(gone, gone, gone, gone, "below the cut-off", False)
    late = (stood - p.now) / DAY_S

    def days(value: float) -> float | None:
        return round(float(value) - late, 3) if np.isfinite(value) else None

    return Stand(
        node=life.node,
        life_start=life.start if life.start_known else None,
        ended=life.ended_at,
        ended_by=life.ended_by,
        stood=stood,
        lead_days=lead,
        p10_days=days(f.p10),
        p50_days=days(f.p50),
        p90_days=days(f.p90),
        not_before_days=days(f.not_before),
        method=f.method,
        line_days=line,
        by_method={m: tuple(float(v) - late for v in q) for m, q in f.methods.items()},
        cold_days=tuple(v - late for v in f.cold) if f.cold is not None else None,
    )


def as_known(battery: Battery, when: float) -> Battery | None:
    """Return a battery's lives as they stood at an instant: those not ended yet still ran; None before the first."""
    lives = []
    for life in battery.lives:
        seen = life.track.time <= when
        if not seen.any():
            continue
        if np.isfinite(life.ended_at) and life.ended_at <= when:
            lives.append(life)
        else:
            part = life.track.part(seen)
            lives.append(
                replace(
                    life, track=part, use=life.use[seen], ended_at=float("nan"), ended_use=float(life.use[seen][-1])
                )
            )
    if not lives:
        return None
    seen = battery.track.time <= when
    return replace(battery, lives=tuple(lives), track=battery.track.part(seen), rate=battery.rate[seen])


def straight_line(life: Life, cutoff_v: float, stood: float) -> float | None:
    """Return the days until a line through the last 90 days meets the cut-off; None when it never does."""
    recent = life.track.time >= life.track.time[-1] - LINE_DAYS * DAY_S
    days = (life.track.time[recent] - stood) / DAY_S
    volts = (life.track.volts - life.track.drop)[recent]
    if len(days) < 3 or np.ptp(days) <= 0:
        return None
    slope, level = np.polyfit(days, volts, 1)
    return round(float((cutoff_v - level) / slope), 3) if slope < 0 else None
