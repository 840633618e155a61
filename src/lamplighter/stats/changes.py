"""Steps and changes of slope in values whose noise has a memory: how many, when, how large, how sure."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy import special

from lamplighter.stats.noise import (
    BEND_EVERY,
    FLAT,
    Answers,
    Base,
    ask,
    averaged,
    mixture_below,
    mixture_interval,
    prepare,
    tau_grid,
    whitener,
)
from lamplighter.stats.order import quantile

SCAN_POINTS = 150
"""Points to which a series is averaged while changes are looked for; dates are then refined."""
SCAN_TAU_STEP = 3.0
SCAN_SHARES = (0.0, 0.6, 0.96, 0.9999)
"""A coarser grid of noise models for the search; the final fit uses the full one."""
BEFORE = 0.2
"""Share of slopes that began before the record did: growth and corrosion do not wait for it."""
LEAST_POINTS = 12
NEAR = 40
"""Points on either side of a step among which its place is refined."""
OUTLIER = 5.0
"""Robust standard deviations from the running median beyond which a point is drawn in."""
SWEEPS = 4
"""Most rounds in which several changes of slope are placed anew, each with the others as they then lie."""
KEPT_P = 0.01
"""A change whose size is not different from zero at this level in the final fit is given up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scales:
    """What changes are thought possible beforehand, in units of the values; sets the penalty.

    Attributes
    ----------
    step : float
        Usual size of a step.
    slope : float
        Usual size of a change of slope, per unit of t.
    odds : float
        Odds, before looking, that the series holds a change of either kind.
    margin : float
        Least time between a change and either end or another change [unit of t].
    bend_margin : float
        Least time that a change of slope must have lasted [unit of t].
    wander : float
        Usual standard deviation of the slow part of the noise; infinite for no expectation.
    most : int
        Most changes to look for.
    """

    step: float
    slope: float
    odds: float = 0.1
    margin: float = 0.0
    bend_margin: float = 0.0
    wander: float = math.inf
    most: int = 4


@dataclass(frozen=True, slots=True)
class Change:
    """One change: a step of level, or a slope that begins (kind ``bend``; a trend when it began at the start).

    Attributes
    ----------
    kind : str
        step or bend.
    time, time_low, time_high : float
        When, with a 95 % interval; for a step, the first point after it.
    size, low, high : float
        Step [unit of y] or slope [unit of y per unit of t], with its interval.
    p : float
        Two-sided p-value that the size is zero, given the place.
    probability : float
        Probability of this change against none.
    kind_probability : float
        Probability of this kind of change against the other.
    log_bayes : float
        Logarithm of the evidence for a change over none when it was taken on, places averaged. Its
        reciprocal, exponentiated, is a p-value that is valid but cautious (Markov's inequality).
    """

    kind: str
    time: float
    time_low: float
    time_high: float
    size: float
    low: float
    high: float
    p: float
    probability: float
    kind_probability: float
    log_bayes: float


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope over the whole series beside the changes found, or the slope at the end when one of them is a bend."""

    value: float
    low: float
    high: float
    p: float


@dataclass(frozen=True, slots=True)
class Explanation:
    """What a series is made of.

    Attributes
    ----------
    changes : tuple of Change
        In order of time.
    fitted : ndarray, shape (n,)
        Level with changes but without the other columns, at the times given.
    others : ndarray, shape (n,)
        Effect of the other columns, mean taken out.
    slope : Slope
    level_error : float
        Standard error of the level at the end.
    noise_sd : float
        Standard deviation of what is left.
    memory : float
        Averaged memory of the noise [unit of t].
    """

    changes: tuple[Change, ...]
    fitted: np.ndarray
    others: np.ndarray
    slope: Slope
    level_error: float
    noise_sd: float
    memory: float

    def bare(self) -> Explanation:
        """Return the same without the arrays."""
        return replace(self, fitted=np.zeros(0), others=np.zeros(0))


@dataclass(frozen=True)
class _Series:
    """A series, its other columns and how large their effects are thought to be."""

    t: np.ndarray
    y: np.ndarray
    extra: np.ndarray
    extra_scales: np.ndarray
    known: tuple[float, ...]
    scales: Scales
    bases: dict[tuple[tuple[tuple[str, float], ...], int], Base] = field(default_factory=dict, compare=False)
    """Regressions made so far: the search, the places and the last fit ask for the same ones."""

    def columns(self, found: list[tuple[str, float]]) -> tuple[np.ndarray, np.ndarray]:
        """Columns of the regression at the times of the series, and their priors."""
        level = [step_column(self.t, k) for k in self.known]
        changes = [column_of(kind, self.t, at) for kind, at in found]
        columns = np.column_stack([np.ones(len(self.t)), self.extra, *level, *changes])
        sizes = [self.scales.step if kind == "step" else self.scales.slope for kind, _ in found]
        prior = np.concatenate([[np.inf], self.extra_scales, np.full(len(level), 2 * self.scales.step), sizes])
        return columns, prior

    def base(self, found: list[tuple[str, float]], most: int = SCAN_POINTS) -> Base:
        """Regression on what was found so far, on averaged points."""
        key = tuple(found), min(most, len(self.t))
        if key not in self.bases:
            columns, prior = self.columns(found)
            t, rows, count = averaged(self.t, np.column_stack([self.y, columns]), most)
            white = whitener(t, count, tau_grid(t, SCAN_TAU_STEP), SCAN_SHARES)
            self.bases[key] = prepare(white, rows[:, 0], rows[:, 1:], prior, self.scales.wander)
        return self.bases[key]

    @cached_property
    def first_time(self) -> float:
        """Time of the first averaged point."""
        return float(averaged(self.t, np.zeros((len(self.t), 0)), SCAN_POINTS)[0][0])


def step_column(t: np.ndarray, at: float) -> np.ndarray:
    """Return 0 before a time and 1 from it on."""
    return (t >= at).astype(float)


def column_of(kind: str, t: np.ndarray, at: float) -> np.ndarray:
    """Return the column of a change: a step, or a slope of one per unit of t."""
    return step_column(t, at) if kind == "step" else np.maximum(t - at, 0.0)


def explain(
    t: np.ndarray,
    y: np.ndarray,
    scales: Scales,
    others: np.ndarray | None = None,
    other_scales: np.ndarray | None = None,
    known: tuple[float, ...] = (),
) -> Explanation | None:
    """Find the steps and changes of slope that a series holds, or none.

    The noise may have a memory: its models are averaged by marginal likelihood, jointly with the
    place of each change, so a slow wander costs a change its credit and a change does not pass for a
    wander. Sizes and places have priors, hence the usual penalty for parameters and places; a change
    is taken on while the posterior odds favour it, steps against slopes decided by the same odds.

    Parameters
    ----------
    t, y : ndarray, shape (n,)
        Times in order and values, no NaN.
    scales : Scales
    others : ndarray, shape (n, k), optional
        Further columns that move y (temperature, season).
    other_scales : ndarray, shape (k,), optional
        Usual effect of each of them [unit of y per unit of column]; no expectation when left out.
    known : tuple of float
        Times of level changes known beforehand (work done): each gets its own step, none is reported.

    Returns
    -------
    Explanation or None
        None when there are too few points.
    """
    t, y = np.asarray(t, dtype=float), np.asarray(y, dtype=float)
    extra = np.zeros((len(t), 0)) if others is None else np.asarray(others, dtype=float)
    known = tuple(k for k in sorted(known) if len(t) and t[0] < k <= t[-1])
    if len(t) < LEAST_POINTS + 2 * (extra.shape[1] + len(known)) or t[0] == t[-1]:
        return None
    expected = np.full(extra.shape[1], np.inf) if other_scales is None else np.asarray(other_scales, dtype=float)
    series = _Series(t, drawn_in(y), extra - extra.mean(0), expected, known, scales)
    # What looks like a step at first may be a slope that levels off, and the other way round: both are followed up.
    paths = [_path(series, [first]) for first in _candidates(series, [])] or [[]]
    best = _parted(series, max(paths, key=lambda path: sum(c.gain for c in path)))
    return _conclude(series, [(c.kind, c.at) for c in best], [(c.log_odds, c.share) for c in best])


def logsum(values: np.ndarray) -> float:
    """Logarithm of the sum of exponentials of all values."""
    top = float(values.max())
    return top + math.log(float(np.exp(values - top).sum())) if top > -math.inf else top


def drawn_in(y: np.ndarray, width: int = 9) -> np.ndarray:
    """Values with lone outliers drawn in toward the median of their neighbours; lasting changes stay."""
    if len(y) < width:
        return y
    padded = np.pad(y, width // 2, mode="reflect")
    middle = np.sort(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)[:, width // 2]
    reach = OUTLIER * 1.4826 * quantile(np.abs(y - middle), 0.5)
    return np.clip(y, middle - reach, middle + reach) if reach > 0 else y


@dataclass(frozen=True, slots=True)
class _Candidate:
    kind: str
    at: float
    log_odds: float
    share: float
    gain: float


@dataclass(frozen=True, slots=True)
class _Scan:
    """All places of one kind of change, asked about."""

    at: np.ndarray
    answers: Answers

    @property
    def log_evidence(self) -> float:
        """Evidence of the kind, averaged over places and summed over noise models."""
        a = self.answers.log_evidence
        return logsum(a) - math.log(a.shape[1]) if a.shape[1] else -math.inf

    @property
    def by_place(self) -> np.ndarray:
        """Posterior of the place, shape (k,)."""
        return np.exp(self.answers.log_evidence - logsum(self.answers.log_evidence)).sum(axis=0)


def _scan(base: Base, t: np.ndarray, kind: str, scales: Scales, found: list[tuple[str, float]]) -> _Scan:
    """Ask about every allowed place of one kind of change."""
    same = np.array([at for k, at in found if k == kind])
    apart = np.ones(len(t), bool)
    if len(same):
        apart = np.abs(t[:, None] - same).min(1) > scales.margin
    if kind == "step":
        allowed = (np.arange(len(t)) > 0) & (t - t[0] >= scales.margin) & (t[-1] - t >= scales.margin) & apart
        answers, asked = ask(base, base.white.steps, scales.step), np.arange(len(t))
    else:
        allowed = (t[-1] - t >= max(scales.bend_margin, 0.0)) & apart
        allowed[-2:] = False
        answers, asked = ask(base, base.white.bends, scales.slope), np.arange(0, len(t), BEND_EVERY)
    answers, places = answers.only(allowed[asked]), asked[allowed[asked]]
    if kind == "bend" and len(places) > 1 and places[0] == 0:
        lump = np.full(len(places), math.log((1 - BEFORE) * len(places) / (len(places) - 1)))
        lump[0] = math.log(BEFORE * len(places))
        answers = replace(answers, log_evidence=answers.log_evidence + lump)
    return _Scan(t[places], answers)


def _path(series: _Series, path: list[_Candidate]) -> list[_Candidate]:
    """Go on taking the change that explains most of what is left while the odds favour one."""
    while len(path) < series.scales.most:
        more = _candidates(series, [(c.kind, c.at) for c in path])
        if not more:
            break
        path = [*path, max(more, key=lambda c: c.gain)]
    return path


def _candidates(series: _Series, found: list[tuple[str, float]]) -> list[_Candidate]:
    """Return the best step and the best change of slope, each if the odds favour it; none if they favour no change."""
    base = series.base(found)
    t = base.white.t + series.first_time
    scans = {kind: _scan(base, t, kind, series.scales, found) for kind in ("step", "bend")}
    gains = {
        kind: scan.log_evidence - logsum(base.fit.log_evidence) + math.log(series.scales.odds / 2)
        for kind, scan in scans.items()
    }
    log_odds = float(np.logaddexp(*gains.values()))
    if not log_odds > 0:
        return []
    likely = max(gains.values())
    return [
        _Candidate(
            kind, float(scan.at[np.argmax(scan.by_place)]), log_odds, math.exp(gains[kind] - log_odds), gains[kind]
        )
        for kind, scan in scans.items()
        if gains[kind] > 0 or gains[kind] == likely
    ]


def _conclude(series: _Series, found: list[tuple[str, float]], odds: list[tuple[float, float]]) -> Explanation:
    """Refine the places, fit everything together, and give up what does not hold."""
    while True:
        found = _settled(series, found)
        places = [_place(series, found, k) for k in range(len(found))]
        refined = [(kind, place.time) for (kind, _), place in zip(found, places, strict=True)]
        base = series.base(refined, 2 * SCAN_POINTS if len(series.t) <= 2 * SCAN_POINTS else SCAN_POINTS)
        first = base.fit.coefficient.shape[1] - len(found)
        p = [base.fit.p(first + k) for k in range(len(found))]
        if not p or max(p) <= KEPT_P:
            break
        worst = int(np.argmax(p))
        found, odds = found[:worst] + found[worst + 1 :], odds[:worst] + odds[worst + 1 :]
    changes = []
    for k, ((kind, at), place, (log_odds, share)) in enumerate(zip(refined, places, odds, strict=True)):
        low, high = base.fit.interval(first + k) if kind == "step" else (place.low, place.high)
        size = base.fit.mean(first + k) if kind == "step" else place.size
        sure = float(special.expit(log_odds))
        bayes = log_odds - math.log(series.scales.odds)
        changes.append(Change(kind, at, place.time_low, place.time_high, size, low, high, p[k], sure, share, bayes))
    effect = base.fit.weight @ base.fit.coefficient
    columns, _ = series.columns(refined)
    bare = np.concatenate([[0], np.arange(1 + series.extra.shape[1], columns.shape[1])])
    end = np.zeros(columns.shape[1])
    end[bare] = columns[-1, bare]
    weight = base.fit.weight
    return Explanation(
        tuple(sorted(changes, key=lambda c: (c.time, c.kind))),
        columns[:, bare] @ effect[bare],
        series.extra @ effect[1 : 1 + series.extra.shape[1]],
        _slope(series, base, refined, changes),
        base.spread_of(end),
        float(weight @ np.sqrt(base.squares / base.fit.freedom)),
        float(weight @ base.white.tau),
    )


def _settled(series: _Series, found: list[tuple[str, float]]) -> list[tuple[str, float]]:
    """Place several changes of slope anew, neighbours together and then each in turn.

    The first was placed when it was alone: it stands between the true ones, with a season or a wander to make up
    for it, and moving one at a time does not lead away from there.
    """
    bends = sorted((k for k, (kind, _) in enumerate(found) if kind == "bend"), key=lambda k: found[k][1])
    if len(bends) < 2:
        return found
    for one, two in pairwise(bends):
        found = _paired(series, found, one, two)
    for _ in range(SWEEPS):
        before = found
        for k in bends:
            scan = _around(series, found, k)[1]
            found = _moved(found, k, float(scan.at[np.argmax(scan.by_place)]))
        if found == before:
            break
    return found


def _moved(found: list[tuple[str, float]], which: int, at: float) -> list[tuple[str, float]]:
    return [*found[:which], (found[which][0], at), *found[which + 1 :]]


def _paired(series: _Series, found: list[tuple[str, float]], one: int, two: int) -> list[tuple[str, float]]:
    """Place two changes of slope together by the evidence of both, all others given."""
    at, evidence = _pairs(series, [f for k, f in enumerate(found) if k not in (one, two)])
    if not evidence.size or not np.isfinite(evidence.max()):
        return found
    i, j = np.unravel_index(int(np.argmax(evidence)), evidence.shape)
    return _moved(_moved(found, one, float(at[i])), two, float(at[j]))


def _parted(series: _Series, path: list[_Candidate]) -> list[_Candidate]:
    """Put two changes of slope in the place of the only one found, if the odds favour that.

    Beside the one that stood between two true ones, a second may explain nothing: a long wander makes up for both.
    """
    bends = [k for k, c in enumerate(path) if c.kind == "bend"]
    if len(bends) != 1 or len(path) >= series.scales.most:
        return path
    found = [(c.kind, c.at) for c in path]
    single = _around(series, found, bends[0])[1].log_evidence
    at, evidence = _pairs(series, found[: bends[0]] + found[bends[0] + 1 :])
    if not evidence.size:
        return path
    gain = logsum(evidence) - single + math.log(series.scales.odds / 2)
    if not gain > 0:
        return path
    i, j = np.unravel_index(int(np.argmax(evidence)), evidence.shape)
    first = replace(path[bends[0]], at=float(at[i]))
    return [*path[: bends[0]], first, *path[bends[0] + 1 :], _Candidate("bend", float(at[j]), gain, 1.0, gain)]


def _pairs(series: _Series, others: list[tuple[str, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Ask about every two places of changes of slope with all others given.

    Returns
    -------
    at : ndarray, shape (k,)
        Places.
    evidence : ndarray, shape (k, k)
        Logarithm of the evidence times the chance of the two places beforehand; minus infinity where not allowed.
    """
    scales = series.scales
    base = series.base(others)
    t = base.white.t + series.first_time
    at = t[np.arange(0, len(t), BEND_EVERY)]
    fixed = np.array([a for kind, a in others if kind == "bend"])
    free = (t[-1] - at >= max(scales.bend_margin, 0.0)) & (at <= t[-3])
    free &= ~(np.abs(at[:, None] - fixed) <= scales.margin).any(1)
    at, white = at[free], base.white.bends.white[:, :, free]
    apart = at[None, :] - at[:, None] > scales.margin
    if not apart.any():
        return at, np.zeros((0, 0))
    evidence = np.logaddexp.reduce(_pair_evidence(base, white, scales.slope), axis=0)
    chance = np.where(apart, 1.0, 0.0)
    if apart[0].any() and apart[1:].any() and at[0] == t[0]:
        chance[0] *= BEFORE / chance[0].sum()
        chance[1:] *= (1 - BEFORE) / chance[1:].sum()
    chance /= chance.sum()
    return at, np.where(apart, evidence + np.log(np.maximum(chance, 1e-300)), -np.inf)


def _pair_evidence(base: Base, white: np.ndarray, expected: float) -> np.ndarray:
    """Evidence of a regression with each two of some candidate columns added, as :func:`ask` has it of each one.

    Parameters
    ----------
    white : ndarray, shape (g, n, k)

    Returns
    -------
    ndarray, shape (g, k, k)
    """
    n, freedom, squares = white.shape[1], base.fit.freedom, base.squares[:, None, None]
    inner = np.matmul(base.q[:, :n].transpose(0, 2, 1), white)
    gram = np.matmul(white.transpose(0, 2, 1), white) - np.matmul(inner.transpose(0, 2, 1), inner)
    along = np.matmul(white.transpose(0, 2, 1), base.rest[:, :n, None])
    own = np.maximum(np.einsum("gkk->gk", gram), FLAT)[:, :, None]
    other, a, b = own.transpose(0, 2, 1), along, along.transpose(0, 2, 1)

    def told(pull: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        size = np.maximum((own + pull) * (other + pull) - gram**2, FLAT * own * other)
        explained = (a**2 * (other + pull) + b**2 * (own + pull) - 2 * a * b * gram) / size
        return size, np.maximum(squares - explained, 1e-24)

    pull = told(0.0)[1] / freedom / expected**2
    size, left = told(pull)
    evidence = base.fit.log_evidence[:, None, None] - 0.5 * freedom * np.log(left / squares)
    evidence += np.log(pull) - 0.5 * np.log(size)
    return evidence + 0.5 * base.white.share[:, None, None] * (squares - left) / freedom / base.wander**2


def _slope(series: _Series, base: Base, found: list[tuple[str, float]], changes: list[Change]) -> Slope:
    """Return the slope at the end: of the bends found, or of a line over the whole series asked about."""
    bends = [k for k, (kind, _) in enumerate(found) if kind == "bend"]
    if len(bends) == 1:
        change = changes[bends[0]]
        return Slope(change.size, change.low, change.high, change.p)
    if bends:
        return _slope_of_sum(series, found, max(bends, key=lambda k: found[k][1]))
    answer = ask(base, base.white.line, series.scales.slope)
    return _averaged_slope(answer, base.fit.freedom)


def _slope_of_sum(series: _Series, found: list[tuple[str, float]], last: int) -> Slope:
    """Return the sum of several bends, fitted together, averaged over the places that the last of them may have.

    Bends lean on each other: their sum is known far better, or worse, than each of them tells.
    """
    base, scan = _around(series, found, last)
    others = found[:last] + found[last + 1 :]
    row = np.zeros(base.root.shape[1])
    row[len(row) - len(others) :] = [kind == "bend" for kind, _ in others]
    t = base.white.t + series.first_time
    white = base.white.bends.white[:, :, np.isin(t[::BEND_EVERY], scan.at)]
    # What the candidate takes from the sum of the others is what they would take up of it.
    n, sd = white.shape[1], np.sqrt(base.squares / base.fit.freedom)
    others_root = np.einsum("p,gpq->gq", row, base.root)
    taken = np.einsum("gq,gnq,gnk->gk", others_root / sd[:, None], base.q[:, :n], white, optimize=True)
    a = scan.answers
    along = np.einsum("gnk,gn->gk", white, base.rest[:, :n])
    left = np.maximum(1 - along * a.coefficient / base.squares[:, None], 0.0)
    centre = (base.fit.coefficient @ row)[:, None] + a.coefficient * (1 - taken)
    scale = np.sqrt((others_root**2).sum(1)[:, None] * left + (a.scale * (1 - taken)) ** 2)
    return _averaged_slope(Answers(a.log_evidence, centre, scale), base.fit.freedom)


def _averaged_slope(answers: Answers, freedom: float) -> Slope:
    """Average a slope over noise models and places by their evidence."""
    weight = np.exp(answers.log_evidence - logsum(answers.log_evidence)).ravel()
    centre, scale = answers.coefficient.ravel(), answers.scale.ravel()
    low, high = mixture_interval(centre, scale, weight, freedom, 0.95)
    below = float(mixture_below(0.0, centre, scale, weight, freedom))
    return Slope(float(weight @ centre), low, high, min(1.0, 2 * min(below, 1 - below)))


def _around(series: _Series, found: list[tuple[str, float]], which: int) -> tuple[Base, _Scan]:
    """Ask about every place of one change with all others given."""
    others = found[:which] + found[which + 1 :]
    base = series.base(others)
    t = base.white.t + series.first_time
    return base, _scan(base, t, found[which][0], series.scales, others)


@dataclass(frozen=True, slots=True)
class _Place:
    time: float
    time_low: float
    time_high: float
    size: float
    low: float
    high: float


def _place(series: _Series, found: list[tuple[str, float]], which: int) -> _Place:
    """Place one change with all others given, and average its size over places and noise models."""
    kind, others = found[which][0], found[:which] + found[which + 1 :]
    base, scan = _around(series, found, which)
    by_place = scan.by_place
    low_at, high_at = _central(scan.at, by_place)
    weight = np.exp(scan.answers.log_evidence - logsum(scan.answers.log_evidence)).ravel()
    centre, scale = scan.answers.coefficient.ravel(), scan.answers.scale.ravel()
    low, high = mixture_interval(centre, scale, weight, base.fit.freedom, 0.95)
    place = _Place(float(scan.at[np.argmax(by_place)]), low_at, high_at, float(weight @ centre), low, high)
    return _refined(series, others, place) if kind == "step" else place


def _central(at: np.ndarray, by_place: np.ndarray) -> tuple[float, float]:
    """Return the central 95 % of a distribution over places."""
    total = np.cumsum(by_place)
    return float(at[np.searchsorted(total, 0.025)]), float(at[min(np.searchsorted(total, 0.975), len(at) - 1)])


def _refined(series: _Series, others: list[tuple[str, float]], place: _Place) -> _Place:
    """Place a step among the points themselves, near where it was found among averages."""
    t = series.t
    spacing = (t[-1] - t[0]) / min(SCAN_POINTS, len(t))
    first = max(int(np.searchsorted(t, place.time_low - 2 * spacing)) - NEAR, 0)
    last = min(int(np.searchsorted(t, place.time_high + 2 * spacing)) + NEAR, len(t))
    base = series.base(others)
    effect = base.fit.weight @ base.fit.coefficient
    rest = series.y - series.columns(others)[0] @ effect
    near, values = t[first:last], rest[first:last]
    if len(near) < LEAST_POINTS or len(near) > 4 * SCAN_POINTS:
        return place
    white = whitener(near, None, tau_grid(near, SCAN_TAU_STEP), SCAN_SHARES)
    local = prepare(white, values, np.ones((len(near), 1)), None, series.scales.wander)
    scan = _scan(local, near, "step", replace(series.scales, margin=0.0), [])
    inside = (scan.at >= place.time_low - 2 * spacing) & (scan.at <= place.time_high + 2 * spacing)
    if not inside.any():
        return place
    by_place = np.where(inside, scan.by_place, 0.0)
    by_place /= by_place.sum()
    low_at, high_at = _central(scan.at, by_place)
    return replace(place, time=float(scan.at[np.argmax(by_place)]), time_low=low_at, time_high=high_at)
