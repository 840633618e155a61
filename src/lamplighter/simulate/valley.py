"""The sample data: fourteen months of an invented irrigation and drainage district, with its stories.

``python -m lamplighter.simulate.valley sample_data`` writes them, the same bytes every time.
"""

from __future__ import annotations

import gzip
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from lamplighter.simulate.battery import CHEMISTRIES, Battery, lasting
from lamplighter.simulate.build import SimulatedFleet, play
from lamplighter.simulate.export import export_texts, frame_csv, plain_text
from lamplighter.simulate.faults import Fault
from lamplighter.simulate.options import DAY_S, HOUR_S, Options
from lamplighter.simulate.outages import Down, Outages
from lamplighter.simulate.places import point_name
from lamplighter.simulate.plan import NodePlan, plan_nodes
from lamplighter.simulate.process import KINDS

OPTIONS = Options(nodes=36, days=425, seed=2_608, gateways=3, healthy=True, intervals_s=(3_600.0, 3_600.0, 1_800.0))
END = OPTIONS.end

NOTICE = """Ostrey Valley Irrigation and Drainage District is invented, and so is every place, node, reading
and date here. Nothing in these files comes from a real site. They were made by

    python -m lamplighter.simulate.valley sample_data

which writes the same bytes every time.

exports/         check-ins, one row a check-in, one file a month (September 2025 to October 2026)
other_layouts/   the last week of some nodes: one row a tag and time, and one column a tag
register.csv     what the district knows of its nodes
worklog.csv      work it wrote down; some work was not
lamplighter.toml settings
truth.csv        what really happened: one row a fault, event, outage or battery life
"""

SETTINGS = """# Settings for the sample data; everything else stays at its default.
# The district is invented; its valley keeps standard time, seven hours behind UTC, all year.
timezone = "America/Phoenix"
"""


def at(text: str) -> float:
    """Instant of an ISO 8601 day [s since 1970-01-01 UTC]."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def point(kind_name: str, choice: int = 0, resolution: int = 0) -> dict[str, Any]:
    """Fields of a plan that make it a kind of measuring point."""
    kind = KINDS[kind_name]
    unit, lrl, url = kind.ranges[choice]
    return {
        "kind_name": kind_name, "unit": unit, "lrl": float(lrl), "url": float(url),
        "resolution": kind.resolutions[resolution], "deadband": 0.0, "floored": False,
    }  # fmt: skip


def powered(chemistry: str, years: float, interval_s: float, size: int = 0, **more: Any) -> dict[str, Any]:
    """Fields of a plan that give it a battery which lasts so long when full."""
    kind = CHEMISTRIES[chemistry]
    full = Battery(chemistry=chemistry, capacity_ah=0.96 * kind.capacities_ah[size], sleep_ua=0.0, charge_mc=0.0)
    return {
        "battery": replace(lasting(full, years, DAY_S / interval_s, 0.35), **more), "solar": "",
        "nominal_ah": kind.capacities_ah[size], "part": kind.part[size], "swap": float("nan"),
    }  # fmt: skip


def every(interval_s: float) -> dict[str, Any]:
    """Fields of a plan that set its interval once and for all."""
    return {"changes": ((OPTIONS.start, interval_s),), "register_interval_s": interval_s, "first_seen": OPTIONS.start}


def stories() -> dict[str, dict[str, Any]]:
    """Return by node what makes it worth a look; all others are in order."""
    hour, half = every(3_600.0), every(1_800.0)
    return {
        # A node that will be dark in two weeks, on a pump that matters.
        "UW-003": point("pump_line") | half | powered("Li-SOCl2", 2.6, 1_800.0) | {
            "eol": END + 14 * DAY_S, "criticality": 5, "battery_every": 1, "has_temperature": True,
            "fault": Fault(kind="battery_end", start=END + 14 * DAY_S, mode="low"),
        },
        # A link that fades behind cottonwoods, faster while they are in leaf.
        "LL-005": point("canal") | hour | {
            "criticality": 4, "fault": Fault(kind="rssi_trend", start=OPTIONS.start, size=14.0, unit="dB/yr"),
            "has_sequence": True,
        },
        # A battery changed in June that nobody wrote down.
        "SD-002": point("lateral") | hour | powered("alkaline", 2.2, 3_600.0) | {
            "eol": at("2026-06-20"), "swap": at("2026-06-11") + 17 * HOUR_S,
            "logged": {"swap": False, "rezero": True, "interval": True},
        },
        # A tank level that has stood still since a morning in October.
        "LL-008": point("tank", 1) | half | {
            "criticality": 5, "fault": Fault(kind="stuck", start=at("2026-10-09") + 15 * HOUR_S),
        },
        # A zero that creeps upward, seen whenever the lateral is vented.
        "UW-006": point("lateral", 0, 2) | hour | {
            "tolerance_pct": 0.5, "offset_pct": 0.05, "has_temperature": True, "rezero": float("nan"),
            "fault": Fault(kind="zero_drift", start=at("2025-11-15"), size=1.7, unit="% span/yr", ratio=3.3),
        },
        # A node whose battery ended nine days ago.
        "UW-009": point("sump") | hour | powered("alkaline", 1.9, 3_600.0, 2) | {
            "eol": END - 38 * DAY_S, "criticality": 3, "battery_every": 1,
            "fault": Fault(kind="battery_end", start=END - 38 * DAY_S, mode="dead"),
        },
        # An antenna knocked by a mower.
        "SD-007": point("drained_line") | hour | {
            "fault": Fault(kind="rssi_step", start=at("2026-08-04") + 16 * HOUR_S, size=12.0, unit="dB"),
        },
        # A node that loses its voice on winter nights.
        "LL-010": point("well") | hour | powered("alkaline", 3.5, 3_600.0) | {
            "eol": END + 500 * DAY_S, "fault": Fault(kind="battery_cold", start=OPTIONS.start),
        },
        # Two shifts of a gravel plant take the channel.
        "SD-009": point("flow") | half | {
            "fault": Fault(kind="interference", start=at("2026-05-18"), size=0.7, unit="share lost in shift hours"),
        },
        # After a visit the readings come in kPa, the register still says psi.
        "SD-004": point("pump_line") | hour | {
            "fault": Fault(kind="scale_step", start=at("2026-07-22") + 18 * HOUR_S, size=6.894757, unit="ratio"),
        },
        # An alarm threshold inside normal operation: the node samples fast much of the day.
        "UW-001": point("tank") | hour | powered("Li-SOCl2", 4.5, 3_600.0, 1) | {
            "eol": END + 700 * DAY_S, "threshold_share": 0.3, "threshold_high": True,
            "fault": Fault(kind="threshold_inside", start=OPTIONS.start),
        },
        # Set to half an hour, registered as an hour.
        "LL-002": point("shut_in") | half | {
            "register_interval_s": 3_600.0, "fault": Fault(kind="interval_differs", start=OPTIONS.start),
        },
        # Work that was done and written down.
        "UW-010": point("lateral", 1) | hour | {
            "rezero": at("2026-04-09") + 19 * HOUR_S, "offset_pct": 0.45, "tolerance_pct": 1.0,
            "logged": {"swap": True, "rezero": True, "interval": True},
        },
        "LL-006": point("tank") | half | powered("Li-SOCl2", 3.0, 1_800.0) | {
            "eol": at("2026-03-20"), "swap": at("2026-03-03") + 18 * HOUR_S,
            "logged": {"swap": True, "rezero": True, "interval": True},
        },
        "LL-011": {"antenna": at("2026-05-06") + 17 * HOUR_S, "antenna_db": 8.0},
        # Put up in September 2026.
        "SD-011": {"changes": ((at("2026-09-17") + 16 * HOUR_S, 3_600.0),), "register_interval_s": 3_600.0,
                   "first_seen": at("2026-09-17") + 16 * HOUR_S},
    }  # fmt: skip


def outages() -> Outages:
    """Return what many nodes shared: a gateway three days without power, a part of another one, the host at night."""
    downs = (
        Down("", at("2026-02-11") + 5 * HOUR_S, at("2026-02-11") + 16 * HOUR_S, 1.0),
        Down("GW-UW", at("2026-04-27") + 13 * HOUR_S, at("2026-04-27") + 21 * HOUR_S, 0.6),
        Down("GW-SD", at("2026-07-14") + 3 * HOUR_S, at("2026-07-17") + 17 * HOUR_S, 1.0),
        Down("GW-LL", at("2026-09-02") + 19 * HOUR_S, at("2026-09-03") + 1 * HOUR_S, 1.0),
    )
    return Outages(downs, None)


def valley() -> SimulatedFleet:
    """Play the invented district."""
    told = stories()
    plans = [_quiet(plan) for plan in plan_nodes(OPTIONS)]
    plans = [_named(replace(p, **told.get(p.node, {}))) for p in plans]
    links = {"LL-005": {"leaf_db": 5.0, "level_dbm": -74.0, "sensitivity_dbm": -100.0}, "SD-007": {"level_dbm": -72.0}}
    fleet = play(OPTIONS, [replace(p, link=replace(p.link, **links.get(p.node, {}))) for p in plans], outages())
    log = pd.concat([fleet.worklog, pd.DataFrame(rounds(), columns=fleet.worklog.columns)])
    return replace(fleet, worklog=log.sort_values(["time", "node"], ignore_index=True))


def rounds() -> list[tuple[str, float, str, str]]:
    """Return what else the crew wrote down: the autumn and spring rounds, and a transmitter changed after hail."""
    seen = [
        ("2025-10-21", ("UW-000", "UW-002", "UW-004"), "autumn round"),
        ("2025-10-22", ("LL-000", "LL-003", "LL-009"), "autumn round"),
        ("2026-04-13", ("UW-005", "UW-007", "UW-010"), "spring round"),
        ("2026-04-14", ("LL-001", "LL-004"), "spring round"),
        ("2026-04-15", ("SD-000", "SD-001", "SD-005"), "spring round"),
    ]
    lines = [
        (node, at(day) + (17 + k) * HOUR_S, "inspected", text)
        for day, nodes, text in seen
        for k, node in enumerate(nodes)
    ]
    return [*lines, ("SD-004", at("2026-07-22") + 18.5 * HOUR_S, "recalibrated", "transmitter changed after hail")]


def _named(plan: NodePlan) -> NodePlan:
    """Return a plan whose name says what it measures."""
    return replace(plan, name=point_name(plan.gateway, plan.index // OPTIONS.gateway_count, plan.kind_name))


def _quiet(plan: NodePlan) -> NodePlan:
    """Return a plan with no work and no changes but those of the stories."""
    return replace(
        plan,
        swap=float("nan"),
        rezero=float("nan"),
        antenna=float("nan"),
        removed=float("nan"),
        first_seen=OPTIONS.start,
        changes=((OPTIONS.start, plan.changes[0][1]),),
        register_interval_s=plan.changes[0][1],
        eol=plan.eol if plan.eol > END else END + 400 * DAY_S,
    )


def write_valley(folder: str | Path) -> SimulatedFleet:
    """Write the sample data into a folder."""
    folder = Path(folder)
    for name in ("exports", "other_layouts"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    fleet = valley()
    for stem, text in export_texts(fleet, "plain"):
        _gz(folder / "exports" / f"{stem}.csv.gz", _with_blots(text, stem))
    week = _last_week(fleet)
    for layout in ("tags", "wide"):
        for stem, text in export_texts(week, layout):
            _gz(folder / "other_layouts" / f"{stem}.csv.gz", text)
    _gz(folder / "other_layouts" / "plain.csv.gz", plain_text(week.checkins.table))
    for name in ("register", "worklog", "truth"):
        (folder / f"{name}.csv").write_text(frame_csv(getattr(fleet, name)), encoding="utf-8", newline="")
    (folder / "NOTICE.txt").write_text(NOTICE, encoding="utf-8", newline="")
    (folder / "lamplighter.toml").write_text(SETTINGS, encoding="utf-8", newline="")
    return fleet


def _last_week(fleet: SimulatedFleet) -> SimulatedFleet:
    """Return the last week of the first gateway's nodes."""
    table = fleet.checkins.table
    nodes = sorted(fleet.counts.loc[fleet.counts["gateway"] == "GW-UW", "node"])[:6]
    recent = table["time"] >= pd.Timestamp(END - 7 * DAY_S, unit="s", tz="UTC")
    part = table[table["node"].isin(nodes) & recent]
    return replace(fleet, checkins=replace(fleet.checkins, table=part.reset_index(drop=True)))


def _with_blots(text: str, stem: str) -> str:
    """Return the text with two readings a month that are words, and a last line cut short in one month."""
    lines = text.splitlines()
    rng = OPTIONS.rng("blots", stem)
    for k in sorted(rng.integers(1, len(lines), 2)):
        cells = lines[k].split(",")
        cells[2], cells[6] = "bad", "bad"
        lines[k] = ",".join(cells)
    if stem.endswith("2026-02"):
        lines[-1] = lines[-1][:17]
    return "\n".join(lines) + "\n"


def _gz(path: Path, text: str) -> None:
    path.write_bytes(gzip.compress(text.encode(), 9, mtime=0))


if __name__ == "__main__":
    write_valley(sys.argv[1] if len(sys.argv) > 1 else "sample_data")
