"""Puts what the stuck check found into findings and plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from lamplighter.checkins import DAY_S
from lamplighter.checks.base import Context
from lamplighter.checks.stuck.measure import StuckMeasures
from lamplighter.checks.stuck.stand import Stand
from lamplighter.results import Finding
from lamplighter.settings.stuck import StuckSettings
from lamplighter.wording import count, date, duration, iso, joined, moment, percent, quantity

Kind = Literal["stuck", "pegged", "record_frozen", "long_rest"]
CHANNEL_WORDS = {
    "reading": "reading",
    "battery_v": "battery voltage",
    "rssi_dbm": "RSSI",
    "temperature_c": "temperature",
}
CHECK_SENSOR = (
    "Compare with a second instrument at the next visit, then check the sensor, its wiring and its process connection "
    "by the site's procedure."
)
CHECK_PATH = (
    "Ask the host's keeper what was stored in this time; the gateway, the historian or the export repeats old records."
)
CHECK_BATTERY = "Replace the battery first, then check the reading."


@dataclass(frozen=True, slots=True)
class Case:
    """A stand of one node and what it is taken for."""

    node: str
    kind: Kind
    stand: Stand


def low_battery(stand: Stand, m: StuckMeasures, cutoff_v: float | None, s: StuckSettings) -> bool:
    """Whether the battery was low as the stand began: below the cut-off, else a share of its usual voltage."""
    return stand.battery_v < (cutoff_v if cutoff_v is not None else s.low_battery_share * m.usual_v)


def finding_of(case: Case, m: StuckMeasures, context: Context, s: StuckSettings) -> Finding:
    """One stand as a finding."""
    stand, entry = case.stand, context.register[case.node]
    weak = case.kind in ("stuck", "pegged") and low_battery(stand, m, entry.cutoff_v, s)
    sentence = " ".join(filter(None, (_what(case, entry.unit), _proof(case, s), _battery(stand) if weak else "")))
    return Finding(
        check="stuck",
        kind=case.kind,
        node=case.node,
        gateway=entry.gateway,
        since=stand.start,
        until=None if stand.open else stand.end,
        value=stand.value,
        unit=entry.unit,
        low=stand.low,
        high=stand.high,
        probability=1 - stand.p,
        severity=severity(case, context.as_of, s),
        evidence=sentence,
        remedy=CHECK_BATTERY if weak else remedy(case.kind),
        key=iso(stand.start),
        data={
            "check_ins": stand.check_ins,
            "hours": round(stand.watched_s / 3600, 2),
            "longest_ordinary_hours": round(stand.longest_s / 3600, 3),
            "p": stand.p,
            "low_battery": weak,
            "battery_v": stand.battery_v,
            "band": stand.band,
            "channels_alive": alive(stand, s),
        },
    )


def alive(stand: Stand, s: StuckSettings) -> list[str]:
    """Channels that kept changing during a stand."""
    return [CHANNEL_WORDS[name] for name, moved in sorted(stand.moved.items()) if moved >= s.alive_change_share]


def _what(case: Case, unit: str) -> str:
    stand = case.stand
    level = quantity(stand.value, unit, 5)
    length = f"{duration(stand.end - stand.start)}, {count(stand.check_ins, 'check-in')}"
    when = (
        f"since {moment(stand.start)} ({length})"
        if stand.open
        else f"from {moment(stand.start)} to {moment(stand.end)} ({length})"
    )
    has, stays = ("has stood", "has stayed") if stand.open else ("stood", "stayed")
    if case.kind == "record_frozen":
        whole = joined([CHANNEL_WORDS[c] for c in stand.channels])
        return f"Every record repeats the same {whole} {when}."
    if case.kind == "pegged":
        return f"The reading {stays} at its range limit, {level}, {when}."
    if stand.band:
        return f"The reading {stays} within {quantity(stand.high - stand.low, unit, 2)} of {level} {when}."
    return f"The reading {has} at exactly {level} {when}."


def _proof(case: Case, s: StuckSettings) -> str:
    stand = case.stand
    longest = f"Its longest ordinary stand is {duration(stand.longest_s)}."
    if case.kind == "record_frozen":
        return "The node is not at fault: an alive radio never repeats all of them."
    if case.kind == "long_rest":
        return (
            f"It rested there {count(stand.rests, 'time')} before, never so long: a line shut in looks the same, "
            "and so does a sensor that died at rest."
        )
    living = alive(stand, s)
    path = f" Its {joined(living)} still changed, so the record is alive and the sensor is not." if living else ""
    return longest + path


def _battery(stand: Stand) -> str:
    volts = quantity(stand.battery_v, "V")
    return f"The battery was low, {volts}, as it began: the reading may be invalid for want of voltage."


def remedy(kind: Kind) -> str:
    """Return what to do about one kind of stand."""
    if kind == "record_frozen":
        return CHECK_PATH
    if kind == "long_rest":
        return "Ask operations whether the line is shut in or the tank at rest; if not, compare a second instrument."
    return CHECK_SENSOR


def severity(case: Case, as_of: float, s: StuckSettings) -> str:
    """Return the NE 107 signal of a stand: failure while stuck, function check while the path repeats."""
    if case.kind == "long_rest":
        return "info"
    if case.stand.open:
        return {"stuck": "F", "pegged": "S", "record_frozen": "C"}[case.kind]
    return "M" if case.kind != "record_frozen" and as_of - case.stand.end <= s.recent_days * DAY_S else "info"


def gateway_finding(gateway: str, frozen: list[list[Case]]) -> Finding:
    """Frozen records of most nodes of a gateway as one finding about the gateway's path."""
    cases = [c for found in frozen for c in found if c.kind == "record_frozen"]
    start, end = min(c.stand.start for c in cases), max(c.stand.end for c in cases)
    lasts = any(c.stand.open for c in cases)
    nodes = sorted({c.node for c in cases})
    return Finding(
        check="stuck",
        kind="record_frozen",
        gateway=gateway,
        since=start,
        until=None if lasts else end,
        value=float(len(nodes)),
        unit="nodes",
        probability=1 - max(c.stand.p for c in cases),
        severity="C" if lasts else "info",
        evidence=f"{count(len(nodes), 'node')} of gateway {gateway} repeat their last record from {moment(start)} "
        f"to {moment(end)}: {joined(nodes)}. The nodes are not at fault.",
        remedy=CHECK_PATH,
        key=iso(start),
        data={"nodes": nodes},
    )


def other_findings(node: str, m: StuckMeasures, context: Context, s: StuckSettings) -> list[Finding]:
    """Failure currents, and wild readings that come with a low battery."""
    gateway = context.register[node].gateway
    found = (failure_current(node, gateway, m, context.as_of, s), wild_readings(node, gateway, m, s))
    return [f for f in found if f is not None]


def failure_current(node: str, gateway: str, m: StuckMeasures, as_of: float, s: StuckSettings) -> Finding | None:
    """Return the longest period in which a current output signalled failure."""
    if not m.failure_ma:
        return None
    start, end, value = max(m.failure_ma, key=lambda f: f[1] - f[0])
    lasts = end >= as_of - DAY_S
    return Finding(
        check="stuck",
        kind="failure_current",
        node=node,
        gateway=gateway,
        since=start,
        until=None if lasts else end,
        value=value,
        unit="mA",
        probability=1.0,
        severity="F" if lasts else "info",
        evidence=f"The output signalled failure, {quantity(value, 'mA')}, from {moment(start)} to {moment(end)}; "
        f"failure is at most {quantity(s.failure_low_ma, 'mA')} or at least {quantity(s.failure_high_ma, 'mA')}.",
        remedy=CHECK_SENSOR,
        key=iso(start),
    )


def wild_readings(node: str, gateway: str, m: StuckMeasures, s: StuckSettings) -> Finding | None:
    """Return wild single readings when they come with a low battery and hardly otherwise."""
    k = m.spikes
    with_low, otherwise = k.low / max(k.low_of, 1), (k.usual + 1) / max(k.usual_of, 1)
    if k.low < s.min_spikes or with_low < s.spike_ratio * otherwise or k.recent < s.spike_share * k.recent_of:
        return None
    usual = percent(k.usual / max(k.usual_of, 1), 2)
    return Finding(
        check="stuck",
        kind="low_battery_readings",
        node=node,
        gateway=gateway,
        since=k.first,
        value=100 * with_low,
        unit="% of check-ins",
        severity="S",
        evidence=f"Wild single readings at {percent(with_low, 2)} of check-ins with a low battery and at "
        f"{usual} of the others, last on {date(k.last)}: do not trust the reading.",
        remedy=CHECK_BATTERY,
    )
