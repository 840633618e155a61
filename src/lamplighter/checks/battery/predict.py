"""From a node's battery and its class to a forecast in dates, with the voltages to draw it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from lamplighter.checkins import DAY_S
from lamplighter.checks.battery.blend import Forecast, forecast
from lamplighter.checks.battery.cells import UNKNOWN
from lamplighter.checks.battery.coldest import Cold, colder_hours, loss_per_c
from lamplighter.checks.battery.fleetwide import Battery, Life, actual_level
from lamplighter.checks.battery.learning import Class, priors_for
from lamplighter.checks.battery.outlook import Outlook, look_ahead
from lamplighter.checks.battery.season import ordinary_bins
from lamplighter.checks.battery.shapes import shapes_for
from lamplighter.settings.battery import BatterySettings

MIN_BINS = 3


@dataclass(frozen=True, slots=True)
class Prediction:
    """The present life's end: it has come (``ended_at``), or its forecast from ``now`` [s]."""

    life: Life
    now: float
    ended_at: float
    ended_by: str
    outlook: Outlook | None = None
    forecast: Forecast | None = None

    def instant(self, days: float) -> float | None:
        """Return the instant so many days from now; None when not known."""
        return self.now + days * DAY_S if np.isfinite(days) else None


def predict(battery: Battery, known: Class, settings: BatterySettings) -> Prediction | None:
    """Forecast the battery now in a node; None when its life has too few bins to say anything."""
    life = battery.lives[-1]
    now = float(life.track.time[-1])
    if np.isfinite(life.ended_at) and still_low(battery, life, settings):
        return Prediction(life, now, life.ended_at, life.ended_by)
    if len(life.track) < MIN_BINS or life.track.time[-1] - life.track.time[0] < settings.min_days * DAY_S:
        return None
    before = float(life.use[0]) if life.start_known else 0.0
    o = look_ahead(
        life.track,
        life.use - life.use[0],
        before,
        life.start_known,
        battery.cutoff_v,
        battery.temperature,
        battery.season,
        settings,
        cold_ahead(battery, settings),
    )
    fresh = max(battery.fresh_v, float(np.max(life.track.volts)))
    shapes = shapes_for(battery.cell, fresh, battery.cutoff_v, known.learned, start_known=life.start_known)
    priors = priors_for(battery, known, settings) if life.start_known else []
    return Prediction(
        life,
        now,
        float("nan"),
        "",
        o,
        forecast(o, shapes, priors, fresh, settings, chemistry_known=battery.cell.chemistry != UNKNOWN),
    )


def cold_ahead(battery: Battery, settings: BatterySettings) -> Cold | None:
    """Return what cold is expected of the days ahead; None where cold tells nothing of the battery."""
    if battery.season is None or not battery.response_known:
        return None
    return Cold(battery.season, colder_hours(battery.track, settings), loss_per_c(battery.cell, settings))


def still_low(battery: Battery, life: Life, settings: BatterySettings) -> bool:
    """Whether the voltage is still below the cut-off; a battery that recovered with warmer days is forecast on."""
    low = actual_level(life.track, battery.temperature, battery.season, settings)
    plain = ordinary_bins(life.track, battery.temperature, battery.season, settings)
    time, low = life.track.time[plain], low[plain]
    return bool(np.median(low[time >= time[-1] - settings.below_hold_days * DAY_S]) < battery.cutoff_v)


def fan(p: Prediction, battery: Battery, steps: int = 24) -> dict[str, Any] | None:
    """Return voltages to draw from now to beyond the late date, one falling curve to the cut-off for each percentile.

    Each curve starts with the present fall and steepens so that it meets the cut-off on its date.
    """
    f, o = p.forecast, p.outlook
    if f is None or o is None or not np.isfinite(f.p90):
        return None
    days = np.concatenate([[0.0], np.linspace(0.0, 1.12 * f.p90, steps)[1:]])
    recent = o.x >= o.x_now - max(0.15 * (o.x_now - o.x[0]), 3.0)
    slope = np.polyfit(o.x[recent], o.volts[recent], 1)[0] if recent.sum() >= 3 else 0.0
    out: dict[str, Any] = {"day": [int(p.now + d * DAY_S) for d in days]}
    for name, end in (("p10", f.p10), ("p50", f.p50), ("p90", f.p90)):
        u = days / max(end, 0.1)
        gap = max(o.level - battery.cutoff_v, 1e-6)
        straight = float(np.clip(-slope * end / gap, 0.0, 1.0))
        path = o.level - gap * (straight * u + (1.0 - straight) * u**4)
        out[name] = np.round(np.maximum(path, battery.cutoff_v - 0.15 * gap), 4).tolist()
    return out
