"""Picking the gaps at crowded times loses no common silence."""

from __future__ import annotations

import numpy as np
import pytest

from lamplighter.checks.arrivals.common import HOST
from lamplighter.checks.arrivals.crowded import Crowd
from lamplighter.checks.arrivals.outages import NOTABLE, REGION_SHARE, Presence, Silences, common_silences
from lamplighter.settings.arrivals import ArrivalsSettings

DAY = 86_400.0


def made_fleet(seed: int, nodes: int = 40, days: int = 60) -> tuple[Silences, Presence]:
    """Single losses everywhere, long silences of single nodes, and some outages of most nodes."""
    rng = np.random.default_rng(seed)
    interval = rng.choice([300.0, 900.0, 3600.0], nodes)
    first = rng.uniform(0, 20 * DAY, nodes) * (rng.random(nodes) < 0.3)
    last = np.where(rng.random(nodes) < 0.2, rng.uniform(30, days, nodes), days) * DAY
    outages = [(t, t + rng.choice([1800.0, 3 * 3600.0, 5 * DAY])) for t in rng.uniform(0, days * DAY, 5)]
    rows = []
    for k in range(nodes):
        singles = rng.uniform(first[k], last[k], rng.poisson(60))
        own = [(t, t + (1 + rng.integers(1, 3)) * interval[k]) for t in singles]
        own += [(t, t + 10 * DAY) for t in rng.uniform(first[k], last[k], rng.poisson(0.3))]
        own += [
            (a - rng.uniform(0, interval[k]), b + rng.uniform(0, interval[k])) for a, b in outages if rng.random() < 0.9
        ]
        for a, b in own:
            a, b = max(a, first[k]), min(b, last[k])
            missed = round((b - a) / interval[k]) - 1
            if missed >= 1:
                rows.append((k, a, b, missed, interval[k], rng.uniform(0, 1) + 1.2 * missed, b == last[k]))
    columns = [np.array(c) for c in zip(*sorted(rows), strict=True)]
    return Silences(*columns), Presence(first, last, interval, np.full(nodes, -1))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("tables", [1, 7])
def test_the_silences_found_are_those_of_all_gaps(seed, tables):
    s, who = made_fleet(seed)
    settings = ArrivalsSettings()
    everyone = {-1: np.arange(len(who.first))}
    usual = float(np.median(s.interval[s.surprise >= NOTABLE]))
    expected = common_silences(s, who, everyone, HOST, settings.host_share, settings, usual_s=usual)
    crowd = Crowd(who, settings.outage_nodes, REGION_SHARE * settings.host_share)
    parts = [s.part(s.node % tables == k) for k in range(tables)]
    for part in parts:
        crowd.add(part)
    assert crowd.usual_interval() == usual
    picked = [crowd.pick(part, crowd.crowded()) for part in parts]
    together = Silences(*(np.concatenate([getattr(p, name) for p in picked]) for name in s.__dataclass_fields__))
    found = common_silences(
        together, who, everyone, HOST, settings.host_share, settings, usual_s=crowd.usual_interval()
    )
    assert expected
    assert [(w.start, w.end, w.began, w.ended, w.members.tolist(), w.present) for w in found] == [
        (w.start, w.end, w.began, w.ended, w.members.tolist(), w.present) for w in expected
    ]
    assert len(together.node) < 0.6 * len(s.node)


def test_a_fleet_without_gaps_has_no_usual_interval():
    who = Presence(*(np.zeros(0) for _ in range(4)))
    crowd = Crowd(who, 3, 0.3)
    assert np.isnan(crowd.usual_interval())
    assert not crowd.crowded().any()
