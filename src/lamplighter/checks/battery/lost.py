"""What is said of a node that goes on checking in without its voltage, or that sent it in another unit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lamplighter.checks.battery.fleetwide import Battery
from lamplighter.checks.battery.measure import BatteryMeasures
from lamplighter.checks.battery.predict import still_low
from lamplighter.results import Finding
from lamplighter.settings.battery import BatterySettings
from lamplighter.wording import date, dates_between, number, quantity


def seen_to_end(battery: Battery, m: BatteryMeasures, settings: BatterySettings) -> bool:
    """Whether the last voltages show an empty battery that nobody is known to have replaced since.

    That was seen and is no forecast: it holds without further voltages.
    """
    life = battery.lives[-1]
    if not np.isfinite(life.ended_at) or any(s.time > m.last for s in m.swaps):
        return False
    return still_low(battery, life, settings)


def since_of(battery: Battery, m: BatteryMeasures) -> float | None:
    """Return since when the present battery is in use [s]; it may have been put in since the last voltage."""
    life = battery.lives[-1]
    later = [s.time for s in m.swaps if s.time > m.last]
    return later[-1] if later else life.start if life.start_known else None


def lost_words(m: BatteryMeasures, usual: float) -> str:
    """Say since when a node sends no credible voltage, and what to do; ``usual`` is its last known one [V]."""
    since = date(m.last)
    if np.isfinite(m.amiss):
        values = f"battery values since {since} are about {number(m.amiss)} where {quantity(usual, 'V')} was usual"
        return f"{values}; correct their unit or channel in the export"
    return f"has sent no battery voltage since {since}; put the voltage back into the export"


def rescaled_words(m: BatteryMeasures) -> str:
    """Say in a sentence that voltages came in another unit."""
    return f"Battery values {dates_between(*m.rescaled)} came in another unit and were taken to volts."


def noted(finding: Finding, m: BatteryMeasures) -> Finding:
    """Return the finding with what a reader of its evidence must know of the voltages that it rests on."""
    words = [rescaled_words(m)] if m.rescaled else []
    words += [f"No credible battery voltage has come since {date(m.last)}."] if m.lost else []
    if finding.severity == "info" or not words:
        return finding
    return replace(finding, evidence=" ".join([finding.evidence, *words]))
