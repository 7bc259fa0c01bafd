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
    c, delta = cov.copy(), np.zeros(len(cov))
    for k in range(len(order)):
        y, j = residual[order[k]], slope[order[k]]
        known = y[0] + y[1]
        for a in range(len(delta)):
            known += j[0, a] + j[1, a]
        out[k] = absorb(delta, c, j, y, (noise, 0.0, noise), GATE)[0] if np.isfinite(known) else np.inf
    return out


@compiled
def absorb(
    mean: Floats, cov: Floats, slope: Floats, seen: Floats, noise: tuple[float, float, float], gate: float
) -> tuple[float, float]:
    """A measurement (2,) against the prediction slope (2, p) x mean (p,): its chi-squared, and the determinant of S.

    Where chi-squared is at most `gate`, mean and cov (p, p) learn from it, in place (Kalman's update; F11 to F13).
    `noise` is its own covariance: (00, 01, 11).
    """
    size = len(mean)
    across = np.zeros((2, size))
    y0, y1, s00, s01, s11 = seen[0], seen[1], noise[0], noise[1], noise[2]
    for a in range(size):
        y0 -= slope[0, a] * mean[a]
        y1 -= slope[1, a] * mean[a]
        for b in range(size):
            across[0, a] += slope[0, b] * cov[b, a]
            across[1, a] += slope[1, b] * cov[b, a]
        s00 += across[0, a] * slope[0, a]
        s01 += across[0, a] * slope[1, a]
        s11 += across[1, a] * slope[1, a]
    det = s00 * s11 - s01 * s01
    chi2 = (s11 * y0 * y0 - 2 * s01 * y0 * y1 + s00 * y1 * y1) / det
    if chi2 <= gate:
        for a in range(size):
            g0 = (s11 * across[0, a] - s01 * across[1, a]) / det
            g1 = (s00 * across[1, a] - s01 * across[0, a]) / det
            mean[a] += g0 * y0 + g1 * y1
            for b in range(size):
                cov[a, b] -= g0 * across[0, b] + g1 * across[1, b]
    return chi2, det


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
