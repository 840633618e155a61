"""What trips, work and parts cost."""

from __future__ import annotations

from lamplighter.settings.triage import TriageSettings


def trip_hours(place: str, s: TriageSettings) -> float:
    """Return driving, arrival and departure of one trip [h]."""
    return s.site_travel_hours.get(place, s.travel_hours) + s.visit_minutes / 60


def trip_money(place: str, s: TriageSettings) -> float:
    """Return what one trip to a place costs before any job is done [money]."""
    return s.trip_cost + s.hourly_cost * trip_hours(place, s)


def work_money(minutes: float, s: TriageSettings) -> float:
    """Return what time on site costs [money]."""
    return s.hourly_cost * minutes / 60


def replacement_money(place: str, part: str, minutes: float, s: TriageSettings) -> float:
    """Return what changing a battery costs in all: the part, the work, and a share of a trip [money].

    Spread over its life this is what a day of it is worth: a battery changed early must be changed again earlier.
    """
    price = s.part_prices.get(part, s.battery_price)
    return price + work_money(minutes, s) + s.postponed_trip_share * trip_money(place, s)
