"""Invented assessments for the tests of the report: plausible in shape, no real fleet behind them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lamplighter.checkins import Account, FileAccount, Note
from lamplighter.overview import overview
from lamplighter.results import Assessment, Cause, Finding, Gap, Item, NodeRow, Outage, Verdict
from lamplighter.settings import Settings
from lamplighter.triage.cautions import cautions_for
from lamplighter.wording import instant

DAY = 86_400
AS_OF = 1_764_000_000 // DAY * DAY + 50_400.0  # 24 Nov 2025 14:00 UTC
SITES = ("Alder Weir", "Brook Sluice", "Crane Fen", "Dyke Head", "Elm Reservoir", "Fallow Pump House", "Gully North")
FAULTS = ("", "", "", "battery", "", "radio", "", "", "silent", "zero", "", "stuck")


def assessment(
    nodes: int = 36, days: int = 420, seed: int = 1, as_of: float = AS_OF, names: Sequence[str] = ()
) -> Assessment:
    """Return an invented assessment of a fleet of that many nodes."""
    rng = np.random.default_rng(seed)
    made = [_Node(i, days, as_of, rng, names[i] if i < len(names) else "") for i in range(nodes)]
    made.sort(key=lambda n: (-n.row.risk, n.row.node))
    findings = [f for n in made for f in n.findings]
    items = [i for n in made for i in n.items]
    outages, more = _outage(made, as_of)
    items = sorted(items + more, key=lambda i: -i.risk)
    for rank, item in enumerate(items, start=1):
        item_rank(items, rank, item)
    for rank, n in enumerate(made, start=1):
        n.row.rank = rank
    labels = [n.row.node for n in made]
    gaps = [g for n in made for g in n.gaps]
    series = {n.row.node: n.series for n in made}
    return Assessment(
        as_of=as_of,
        start=as_of - days * DAY,
        end=as_of,
        account=_account(sum(n.row.received or 0 for n in made)),
        settings=Settings().as_dict(),
        nodes=[n.row for n in made],
        items=items,
        findings=findings,
        gaps=gaps,
        outages=outages,
        verdicts={n.row.node: n.verdicts for n in made},
        series=series,
        register={n.row.node: n.register for n in made},
        worklog=[w for n in made for w in n.worklog],
        assumptions=["No --as-of: the present is taken to be the last check-in in the data."],
        fleet={"overview": overview([n.row for n in made], series, gaps, as_of)} | _visits(made, items, as_of),
        changes=_changes(labels, as_of),
        version="0.1.0",
    )


def item_rank(items: list[Item], rank: int, item: Item) -> None:
    """Give an item its rank; items are frozen, so it is replaced in the list."""
    from dataclasses import replace

    items[rank - 1] = replace(item, rank=rank)


def _account(kept: int) -> Account:
    return Account(
        files=(
            FileAccount(
                file="exports/2025-10.csv.gz",
                layout="one row a check-in",
                records_read=kept + 29,
                kept=kept,
                duplicates=12,
                rejected=17,
                reading_notes="comma, UTC",
            ),
            FileAccount(file="exports/2025-11.csv", layout="", problem="is empty"),
        ),
        records_read=kept + 29,
        kept=kept,
        duplicates=12,
        rejected=17,
        check_ins=kept,
        set_aside=3,
        reasons={"time cannot be read": 11, "voltage outside 0 to 60 V": 6},
        notes=(Note(kind="clock", text="Two nodes carry times up to 4 s ahead of the historian."),),
    )


def _changes(names: list[str], as_of: float) -> dict:
    if len(names) < 4:
        return {}
    return {
        "since": "2025-11-17T14:00:00Z",
        "new": [
            {"id": f"battery:battery_end:{names[0]}", "node": names[0], "text": "battery likely empty before 2 Dec"}
        ],
        "worse": [{"id": f"radio:rssi_trend:{names[1]}", "node": names[1], "text": "margin now 6 dB, was 9 dB"}],
        "better": [],
        "done": [{"id": f"zero:zero_drift:{names[3]}", "node": names[3], "text": "zeroed on 19 Nov 2025"}],
        "gone": [{"id": f"stuck:stuck:{names[2]}", "node": names[2], "text": "reading moves again"}],
    }


def _visits(made: list, items: list[Item], as_of: float) -> dict:
    """Return a plan of trips as plain data: the items site by site, and one battery that is no trouble yet."""
    if len(made) < 4:
        return {}
    sites: dict[str, list[dict]] = {}
    for i in items:
        sites.setdefault(i.site, []).append({"item": i.id, "name": i.name, "action": i.action, "part": i.part})
    calm = next(n for n in made if not n.fault)
    job = {"item": f"node:{calm.name}", "name": calm.row.name, "action": "Replace the battery", "part": "2 x LR20"}
    sites.setdefault(calm.site, []).append(job)
    days = [instant(as_of + (2 + 4 * k) * DAY).date().isoformat() for k in range(len(sites))]
    dark = items[0]
    return {
        "visits": {
            "from": days[0],
            "to": "2026-05-23",
            "visits": [
                {"day": day, "crew": "Crew 1", "place": site or "near GW-2", "minutes": 30.0 * len(jobs), "jobs": jobs}
                for day, (site, jobs) in zip(days, sorted(sites.items()), strict=True)
            ],
            "unmet": [f"{dark.name} ({dark.subject}), {dark.site}: not planned; no crew can go in time."],
            "desk": ["Host and export: Set the clock of the historian."],
            "costs": [_cost(*c) for c in (("this plan", 9, 2250, 675, 283, 637), ("replace on failure", 14, 3500, 675,
                      0, 1598), ("replace everything yearly", 4.5, 1121, 1010, 2449, 115),
                      ("one trip an item", 14, 3500, 675, 273, 389))],
            "parts": [{"month": "2025-11", "part": "D cell, Li-SOCl2", "count": 2},
                      {"month": "2025-11", "part": "spare antenna", "count": 1},
                      {"month": "2026-01", "part": "2 x LR20", "count": 1}],
            "proof": "No plan with these windows, crews and costs is cheaper.",
            "currency": "EUR",
            "notices": ["site_months in the settings names Old Mill, but no node stands there"],
            "ages": [],
        }
    }  # fmt: skip


def _cost(way: str, trips: float, travel: float, work: float, wasted: float, lost: float) -> dict:
    parts = {"travel": travel, "work": work, "battery_life_wasted": wasted, "data_lost": lost}
    return {"way": way, "trips": float(trips), **parts, "total": sum(parts.values()), "reckoned": f"how {way} is made"}


def _outage(made: list, as_of: float) -> tuple[list[Outage], list[Item]]:
    if len(made) < 4:
        return [], []
    start = as_of - 30 * DAY
    outage = Outage(level="gateway", subject="GW-2", start=start, end=start + 9 * 3600, nodes=11, share=1.0)
    item = Item(
        id="item:gateway:GW-2",
        subject_kind="gateway",
        subject="GW-2",
        name="GW-2",
        site="Brook Sluice",
        gateway="GW-2",
        status="S",
        cause="gateway power",
        cause_probability=0.55,
        action="Check the supply and the uplink of the gateway",
        reason="11 of 11 nodes were silent together for 9 hours on 25 Oct 2025; third time in 90 days.",
        due=as_of + 12 * DAY,
        minutes=45,
        criticality=4,
        risk=1.1,
        cautions=tuple(cautions_for(["hazardous"])),
    )
    return [outage], [item]


class _Node:
    """One invented node with everything an assessment says of it."""

    def __init__(self, index: int, days: int, as_of: float, rng: np.random.Generator, name: str = "") -> None:
        self.fault = FAULTS[index % len(FAULTS)]
        self.as_of, self.days, self.rng = as_of, days, rng
        self.name = name or f"LT-{index + 101}"
        self.site = SITES[index % len(SITES)]
        self.gateway = f"GW-{index % 3 + 1}"
        self.findings: list[Finding] = []
        self.items: list[Item] = []
        self.gaps: list[Gap] = []
        self.worklog: list[dict] = []
        self.day = (np.arange(days) + int(as_of // DAY) - days + 1) * DAY
        self.verdicts = {c: Verdict(state="good") for c in ("arrivals", "radio", "zero", "stuck", "data", "battery")}
        self.verdicts["zero"] = Verdict(
            state="not evaluated",
            reason="The node never rests at zero; set rests_at_zero in the register and log a zero check.",
        )
        self.row = NodeRow(
            node=self.name,
            name=f"{('Level', 'Pressure', 'Flow')[index % 3]} {self.site} {index // 7 + 1}",
            site=self.site,
            gateway=self.gateway,
            status="good",
            reason="Nothing needs doing.",
            risk=0.01,
            criticality=float(1 + index % 5),
            interval_s=3600.0,
            first_seen=float(self.day[0]),
            last_seen=as_of - 1200,
            delivery=0.991,
            delivery_low=0.989,
            delivery_high=0.993,
            expected=24 * days,
            received=int(23.8 * days),
            missed=int(0.2 * days),
            rssi_median_dbm=-91.0,
            fade_margin_db=17.0,
            battery_v=3.61,
            eol_not_before=as_of + 500 * DAY,
            eol_method="voltage still flat",
            zero_error_pct_span=None,
        )
        self.register = {
            "node": self.name,
            "unit": "m",
            "latitude": 52.4 + 0.02 * ((index * 3) % 7) + 0.004 * float(rng.normal()),
            "longitude": 0.1 + 0.05 * (index % 7) + 0.008 * float(rng.normal()),
            "battery_chemistry": "Li-SOCl2",
            "url": 10.0,
            "lrl": 0.0,
        }
        self.series = self._series()
        if self.fault:
            getattr(self, f"_{self.fault}")()

    def _series(self) -> dict:
        n, rng = self.days, self.rng
        season = np.sin(np.arange(n) / 58)
        reading = 4 + season + 0.3 * rng.normal(size=n)
        rssi = -91 + 2 * season + rng.normal(size=n)
        volts = 3.62 - 0.004 * season + 0.003 * rng.normal(size=n)
        day = self.day.tolist()
        return {
            "daily": {
                "day": day,
                "count": [24] * n,
                "reading_median": _r(reading, 3),
                "reading_low": _r(reading - 0.6, 3),
                "reading_high": _r(reading + 0.7, 3),
                "rssi_median": _r(rssi, 1),
                "rssi_p10": _r(rssi - 4, 1),
                "battery_v": _r(volts, 3),
                "battery_p10": _r(volts - 0.01, 3),
                "temperature": _r(10 + 9 * season, 1),
                "temperature_low": _r(5 + 9 * season, 1),
            },
            "arrivals": {
                "day": day,
                "expected": [24] * n,
                "received": rng.binomial(24, 0.99, n).tolist(),
                "outage": [0] * n,
            },
            "radio": {
                "day": day,
                "level": _r(rssi - 2 * season, 1),
                "fit": [-91.0] * n,
                "floor_dbm": -108.0,
                "min_margin_db": 10.0,
                "p10": _r(rssi - 4, 1),
            },
            "battery": {
                "day": day,
                "volts": _r(volts + 0.004 * season, 3),
                "cutoff_v": 3.0,
                "lives": [day[0]] if day else [],
            },
        }

    def _found(
        self, status: str, risk: float, action: str, cause: str, due_days: float, finding: Finding, **more
    ) -> None:
        self.findings.append(finding)
        row = self.row
        row.status, row.reason, row.action, row.cause = status, finding.evidence, action, cause
        row.cause_probability, row.due, row.risk = (
            0.8,
            self.as_of + due_days * DAY,
            risk * float(self.rng.uniform(0.7, 1)),
        )
        row.risk_parts = {"lost or wrong before the next visit": 0.62, "criticality": row.criticality or 3}
        check = "arrivals" if finding.check == "outage" else finding.check
        self.verdicts[check] = Verdict(state="finding", reason=finding.evidence)
        self.items.append(
            Item(
                id=f"item:node:{self.name}",
                subject_kind="node",
                subject=self.name,
                name=row.name,
                site=self.site,
                gateway=self.gateway,
                status=status,
                cause=cause,
                cause_probability=0.8,
                action=action,
                reason=finding.evidence,
                causes=(
                    Cause(
                        cause=cause,
                        probability=0.8,
                        evidence_for=("Voltage fell 0.2 V in 40 days.",),
                        evidence_against=("The cold began in the same week.",),
                    ),
                    Cause(cause="something else", probability=0.2),
                ),
                due=row.due,
                minutes=30,
                criticality=row.criticality or 3,
                risk=row.risk,
                findings=(finding.id,),
                risk_parts=row.risk_parts,
                part=more.get("part", ""),
                cautions=tuple(cautions_for(more.get("cautions", ()))),
            )
        )

    def _battery(self) -> None:
        n, left = self.days, float(self.rng.uniform(5, 120))
        x = np.clip(np.arange(n) - (n - 60), 0, None)
        volts = np.array(self.series["battery"]["volts"]) - 0.006 * x
        day = (self.day[-1] + np.arange(0, 200, 4) * DAY).tolist()
        fan = np.arange(0, 200, 4)
        self.series["battery"] |= {
            "volts": _r(volts, 3),
            "eol": [self.as_of + f * left * DAY for f in (0.7, 1.0, 1.6)],
            "fan": {
                "day": day,
                "p10": _r(volts[-1] - 0.009 * fan, 3),
                "p50": _r(volts[-1] - 0.006 * fan, 3),
                "p90": _r(volts[-1] - 0.004 * fan, 3),
            },
        }
        self.row.eol_p10, self.row.eol_p50, self.row.eol_p90 = self.series["battery"]["eol"]
        self.row.battery_v, self.row.eol_not_before = float(volts[-1]), None
        self.row.eol_method = "decline of the temperature-adjusted voltage"
        self.worklog.append(
            {"node": self.name, "time": float(self.day[n // 3]), "action": "battery replaced", "note": "spare cell"}
        )
        self._found(
            "M",
            2 - left / 100,
            "Replace the battery",
            "battery near its end",
            left * 0.7,
            Finding(
                check="battery",
                kind="battery_end",
                node=self.name,
                since=float(self.day[-60]),
                severity="M",
                value=left,
                unit="days",
                evidence="Battery will likely be empty between 12 Jan and 3 Mar 2026.",
            ),
            part="D cell, Li-SOCl2",
            cautions=("lithium",),
        )

    def _radio(self) -> None:
        n = self.days
        fit = -91 - 0.03 * np.clip(np.arange(n) - n / 2, 0, None)
        noise = np.array(self.series["radio"]["level"]) + 91
        self.series["radio"] |= {"fit": _r(fit, 1), "level": _r(fit + noise, 1), "p10": _r(fit + noise - 4, 1)}
        self.row.fade_margin_db, self.row.rssi_slope_db_per_year = 9.4, -11.0
        self.row.rssi_slope_low, self.row.rssi_slope_high = -13.1, -8.8
        self._found(
            "S",
            0.9,
            "Look at the antenna and the path",
            "antenna or path degraded",
            21,
            Finding(
                check="radio",
                kind="rssi_trend",
                node=self.name,
                since=float(self.day[n // 2]),
                severity="S",
                value=-11.0,
                unit="dB per year",
                low=-13.1,
                high=-8.8,
                evidence="RSSI falls by 11 dB a year (8.8 to 13.1); the margin is down to 9.4 dB.",
            ),
        )

    def _silent(self) -> None:
        last = self.as_of - 4.2 * DAY
        self.row.last_seen = last
        self.gaps.append(Gap(node=self.name, start=last, end=self.as_of, missed=100, kind="silence", open=True))
        cut = int(np.searchsorted(self.day, last))
        received = self.series["arrivals"]["received"]
        received[cut:] = [0] * (len(received) - cut)
        for key, values in self.series["daily"].items():
            self.series["daily"][key] = values[:cut]
        self._found(
            "F",
            3.0,
            "Go and see: the node is dark",
            "battery empty",
            -1,
            Finding(
                check="arrivals",
                kind="silent",
                node=self.name,
                since=last,
                severity="F",
                value=100,
                unit="check-ins",
                evidence="No check-in since 20 Nov 2025, 100 missed in a row; the longest silence before was 3 hours.",
            ),
            cautions=("lithium", "alone"),
        )

    def _zero(self) -> None:
        time = self.day[::14].tolist()
        error = 0.02 * np.arange(len(time)) + 0.05 * self.rng.normal(size=len(time))
        self.series["zero"] = {
            "time": time,
            "error_pct": _r(error, 3),
            "fit": _r(0.02 * np.arange(len(time)), 3),
            "tolerance_pct": 0.5,
        }
        self.row.zero_error_pct_span, self.row.zero_drift_pct_span_per_year = 0.6, 0.52
        self.row.zero_drift_low, self.row.zero_drift_high = 0.45, 0.60
        self._found(
            "S",
            0.7,
            "Re-zero at the next visit",
            "zero drift of the sensor",
            40,
            Finding(
                check="zero",
                kind="zero_drift",
                node=self.name,
                since=float(self.day[0]),
                severity="S",
                value=0.52,
                unit="% of span per year",
                low=0.45,
                high=0.60,
                evidence="The zero drifts by 0.52 % of span a year (0.45 to 0.60); it is 0.60 % off, tolerance 0.5 %.",
            ),
            cautions=("pressure",),
        )

    def _stuck(self) -> None:
        start = float(self.day[-9])
        self.series["stuck"] = {
            "runs": [{"start": start, "end": self.as_of, "value": 4.2, "probability": 0.9999, "kind": "stuck"}]
        }
        self.row.stuck_since = start
        self._found(
            "F",
            1.5,
            "Check the sensor and its wiring",
            "sensor stuck",
            3,
            Finding(
                check="stuck",
                kind="stuck",
                node=self.name,
                since=start,
                severity="F",
                value=4.2,
                unit="m",
                probability=0.9999,
                evidence="The reading has been 4.2 m for 9 days; chance explains this in under 1 of 10,000 such runs.",
            ),
        )


def _r(values: np.ndarray, places: int) -> list[float]:
    return np.round(values, places).tolist()
