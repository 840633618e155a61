"""From evidence to probable causes: every single cause and every pair is weighed against what was seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import combinations

import numpy as np

from lamplighter.results import Cause
from lamplighter.settings.triage import TriageSettings
from lamplighter.triage.rules import CauseRule, Rules, load_rules

UNCLEAR = "cause not clear"
FOR_RATIO = 2.0
"""Evidence speaks for a cause when it is this many times likelier under it than under the middle of all causes."""
ACCOUNTS = 5.0
"""A cause accounts for a piece of evidence when it brings it this many times more often than chance does."""
BRINGS = 0.6
"""... and may be a job of its own when it brings the evidence this often beside the cause that does so most."""
AGAINST_LEVEL = 0.5
"""Evidence that a cause brings with at least this probability speaks against it when absent."""


@lru_cache(maxsize=8)
def hypotheses(rules_file: str, subject: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the hypotheses for a subject: which causes each holds, its prior, its likelihoods.

    Two things can be wrong at once: a pair shows a piece of evidence unless neither cause does
    (noisy or; Pearl 1988, Probabilistic Reasoning in Intelligent Systems, section 4.3; from memory).

    Returns
    -------
    holds : bool array, shape (n_hypotheses, n_causes)
    prior : array, shape (n_hypotheses,)
    likelihood : array, shape (n_hypotheses, n_evidence)
    """
    rules = load_rules(rules_file)
    allowed = [i for i, c in enumerate(rules.causes) if subject in c.subjects]
    paired = [i for i in allowed if rules.causes[i].cause != UNCLEAR]
    sets = [(i,) for i in allowed] + list(combinations(paired, 2))
    holds = np.zeros((len(sets), len(rules.causes)), dtype=bool)
    for row, members in enumerate(sets):
        holds[row, list(members)] = True
    log_prior = np.log([c.prior for c in rules.causes])
    prior = np.exp(holds @ log_prior)
    likelihood = 1 - np.exp(holds @ np.log1p(-rules.likelihood).T)
    return holds, prior / prior.sum(), likelihood


def posterior(states: np.ndarray, rules_file: str = "", subject: str = "node", weight: float = 1.0) -> np.ndarray:
    """Return the probability of each cause given the evidence.

    A cause that explains nothing of what was seen is left out, whatever its prior: it would be a guess.

    Parameters
    ----------
    states : array, shape (n_evidence,)
        1 where a piece of evidence is present, 0 where absent, NaN where nobody could look; in between where it is
        present with that probability (virtual evidence; Pearl 1988, section 2.2.2; from memory).
    rules_file : str
        Table of likelihoods; empty for the one that comes along.
    subject : str
        node, gateway or host.
    weight : float
        Exponent on the likelihoods, below 1 for evidence that is not independent [-].

    Returns
    -------
    array, shape (n_causes,)
        Adds up to more than one where two causes are likely together.
    """
    holds, prior, likelihood = hypotheses(rules_file, subject)
    idle = ~explains(states, load_rules(rules_file))
    kept = ~holds[:, idle].any(axis=1)
    holds, prior, likelihood = holds[kept], prior[kept], likelihood[kept]
    known = np.isfinite(states)
    sure, chance = states[known], likelihood[:, known]
    log = np.log(prior) + weight * np.log(sure * chance + (1 - sure) * (1 - chance)).sum(axis=1)
    share = np.exp(log - log.max())
    return (share / share.sum()) @ holds


def explains(states: np.ndarray, rules: Rules) -> np.ndarray:
    """Return which causes something present speaks for; the unclear one always, shape (n_causes,)."""
    usual = np.median(rules.likelihood, axis=1, keepdims=True)
    speaks = (rules.likelihood >= FOR_RATIO * usual)[states > 0].any(axis=0)
    return speaks | np.array([c.cause == UNCLEAR for c in rules.causes])


def most_sure(states: np.ndarray, rules: Rules) -> np.ndarray:
    """Return for each cause how sure the surest evidence for it is, 1 where there is none, shape (n_causes,)."""
    usual = np.median(rules.likelihood, axis=1, keepdims=True)
    speaks = (rules.likelihood >= FOR_RATIO * usual) & (states > 0)[:, None]
    return np.where(speaks.any(axis=0), np.where(speaks, states[:, None], 0.0).max(axis=0), 1.0)


def causes_of(
    states: Mapping[str, bool | None],
    rules_file: str = "",
    subject: str = "node",
    weight: float = 1.0,
    least: float = 0.05,
    surety: Mapping[str, float] | None = None,
) -> tuple[Cause, ...]:
    """Return the probable causes, most probable first, with the evidence for and against each.

    Parameters
    ----------
    states : dict of evidence to bool or None
        Present, absent, or None when nobody could look.
    rules_file, subject, weight
        See :func:`posterior`.
    least : float
        Causes less probable than this are left out, except the first.
    surety : dict of evidence to float, optional
        How probable evidence is that is not sure. No cause is more probable than the surest piece that speaks for it.
    """
    rules = load_rules(rules_file)
    seen = state_array(states, rules)
    soft = np.where(seen == 1, [(surety or {}).get(e.evidence, 1.0) for e in rules.evidence], seen)
    chance = np.minimum(posterior(soft, rules_file, subject, weight), most_sure(soft, rules))
    order = sorted(np.flatnonzero(chance > 0).tolist(), key=lambda i: (-chance[i], rules.causes[i].cause))
    kept = [i for n, i in enumerate(order) if n == 0 or chance[i] >= least]
    return tuple(_cause(rules, i, float(chance[i]), seen) for i in kept)


def state_array(states: Mapping[str, bool | None], rules: Rules) -> np.ndarray:
    """Return states in the order of the table: 1, 0 or NaN, shape (n_evidence,)."""
    return np.array([np.nan if (v := states.get(e.evidence)) is None else float(v) for e in rules.evidence])


def diagnose(
    states: Mapping[str, bool | None],
    rules: Rules,
    s: TriageSettings,
    subject: str,
    surety: Mapping[str, float] | None = None,
) -> tuple[tuple[Cause, ...], tuple[CauseRule, ...]]:
    """Return the probable causes, and the rules of those that make up the job.

    Where even the first is improbable the job is to look into it: nobody is sent for a guess.
    """
    if True not in states.values():
        return (Cause(cause=UNCLEAR, probability=1.0),), (rules.cause(UNCLEAR),)
    causes = causes_of(states, s.rules_file, subject, s.evidence_weight, 0.0, surety)
    chosen = chosen_causes(causes, states, rules, s.second_cause_probability)
    if causes[0].probability < s.least_sure_probability:
        chosen = [UNCLEAR]
    shown = [
        c for n, c in enumerate(causes) if n == 0 or c.probability >= s.shown_cause_probability or c.cause in chosen
    ]
    return tuple(shown), tuple(rules.cause(c) for c in chosen)


def chosen_causes(causes: Sequence[Cause], states: Mapping[str, bool | None], rules: Rules, least: float) -> list[str]:
    """Return the causes that make up the job.

    The first, any other that is probable enough, and for each piece of evidence that none of these accounts for
    the most probable cause that does: nothing that was seen is dropped for being the smaller trouble.

    Parameters
    ----------
    causes : sequence of Cause
        All causes, most probable first.
    least : float
        Probability from which a further cause is taken [-].
    """
    chosen = [c.cause for n, c in enumerate(causes) if n == 0 or c.probability >= least]
    column = {c.cause: i for i, c in enumerate(rules.causes)}
    for row, rule in enumerate(rules.evidence):
        if states.get(rule.evidence) is not True or all(k.startswith("fact:") for k in rule.kinds):
            continue
        chance = rules.likelihood[row]
        if max(chance[column[c]] for c in chosen) < ACCOUNTS * chance.min():
            able = [c.cause for c in causes if c.cause != UNCLEAR and chance[column[c.cause]] >= BRINGS * chance.max()]
            chosen += able[:1]
    return chosen


def _cause(rules: Rules, index: int, chance: float, seen: np.ndarray) -> Cause:
    column = rules.likelihood[:, index]
    usual = np.median(rules.likelihood, axis=1)
    supports = (seen == 1) & (column >= FOR_RATIO * usual)
    opposes = (seen == 0) & (column >= AGAINST_LEVEL)
    return Cause(
        cause=rules.causes[index].cause,
        probability=chance,
        evidence_for=tuple(rules.evidence[e].present for e in np.flatnonzero(supports)),
        evidence_against=tuple(rules.evidence[e].absent for e in np.flatnonzero(opposes)),
    )
