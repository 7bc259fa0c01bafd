"""When a bat met the ball: what the last sightings of a ball that is lost within its reach may be.

Between two frames a ball can be hit, and be seen next where the flight would still have it, or nearly so: the fewer
sightings follow the bounce, the more can a velocity after it be bent to explain what was no longer free flight. The
last sightings of a ball lost within the batter's reach therefore have several readings, in each of which the ball was
met just before one of them. How likely each is follows from where the others put the ball, from what a floor usually
does to it, and from how far a hit sends it; the answer is an average over them (equation F27). What comes after a ball
has passed where the wicket stands is not of its free flight either.
"""

from dataclasses import dataclass

import numpy as np

from calibration.lane import BAIL_RISE_M, STUMP_DIAMETER_M, STUMP_HEIGHT_M, WICKET_WIDTH_M
from tracker.flight import physics
from tracker.flight.grow import AFTER, Fit, Job, frame_s
from tracker.flight.solve import inverse
from tracker.records import Bools, Floats, Ints

MOST = 4  # sightings, of both views, that may be from after the hit: those of two frames
FRAMES = 2.5  # within so many of the last
HIT_SHARE = 0.7  # of the ball's speed: sd of each component of what a bat adds; common practice, no source
USUAL = np.array([0.12, 0.12, 0.4])  # of the usual velocity after a bounce, level twice and upward: its spread, as T7's
LEAST = 1e-3  # likelier than this, a reading counts
BENT_M = 1.0  # by so much farther out may the last sighting seem to be, where the hit has bent the path
BESIDE_M = 0.05  # beside and above the wicket: a path's own doubt, wickets that stand askew
NODES, WEIGHTS = np.polynomial.legendre.leggauss(4)


@dataclass(frozen=True, eq=False)
class Reading:
    """How likely it is that only the rows of `use` (n,) are of the free flight."""

    share: float
    use: Bools


def past_wicket(fit: Fit, time_s: Floats) -> Bools:
    """Which rows of times (n,) come after the ball met, or may have met, the wicket (F27)."""
    state, radius_m = fit.prediction.state, float(fit.model[physics.RADIUS])
    meets_m = STUMP_DIAMETER_M / 2 + radius_m
    behind: Bools = (state[:, 1] < meets_m) & (time_s > fit.model[physics.START])
    first = int(np.argmax(behind))
    if not behind[first] or first == 0:
        return np.zeros(len(time_s), bool)
    before, after = state[first - 1], state[first]
    share = (before[1] - meets_m) / max(before[1] - after[1], 1e-9)
    place = before[:3] + share * (after[:3] - before[:3])
    aside_m, above_m = abs(place[0]) - WICKET_WIDTH_M / 2, place[2] - STUMP_HEIGHT_M - BAIL_RISE_M
    hits = max(float(aside_m), float(above_m)) < radius_m + BESIDE_M
    return behind & hits


def readings(job: Job, fit: Fit, normal: Floats, gradient: Floats, scale: float) -> list[Reading]:
    """All used rows, and the same without the last ones as far as that is likely.

    Parameters
    ----------
    normal, gradient : (p, p), (p,) information of the used rows and the priors at the fit, and the pull of both
    scale : variance of a whitened residual
    """
    rows, used = job.rows, np.flatnonzero(fit.use)
    last = fit.prediction.state[used[-1]]
    if not 0.0 < last[1] < job.settings.reach_m + BENT_M:
        return [Reading(1.0, fit.use)]
    normal, gradient = _as_floors_do(fit, normal, gradient)
    time_s, frame = rows.time_s[used], frame_s(rows)
    speed = float(np.linalg.norm(last[3:]))
    odds, uses = [frame], [fit.use]
    for count in range(1, min(MOST, len(used) - 1) + 1):
        begin, end = float(time_s[-count - 1]), float(time_s[-count])
        if time_s[-1] - end > FRAMES * frame or end <= fit.bounce_s < time_s[-1]:
            break
        begin = fit.bounce_s if begin < fit.bounce_s < end else begin
        likelier = _likelier(fit, used[-count:], time_s[-count:], (begin, end), speed, normal, gradient, scale)
        odds.append((end - begin) * likelier)
        uses.append(fit.use & ~np.isin(np.arange(len(rows)), used[-count:]))
    share = np.array(odds) / np.sum(odds)
    share[share < LEAST] = 0.0
    return [Reading(float(x), use) for x, use in zip(share / share.sum(), uses, strict=True) if x > 0]


def _as_floors_do(fit: Fit, normal: Floats, gradient: Floats) -> tuple[Floats, Floats]:
    """The same with what is usual of a velocity after a bounce known besides."""
    usual = fit.prior.mean[AFTER]
    level = np.hypot(usual[0], usual[1])
    weight = np.zeros(len(gradient))
    weight[AFTER] = 1 / (USUAL * np.array([level, level, max(abs(usual[2]), 1e-3)])) ** 2
    return normal + np.diag(weight), gradient - weight * (fit.theta - fit.prior.mean)


def _likelier(
    fit: Fit,
    late: Ints,
    time_s: Floats,
    hit_s: tuple[float, float],
    speed: float,
    normal: Floats,
    gradient: Floats,
    scale: float,
) -> float:
    """How much likelier the rows `late` (k,) of times (k,) are from after a hit within a span than from before it."""
    prediction = fit.prediction
    slope = prediction.slope[late].reshape(2 * len(late), -1)
    residual = prediction.residual[late].ravel()
    cov = inverse(normal - slope.T @ slope / scale, fit.prior.free)
    off = residual - slope @ (cov @ (gradient - slope.T @ residual / scale))
    free = scale * np.eye(len(off)) + slope @ cov @ slope.T
    likelier = 0.0
    for node, weight in zip(NODES, WEIGHTS / 2, strict=True):
        since = time_s - (hit_s[0] + (hit_s[1] - hit_s[0]) * (1 + node) / 2)
        thrown = (since[:, None, None] * prediction.by_place[late]).reshape(len(off), 3) * HIT_SHARE * speed
        likelier += weight * np.exp(_log_density(off, free + thrown @ thrown.T) - _log_density(off, free))
    return float(likelier)


def _log_density(off: Floats, cov: Floats) -> float:
    """Log of the normal density (n,), but for what all have in common."""
    return float(-0.5 * (off @ np.linalg.solve(cov, off) + np.linalg.slogdet(cov)[1]))
