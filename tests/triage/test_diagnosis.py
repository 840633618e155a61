"""From evidence to causes."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from lamplighter.triage.diagnosis import UNCLEAR, causes_of, chosen_causes, posterior
from lamplighter.triage.rules import load_rules

LINK_DOWN = {"signal trend down", "margin small"}


def states(present: set[str], unknown: set[str] = frozenset()) -> dict[str, bool | None]:
    names = [e.evidence for e in load_rules().evidence]
    assert present | unknown <= set(names)
    return {name: None if name in unknown else name in present for name in names}


@pytest.mark.parametrize(
    ("present", "cause"),
    [
        ({"battery near its end"}, "battery nearly empty"),
        ({"battery near its end", "silent now"}, "battery nearly empty"),
        ({"battery sags in the cold"}, "battery weak in the cold"),
        ({"battery sags in the cold", "delivery falling"}, "battery weak in the cold"),
        ({"signal trend down"}, "link fading"),
        ({"signal trend down", "margin small", "delivery falling"}, "link fading"),
        ({"signal step down"}, "link stepped down"),
        ({"signal step down", "margin small", "delivery falling"}, "link stepped down"),
        ({"delivery falling"}, "interference"),
        ({"delivery falling", "lost together with others"}, "interference"),
        ({"reading constant"}, "sensor frozen"),
        ({"reading constant", "constant within a band", "follows the temperature"}, "impulse line or port plugged"),
        ({"whole record repeats"}, "host or export"),
        ({"zero drifting"}, "zero shifted"),
        ({"zero off"}, "zero shifted"),
        ({"zero drifting", "zero off"}, "zero shifted"),
        ({"values do not fit the range"}, "ranged or scaled wrongly"),
        ({"times do not fit"}, "clock wrong"),
        ({"interval changed"}, "configuration changed"),
        ({"silent now"}, "node failed"),
        ({"silent now", "taken out by the work log"}, "node removed"),
        ({"work log contradicted"}, "work log in doubt"),
        ({"new and not accepted"}, "installation not right"),
    ],
)
def test_plain_evidence_points_to_the_plain_cause(present: set[str], cause: str) -> None:
    assert causes_of(states(present))[0].cause == cause


def test_a_gateway_is_told_from_the_host_by_the_others() -> None:
    one = states({"silent now", "lost together with others", "gateway silent"})
    all_of_them = states({"silent now", "lost together with others", "gateway silent", "all gateways silent"})
    assert causes_of(one, subject="gateway")[0].cause == "gateway or backhaul"
    assert causes_of(all_of_them, subject="host")[0].cause == "host or export"


def test_two_things_wrong_at_once_are_both_found() -> None:
    causes = causes_of(states({"battery near its end", "zero drifting", "zero off"}))
    assert {c.cause for c in causes[:2]} == {"battery nearly empty", "zero shifted"}
    assert all(c.probability > 0.5 for c in causes[:2])


def test_the_posterior_is_bayes_over_single_causes_and_pairs() -> None:
    """Worked out anew by the definition, cause by cause and pair by pair, over causes that explain something seen."""
    rules = load_rules()
    seen = states({"delivery falling", "margin small"}, unknown={"zero drifting", "zero off", "reading constant"})
    known = [(i, seen[e.evidence]) for i, e in enumerate(rules.evidence) if seen[e.evidence] is not None]
    speaks = rules.likelihood >= 2 * np.median(rules.likelihood, axis=1, keepdims=True)
    explains = speaks[[e for e, present in known if present]].any(axis=0)
    allowed = [i for i, c in enumerate(rules.causes) if "node" in c.subjects and (explains[i] or c.cause == UNCLEAR)]
    pairs = combinations([i for i in allowed if rules.causes[i].cause != UNCLEAR], 2)
    weight: dict[tuple[int, ...], float] = {}
    for members in [(i,) for i in allowed] + list(pairs):
        value = float(np.prod([rules.causes[i].prior for i in members]))
        for e, present in known:
            shows = 1 - np.prod([1 - rules.likelihood[e, i] for i in members])
            value *= shows if present else 1 - shows
        weight[members] = value
    total = sum(weight.values())
    expected = [sum(w for m, w in weight.items() if i in m) / total for i in range(len(rules.causes))]
    vector = np.array([np.nan if seen[e.evidence] is None else float(seen[e.evidence]) for e in rules.evidence])
    np.testing.assert_allclose(posterior(vector), expected, rtol=1e-9, atol=1e-15)


def test_what_nobody_could_look_at_counts_neither_way() -> None:
    certain = causes_of(states({"battery near its end"}))[0].probability
    blind = causes_of(states({"battery near its end"}, unknown={"silent now", "zero drifting"}))
    assert blind[0].cause == "battery nearly empty"
    said = {text for c in blind for text in (*c.evidence_for, *c.evidence_against)}
    assert "it still checks in" not in said
    assert 0 < blind[0].probability <= 1
    assert 0 < certain <= 1


@pytest.mark.parametrize("state", [None, False])
def test_without_evidence_no_cause_is_guessed(state: bool | None) -> None:
    blind = {e.evidence: state for e in load_rules().evidence}
    assert [c.cause for c in causes_of(blind, least=0.0)] == [UNCLEAR]


def test_a_cause_that_explains_nothing_seen_is_not_listed_whatever_its_prior() -> None:
    named = {c.cause for c in causes_of(states({"times do not fit"}), least=0.0)}
    assert "clock wrong" in named
    assert "battery nearly empty" not in named


def test_nothing_seen_is_dropped_for_being_the_smaller_trouble() -> None:
    seen = states({"battery near its end", "zero stepped", "signal step down"})
    causes = causes_of(seen, least=0.0)
    chosen = chosen_causes(causes, seen, load_rules(), least=0.99)
    assert set(chosen) == {"battery nearly empty", "zero shifted", "link stepped down"}
    assert chosen[0] == causes[0].cause


def test_evidence_that_the_first_cause_accounts_for_makes_no_further_job() -> None:
    seen = states({"battery near its end", "silent now"})
    chosen = chosen_causes(causes_of(seen, least=0.0), seen, load_rules(), least=0.99)
    assert chosen == ["battery nearly empty"]


def test_evidence_for_and_against_is_in_plain_words() -> None:
    cause = causes_of(states({"signal trend down"}))[0]
    assert cause.evidence_for == ("the signal has been weakening steadily",)
    assert "the fade margin is large enough" in cause.evidence_against


def test_a_lighter_weight_makes_the_diagnosis_less_sure() -> None:
    seen = states({"signal step down", "margin small"})
    sure, less = (causes_of(seen, weight=w)[0].probability for w in (1.0, 0.5))
    assert sure > less


def test_a_node_is_never_given_a_cause_that_cannot_befall_its_subject() -> None:
    causes = causes_of(states({"gateway silent", "lost together with others"}), subject="gateway", least=1e-9)
    assert {c.cause for c in causes} <= {c.cause for c in load_rules().causes if "gateway" in c.subjects}
