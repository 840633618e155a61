"""Battery: its lives, its voltage taken to one temperature, and when it will end."""

from __future__ import annotations

from lamplighter.checks.battery.judge import judge
from lamplighter.checks.battery.measure import BatteryMeasures, measure
from lamplighter.checks.battery.summary import Summary, summarise

__all__ = ["NAME", "BatteryMeasures", "Summary", "judge", "measure", "summarise"]

NAME = "battery"
