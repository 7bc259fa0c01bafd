"""Fitting and testing: robust least squares, and which sightings belong to the flight.

Least squares is Levenberg's and Marquardt's (Marquardt 1963, SIAM J. 11(2), from memory) with Huber's weights on the
length of a sighting's whitened residual (Huber 1964, Ann. Math. Stat. 35, from memory). Membership is judged by
innovations: sightings are taken one by one, outward from those already trusted, each compared with what the others
predict (recursive least squares, which is the Kalman filter of a constant state; equations F11 to F13).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tracker.flight.model import Prediction, Prior
from tracker.flight.physics import compiled
from tracker.records import Bools, Floats, Ints

CAP = 20.0  # chi-squared of one sighting beyond which it is no worse: a gross error says nothing about the flight
GATE = 18.4  # chi-squared, 2 degrees of freedom, exceeded by 1 in 10,000 (table)
LOST = 100.0  # cost of a used row that the parameters put out of the camera's sight


@dataclass(frozen=True, eq=False)
class Solution:
    """Where least squares came to rest.

    theta       (p,)
    prediction  there, of the fitted rows
    weight      (n,) Huber's weights
    normal      (p, p) information: the rows' and the priors'
    gradient    (p,) half of the cost's, downhill
    cost        Huber's, with the priors'
    """

    theta: Floats
    prediction: Prediction
    weight: Floats
    normal: Floats
    gradient: Floats
    cost: float


def inverse(normal: Floats, free: Bools) -> Floats:
    """Inverse of an information matrix over the free parameters, zero elsewhere, safe against scales."""
    pick = np.ix_(free, free)
    scale = 1 / np.sqrt(np.maximum(normal[pick].diagonal(), 1e-300))
    out = np.zeros_like(normal)
    out[pick] = np.linalg.inv(normal[pick] * np.outer(scale, scale)) * np.outer(scale, scale)
    return out


def least_squares(
    theta: Floats,
    look: Callable[[Floats], Prediction],
    prior: Prior,
    huber: float,
    most: int = 12,
    enough: float = 1e-3,
) -> Solution:
    """Minimise Huber's cost of the rows plus the priors'.

    Parameters
    ----------
    theta : (p,) start
    look : predicts the rows at given parameters
    huber : length of a whitened residual beyond which it counts linearly; inf: plain least squares
    most : iterations
    enough : stop when a step promises to lower the cost by less
    """
    here = _weigh(theta, look(theta), prior, huber)
    damping = 1e-4
    for _ in range(most):
        gradient = here.gradient
        scale = 1 / np.sqrt(np.maximum(here.normal.diagonal(), 1e-300))
        scale[~prior.free] = 0.0
        scaled = here.normal * np.outer(scale, scale) + np.diag(np.where(prior.free, damping, 1.0))
        step = scale * np.linalg.solve(scaled, scale * gradient)
        promised = float(step @ gradient)
        there = _weigh(here.theta + step, look(here.theta + step), prior, huber)
        if there.cost <= here.cost + 1e-9:
            here, damping = there, max(damping / 10, 1e-9)
            if promised < enough:
                break
        else:
            if promised < enough:
                break
            damping *= 30
    return here


def _weigh(theta: Floats, prediction: Prediction, prior: Prior, huber: float) -> Solution:
    """Cost, weights and information at one point."""
    r, slope = prediction.residual, prediction.slope
    lost = ~np.isfinite(r.sum(axis=1))
    if lost.any():
        r, slope = np.where(lost[:, None], 0.0, r), np.where(lost[:, None, None], 0.0, slope)
    length = np.maximum(np.sqrt((r**2).sum(axis=1)), 1e-300)
    near = np.minimum(length, huber)
    weight = np.where(lost, 0.0, near / length)
    cost = (near * (2 * length - near)).sum() + LOST * np.count_nonzero(lost)
    off = theta - prior.mean
    data, pull = information(slope, r, weight)
    gradient = pull - prior.weight * off
    cost += (prior.weight * off**2).sum()
    return Solution(theta, prediction, weight, data + np.diag(prior.weight), gradient, float(cost))


@compiled
def information(slope: Floats, residual: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Weighted sums J' J (p, p) and J' r (p,) over n rows of slopes (n, 2, p) and residuals (n, 2), weights (n,).

    In a loop of our own: the library's threads cost more than they save on matrices of this size.
    """
    n, _, p = slope.shape
    data, pull = np.zeros((p, p)), np.zeros(p)
    for i in range(n):
        if weight[i] <= 0:
            continue
        for k in range(2):
            row = slope[i, k]
            for a in range(p):
                lever = weight[i] * row[a]
                if lever == 0.0:
                    continue
                pull[a] += lever * residual[i, k]
                for b in range(a + 1):
                    data[a, b] += lever * row[b]
    for a in range(p):
        for b in range(a):
            data[b, a] = data[a, b]
    return data, pull


def chi2_rows(prediction: Prediction) -> Floats:
    """Squared whitened residual (n,) of each row; infinite where it cannot be predicted."""
    r2 = (prediction.residual**2).sum(axis=1)
    return np.where(np.isfinite(r2), r2, np.inf)


@compiled
def innovations(order: Ints, residual: Floats, slope: Floats, cov: Floats, noise: float) -> Floats:
    """Chi-squared (n,) of rows taken in turn, each against the prediction by those before (F11 to F13).

    Parameters
    ----------
    order : (n,) rows, in the order to be taken
    residual, slope : whitened, of all rows, at the point where `cov` (p, p) holds
    noise : variance of a whitened residual (1 if the sightings' covariances are true)
    """
    out = np.empty(len(order))
    size = cov.shape[0]
    c, delta = cov.copy(), np.zeros(size)
    for k in range(len(order)):
        j = slope[order[k]]
        if not (np.isfinite(residual[order[k]]).all() and np.isfinite(j).all()):
            out[k] = np.inf
            continue
        jc = j @ c
        y0 = residual[order[k], 0] - j[0] @ delta
        y1 = residual[order[k], 1] - j[1] @ delta
        s00, s01, s11 = noise + jc[0] @ j[0], jc[0] @ j[1], noise + jc[1] @ j[1]
        det = s00 * s11 - s01 * s01
        w0, w1 = (s11 * y0 - s01 * y1) / det, (s00 * y1 - s01 * y0) / det
        out[k] = w0 * y0 + w1 * y1
        if out[k] > GATE:
            continue
        for a in range(size):
            delta[a] += jc[0, a] * w0 + jc[1, a] * w1
        for a in range(size):
            g0 = (s11 * jc[0, a] - s01 * jc[1, a]) / det
            g1 = (s00 * jc[1, a] - s01 * jc[0, a]) / det
            for b in range(size):
                c[a, b] -= g0 * jc[0, b] + g1 * jc[1, b]
    return out


def belonging(chi2: Floats, cost: float) -> tuple[int, float]:
    """How many of the rows taken in turn belong to the flight, and what they cost less than if none did.

    The rest is what comes after it ended.

    The end is where the likelihood is greatest, a row after the end costing `cost` whatever it is, one before it its
    chi-squared, at most CAP.

    >>> belonging(np.array([1.0, 2.0, 40.0, 1.0, 2.0, 3.0, 90.0, 70.0, 50.0]), 8.0)
    (6, 19.0)
    """
    gain = np.concatenate([[0.0], np.cumsum(np.minimum(chi2, CAP) - cost)])
    count = int(len(gain) - 1 - np.argmin(gain[::-1]))
    return count, float(-gain[count])
