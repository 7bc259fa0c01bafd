"""One coefficient of a linear model, honest where two groups scatter differently and balls come in blocks.

The model is y = X b + block + e, var(e_i) = s_h^2 / w_i for the group h (0 or 1) of ball i, var(block) = s_b^2. The
estimate is least squares after whitening with the known ratio s_b^2 / s^2; the two scatters come from the residuals
within blocks by equating quadratic forms to their expectations (Rao 1970, JASA 65, 161-172: MINQUE), and the degrees of
freedom are Satterthwaite's. With no block and no other term this is Welch's test exactly (tested).
"""

from dataclasses import dataclass
from math import nan, sqrt

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
    about = x - x.mean()
    total = float(about @ about)
    if total == 0:
        return 0.0
    full = np.column_stack([np.ones(len(x)), others])
    rest = x - full @ np.linalg.lstsq(full, x, rcond=None)[0]
    return max(0.0, float(rest @ rest) / total)


def fixed_blocks(balls: Balls) -> tuple[Difference, Floats]:
    """The first coefficient with a constant for each block, and the weight (n,) of each ball in it."""
    return _solve(balls, np.column_stack([balls.x, dummies(balls.block)]), 0.0, 0.0)


def random_blocks(balls: Balls, fixed: Floats, block_var: float, ball_var: float) -> tuple[Difference, Floats]:
    """The first coefficient with blocks that scatter with variance `block_var`; `fixed` (n, q) are constants."""
    return _solve(balls, np.column_stack([balls.x, fixed]), block_var, ball_var)


def _solve(balls: Balls, x: Floats, block_var: float, ball_var: float) -> tuple[Difference, Floats]:
    root = np.sqrt(balls.weight)
    turn = _Whitener(root, balls.block, block_var / ball_var if block_var > 0 else 0.0)
    white = turn(root[:, None] * x)
    if np.linalg.matrix_rank(np.delete(white, 0, axis=1)) == np.linalg.matrix_rank(white):
        return NO_DIFFERENCE, np.full(len(root), nan)  # the term cannot be told from the others
    share = root * turn(np.linalg.pinv(white)[0][:, None])[:, 0]  # the whitener is symmetric
    within = np.column_stack([balls.x, dummies(balls.block)]) * root[:, None]
    scatter, spread = _scatters(root * balls.y, within, balls.group)
    load = np.array([np.sum((share**2 / balls.weight)[balls.group == h]) for h in (0, 1)])
    variance, doubt = float(load @ scatter), float(load @ spread @ load)
    if block_var > 0:
        names = np.unique(balls.block)
        shift = sum(float(share[balls.block == b].sum()) ** 2 for b in names)
        free = max(1, len(names) - np.linalg.matrix_rank(_block_means(x, balls.block)))
        size = len(root) / len(names)
        variance += shift * block_var
        doubt += shift**2 * 2 * (block_var + ball_var / size) ** 2 / free
    if not (variance > 0 and doubt > 0):
        return NO_DIFFERENCE, share
    return estimate(float(share @ balls.y), sqrt(variance), 2 * variance**2 / doubt), share


def _block_means(x: Floats, block: Ints) -> Floats:
    means: Floats = np.array([x[block == b].mean(axis=0) for b in np.unique(block)])
    return means


class _Whitener:
    """Applies (I + ratio z z')^(-1/2) block by block, z the root weights: constant blocks stay cheap for any n."""

    def __init__(self, root: Floats, block: Ints, ratio: float) -> None:
        self.parts = [np.flatnonzero(block == b) for b in np.unique(block)] if ratio > 0 else []
        self.root, self.ratio = root, ratio

    def __call__(self, columns: Floats) -> Floats:
        out = columns.copy()
        for part in self.parts:
            z = self.root[part]
            size = float(z @ z)
            out[part] -= np.outer(z, z @ columns[part]) * (1 - 1 / sqrt(1 + self.ratio * size)) / size
        return out


def _scatters(y: Floats, x: Floats, group: Ints) -> tuple[Floats, Floats]:
    """The two groups' variances (2,) and the covariance (2, 2) of these estimates."""
    u, s, _ = np.linalg.svd(x, full_matrices=False)
    q = u[:, s > s[0] * 1e-10]
    rest = y - q @ (q.T @ y)
    inner = [q[group == h].T @ q[group == h] for h in (0, 1)]
    count = [int(np.sum(group == h)) for h in (0, 1)]
    sums = np.array([float(rest[group == h] @ rest[group == h]) for h in (0, 1)])
    free = len(y) - q.shape[1]
    if free < 1:
        return np.full(2, nan), np.full((2, 2), nan)
    # E[sum of squares in h] = sum over k of a[h, k] s_k^2, a[h, k] = sum of squared elements of I - Q Q'
    a = np.array([[float(np.sum(inner[h] * inner[k])) for k in (0, 1)] for h in (0, 1)])
    a += np.diag([count[h] - 2 * float(np.trace(inner[h])) for h in (0, 1)])
    if np.linalg.cond(a) < 1e8:
        scatter = np.linalg.solve(a, sums)
        if (scatter > 0).all():
            back = np.linalg.inv(a)
            return scatter, back @ _sum_of_squares_cov(scatter, q, inner, count) @ back.T
    common = float(sums.sum()) / free  # too few balls to tell the scatters apart
    return np.full(2, common), np.full((2, 2), 2 * common**2 / free)


def _sum_of_squares_cov(scatter: Floats, q: Floats, inner: list[Floats], count: list[int]) -> Floats:
    """Covariance of the two sums of squared residuals: 2 tr(E_h MDM E_k MDM) with M = I - Q Q', normal balls."""
    middle = scatter[0] * inner[0] + scatter[1] * inner[1]
    cov = np.empty((2, 2))
    for h in (0, 1):
        for k in (0, 1):
            g = middle - (scatter[h] + scatter[k]) * np.eye(q.shape[1])
            cov[h, k] = 2 * float(np.trace(g @ inner[k] @ g.T @ inner[h]))
            if h == k:
                cov[h, k] += 2 * (count[h] * scatter[h] ** 2 + 2 * scatter[h] * float(np.trace(g @ inner[h])))
    return cov
