"""Seeds: where a free ball may be, fitted to a short piece of chain of each view at the sightings' own times.

Robust Gauss-Newton for position, velocity, the clocks' offset and the rig's miss under gravity and drag. What is not
the size of a ball where the two views put it is no seed. Where stamps are uneven, how far is told by what the sightings
miss along their motion.
"""

import math
from dataclasses import dataclass

import numpy as np

from calibration.camera import Floats
from tracker.records import Ints
from tracker.settings import TrackingSettings
from tracker.tracking.kalman import MISS, OFFSET, STATES, Motion, start_cov
from tracker.tracking.views import View

_HUBER = 2.0
_HOPELESS = 20.0  # residuals over their sds: no ball even in a poor rig
MEDIAN_SIZE = 0.8326  # root of half the median of chi-squared with 2 degrees of freedom: sqrt(ln 2)
_EVEN_S, _STAMP_SD_MOST_S = 30e-6, 2e-3  # stamps more even than this are taken as they are


@dataclass(frozen=True, eq=False)
class Seed:
    """Where a free ball may be: state (8,) and covariance at `time_s`, fitted to rows of the two views.

    noise_px  how far its sightings are from the fit (robust sd, each axis)
    spread    the same over what their covariances say; at least 1
    time_sd_s  of each view's stamps, from what the sightings miss by along their motion; 0 where stamps are even
    score     the greater the better
    """

    time_s: float
    state: Floats
    cov: Floats
    rows: tuple[Ints, Ints]
    noise_px: float
    spread: float
    time_sd_s: tuple[float, float]
    score: float


def fit_seed(
    views: tuple[View, View],
    rows: tuple[Ints, Ints],
    time_s: float,
    state: Floats,
    motion: Motion,
    settings: TrackingSettings,
    offset_sd_s: float,
) -> Seed | None:
    """Fit free flight with drag, clock offset and miss to the rows of both views; None: they do not share one."""
    rows = rows[0][rows[0] >= 0], rows[1][rows[1] >= 0]
    guess = np.append(state, [0.0, 0.0])
    miss_sd_px = miss_of(views, rows)
    prior = np.diag(1 / start_cov(30.0, 60.0, offset_sd_s, miss_sd_px).diagonal())
    time_sd_s = (0.0, 0.0)
    for turn in range(5):
        shots = [_shoot(v, r, time_s, guess, motion, settings) for v, r in zip(views, rows, strict=True)]
        if turn > 1:
            time_sd_s = _stamp_sd_s(views[0], shots[0]), _stamp_sd_s(views[1], shots[1])
        cov = np.concatenate([shot.cov_with(sd) for shot, sd in zip(shots, time_sd_s, strict=True)])
        miss, slope = (np.concatenate([getattr(shot, name) for shot in shots]) for name in ("miss", "slope"))
        if not np.isfinite(miss).all():
            return None
        W = np.linalg.inv(cov)
        size = np.sqrt(np.einsum("ni,nij,nj->n", miss, W, miss) / 2)
        spread = max(1.0, float(np.median(size)) / MEDIAN_SIZE) if turn else 1e9
        if turn == 3 and spread > _HOPELESS:
            return None
        weight = np.minimum(1.0, _HUBER * spread / np.maximum(size, 1e-9))
        normal = np.einsum("nia,n,nij,njb->ab", slope, weight, W, slope) + prior
        pull = np.zeros(STATES)
        pull[OFFSET:] = -prior.diagonal()[OFFSET:] * guess[OFFSET:]
        guess = guess + np.linalg.solve(normal, np.einsum("nia,n,nij,nj->a", slope, weight, W, miss) + pull)
    plain_px2 = float(np.median(np.concatenate([np.trace(shot.cov, axis1=1, axis2=2) for shot in shots]))) / 2
    noise_px = spread * math.sqrt(plain_px2)
    inlier = size < 4 * spread
    speed = float(np.linalg.norm(guess[3:6]))
    if noise_px > settings.worst_noise_px or inlier.mean() < 0.7 or speed > settings.fastest_mps:
        return None
    if not all(_has_size(v, r, guess, motion, settings) for v, r in zip(views, rows, strict=True)):
        return None
    score = inlier.sum() * min(speed, 20.0) / (1 + noise_px)
    return Seed(time_s, guess, np.linalg.inv(normal) * spread**2, rows, noise_px, spread, time_sd_s, float(score))


def miss_of(views: tuple[View, View], rows: tuple[Ints, Ints]) -> float:
    """One-sigma of the miss where the sightings of these rows are."""
    return float(np.median(np.concatenate([view.miss_px[own] for view, own in zip(views, rows, strict=True)])))


def _has_size(view: View, rows: Ints, state: Floats, motion: Motion, settings: TrackingSettings) -> bool:
    """Whether the sightings' apparent size (median) may be the ball's there; true where no size was measured."""
    size_px = view.size_px[rows]
    size_px = size_px[size_px > 0]
    depth_m = float(view.eye.P[2, :3] @ state[:3] + view.eye.P[2, 3])
    if not len(size_px) or depth_m <= 0:
        return True
    expected_px = 2 * motion.radius_m * float(view.camera.lens.matrix[0, 0]) / depth_m
    return abs(math.log(float(np.median(size_px)) / expected_px)) < math.log(settings.size_ratio)


@dataclass(frozen=True, eq=False)
class _Shot:
    """A short free flight as one view sees it: what its sightings miss it by.

    miss (n, 2) px, slope (n, 2, 8) by the state, cov (n, 2, 2) px^2, rate (n, 2) image velocity px/s
    """

    miss: Floats
    slope: Floats
    cov: Floats
    rate: Floats

    def cov_with(self, time_sd_s: float) -> Floats:
        """Covariance with uneven stamps, which shift a sighting along its motion."""
        return self.cov + time_sd_s**2 * self.rate[:, :, None] * self.rate[:, None, :]


def _stamp_sd_s(view: View, shot: _Shot) -> float:
    """How unsteady the stamps are, from what sightings miss by along their motion; 0 where stamps are even anyhow."""
    if view.jitter_s < _EVEN_S:
        return 0.0
    speed2 = np.maximum(np.einsum("ni,ni->n", shot.rate, shot.rate), 1.0)
    late_s = np.einsum("ni,ni->n", shot.rate, shot.miss) / speed2
    own_s2 = np.einsum("ni,nij,nj->n", shot.rate, shot.cov, shot.rate) / speed2**2
    excess_s2 = (1.48 * float(np.median(np.abs(late_s)))) ** 2 - float(np.median(own_s2))
    return min(math.sqrt(max(excess_s2, 0.0)), 2 * view.jitter_s, _STAMP_SD_MOST_S)


def _shoot(view: View, rows: Ints, time_s: float, state: Floats, motion: Motion, settings: TrackingSettings) -> _Shot:
    """Residuals of a short free flight with drag."""
    v, P = state[3:6], view.eye.P
    speed = float(np.linalg.norm(v))
    a = -motion.drag_per_m * speed * v - np.array([0.0, 0.0, motion.gravity_mps2])
    tau = view.time_s[rows] - time_s + (state[OFFSET] if view.eye.late else 0.0)
    point = state[:3] + v * tau[:, None] + a * (tau**2 / 2)[:, None]
    shown = point @ P[:, :3].T + P[:, 3]
    depth = np.where(shown[:, 2] > 0.1, shown[:, 2], np.nan)
    px = shown[:, :2] / depth[:, None]
    by_point = (P[:2, :3] - px[:, :, None] * P[2, :3]) / depth[:, None, None]
    rate = np.einsum("nij,nj->ni", by_point, v + a * tau[:, None])
    slope = np.zeros((len(rows), 2, STATES))
    slope[:, :, :3] = by_point
    slope[:, :, 3:6] = by_point * tau[:, None, None]
    if view.eye.late:
        slope[:, :, OFFSET] = rate
        slope[:, :, MISS] = [view.eye.aside(u, v) for u, v in px.tolist()]
        px = px + slope[:, :, MISS] * state[MISS]
    return _Shot(view.px[rows] - px, slope, view.cov[rows] + settings.view_noise_px**2 * np.eye(2), rate)
