"""The table of causes: complete, checked when read, changeable by the user."""

from __future__ import annotations

import ast
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from lamplighter.errors import InputError
from lamplighter.fleet import ACTIONS
from lamplighter.results import CHECK_NAMES
from lamplighter.triage.cautions import ALWAYS, all_cautions, cautions_for
from lamplighter.triage.diagnosis import UNCLEAR, causes_of
from lamplighter.triage.rules import load_rules

EVIDENCE = files("lamplighter.triage").joinpath("data", "evidence.csv").read_text(encoding="utf-8")

NEEDED = (
    "battery nearly empty", "battery weak in the cold", "link fading", "link stepped down", "interference",
    "gateway or backhaul", "host or export", "sensor frozen", "impulse line or port plugged", "zero shifted",
    "ranged or scaled wrongly", "clock wrong", "configuration changed", "node removed",
)  # fmt: skip


def test_every_cause_a_planner_asks_about_is_in_the_table() -> None:
    assert set(NEEDED) <= {c.cause for c in load_rules().causes}


@pytest.mark.parametrize("rule", load_rules().causes, ids=lambda c: c.cause)
def test_every_cause_says_what_to_do_how_long_it_takes_and_what_to_mind(rule) -> None:
    assert rule.action
    assert rule.steps
    assert rule.minutes > 0
    assert rule.log_action in ACTIONS
    assert rule.signal in ("F", "C", "S", "M")
    assert set(rule.cautions) <= set(all_cautions())
    assert not rule.on_site or rule.cautions, "work on site comes with cautions"


def test_likelihoods_are_probabilities_and_checks_exist() -> None:
    rules = load_rules()
    assert rules.likelihood.shape == (len(rules.evidence), len(rules.causes))
    assert np.all((rules.likelihood > 0) & (rules.likelihood < 1))
    assert {c for e in rules.evidence for c in e.checks} <= set(CHECK_NAMES)


def test_every_cause_but_the_unclear_one_has_evidence_that_speaks_for_it() -> None:
    rules = load_rules()
    usual = np.median(rules.likelihood, axis=1, keepdims=True)
    strongest = dict(zip([c.cause for c in rules.causes], (rules.likelihood / usual).max(axis=0), strict=True))
    assert all(ratio >= 2 for cause, ratio in strongest.items() if cause != UNCLEAR)


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("silent now,silent,arrivals,", "silent now,,arrivals,", "column kinds is empty"),
        (",0.97,0.9,", ",1.2,0.9,", "'1.2' is not a probability"),
        (",0.97,0.9,", ",often,0.9,", "'often' is not a probability"),
        ("battery nearly empty", "battery nearly dead", "has no column 'battery nearly empty'"),
        ("delivery falling,", "silent now,", "stands here twice"),
        ("it still checks in,", "", "too many or too few cells"),
    ],
)
def test_a_broken_table_is_refused_with_its_name(tmp_path: Path, old: str, new: str, problem: str) -> None:
    path = tmp_path / "mine.csv"
    assert old in EVIDENCE
    path.write_text(EVIDENCE.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError, match=r"mine\.csv") as refused:
        load_rules(str(path))
    assert problem in str(refused.value)


def test_a_missing_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot read the table of likelihoods"):
        load_rules(str(tmp_path / "none.csv"))


def test_a_user_s_own_likelihoods_change_the_diagnosis(tmp_path: Path) -> None:
    lines = EVIDENCE.splitlines()
    column = lines[0].split(",").index("zero shifted")
    row = next(i for i, line in enumerate(lines) if line.startswith("silent now"))
    cells = lines[row].split(",")
    cells[column] = "0.999"
    path = tmp_path / "mine.csv"
    path.write_text("\n".join([*lines[:row], ",".join(cells), *lines[row + 1 :]]), encoding="utf-8")
    seen = {"silent now": True}
    chance = [
        next((c.probability for c in causes_of(seen, file, least=0.0) if c.cause == "zero shifted"), 0.0)
        for file in ("", str(path))
    ]
    assert chance[1] > 3 * chance[0]


def test_cautions_begin_with_the_site_s_own_rules_and_keep_their_order() -> None:
    texts = cautions_for(["pressure", "lithium", "no such key"])
    assert texts[0] == all_cautions()[ALWAYS]
    assert [t.split(":")[0] for t in texts[1:]] == ["Lithium cells", "Pressure"]


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("site", "Nothing on this sheet authorises work"),
        ("lithium", "never mix"),
        ("transport", "dangerous goods"),
        ("pressure", "Isolate, vent and lock out"),
        ("hazardous", "permit"),
        ("alone", "report back"),
        ("electricity", "qualified"),
        ("confined", "gas test"),
    ],
)
def test_each_caution_says_what_matters(key: str, words: str) -> None:
    assert words in all_cautions()[key]


NEVER_WORK = {
    "battery_swap",
    "zero_reset",
    "long_rest",
    "link_budget",
    "stored_by_exception",
    "forward_filled",
    "accepted",
}
"""Kinds that only inform: no cause is sought for them."""
PUT_TOGETHER = {"stuck", "pegged", "record_frozen"} | {
    f"{level}_{word}" for level in ("gateway", "host", "group") for word in ("outage", "outages")
}
"""Kinds that the checks put together at run time."""
NOT_LOOKED_FOR = {"clock_wrong"}
"""Kinds for which the table has a cause and no check looks yet."""


def kinds_in_the_checks() -> set[str]:
    """Kinds that the checks and the review write out in full."""
    package = Path(str(files("lamplighter")))
    found = set()
    for path in (*package.joinpath("checks").rglob("*.py"), *package.joinpath("triage").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding":
                kind = next(k.value for k in node.keywords if k.arg == "kind")
                found |= {n.value for n in ast.walk(kind) if isinstance(n, ast.Constant) and isinstance(n.value, str)}
    return found


def test_every_kind_a_check_finds_speaks_for_some_cause() -> None:
    told = {kind for e in load_rules().evidence for kind in e.kinds}
    found = kinds_in_the_checks()
    assert {"silent", "rssi_step", "zero_drift", "battery_end", "not_accepted"} <= found
    assert {k for k in found if not k.startswith("_")} - told - NEVER_WORK == set()


def test_every_kind_in_the_table_is_one_that_a_check_finds() -> None:
    told = {kind for e in load_rules().evidence for kind in e.kinds if not kind.startswith("fact:")}
    assert told - kinds_in_the_checks() - PUT_TOGETHER == NOT_LOOKED_FOR
