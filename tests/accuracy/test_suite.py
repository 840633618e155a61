"""The report of the suite says what was met, what was missed, and under which noise."""

from __future__ import annotations

import pytest

from tests.accuracy import suite
from tests.accuracy.harness import FULL, ScoreRow, false_row, recall_row

ROWS = [
    recall_row("radio", "steps found", 9, 10, 0.95),
    false_row("radio", "false alarms", 0, 10, 0.01),
    ScoreRow("zero", "typical error", "-", "3 %", 4),
]


def test_a_share_under_its_target_is_missed_and_one_without_cases_is_not_judged() -> None:
    assert [r.ok for r in ROWS] == [False, True, None]
    assert recall_row("radio", "steps found", 0, 0, 0.95).ok is None
    assert false_row("radio", "false alarms", 1, 99, 0.01).ok is False


def test_the_report_names_targets_missed_and_shows_each_noise(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(suite, "by_noise", lambda _quick: {("radio", "steps found"): ["100 %", "80 %"]})
    text = suite.report(ROWS)
    assert "| steps found | at least 95 % | 90.0 % (9/10) | MISSED | 100 % | 80 % |" in text
    assert "| false alarms | at most 1 % | 0.0 % (0/10) | met |  |  |" in text
    assert text.count("## ") == 2
    assert all(str(s.seed) in text for s in FULL)


def test_the_false_alarm_study_has_a_thousand_healthy_nodes_under_both_noises() -> None:
    healthy = [s for s in FULL if s.healthy]
    assert sum(s.nodes for s in healthy) >= 1_000
    assert {s.noise for s in healthy} == {"smooth", "rough"}
