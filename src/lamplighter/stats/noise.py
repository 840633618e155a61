"""Regression when the noise has a memory: generalised least squares averaged over how long it lasts.

The noise is a slow part that forgets exponentially (time constant tau, share r of the variance)
on top of a part without memory (share 1 - r). Neither tau nor r is known: every answer is an
average over a grid of both, weighted by how well each explains the data (marginal likelihood).
So an interval is wide where a slow wander cannot be told from a trend, and no wider.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy import special

from lamplighter.stats.order import quantile

MOST_POINTS = 220
"""Points beyond which neighbours are averaged; the cost grows with the square."""
SLOW_SHARES = (0.0, 0.3, 0.6, 0.85, 0.96, 0.99, 0.9999)
TAU_STEP = 2.0
LONGEST_TAU = 0.5
"""Longest memory on the grid, as a share of the span; a longer one acts alike within the span."""
MEMORY_PRIOR = 0.5
"""Prior weight of a memory falls with this power of it: most weather is forgotten within days."""
FINE, MOST_STEPS = 1e-9, 60
"""Share of the first reach to which a quantile is closed in on, and most steps to get there."""
BLOCK = 16
"""Points that are whitened together by one product; from block to block it goes on one by one."""
KNOTS = 3
BEND_EVERY = 3
"""Changes of slope are looked for at every so many points: their place is never known closely."""
LEAST_FOR_KNOTS = 40
FLAT = 1e-9
"""Size below which a column tells nothing that the others do not."""
LEAST_SQUARES = 1e-24
"""Sum of squares below which nothing is left but rounding."""


@dataclass(frozen=True)
class Whitener:
    """Transforms that turn correlated noise into white, one for each point of the grid.

    Attributes
    ----------
    tau, share : ndarray, shape (g,)
        Memory [unit of t] and share of the slow part.
    t : ndarray, shape (n,)
        Times of the points, from the first on.
    inner : ndarray, shape (b, g, BLOCK, BLOCK)
        Transform of the points of one block by themselves; the last block is filled up.
    seen : ndarray, shape (b, g, BLOCK)
        What the whitened points of a block lose for each unit foreseen of its first one.
    ahead : ndarray, shape (b, g, BLOCK)
        What each point of a block adds to what is foreseen of the next block's first one.
    carried : ndarray, shape (b, g)
        Share of what was foreseen of a block's first point that is foreseen of the next one's.
    log_det : ndarray, shape (g,)
        Logarithm of the determinant of the correlation matrix R.
    """

    tau: np.ndarray
    share: np.ndarray
    t: np.ndarray
    inner: np.ndarray
    seen: np.ndarray
    ahead: np.ndarray
    carried: np.ndarray
    log_det: np.ndarray

    def whiten(self, columns: np.ndarray) -> np.ndarray:
        """Return L @ columns, shape (g, n, k), with L lower triangular and L @ R @ L.T the identity.

        Parameters
        ----------
        columns : ndarray, shape (n, k)
        """
        blocks, grid, size = self.seen.shape
        n, k = columns.shape
        parts = np.zeros((blocks, size, k))
        parts.reshape(blocks * size, k)[:n] = columns
        white = np.matmul(self.inner, parts[:, None])
        added = np.matmul(self.ahead, parts)
        # Only from block to block the points follow each other one by one.
        foreseen = np.zeros((blocks, grid, k))
        for at in range(blocks - 1):
            np.multiply(self.carried[at][:, None], foreseen[at], out=foreseen[at + 1])
            foreseen[at + 1] += added[at]
        white += self.seen[..., None] * foreseen[:, :, None, :]
        return np.ascontiguousarray(white.transpose(1, 0, 2, 3)).reshape(grid, blocks * size, k)[:, :n]

    @cached_property
    def steps(self) -> Asked:
        """Columns that are 1 from point k on, k = n."""
        return Asked(self.whiten(steps_from(self.t, np.arange(len(self.t)))))

    @cached_property
    def bends(self) -> Asked:
        """Columns that rise by one per unit of t from each :data:`BEND_EVERY`-th point on."""
        return Asked(self.whiten(bends_from(self.t, np.arange(0, len(self.t), BEND_EVERY))))

    @cached_property
    def line(self) -> Asked:
        """The time itself as the one column."""
        return Asked(self.whiten(self.t[:, None]))

    @cached_property
    def bending(self) -> np.ndarray:
        """Slopes and steps that begin at a few evenly placed points, whitened, shape (g, n, k).

        A change not yet in the regression must not pass for noise when priors are scaled by it.
        """
        n = len(self.t)
        places = np.linspace(0, n, KNOTS + 2)[1:-1].astype(np.int64) if n >= LEAST_FOR_KNOTS else np.zeros(0, np.int64)
        return self.whiten(np.concatenate([bends_from(self.t, places), steps_from(self.t, places)], axis=1))


@dataclass(frozen=True)
class Asked:
    """Candidate columns, whitened once for all the regressions that they are added to, shape (g, n, k)."""

    white: np.ndarray

    @cached_property
    def squares(self) -> np.ndarray:
        """Sum of squares of each, shape (g, k)."""
        return np.einsum("gnk,gnk->gk", self.white, self.white)

    def only(self, some: np.ndarray) -> Asked:
        """Return some of the candidates, a mask or places of shape (k,)."""
        return Asked(self.white[:, :, some])


def steps_from(t: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return columns that are 1 from some points on, shape (n, k)."""
    return (np.arange(len(t))[:, None] >= places).astype(float)


def bends_from(t: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return columns that rise by one per unit of t from some points on, shape (n, k)."""
    return np.maximum(t[:, None] - t[places], 0.0)


@dataclass(frozen=True)
class Fit:
    """A regression at every point of the noise grid, and how much each point counts.

    Attributes
    ----------
    weight : ndarray, shape (g,)
        Posterior weight, sums to 1.
    log_evidence : ndarray, shape (g,)
        Logarithm of the marginal likelihood, comparable between models of the same data when
        both differ only in columns that have priors.
    coefficient, scale : ndarray, shape (g, p)
        Estimate and its standard error.
    freedom : float
        Degrees of freedom of the t-distribution.
    """

    weight: np.ndarray
    log_evidence: np.ndarray
    coefficient: np.ndarray
    scale: np.ndarray
    freedom: float

    def mean(self, column: int) -> float:
        """Return the averaged estimate of one coefficient."""
        return float(self.weight @ self.coefficient[:, column])

    def spread(self, column: int) -> float:
        """Return the averaged standard error of one coefficient, the disagreement over the grid included."""
        centre = self.mean(column)
        return math.sqrt(
            float(self.weight @ (self.scale[:, column] ** 2 + (self.coefficient[:, column] - centre) ** 2))
        )

    def interval(self, column: int, confidence: float = 0.95) -> tuple[float, float]:
        """Return the two-sided interval of one coefficient, from the mixture of t-distributions."""
        c, s = self.coefficient[:, column], self.scale[:, column]
        return mixture_interval(c, s, self.weight, self.freedom, confidence)

    def p(self, column: int) -> float:
        """Return the two-sided p-value that one coefficient is zero."""
        c, s = self.coefficient[:, column], self.scale[:, column]
        below = float(mixture_below(0.0, c, s, self.weight, self.freedom))
        return float(np.minimum(1.0, 2 * np.minimum(below, 1 - below)))  # NaN stays NaN


def mixture_below(
    x: float | np.ndarray, centre: np.ndarray, scale: np.ndarray, weight: np.ndarray, freedom: float
) -> np.ndarray:
    """Probability below x of a weighted mixture of t-distributions, shape of x."""
    off = np.asarray(x, dtype=float)[..., None] - centre
    z = np.divide(off, scale, out=np.where(off > 0, np.inf, -np.inf), where=scale > 0)
    return np.clip(special.stdtr(freedom, z) @ weight, 0.0, 1.0)


def mixture_interval(
    centre: np.ndarray, scale: np.ndarray, weight: np.ndarray, freedom: float, confidence: float
) -> tuple[float, float]:
    """Two-sided interval of a weighted mixture of t-distributions, by Newton's steps kept between known ends."""
    tail = (1 - confidence) / 2
    reach = -special.stdtrit(freedom, tail)
    some = weight > tail * 1e-3 / len(weight)
    centre, scale, weight = centre[some], scale[some], weight[some] / weight[some].sum()
    share = np.array([tail, 1 - tail])
    low = np.full(2, (centre - reach * scale).min())
    high = np.full(2, (centre + reach * scale).max())
    fine = FINE * float((high - low)[0])
    x = np.array([weight @ (centre - reach * scale), weight @ (centre + reach * scale)])
    last = high - low
    for _ in range(MOST_STEPS):
        off = mixture_below(x, centre, scale, weight, freedom) - share
        low, high = np.where(off < 0, x, low), np.where(off < 0, high, x)
        ahead = x - off / np.maximum(mixture_density(x, centre, scale, weight, freedom), 1e-300)
        # Newton's step where it stays between the ends known so far and shrinks, else their middle.
        good = (ahead >= low) & (ahead <= high) & (np.abs(ahead - x) <= 0.5 * last)
        ahead = np.where(good, ahead, 0.5 * (low + high))
        # One that is found stays: rounding would else send it back to the middle while the other goes on.
        ahead = np.where(last <= fine, x, ahead)
        last, x = np.abs(ahead - x), ahead
        if last.max() <= fine:
            break
    return float(x[0]), float(x[1])


def mixture_density(
    x: np.ndarray, centre: np.ndarray, scale: np.ndarray, weight: np.ndarray, freedom: float
) -> np.ndarray:
    """Density at x of a weighted mixture of t-distributions, shape of x; parts without a scale have none."""
    z = np.divide(x[..., None] - centre, scale, out=np.full((*x.shape, len(centre)), np.inf), where=scale > 0)
    norm = math.exp(math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2)) / math.sqrt(freedom * math.pi)
    height = np.divide(weight, scale, out=np.zeros(len(scale)), where=scale > 0)
    return norm * ((1 + z * z / freedom) ** (-(freedom + 1) / 2) @ height)


def tau_grid(t: np.ndarray, step: float = TAU_STEP) -> np.ndarray:
    """Memories to consider [unit of t]: from half the usual spacing to a share of the span, in equal ratios."""
    spacing = quantile(np.diff(t), 0.5) if len(t) > 1 else 1.0
    spacing = spacing if spacing > 0 else max(float(t[-1] - t[0]) / max(len(t) - 1, 1), 1e-12)
    longest = max(LONGEST_TAU * float(t[-1] - t[0]), spacing)
    count = 1 + math.ceil(math.log(longest / (0.5 * spacing), step))
    return np.geomspace(0.5 * spacing, longest, max(count, 2))


def whitener(
    t: np.ndarray,
    weight: np.ndarray | None = None,
    taus: np.ndarray | None = None,
    shares: tuple[float, ...] = SLOW_SHARES,
) -> Whitener:
    """Return transforms for points at times t over the grid of memories and slow shares.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Times in order; may repeat.
    weight : ndarray, shape (n,), optional
        How many values stand behind each point: divides the variance of the part without memory.
    taus : ndarray, optional
        Memories to consider; :func:`tau_grid` when left out.
    shares : tuple of float
        Slow shares to consider.
    """
    t = np.ascontiguousarray(t, dtype=float)
    weight = np.ones(len(t)) if weight is None else np.ascontiguousarray(weight, dtype=float)
    taus = tau_grid(t) if taus is None else np.ascontiguousarray(taus, dtype=float)
    # Times from the first point on: nodes of one fleet then share the transforms.
    return _whitener((t - t[0]).tobytes(), weight.tobytes(), taus.tobytes(), shares)


@lru_cache(maxsize=8)
def _whitener(t_bytes: bytes, weight_bytes: bytes, tau_bytes: bytes, shares: tuple[float, ...]) -> Whitener:
    t, weight, taus = (np.frombuffer(b) for b in (t_bytes, weight_bytes, tau_bytes))
    tau, share = (a.ravel() for a in np.meshgrid(taus, np.array(shares), indexing="ij"))
    once = (share > 0) | (tau == taus[0])  # without a slow part its memory does not matter
    tau, share = tau[once], share[once]
    # The Kalman filter of the slow part: how surely each point is foreseen from those before it.
    memory = np.exp(-np.diff(t)[:, None] / tau)
    noise = (1 - share) / weight[:, None]
    shrunk, renewed = memory**2 * noise[:-1], share * (1 - memory**2)
    variance = np.empty_like(noise)
    variance[0] = share
    for k in range(len(t) - 1):
        variance[k + 1] = variance[k] / (variance[k] + noise[k]) * shrunk[k] + renewed[k]
    total = variance + noise
    # What is foreseen of the next point: a share of what was foreseen of this one, and of what it was.
    take = memory * (variance / total)[:-1]
    keep = memory * (noise / total)[:-1]
    made = _in_blocks(keep, take, 1 / np.sqrt(total))
    log_det = np.log(total).sum(0)
    for a in (tau, share, *made, log_det):
        a.setflags(write=False)
    return Whitener(tau, share, t, *made, log_det)


def _in_blocks(
    keep: np.ndarray, take: np.ndarray, precision: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the transform by blocks: see :class:`Whitener` for what comes back."""
    n, grid = precision.shape
    blocks = -(-n // BLOCK)

    def part(rows: np.ndarray) -> np.ndarray:
        filled = np.zeros((blocks * BLOCK, grid))
        filled[: len(rows)] = rows
        return filled.reshape(blocks, BLOCK, grid).transpose(0, 2, 1)

    keep, take, precision = part(keep), part(take), part(precision)
    of_first = np.ones((blocks, grid))
    of_points = np.zeros((blocks, grid, BLOCK))
    inner, seen = np.zeros((blocks, grid, BLOCK, BLOCK)), np.zeros((blocks, grid, BLOCK))
    for j in range(BLOCK):
        seen[:, :, j] = -precision[:, :, j] * of_first
        inner[:, :, j] = -precision[:, :, j, None] * of_points
        inner[:, :, j, j] = precision[:, :, j]
        of_points *= keep[:, :, j, None]
        of_points[:, :, j] = take[:, :, j]
        of_first = of_first * keep[:, :, j]
    return inner, seen, of_points, of_first


@dataclass(frozen=True)
class Base:
    """A regression ready to be asked about further columns; arrays over the grid of noise models.

    Attributes
    ----------
    q : ndarray, shape (g, n + p, p)
        Orthonormal basis of the whitened columns and their priors.
    rest : ndarray, shape (g, n + p)
        What the columns leave of the whitened values.
    squares : ndarray, shape (g,)
        Sum of squares of ``rest``.
    wander : float
        See :func:`prepare`.
    root : ndarray, shape (g, p, p)
        Root of the covariance of the coefficients: root @ root.T.
    fit : Fit
    """

    white: Whitener
    q: np.ndarray
    rest: np.ndarray
    squares: np.ndarray
    wander: float
    root: np.ndarray
    fit: Fit

    def spread_of(self, row: np.ndarray) -> float:
        """Return the averaged standard error of a sum of coefficients, each times an entry of a row, shape (p,)."""
        centre = self.fit.coefficient @ row
        error = np.linalg.norm(np.einsum("p,gpq->gq", row, self.root), axis=1)
        weight = self.fit.weight
        return math.sqrt(float(weight @ (error**2 + (centre - weight @ centre) ** 2)))


def regress(white: Whitener, y: np.ndarray, columns: np.ndarray, prior: np.ndarray | None = None) -> Fit:
    """Fit y by columns at every point of the noise grid.

    Parameters
    ----------
    white : Whitener
    y : ndarray, shape (n,)
    columns : ndarray, shape (n, p)
        The first is usually constant.
    prior : ndarray, shape (p,), optional
        Standard deviation expected of each coefficient; infinite (the default) for no expectation.

    Returns
    -------
    Fit

    Raises
    ------
    ValueError
        With fewer than two points more than free columns.
    """
    posed, p = _pose(white, y, columns, prior), columns.shape[1]
    r = _triangle(posed.x, posed.z)
    return _solved(white, posed, r[:, :p, :p], r[:, :p, p], np.maximum(r[:, p, p] ** 2, LEAST_SQUARES), math.inf)[0]


def prepare(
    white: Whitener,
    y: np.ndarray,
    columns: np.ndarray,
    prior: np.ndarray | None = None,
    wander: float = math.inf,
) -> Base:
    """Fit as :func:`regress` and keep what :func:`ask` needs.

    ``wander`` is the usual standard deviation of the slow part of the noise, in units of y: noise models
    that would need a much greater one lose weight (a half-normal prior).
    """
    posed = _pose(white, y, columns, prior)
    q, r = np.linalg.qr(posed.x)
    qz = np.matmul(posed.z[:, None], q)[:, 0]
    rest = posed.z - np.matmul(q, qz[:, :, None])[:, :, 0]
    squares = np.maximum(np.einsum("gn,gn->g", rest, rest), LEAST_SQUARES)
    fit, root = _solved(white, posed, r, qz, squares, wander)
    return Base(white, q, rest * posed.unit, squares * posed.unit**2, wander, root, fit)


@dataclass(frozen=True)
class _Posed:
    """A regression to be solved: whitened columns over their priors, and whitened values over zeros.

    x : ndarray, shape (g, n + p, p); z : ndarray, shape (g, n + p);
    pull : ndarray, shape (g, p), what holds each coefficient to zero;
    size, unit : what the columns, shape (p,), and the values were divided by; freedom : degrees of freedom.
    """

    x: np.ndarray
    z: np.ndarray
    pull: np.ndarray
    size: np.ndarray
    unit: float
    freedom: float


def _pose(white: Whitener, y: np.ndarray, columns: np.ndarray, prior: np.ndarray | None) -> _Posed:
    n, p = columns.shape
    expected = np.full(p, np.inf) if prior is None else np.asarray(prior, dtype=float)
    free = int(np.sum(np.isinf(expected)))
    if n < free + 2:
        raise ValueError(f"{n} points are too few for {free} free coefficients")
    size = np.sqrt(np.mean(columns**2, axis=0))
    size[size == 0] = 1.0
    unit = float(np.std(y)) or 1.0
    told = white.whiten(np.column_stack([columns / size, y / unit]))
    x, z = told[:, :, :p], told[:, :, -1]
    if free == p:
        pull = np.zeros((len(z), p))
    else:
        pull = _noise_sd(x, white.bending, z)[:, None] * unit / (expected * size)
    x = np.concatenate([x, pull[:, :, None] * np.eye(p)], axis=1)
    z = np.concatenate([z, np.zeros((len(z), p))], axis=1)
    return _Posed(x, z, pull, size, unit, float(n - free))


def _solved(
    white: Whitener, posed: _Posed, r: np.ndarray, qz: np.ndarray, squares: np.ndarray, wander: float
) -> tuple[Fit, np.ndarray]:
    """Return a regression from its triangle, and the root of the covariance of its coefficients."""
    pull, freedom, unit = posed.pull, posed.freedom, posed.unit
    flat = np.abs(np.einsum("gpp->gp", r))
    inverse = np.linalg.inv(r + np.where(flat < FLAT, 1.0, 0.0)[:, :, None] * np.eye(r.shape[2]))
    evidence = -0.5 * (white.log_det + freedom * np.log(squares)) - np.log(np.maximum(flat, FLAT)).sum(1)
    evidence += np.where(pull > 0, np.log(np.maximum(pull, 1e-300)), 0.0).sum(1) - MEMORY_PRIOR * np.log(white.tau)
    evidence -= 0.5 * white.share * squares / freedom * (unit / wander) ** 2
    root = np.sqrt(squares / freedom)[:, None, None] * inverse * (unit / posed.size)[:, None]
    coefficient = np.matmul(inverse, qz[:, :, None])[:, :, 0] * unit / posed.size
    scale = np.sqrt(np.einsum("gpq,gpq->gp", root, root))
    return Fit(_weights(evidence), evidence, coefficient, scale, freedom), root


def _triangle(x: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Return the triangle of columns with the values as the last one, shape (g, p + 1, p + 1).

    Its last column is what the orthonormal basis makes of the values, and what is left of them: that spares the basis.
    """
    return np.linalg.qr(np.concatenate([x, z[:, :, None]], axis=2), mode="r")


def _noise_sd(x: np.ndarray, knots: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Return the standard deviation of the noise at every point of the grid, from a fit without priors."""
    x = np.concatenate([x, knots], axis=2)
    n, p = x.shape[1:]
    r = _triangle(x, z)[:, :p]
    # A column that repeats others (a knot where a step was found) leaves a direction of mere rounding.
    tells = np.abs(np.einsum("gpp->gp", r[:, :, :p])) > FLAT
    qz = r[:, :, p] * tells
    rest = np.einsum("gn,gn->g", z, z) - np.einsum("gp,gp->g", qz, qz)
    return np.sqrt(np.maximum(rest, LEAST_SQUARES) / max(n - p, 1))


def _weights(log_evidence: np.ndarray) -> np.ndarray:
    weight = np.exp(log_evidence - log_evidence.max())
    return weight / weight.sum()


@dataclass(frozen=True)
class Answers:
    """What each of many candidate columns, added alone, would do; arrays of shape (g, k).

    Attributes
    ----------
    log_evidence : ndarray
        Comparable with the base's.
    coefficient, scale : ndarray
        Estimate and standard error.
    """

    log_evidence: np.ndarray
    coefficient: np.ndarray
    scale: np.ndarray

    def only(self, some: np.ndarray) -> Answers:
        """Return the answers of some candidates, a mask of shape (k,)."""
        return Answers(self.log_evidence[:, some], self.coefficient[:, some], self.scale[:, some])


def ask(base: Base, asked: Asked, expected: float) -> Answers:
    """Add each candidate column alone to a regression.

    Parameters
    ----------
    base : Base
    asked : Asked
        Candidates, whitened by the base's transforms.
    expected : float
        Standard deviation expected of each coefficient beforehand.
    """
    n, freedom = asked.white.shape[1], base.fit.freedom
    told = np.matmul(np.concatenate([base.q[:, :n], base.rest[:, :n, None]], axis=2).transpose(0, 2, 1), asked.white)
    inner, along = told[:, :-1], told[:, -1]
    # q spans the priors' rows too, but candidates have none there: the projection needs only the top.
    length = np.maximum(asked.squares - np.einsum("gpk,gpk->gk", inner, inner), 0.0)
    # The prior is scaled by the noise that is left with the candidate in, not by what it explains.
    bare = np.maximum(base.squares[:, None] - along**2 / np.maximum(length, FLAT), LEAST_SQUARES)
    pull = np.sqrt(bare / freedom) / expected
    total = length + pull**2
    left = np.maximum(base.squares[:, None] - along**2 / total, LEAST_SQUARES)
    evidence = base.fit.log_evidence[:, None] - 0.5 * freedom * np.log(left / base.squares[:, None])
    evidence += np.log(pull) - 0.5 * np.log(total)
    calmer = (base.squares[:, None] - left) / freedom / base.wander**2
    evidence += 0.5 * base.white.share[:, None] * calmer
    return Answers(evidence, along / total, np.sqrt(left / freedom / total))


def averaged(t: np.ndarray, values: np.ndarray, most: int = MOST_POINTS) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Average neighbours in equal stretches of time until no more than a number of points is left.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Times in order.
    values : ndarray, shape (n, ...)
        No NaN.

    Returns
    -------
    t, values, weight : ndarray
        Time and mean values of each stretch, and how much counts in it, 1 when at least half of its points are
        there: stretches that are nearly full are treated as full, so that nodes share their transforms.
    """
    if len(t) <= most:
        return t, values, np.ones(len(t))
    width = (t[-1] - t[0]) / most
    place = np.minimum(((t - t[0]) / width).astype(np.int64), most - 1)
    first = np.flatnonzero(np.diff(place, prepend=-1))
    count = np.diff(first, append=len(t)).astype(float)
    mean = (np.add.reduceat(np.ascontiguousarray(values.T), first, axis=-1) / count).T
    usual = quantile(count, 0.5)
    full = count >= 0.5 * usual
    at = np.where(full, t[0] + (place[first] + 0.5) * width, np.add.reduceat(t, first) / count)
    return at, mean, np.where(full, 1.0, count / usual)
