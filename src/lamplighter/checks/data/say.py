"""Puts what the data check found into findings and plain words."""

from __future__ import annotations

import math
from collections.abc import Mapping

from lamplighter.checkins import COMPRESSED, FORWARD_FILLED
from lamplighter.checks.base import Context
from lamplighter.checks.data.measure import DataMeasures
from lamplighter.checks.data.scale import ScaleStep
from lamplighter.fleet import RegisterEntry
from lamplighter.results import Finding
from lamplighter.settings.data import DataSettings
from lamplighter.wording import count, date, duration, iso, joined, moment, number, percent, quantity

CHANNEL_WORDS = {
    "battery_v": "battery voltage",
    "rssi_dbm": "RSSI",
    "reading": "reading",
    "temperature_c": "temperature",
}
CHANNEL_UNITS = {"battery_v": "V", "rssi_dbm": "dB", "temperature_c": "degC"}


def two_identities(node: str, entry: RegisterEntry, m: DataMeasures) -> Finding:
    """Return two nodes that answer to one name."""
    split = m.split
    apart = joined(
        [
            f"{CHANNEL_WORDS[c]} ({quantity(d, CHANNEL_UNITS.get(c, entry.unit), 2)})"
            for c, d in (split.differs or {}).items()
        ]
    )
    return Finding(
        check="data",
        kind="two_identities",
        node=node,
        gateway=entry.gateway,
        since=split.since,
        value=float(split.split),
        unit="blocks",
        probability=0.99,
        severity="C",
        evidence=f"Two nodes answer to this name since {date(split.since)}: every second check-in comes at another "
        f"phase of the interval of {duration(split.interval_s)} and differs in {apart}.",
        remedy="Find the second node (look at nodes set up or swapped about that day) and give it a name of its own.",
        data={"share": split.share_since, "phase": split.phase, "differs": split.differs},
    )


def scale_step(node: str, entry: RegisterEntry, step: ScaleStep) -> Finding:
    """Return a reading whose scale jumped by the ratio of two units."""
    # The jump itself misleads where the process changed its state at the same time.
    seen = step.ratio * math.exp(min(step.instant, step.near, step.level, step.extent, key=abs))
    low, high = seen * math.exp(-abs(step.level)), seen * math.exp(abs(step.level))
    return Finding(
        check="data",
        kind="scale_step",
        node=node,
        gateway=entry.gateway,
        since=step.time,
        value=step.ratio,
        unit="times",
        low=min(low, step.ratio),
        high=max(high, step.ratio),
        probability=0.99,
        severity="S",
        evidence=f"From {moment(step.time)} on its readings are {number(seen, 2)} times what they were, and so are "
        f"its small steps: close to {number(step.ratio, 5)}, the ratio of {step.units}.",
        remedy="Find who changed the unit that day, in the node, the gateway or the host; set it back or correct the "
        "register.",
        key=iso(step.time)[:10],
        data={"factor": seen, "units": step.units},
    )


def span_mismatch(node: str, entry: RegisterEntry, m: DataMeasures, s: DataSettings) -> Finding:
    """Return readings that do not fit the range in the register."""
    return Finding(
        check="data",
        kind="span_mismatch",
        node=node,
        gateway=entry.gateway,
        value=100 * m.outside_share,
        unit="% of readings",
        severity="S",
        evidence=f"{percent(m.outside_share, 2)} of its readings of the last {s.recent_days:.0f} days lie outside its "
        f"range of {number(entry.lrl)} to {quantity(entry.url, entry.unit)}, at the middle by "
        f"{number(m.outside_pct, 2)} % of span.",
        remedy="Compare the range and the unit in the register with the type plate and the host.",
        data={"outside_pct_span": m.outside_pct, "highest_pct_span": m.highest_pct},
    )


def interval_differs(node: str, entry: RegisterEntry, seen: float, since: float | None) -> Finding:
    """Return a check-in interval other than the register's."""
    return Finding(
        check="data",
        kind="interval_differs",
        node=node,
        gateway=entry.gateway,
        since=since,
        value=seen,
        unit="s",
        severity="M",
        evidence=f"It checks in every {duration(seen)}; the register says every {duration(entry.interval_s)}. "
        f"{'That costs battery.' if seen < entry.interval_s else 'What it watches is seen later than planned.'}",
        remedy="Set the node to the planned interval, or correct the register.",
        data={"register_interval_s": entry.interval_s},
    )


def fast_sampling(
    node: str, entry: RegisterEntry, share: float, more: float, interval_s: float, usual: float
) -> Finding:
    """Return a node whose alarm threshold lies inside normal operation, with what that costs in battery."""
    drain = drain_share(entry, more, interval_s)
    return Finding(
        check="data",
        kind="fast_sampling",
        node=node,
        gateway=entry.gateway,
        value=100 * share,
        unit="% of time",
        severity="M",
        evidence=f"It spends {percent(share, 2)} of its time in fast sampling, the fleet's usual node "
        f"{percent(usual, 2)}: its alarm threshold lies inside normal operation. That is {percent(more, 2)} more "
        f"check-ins and about {percent(drain, 2)} more drain on the battery.",
        remedy="Move the alarm threshold out of normal operation, or widen its deadband.",
        data={"extra_check_ins": more, "drain_share": drain},
    )


def drain_share(entry: RegisterEntry, more: float, interval_s: float | None) -> float:
    """Share by which more check-ins raise the drain: all of it, less what sleeping takes where the register knows."""
    if not (entry.charge_per_check_in_mc and entry.sleep_current_ua and interval_s):
        return more
    sending = entry.charge_per_check_in_mc * 1e-3 / interval_s
    return more * sending / (sending + entry.sleep_current_ua * 1e-6)


def bad_quality(node: str, entry: RegisterEntry, m: DataMeasures, s: DataSettings) -> Finding:
    """Return readings that the host itself marks as bad."""
    return Finding(
        check="data",
        kind="bad_quality",
        node=node,
        gateway=entry.gateway,
        value=100 * m.bad_share,
        unit="% of check-ins",
        severity="M",
        evidence=f"The host marks {percent(m.bad_share, 2)} of its check-ins of the last {s.recent_days:.0f} days as "
        "of bad quality.",
        remedy="Look up the quality codes in the host: a broken sensor, a configuration error or lost communication.",
    )


def never_seen(node: str, entry: RegisterEntry, start: float, installed: bool, heard_as: str | None = None) -> Finding:
    """Return a register entry that never checked in; it has failed only where it is known to have been put up."""
    known = " Register or work log say that it was installed." if installed else ""
    maybe = f" Perhaps {node} in the register is {heard_as} in the data, which is not registered." if heard_as else ""
    return Finding(
        check="data",
        kind="never_seen",
        node=node,
        gateway=entry.gateway,
        since=start,
        severity="F" if installed and not heard_as else "M",
        evidence="It stands in the register but has not checked in once since the record begins on "
        f"{date(start)}.{known}{maybe}",
        remedy=f"See whether its name is {heard_as}."
        if heard_as
        else "See whether it was ever installed and joined, or take it off the register.",
        data={"heard_as": heard_as} if heard_as else {},
    )


def export_partial(absent: list[str], registered: int, same: Mapping[str, str]) -> Finding:
    """Return exports that hold too few of the registered nodes for the others to be at fault."""
    return Finding(
        check="data",
        kind="export_partial",
        value=float(len(absent)),
        unit="nodes",
        severity="M",
        evidence=f"{count(len(absent), 'node')} of {registered} in the register are absent from the exports: "
        f"{joined(absent)}. So many point to exports that are not complete; these nodes are not judged."
        f"{spelled(same)}",
        remedy="Export all nodes, or give the register of the nodes exported.",
        data={"nodes": absent},
    )


def spelled(same: Mapping[str, str]) -> str:
    """Return the names that may be spelled otherwise in the data, as a sentence; empty without any."""
    if not same:
        return ""
    return (
        f" Perhaps spelled otherwise: {joined([f'{r} in the register, {h} in the data' for r, h in same.items()], 3)}."
    )


def not_registered(node: str, registered_as: str | None = None) -> Finding:
    """Return a node that is not in the register."""
    maybe = f" Perhaps it is {registered_as} in the register, which was never heard." if registered_as else ""
    return Finding(
        check="data",
        kind="not_registered",
        node=node,
        severity="M",
        evidence="It checks in but is not in the register: its gateway, range, battery and criticality are not known."
        f"{maybe}",
        remedy=f"See whether {registered_as} in the register is this node."
        if registered_as
        else "Add it to the register.",
        data={"registered_as": registered_as} if registered_as else {},
    )


def register_unfit(missing: list[str], seen: int, same: Mapping[str, str]) -> Finding:
    """Return a register that knows few of the nodes heard."""
    return Finding(
        check="data",
        kind="not_registered",
        value=float(len(missing)),
        unit="nodes",
        severity="M",
        evidence=f"{count(len(missing), 'node')} of {seen} heard are not in the register: {joined(missing)}."
        f"{spelled(same)}",
        remedy="See whether the register is this site's and spells the names as the host does.",
        data={"nodes": missing},
    )


def gateway_overfull(gateway: str, nodes: int, s: DataSettings) -> Finding:
    """Return a gateway with more nodes than its network carries."""
    return Finding(
        check="data",
        kind="gateway_overfull",
        gateway=gateway,
        value=float(nodes),
        unit="nodes",
        severity="M",
        evidence=f"{count(nodes, 'node')} check in through gateway {gateway}, more than the {s.nodes_per_gateway} that "
        "one network carries.",
        remedy="Move nodes to another gateway or network, or correct the limit in the settings.",
    )


def stored(context: Context) -> list[Finding]:
    """Return notes on data that the host stored in a way that hides absence or repetition."""
    said = []
    for trait, kind, what in (
        (
            COMPRESSED,
            "stored_by_exception",
            "by exception: a value that did not change was not stored, so absent rows are no misses",
        ),
        (
            FORWARD_FILLED,
            "forward_filled",
            "on a grid with the last value repeated: misses and stuck readings are hidden",
        ),
    ):
        nodes = sorted(n for n in context.seen if trait in context.traits.get(n, frozenset()))
        if nodes:
            said.append(
                Finding(
                    check="data",
                    kind=kind,
                    value=float(len(nodes)),
                    unit="nodes",
                    evidence=f"The data of {count(len(nodes), 'node')} are stored {what}: {joined(nodes)}.",
                    remedy="Export the raw values, without compression, interpolation or repeats.",
                    data={"nodes": nodes},
                )
            )
    return said
