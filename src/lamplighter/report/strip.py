"""Site by site: which nodes need a person, those with the most first."""

from __future__ import annotations

from lamplighter.report.common import ORDER, Source, signal
from lamplighter.report.model import Mark, SiteLine
from lamplighter.report.wording import strip_rest
from lamplighter.results import NodeRow

MOST_MARKS = 24
MOST_SITES = 80
QUIET = ("good", "none")


def site_strip(source: Source, rows: list[NodeRow]) -> tuple[SiteLine, ...]:
    """Return one line a site, the site with the worst nodes first; nodes without a site stand together, last."""
    sites: dict[str, list[NodeRow]] = {}
    for row in rows:
        sites.setdefault(row.site, []).append(row)
    if set(sites) <= {""}:
        return ()
    ranked = sorted(sites.items(), key=lambda s: (s[0] == "", _weight(s[1]), s[0]))
    return tuple(_line(source, site, own) for site, own in ranked[:MOST_SITES])


def _weight(rows: list[NodeRow]) -> tuple[int, ...]:
    """Sort by the number of F, then of C, S and M, most first."""
    keys = [signal(r.status).key for r in rows]
    return tuple(-keys.count(k) for k in ORDER if k not in QUIET)


def _line(source: Source, site: str, rows: list[NodeRow]) -> SiteLine:
    loud = sorted((r for r in rows if signal(r.status).key not in QUIET), key=lambda r: ORDER[signal(r.status).key])
    keys = [signal(r.status).key for r in rows]
    return SiteLine(
        site=site or "no site given",
        marks=tuple(Mark(signal=signal(r.status), label=r.node, href=source.href(r.node)) for r in loud[:MOST_MARKS]),
        more=max(0, len(loud) - MOST_MARKS),
        rest=strip_rest(keys.count("good"), keys.count("none")),
    )
