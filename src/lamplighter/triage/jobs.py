"""Jobs to plan: what is to be done where, in which window, and what each day costs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lamplighter import wording
from lamplighter.checkins import DAY_S
from lamplighter.fleet import RegisterEntry
from lamplighter.results import Assessment, Item, NodeRow
from lamplighter.settings import Settings
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.cautions import cautions_for
from lamplighter.triage.items import GONE, battery_ends, level_of
from lamplighter.triage.planned import LEAST_SD, BatteryOutlook, fails_how, to_meet, window
from lamplighter.triage.prices import replacement_money
from lamplighter.triage.risk import day_cost, expected_dark, expected_left
from lamplighter.triage.rules import CauseRule, load_rules

BATTERY = "battery nearly empty"
PLANNED = "planned replacement"
"""Cause of a battery job that no finding asks for."""
SAME = (
    "id", "subject_kind", "subject", "name", "status", "cause", "action", "reason", "part", "criticality", "cautions",
)  # fmt: skip
"""What a job takes over from its item unchanged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One thing to do on a visit.

    Attributes
    ----------
    id : str
        The item's identity; stable from week to week.
    place : str
        Where the trip goes: the site, else near the gateway.
    not_before, due : float
        Window [days from the present].
    rate : float
        Cost of each day of waiting from what is wrong already [money a day].
    cost_per_day : float
        Cost of a day on which the node is dark [money a day].
    needed : bool
        False when it may as well be left for after the horizon.
    """

    id: str
    subject_kind: str
    subject: str
    name: str
    place: str
    status: str
    cause: str
    action: str
    reason: str
    part: str
    minutes: float
    not_before: float
    due: float
    criticality: float
    rate: float
    cost_per_day: float
    outlook: BatteryOutlook | None
    cautions: tuple[str, ...]
    steps: tuple[str, ...]
    log_actions: tuple[str, ...]
    needed: bool = True

    def waiting(self, days: np.ndarray) -> np.ndarray:
        """Return the expected cost of data lost until it is done on these days [money], rising and convex."""
        if self.outlook is None:
            return self.rate * days
        o = self.outlook
        already = expected_dark(np.zeros(1), o.p10, o.p50, o.p90, LEAST_SD)
        dark = expected_dark(days, o.p10, o.p50, o.p90, LEAST_SD) - already
        return self.rate * days + self.cost_per_day * dark

    def wasted(self, days: np.ndarray) -> np.ndarray:
        """Return the expected value of the battery life thrown away by doing it on these days [money], falling, convex.

        With :meth:`waiting` this is the newsvendor's cost: the best day is the one on which the battery is empty
        with probability value / (value + loss), both a day (Arrow, Harris & Marschak 1951, from memory).
        """
        if self.outlook is None:
            return np.zeros(len(days))
        o = self.outlook
        return o.worth / o.life * expected_left(days, o.p10, o.p50, o.p90, LEAST_SD)

    def cost(self, days: np.ndarray) -> np.ndarray:
        """Return what doing it on these days costs besides the trip and the work [money]."""
        return self.waiting(days) + self.wasted(days)


def find_jobs(assessment: Assessment, settings: Settings, horizon: float) -> tuple[list[Job], list[Item]]:
    """Return the jobs that need a trip, and the items that need none, both by rank.

    A battery that no item deals with is a planned replacement when its window closes within the horizon, whatever
    else the node needs; one whose window merely opens within it may be taken along.
    """
    s = settings.triage
    rows = {row.node: row for row in assessment.nodes}
    desk = [i for i in assessment.items if not i.minutes]
    jobs = [_from_item(i, rows, assessment, settings) for i in assessment.items if i.minutes]
    taken = {i.id for i in assessment.items}
    dealt = {i.id for i in assessment.items if any(r.part == "battery" for r in _rules_of(i, settings))}
    battery = load_rules(s.rules_file).cause(BATTERY)
    for row in sorted(assessment.nodes, key=lambda r: r.node):
        own = f"node:{row.node}"
        if own not in dealt and row.reason != GONE and row.eol_p10 is not None and row.eol_p50 is not None:
            job = _from_battery(row, assessment, s, battery, f"{own}:battery" if own in taken else own)
            if job.due <= horizon or job.not_before <= horizon:
                jobs.append(job)
    return [replace(j, needed=j.due <= horizon) for j in jobs], desk


def _entry(assessment: Assessment, node: str) -> RegisterEntry:
    return RegisterEntry(**{**assessment.register.get(node, {}), "node": node})


def place_of(site: str, gateway: str, subject: str) -> str:
    """Return where a trip goes."""
    return site or (f"near gateway {gateway}" if gateway else f"at {subject}, site not in the register")


def outlook_of(row: NodeRow, entry: RegisterEntry, now: float, s: TriageSettings) -> BatteryOutlook | None:
    """Return a node's battery outlook, None when there is no forecast."""
    if row.eol_p10 is None or row.eol_p50 is None:
        return None
    late = row.eol_p90 if row.eol_p90 is not None else 2 * row.eol_p50 - row.eol_p10
    since = row.battery_since if row.battery_since is not None else entry.battery_installed
    place = place_of(row.site, row.gateway, row.node)
    minutes = load_rules(s.rules_file).cause(BATTERY).minutes
    return BatteryOutlook(
        p10=(row.eol_p10 - now) / DAY_S,
        p50=(row.eol_p50 - now) / DAY_S,
        p90=(late - now) / DAY_S,
        life=s.typical_life_days if since is None or since >= row.eol_p50 else (row.eol_p50 - since) / DAY_S,
        worth=replacement_money(place, entry.battery_part, minutes, s),
        cold=None if row.eol_cold_p50 is None else (row.eol_cold_p50 - now) / DAY_S,
    )


def _from_item(item: Item, rows: Mapping[str, NodeRow], assessment: Assessment, settings: Settings) -> Job:
    s, now = settings.triage, assessment.as_of
    row, entry = rows.get(item.subject), _entry(assessment, item.subject)
    rules = _rules_of(item, settings)
    swap = any(r.part == "battery" for r in rules)
    waiting = sum(v for k, v in item.risk_parts.items() if not (swap and k == "battery"))
    site = item.site or ("" if item.subject_kind == "node" else _usual_site(item, rows))
    return Job(
        **_plain(item),
        place=place_of(site, item.gateway, item.subject),
        not_before=(_or(item.not_before, now) - now) / DAY_S,
        due=(_or(item.due, now) - now) / DAY_S,
        rate=waiting / s.planning_interval_days,
        cost_per_day=day_cost(item.criticality, s),
        outlook=outlook_of(row, entry, now, s) if swap and row is not None else None,
        steps=tuple(dict.fromkeys(step for r in rules for step in r.steps)),
        log_actions=tuple(dict.fromkeys(r.log_action for r in rules)),
    )


def _plain(item: Item) -> dict[str, Any]:
    return {name: getattr(item, name) for name in SAME} | {"minutes": item.minutes or 0.0}


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _rules_of(item: Item, settings: Settings) -> tuple[CauseRule, ...]:
    """Return the rules of the causes that an item acts on."""
    known = {c.cause: c for c in load_rules(settings.triage.rules_file).causes}
    return tuple(known[c] for c in item.jobs if c in known)


def _usual_site(item: Item, rows: Mapping[str, NodeRow]) -> str:
    """Return the site most of a gateway's nodes stand at."""
    sites = Counter(r.site for r in rows.values() if r.site and r.gateway == item.gateway and item.gateway)
    return min(sites, key=lambda name: (-sites[name], name)) if sites else ""


def _from_battery(row: NodeRow, assessment: Assessment, s: TriageSettings, rule: CauseRule, name: str) -> Job:
    now, entry = assessment.as_of, _entry(assessment, row.node)
    outlook = outlook_of(row, entry, now, s)
    assert outlook is not None
    level = row.criticality if row.criticality is not None else s.default_criticality
    place, dark = place_of(row.site, row.gateway, row.node), day_cost(level, s)
    first, due = window(outlook, place, dark, s)
    due = max(due, s.failure_due_days[level_of(level)])
    end = wording.date(to_meet(row.eol_p10, row.eol_cold_p50))
    return Job(
        id=name,
        subject_kind="node",
        subject=row.node,
        name=row.name or row.node,
        place=place,
        status=row.status,
        cause=PLANNED,
        action=f"{rule.action} (planned: it may {fails_how(row)} from {end})",
        reason=f"Nothing is wrong with it yet: battery {battery_ends(row, now)}",
        part=entry.battery_part or "battery pack, part number not in the register",
        minutes=rule.minutes,
        not_before=min(first, due),
        due=due,
        criticality=level,
        rate=0.0,
        # The others are seen coming by a later week's forecast.
        cost_per_day=s.unforeseen_share * dark,
        outlook=outlook,
        cautions=tuple(cautions_for(rule.cautions)),
        steps=rule.steps,
        log_actions=(rule.log_action,),
    )
