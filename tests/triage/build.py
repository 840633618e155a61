"""Small fleets with findings made by hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from lamplighter.checkins import DAY_S, Account
from lamplighter.checks.base import CheckResult, Context
from lamplighter.fleet import RegisterEntry, WorkEntry
from lamplighter.results import Assessment, Finding, Item, NodeRow, Verdict
from lamplighter.settings import Settings, load_settings
from lamplighter.triage import judge_fleet

CHECKS = ("arrivals", "radio", "zero", "stuck", "data", "battery")
NOW = 1_772_452_800.0  # 2026-03-02 12:00 UTC, a Monday
GOOD = Verdict(state="good")


def settings(**triage: Any) -> Settings:
    return load_settings({"triage": triage})


def finding(node: str, check: str, kind: str, severity: str = "M", **more: Any) -> Finding:
    words = more.pop("evidence", f"{node} shows {kind.replace('_', ' ')}.")
    return Finding(check=check, kind=kind, node=node, severity=severity, evidence=words, **more)


def outage(gateway: str = "", days_ago: float = 2.0, severity: str = "F") -> Finding:
    kind = "gateway_outage" if gateway else "host_outage"
    words = f"Gateway {gateway} is silent." if gateway else "All gateways are silent."
    return Finding(
        check="outage", kind=kind, gateway=gateway, severity=severity, since=NOW - days_ago * DAY_S, evidence=words
    )


@dataclass
class Fleet:
    """Twelve nodes, six a gateway, of criticality 3, on which nothing was found."""

    nodes: dict[str, RegisterEntry] = field(
        default_factory=lambda: {
            f"N{i:02}": RegisterEntry(
                node=f"N{i:02}",
                name=f"Point {i:02}",
                site="North" if i < 6 else "South",
                gateway="G1" if i < 6 else "G2",
                interval_s=900.0,
                battery_part="BP-1",
                criticality=3.0,
                zero_tolerance_pct_span=1.0,
            )
            for i in range(12)
        }
    )
    findings: list[Finding] = field(default_factory=list)
    facts: dict[str, dict[str, Any]] = field(default_factory=dict)
    verdicts: dict[tuple[str, str], Verdict] = field(default_factory=dict)
    worklog: dict[str, tuple[WorkEntry, ...]] = field(default_factory=dict)
    unseen: frozenset[str] = frozenset()
    settings: Settings = field(default_factory=Settings)

    def results(self) -> dict[str, CheckResult]:
        results = {
            check: CheckResult(verdicts={n: self.verdicts.get((n, check), GOOD) for n in self.nodes})
            for check in CHECKS
        }
        for f in self.findings:
            results["arrivals" if f.check == "outage" else f.check].findings.append(f)
        results["arrivals"].facts.update({n: dict(some) for n, some in self.facts.items()})
        return results

    def context(self) -> Context:
        return Context(
            settings=self.settings,
            register=self.nodes,
            registered=frozenset(self.nodes),
            worklog=self.worklog,
            seen=tuple(sorted(set(self.nodes) - self.unseen)),
            traits={},
            start=NOW - 400 * DAY_S,
            as_of=NOW,
        )

    def judged(self) -> tuple[list[NodeRow], list[Item]]:
        return judge_fleet(self.results(), self.context())

    def rows(self) -> dict[str, NodeRow]:
        return {row.node: row for row in self.judged()[0]}

    def items(self) -> dict[str, Item]:
        return {item.id: item for item in self.judged()[1]}

    def assessment(self) -> Assessment:
        rows, items = self.judged()
        return make_assessment(rows, items, self.nodes, self.settings)


def make_assessment(
    rows: Iterable[NodeRow], items: Iterable[Item], register: Mapping[str, RegisterEntry], chosen: Settings
) -> Assessment:
    return Assessment(
        as_of=NOW,
        start=NOW - 400 * DAY_S,
        end=NOW,
        account=Account(),
        settings=chosen.as_dict(),
        nodes=list(rows),
        items=list(items),
        findings=[],
        gaps=[],
        outages=[],
        verdicts={},
        series={},
        register={n: asdict(e) for n, e in register.items()},
    )


def battery(p10: float, p50: float, p90: float, life: float = 1000.0) -> dict[str, float]:
    """Facts of a battery that ends so many days from now, of so many days of life in all."""
    return {
        "eol_p10": NOW + p10 * DAY_S,
        "eol_p50": NOW + p50 * DAY_S,
        "eol_p90": NOW + p90 * DAY_S,
        "battery_since": NOW + (p50 - life) * DAY_S,
    }


def cold(p10: float, p50: float, p90: float) -> dict[str, float]:
    """Facts of a battery that falls short on its coldest days so many days from now."""
    return {f"eol_cold_{name}": NOW + v * DAY_S for name, v in (("p10", p10), ("p50", p50), ("p90", p90))}


def ending(node: str, p10: float, p50: float, p90: float, life: float = 1000.0, severity: str = "M") -> Fleet:
    """A fleet in which one battery ends so many days from now."""
    return Fleet(
        findings=[finding(node, "battery", "battery_end", severity)], facts={node: battery(p10, p50, p90, life)}
    )
