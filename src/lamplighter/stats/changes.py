"""Steps and changes of slope in values whose noise has a memory: how many, when, how large, how sure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from lamplighter.stats.noise import (
    BEND_EVERY,
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

    def columns(self, found: list[tuple[str, float]]) -> tuple[np.ndarray, np.ndarray]:
        """Columns of the regression at the times of the series, and their priors."""
        level = [step_column(self.t, k) for k in self.known]
        changes = [column_of(kind, self.t, at) for kind, at in found]
        columns = np.column_stack([np.ones(len(self.t)), self.extra, *level, *changes])
        sizes = [self.scales.step if kind == "step" else self.scales.slope for kind, _ in found]
        prior = np.concatenate([[np.inf], self.extra_scales, np.full(len(level), 2 * self.scales.step), sizes])
        return columns, prior

    def base(self, found: list[tuple[str, float]], most: int | None, taus: float, shares: tuple[float, ...]) -> Base:
        """Regression on what was found so far, on averaged points."""
        columns, prior = self.columns(found)
        t, rows, count = averaged(self.t, np.column_stack([self.y, columns]), most or len(self.t))
        white = whitener(t, count, tau_grid(t, taus), shares)
        return prepare(white, rows[:, 0], rows[:, 1:], prior, self.scales.wander)


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
    best = max(paths, key=lambda path: sum(c.gain for c in path))
    return _conclude(series, [(c.kind, c.at) for c in best], [(c.log_odds, c.share) for c in best])


def drawn_in(y: np.ndarray, width: int = 9) -> np.ndarray:
    """Values with lone outliers drawn in toward the median of their neighbours; lasting changes stay."""
    if len(y) < width:
        return y
    padded = np.pad(y, width // 2, mode="reflect")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    reach = OUTLIER * 1.4826 * float(np.median(np.abs(y - middle)))
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
        return float(special.logsumexp(a)) - math.log(a.shape[1]) if a.shape[1] else -math.inf

    @property
    def by_place(self) -> np.ndarray:
        """Posterior of the place, shape (k,)."""
        return np.exp(
            special.logsumexp(self.answers.log_evidence, axis=0) - special.logsumexp(self.answers.log_evidence)
        )


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
    base = series.base(found, SCAN_POINTS, SCAN_TAU_STEP, SCAN_SHARES)
    t = base.white.t + _first_time(series, SCAN_POINTS)
    scans = {kind: _scan(base, t, kind, series.scales, found) for kind in ("step", "bend")}
    gains = {
        kind: scan.log_evidence - float(special.logsumexp(base.fit.log_evidence)) + math.log(series.scales.odds / 2)
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


def _first_time(series: _Series, most: int) -> float:
    return float(averaged(series.t, series.y, most)[0][0])


def _conclude(series: _Series, found: list[tuple[str, float]], odds: list[tuple[float, float]]) -> Explanation:
    """Refine the places, fit everything together, and give up what does not hold."""
    while True:
        places = [_place(series, found, k) for k in range(len(found))]
        refined = [(kind, place.time) for (kind, _), place in zip(found, places, strict=True)]
        base = series.base(
            refined, None if len(series.t) <= 2 * SCAN_POINTS else SCAN_POINTS, SCAN_TAU_STEP, SCAN_SHARES
        )
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
        _slope(series, base, changes),
        base.spread_of(end),
        float(weight @ np.sqrt(base.squares / base.fit.freedom)),
        float(weight @ base.white.tau),
    )


def _slope(series: _Series, base: Base, changes: list[Change]) -> Slope:
    """Return the slope at the end: of the bends found, or of a line over the whole series asked about."""
    bends = [(k, c) for k, c in enumerate(changes) if c.kind == "bend"]
    if len(bends) == 1:
        change = bends[0][1]
        return Slope(change.size, change.low, change.high, change.p)
    if bends:
        # The slopes of several bends add up; the last one's error stands for the sum's.
        change = bends[-1][1]
        total = sum(c.size for _, c in bends)
        return Slope(total, total + change.low - change.size, total + change.high - change.size, change.p)
    answer = ask(base, base.white.whiten(base.white.t[:, None]), series.scales.slope)
    weight = np.exp(answer.log_evidence[:, 0] - special.logsumexp(answer.log_evidence[:, 0]))
    centre, scale, freedom = answer.coefficient[:, 0], answer.scale[:, 0], base.fit.freedom
    low, high = mixture_interval(centre, scale, weight, freedom, 0.95)
    below = float(mixture_below(0.0, centre, scale, weight, freedom))
    return Slope(float(weight @ centre), low, high, min(1.0, 2 * min(below, 1 - below)))


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
    kind, _ = found[which]
    others = found[:which] + found[which + 1 :]
    base = series.base(others, SCAN_POINTS, SCAN_TAU_STEP, SCAN_SHARES)
    t = base.white.t + _first_time(series, SCAN_POINTS)
    scan = _scan(base, t, kind, series.scales, others)
    by_place = scan.by_place
    low_at, high_at = _central(scan.at, by_place)
    weight = np.exp(scan.answers.log_evidence - special.logsumexp(scan.answers.log_evidence)).ravel()
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
    base = series.base(others, SCAN_POINTS, SCAN_TAU_STEP, SCAN_SHARES)
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
