"""One coefficient of a linear model, honest where two groups scatter differently and balls come in blocks.

The model is y = X b + block + e, var(e_i) = s_h^2 / w_i for the group h (0 or 1) of ball i, var(block) = s_b^2. The
estimate is least squares after whitening with the known ratio s_b^2 / s^2; the two scatters come from the residuals
within blocks by equating quadratic forms to their expectations (Rao 1970, JASA 65, 161-172: MINQUE), and the degrees of
freedom are Satterthwaite's. With no block and no other term this is Welch's test exactly (tested).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, log, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from tracker.analysis.statistics import NO_DIFFERENCE, Difference, estimate

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Balls:
    """The data of one model.

    y      (n,)    the measure
    x      (n, p)  terms, the one asked for in column 0; no constant and no block dummies
    group  (n,)    0 or 1: which scatter the ball has
    block  (n,)    block number, 0, 1, ...
    weight (n,)    relative precision of each ball, mean near 1
    """

    y: Floats
    x: Floats
    group: Ints
    block: Ints
    weight: Floats


def dummies(block: Ints) -> Floats:
    """One column a block (n, blocks): a constant for each."""
    columns: Floats = (block[:, None] == np.unique(block)[None, :]).astype(float)
    return columns


def separable(x: Floats, others: Floats) -> float:
    """The share of a term's variation that the other columns leave over: 0 cannot be told apart, 1 independent."""
    about, beside = x - x.mean(), others - others.mean(axis=0)
    basis = _basis(beside, others)
    rest = about - basis @ (basis.T @ about)
    return _share(rest, about)


def separable_blocks(x: Floats, block: Ints) -> float:
    """The same for the blocks' constants: the share of a term's variation that lies within blocks."""
    place = np.unique(block, return_inverse=True)[1]
    means = np.bincount(place, weights=x) / np.bincount(place)
    return _share(x - means[place], x - x.mean())


def _share(rest: Floats, about: Floats) -> float:
    total = float(about @ about)
    return float(rest @ rest) / total if total > 0 else 0.0


class _Blocks:
    """The blocks' weighted constants, without a column for each: any number of blocks stays cheap."""

    def __init__(self, balls: Balls) -> None:
        place = np.unique(balls.block, return_inverse=True)[1]
        self.place: Ints = place.astype(np.int64)
        self.root: Floats = np.sqrt(balls.weight)
        self.size: Floats = np.bincount(self.place, weights=balls.weight).astype(float)  # sum of weights, by block

    def sums(self, columns: Floats) -> Floats:
        """Weighted sums (blocks, p) of columns (n, p) that carry the root weights."""
        found = np.zeros((len(self.size), columns.shape[1]))
        np.add.at(found, self.place, self.root[:, None] * columns)
        return found

    def without(self, columns: Floats) -> Floats:
        """The columns (n, p) with the blocks' constants taken out."""
        left: Floats = columns - self.root[:, None] * (self.sums(columns) / self.size[:, None])[self.place]
        return left

    def shrunk(self, columns: Floats, ratio: float) -> Floats:
        """(I + ratio z z')^(-1/2) applied to the columns, z the root weights of each block."""
        factor = (1 - 1 / np.sqrt(1 + ratio * self.size)) / self.size
        turned: Floats = columns - self.root[:, None] * (self.sums(columns) * factor[:, None])[self.place]
        return turned


def fixed_blocks(balls: Balls) -> tuple[Difference, Floats]:
    """The first coefficient with a constant for each block, and the weight (n,) of each ball in it."""
    blocks = _Blocks(balls)
    x = blocks.root[:, None] * balls.x
    left = _left_over(blocks.without(x), x)
    if left is None:
        return NO_DIFFERENCE, np.full(len(x), nan)
    return _found(balls, blocks, blocks.root * left)


def random_blocks(balls: Balls, fixed: Floats, block_var: float, ball_var: float) -> tuple[Difference, Floats]:
    """The first coefficient with blocks that scatter with variance `block_var`; `fixed` (n, q) are constants."""
    blocks, ratio = _Blocks(balls), block_var / ball_var
    x = blocks.root[:, None] * np.column_stack([balls.x, fixed])
    white = blocks.shrunk(x, ratio)
    left = _left_over(white, white)
    if left is None:
        return NO_DIFFERENCE, np.full(len(x), nan)
    share = blocks.root * blocks.shrunk(left[:, None], ratio)[:, 0]  # the whitener is symmetric
    shift = float(np.sum(np.bincount(blocks.place, weights=share) ** 2))
    levels = len(blocks.size)
    free = max(1, levels - int(np.linalg.matrix_rank(blocks.sums(x) / blocks.size[:, None])))
    between = shift * block_var, shift**2 * 2 * (block_var + ball_var * levels / len(x)) ** 2 / free
    return _found(balls, blocks, share, between)


def spell_scatter(balls: Balls, fixed: Floats) -> tuple[float, float]:
    """Variances between blocks and between balls, by restricted maximum likelihood.

    With one random constant a block the likelihood has one free number, the ratio of the two variances; the rest
    follows in closed form (Harville 1977, JASA 72, 320-338). Agrees with statsmodels' MixedLM (tested).
    """
    blocks = _Blocks(balls)
    x = blocks.root[:, None] * np.column_stack([balls.x, fixed])
    q = _basis(x, x)
    table = np.column_stack([q, blocks.root * (balls.y - balls.y.mean())])
    size, sums = blocks.size, blocks.sums(table)
    products, df = table.T @ table, len(x) - q.shape[1]
    if df < 1:
        return 0.0, nan

    def fit(ratio: float) -> tuple[float, float]:
        """Minus twice the restricted log likelihood, less a constant, and the residual sum of squares."""
        inner = products - sums.T @ (sums * (ratio / (1 + ratio * size))[:, None])
        rest = float(inner[-1, -1] - inner[:-1, -1] @ np.linalg.solve(inner[:-1, :-1], inner[:-1, -1]))
        sign, logdet = np.linalg.slogdet(inner[:-1, :-1])
        if sign <= 0 or rest <= 0:
            return inf, rest
        return df * log(rest) + float(np.log1p(ratio * size).sum()) + float(logdet), rest

    ratio = _lowest(lambda r: fit(r)[0])
    within = fit(ratio)[1] / df
    return ratio * within, within


def _lowest(height: Callable[[float], float], low: float = -14.0, high: float = 8.0) -> float:
    """Where a function of a ratio of variances is lowest, zero included: a grid on its logarithm, refined."""
    best, span, middle = 0.0, (high - low) / 2, (high + low) / 2
    for _ in range(6):
        grid = np.exp(np.linspace(middle - span, middle + span, 41))
        best = float(grid[int(np.argmin([height(r) for r in grid]))])
        middle, span = log(best), span / 10
    return best if height(best) < height(0.0) else 0.0


def _left_over(x: Floats, before: Floats) -> Floats | None:
    """Each row's weight in the first coefficient: what the other columns leave of the first, over its square.

    None where nothing is left of it, measured by its length `before` other things were taken out.
    """
    basis = _basis(x[:, 1:], before[:, 1:])
    rest = x[:, 0] - basis @ (basis.T @ x[:, 0])
    size = float(rest @ rest)
    if size < 1e-10 * float(before[:, 0] @ before[:, 0]):
        return None
    left: Floats = rest / size
    return left


def _basis(x: Floats, before: Floats) -> Floats:
    """An orthonormal basis (n, rank) of the columns, lengths judged by what they were `before`."""
    if not x.shape[1]:
        return x
    length = np.maximum(np.linalg.norm(before, axis=0), 1e-300)
    u, s, _ = np.linalg.svd(x / length, full_matrices=False)
    kept: Floats = u[:, s > 1e-7]
    return kept


def _found(
    balls: Balls, blocks: _Blocks, share: Floats, between: tuple[float, float] = (0.0, 0.0)
) -> tuple[Difference, Floats]:
    """The estimate with its interval; `between` holds the blocks' part of its variance and the doubt of that."""
    scatter, spread = _scatters(balls, blocks)
    load = np.array([np.sum((share**2 / balls.weight)[balls.group == h]) for h in (0, 1)])
    variance, doubt = float(load @ scatter) + between[0], float(load @ spread @ load) + between[1]
    if not (variance > 0 and doubt > 0):
        return NO_DIFFERENCE, share
    return estimate(float(share @ balls.y), sqrt(variance), 2 * variance**2 / doubt), share


@dataclass(frozen=True, eq=False)
class _Arrow:
    """A symmetric matrix [[diag(level), edge], [edge', core]]: what blocks and p terms make of any product Q'Q.

    level (b,), edge (b, p), core (p, p).
    """

    level: Floats
    edge: Floats
    core: Floats

    def plus(self, other: "_Arrow", mine: float, its: float) -> "_Arrow":
        """Mine times this one plus its times the other."""
        parts = ((a * mine + b * its) for a, b in zip(self.parts, other.parts, strict=True))
        return _Arrow(*parts)

    @property
    def parts(self) -> tuple[Floats, Floats, Floats]:
        """Level, edge, core."""
        return self.level, self.edge, self.core

    def dot(self, other: "_Arrow") -> float:
        """The sum of products of elements, the trace of the product."""
        return float(self.level @ other.level + 2 * np.sum(self.edge * other.edge) + np.sum(self.core * other.core))

    @property
    def trace(self) -> float:
        """Sum of the diagonal."""
        return float(self.level.sum() + np.trace(self.core))


def _trace_of_four(g: _Arrow, k: _Arrow, h: _Arrow) -> float:
    """The trace of g k g h; each product g k is a diagonal plus a matrix of rank p above, and p rows below."""

    def product(b: _Arrow) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        right, below = g.level[:, None] * b.edge + g.edge @ b.core, g.edge * b.level[:, None] + b.edge @ g.core
        return g.level * b.level, b.edge, right, below, g.edge.T @ b.edge + g.core @ b.core

    level_1, edge_1, right_1, below_1, core_1 = product(k)
    level_2, edge_2, right_2, below_2, core_2 = product(h)
    above = level_1 @ level_2 + level_1 @ np.sum(g.edge * edge_2, axis=1) + level_2 @ np.sum(g.edge * edge_1, axis=1)
    above += np.sum((edge_1.T @ g.edge) * (edge_2.T @ g.edge).T)
    return float(above + np.sum(right_1 * below_2) + np.sum(below_1 * right_2) + np.sum(core_1 * core_2.T))


def _scatters(balls: Balls, blocks: _Blocks) -> tuple[Floats, Floats]:
    """The two groups' variances (2,) and the covariance (2, 2) of these estimates, from residuals within blocks."""
    x, y = blocks.root[:, None] * balls.x, blocks.root * balls.y
    q = _basis(blocks.without(x), x)
    rest = blocks.without(y[:, None])[:, 0]
    rest -= q @ (q.T @ rest)
    free = len(y) - q.shape[1] - len(blocks.size)
    if free < 1:
        return np.full(2, nan), np.full((2, 2), nan)
    inner, sums, count = [], np.zeros(2), np.zeros(2)
    for h in (0, 1):
        of = balls.group == h
        level = np.bincount(blocks.place, weights=balls.weight * of) / blocks.size
        edge = blocks.sums(q * of[:, None]) / np.sqrt(blocks.size)[:, None]
        inner.append(_Arrow(level, edge, q[of].T @ q[of]))
        sums[h], count[h] = float(rest[of] @ rest[of]), of.sum()
    # E[sum of squares in h] = sum over k of a[h, k] s_k^2, a[h, k] = sum of squared elements of M = I - Q Q' in h, k
    a = np.array([[inner[h].dot(inner[k]) for k in (0, 1)] for h in (0, 1)])
    a += np.diag([count[h] - 2 * inner[h].trace for h in (0, 1)])
    if np.linalg.cond(a) < 1e8:
        scatter = np.linalg.solve(a, sums)
        if (scatter > 0).all():
            back = np.linalg.inv(a)
            return scatter, back @ _sum_of_squares_cov(scatter, inner, count) @ back.T
    common = float(sums.sum()) / free  # too few balls to tell the scatters apart
    return np.full(2, common), np.full((2, 2), 2 * common**2 / free)


def _sum_of_squares_cov(scatter: Floats, inner: list[_Arrow], count: Floats) -> Floats:
    """Covariance of the two sums of squared residuals: 2 tr(E_h MDM E_k MDM), normal balls."""
    size, terms = inner[0].edge.shape
    identity = _Arrow(np.ones(size), np.zeros((size, terms)), np.eye(terms))
    middle = inner[0].plus(inner[1], scatter[0], scatter[1])
    cov = np.empty((2, 2))
    for h in (0, 1):
        for k in (0, 1):
            g = middle.plus(identity, 1.0, -(scatter[h] + scatter[k]))
            cov[h, k] = 2 * _trace_of_four(g, inner[k], inner[h])
            if h == k:
                cov[h, k] += 2 * (count[h] * scatter[h] ** 2 + 2 * scatter[h] * g.dot(inner[h]))
    return cov
