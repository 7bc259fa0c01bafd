"""The Kalman filter that carries a ball from sighting to sighting, through the bounce, and smooths backward.

State (8,): position m, velocity m/s (lane frame), the clock offset s by which the second view's sightings are later
than stated, and the miss, px, by which the rig's errors set them aside, square to the epipolar line. A measurement is
one view's pixel at its own time. The prediction has gravity, quadratic drag and, where the path meets the ground, a
bounce with loss; forces left out are white acceleration noise, and the miss, which changes with the place, wanders. The
filter is filterpy's; the state transition F, the affine remainder, H and the process noise Q are ours.

Sources: Bar-Shalom, Li & Kirubarajan 2001, Estimation with Applications to Tracking and Navigation, sec. 6.2 (white
noise acceleration) and 10.3 (extended filter); Rauch, Tung & Striebel 1965, AIAA J. 3(8); the covariance through an
impact by the saltation matrix, Leine & Nijmeijer 2004, Dynamics and Bifurcations of Non-Smooth Mechanical Systems,
ch. 7 (all from memory). docs/method.md writes the equations down.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import numpy as np

from calibration.camera import Camera, Floats
from calibration.lane import STANDARD_GRAVITY_MPS2
from tracker.records import Ball
from tracker.settings import TrackingSettings

AIR_DENSITY_KGPM3 = 1.2  # near 20 C at sea level; good enough for following (ISO 2533: 1.225 at 15 C)
_KICK = 0.15  # share of the horizontal speed that, beside the vertical, an uneven bounce may turn upward; our choice
_ROLLING_MPS = 0.4  # a ball that meets the ground slower than this rolls on; our choice
STATES = 8
LEAST_DEPTH_M = 0.05  # in front of a camera: what is nearer cannot be seen
OFFSET, MISS = 6, 7  # where the clock offset and the miss stand in the state
_LEAST_OFFSET_SD_S, _LEAST_MISS_SD_PX = 1e-7, 1e-3  # what is taken as known keeps the covariance regular
_EYE, _EYE3 = np.eye(STATES), np.eye(3)
_DRIFT = np.zeros((STATES, STATES))  # position gains velocity times dt
_DRIFT[:3, 3:6] = _EYE3
_NOISE = np.zeros((3, STATES, STATES))  # white acceleration: on position, between position and velocity, on velocity
_NOISE[0, :3, :3] = _NOISE[1, :3, 3:6] = _NOISE[1, 3:6, :3] = _NOISE[2, 3:6, 3:6] = _EYE3


@dataclass(frozen=True)
class Motion:
    """How the ball moves between sightings.

    drag_per_m   deceleration over speed squared
    radius_m     the ball's centre bounces at this height
    noise_m2ps3  spectral density of white acceleration
    kept, kept_sd, restitution, restitution_sd, floor_sd_m   the bounce, as in the settings
    """

    drag_per_m: float
    radius_m: float
    noise_m2ps3: float
    kept: float
    kept_sd: float
    restitution: float
    restitution_sd: float
    floor_sd_m: float
    gravity_mps2: float = STANDARD_GRAVITY_MPS2


def motion_of(ball: Ball, settings: TrackingSettings) -> Motion:
    """The motion model for a ball.

    >>> round(motion_of(Ball(), TrackingSettings()).drag_per_m, 5)
    0.00689
    """
    area_m2 = np.pi * ball.radius_m**2
    drag_per_m = AIR_DENSITY_KGPM3 * area_m2 * settings.drag_coefficient / (2 * ball.mass_kg)
    return Motion(
        float(drag_per_m),
        ball.radius_m,
        settings.process_noise_m2ps3,
        settings.bounce_kept,
        settings.bounce_kept_sd,
        settings.bounce_restitution,
        settings.bounce_restitution_sd,
        settings.floor_sd_m,
    )


def start_cov(position_sd_m: float, velocity_sd_mps: float, offset_sd_s: float, miss_sd_px: float = 0.0) -> Floats:
    """A diagonal covariance (8, 8)."""
    sd = [position_sd_m] * 3 + [velocity_sd_mps] * 3
    sd += [max(offset_sd_s, _LEAST_OFFSET_SD_S), max(miss_sd_px, _LEAST_MISS_SD_PX)]
    return np.diag(np.square(sd))


@dataclass(frozen=True, eq=False)
class Step:
    """A prediction: where the state goes, its derivative F (8, 8), the noise Q (8, 8), and the bounce on the way.

    bounce_after_s  time from the start of the step to the bounce; NaN: none
    """

    state: Floats
    F: Floats
    Q: Floats
    bounce_after_s: float


def advance(state: Floats, dt_s: float, motion: Motion, wander_px2ps: float = 0.0) -> Step:
    """Carry the state over `dt_s` (negative: back in time), through a bounce if the path meets the ground.

    `wander_px2ps` is the spectral density with which the miss changes.
    """
    to_ground_s = _time_to_ground(state, dt_s, motion)
    if np.isnan(to_ground_s):
        step = Step(*_fly(state, dt_s, motion), np.nan)
    else:
        step = _through_a_bounce(state, dt_s, to_ground_s, motion)
    step.Q[MISS, MISS] += wander_px2ps * abs(dt_s)
    return step


def _through_a_bounce(state: Floats, dt_s: float, to_ground_s: float, motion: Motion) -> Step:
    before, F1, Q1 = _fly(state, to_ground_s, motion)
    after, jump, kick = _bounce(before, np.sign(dt_s), motion)
    end, F2, Q2 = _fly(after, dt_s - to_ground_s, motion)
    through = F2 @ jump
    return Step(end, through @ F1, through @ Q1 @ through.T + F2 @ kick @ F2.T + Q2, to_ground_s)


def _fly(state: Floats, dt: float, motion: Motion) -> tuple[Floats, Floats, Floats]:
    """Free flight to second order in time: state, F, Q."""
    v = state[3:6]
    vx, vy, vz = v.tolist()
    speed = math.sqrt(vx * vx + vy * vy + vz * vz)
    k = motion.drag_per_m * speed
    change = np.array([-k * vx * dt, -k * vy * dt, (-k * vz - motion.gravity_mps2) * dt])
    end = state.copy()
    end[:3] += (v + change * 0.5) * dt
    end[3:6] += change
    slope = (-motion.drag_per_m * dt / (speed + 1e-9)) * (v[:, None] * v) - (k * dt) * _EYE3
    F = _EYE + dt * _DRIFT
    F[:3, 3:6] += slope * (dt / 2)
    F[3:6, 3:6] += slope
    span, q = abs(dt), motion.noise_m2ps3
    return end, F, (q * span**3 / 3) * _NOISE[0] + (q * dt * span / 2) * _NOISE[1] + (q * span) * _NOISE[2]


def _acceleration(v: Floats, motion: Motion) -> Floats:
    a = -motion.drag_per_m * math.sqrt(float(v @ v)) * v
    a[2] -= motion.gravity_mps2
    return a


def _time_to_ground(state: Floats, dt: float, motion: Motion) -> float:
    """When, within `dt`, the ball's centre comes down (for dt < 0: came up from) to one radius; NaN: it does not."""
    way = 1.0 if dt >= 0 else -1.0
    sink = -way * float(state[5])  # towards the ground as the clock runs our way
    above = float(state[2]) - motion.radius_m
    g = motion.gravity_mps2
    if dt == 0 or (above <= 0 and sink <= 0):
        return np.nan
    if above <= 0:
        return 0.0
    root = sink * sink + 2 * g * above
    after = (np.sqrt(root) - sink) / g  # of above = sink t + g t^2 / 2
    return way * after if after < abs(dt) else np.nan


def _bounce(state: Floats, way: float, motion: Motion) -> tuple[Floats, Floats, Floats]:
    """The bounce (way < 0: undone): state after, derivative with the shift in time of impact, added covariance."""
    v = state[3:6]
    if abs(float(v[2])) < _ROLLING_MPS:
        return _roll(state, motion)
    kept, up = (motion.kept, motion.restitution) if way > 0 else (1 / motion.kept, 1 / motion.restitution)
    gain = np.array([kept, kept, -up])
    after = state.copy()
    after[3:6] = gain * v
    jump = _EYE.copy()
    jump[3:6, 3:6] = np.diag(gain)
    sink = float(v[2])
    shift = np.zeros(STATES)  # of the state after, per metre of height: the impact comes earlier or later
    shift[:3] = (after[3:6] - v) / sink
    shift[3:6] = (_acceleration(after[3:6], motion) - gain * _acceleration(v, motion)) / sink
    jump[:, 2] += shift
    across = float(np.hypot(after[3], after[4]))
    sideways, upward = motion.kept_sd * across, motion.restitution_sd * (abs(sink) + _KICK * across)
    if way < 0:
        upward /= motion.restitution
    kick = np.outer(shift, shift) * motion.floor_sd_m**2
    kick[[3, 4, 5], [3, 4, 5]] += np.square([sideways, sideways, upward])
    return after, jump, kick


def _roll(state: Floats, motion: Motion) -> tuple[Floats, Floats, Floats]:
    """Contact too gentle for a bounce: the ball stays on the ground."""
    after, jump, kick = state.copy(), _EYE.copy(), np.zeros((STATES, STATES))
    after[2], after[5], jump[2, 2], jump[5, 5] = motion.radius_m, 0.0, 0.0, 0.0
    kick[2, 2], kick[5, 5] = motion.floor_sd_m**2, (_ROLLING_MPS / 2) ** 2
    return after, jump, kick


@dataclass(frozen=True, eq=False)
class Eye:
    """One view's measurement function: ideal (undistorted) pixels of a lane point.

    P     (3, 4)  pinhole projection
    late  whether the clock offset and the miss of the state apply to this view
    epipole  (3,)  the other camera's picture, homogeneous; noughts: not known, then the miss does nothing
    """

    P: Floats
    late: bool
    epipole: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def aside(self, u: float, v: float) -> tuple[float, float]:
        """Unit vector square to the epipolar line through a pixel of the late view; noughts of the other view."""
        a, b, c = self.epipole
        x, y = a - u * c, b - v * c
        length = math.hypot(x, y)
        return (-y / length, x / length) if self.late and length > 0 else (0.0, 0.0)

    @cached_property
    def rows(self) -> tuple[tuple[float, ...], ...]:
        """P as plain numbers."""
        return tuple(tuple(row) for row in self.P.tolist())

    def see(self, state: Floats) -> tuple[Floats, Floats]:
        """Ideal pixel (2,) of the state and H (2, 8); NaN behind the camera."""
        v = state[3:6]
        offset = float(state[OFFSET]) if self.late else 0.0
        P = self.P
        point = P[:, :3] @ (state[:3] + v * offset) + P[:, 3]
        if point[2] < LEAST_DEPTH_M:
            return np.full(2, np.nan), np.zeros((2, STATES))
        px = point[:2] / point[2]
        slope = (P[:2, :3] - px[:, None] * P[2, :3]) / point[2]
        H = np.zeros((2, STATES))
        H[:, :3] = slope
        if self.late:
            H[:, 3:6] = slope * offset
            H[:, OFFSET] = slope @ v
            H[:, MISS] = self.aside(float(px[0]), float(px[1]))
            px = px + H[:, MISS] * state[MISS]
        return px, H


@dataclass(frozen=True, eq=False)
class Glance:
    """Where a view would show a state after a while: ideal pixel, its covariance (2, 2), image velocity px/s."""

    px: tuple[float, float]
    doubt: Floats
    rate: tuple[float, float]


def glance(state: Floats, cov: Floats, dt: float, eye: Eye, motion: Motion, wander_px2ps: float = 0.0) -> Glance | None:
    """A prediction and measurement in one, for the gate; None where the ball would be behind the camera.

    As `advance`, `predict` and `Eye.see`, but for what drag does to the covariance; through a bounce it is these.
    """
    if not math.isnan(_time_to_ground(state, dt, motion)):
        step = advance(state, dt, motion, wander_px2ps)
        at, H = eye.see(step.state)
        if not math.isfinite(at[0]):
            return None
        through, rate = H @ step.F, H[:, :3] @ step.state[3:6]
        doubt = through @ cov @ through.T + H @ step.Q @ H.T
        return Glance((float(at[0]), float(at[1])), doubt, (float(rate[0]), float(rate[1])))
    x, y, z, vx, vy, vz, late, miss = state.tolist()
    k = motion.drag_per_m * math.sqrt(vx * vx + vy * vy + vz * vz)
    ax, ay, az = -k * vx, -k * vy, -k * vz - motion.gravity_mps2
    late = late if eye.late else 0.0
    x, y, z = x + (vx + ax * dt / 2) * dt, y + (vy + ay * dt / 2) * dt, z + (vz + az * dt / 2) * dt
    vx, vy, vz = vx + ax * dt, vy + ay * dt, vz + az * dt
    x, y, z = x + vx * late, y + vy * late, z + vz * late
    (a, b, c, d), (e, f, g, h), (m, n, o, p) = eye.rows
    depth = m * x + n * y + o * z + p
    if depth < LEAST_DEPTH_M:
        return None
    u, v = (a * x + b * y + c * z + d) / depth, (e * x + f * y + g * z + h) / depth
    first = (a - u * m) / depth, (b - u * n) / depth, (c - u * o) / depth
    second = (e - v * m) / depth, (f - v * n) / depth, (g - v * o) / depth
    speed_px = tuple(s[0] * vx + s[1] * vy + s[2] * vz for s in (first, second))
    ahead, aside = dt + late, eye.aside(u, v)
    shown = np.array(
        [
            [*s, s[0] * ahead, s[1] * ahead, s[2] * ahead, r * eye.late, n]
            for s, r, n in zip((first, second), speed_px, aside, strict=True)
        ]
    )
    slope, across = shown[:, :3], shown[:, MISS:]
    doubt = shown @ cov @ shown.T + (motion.noise_m2ps3 * abs(dt) ** 3 / 3) * (slope @ slope.T)
    doubt += wander_px2ps * abs(dt) * (across @ across.T)
    return Glance((u + miss * aside[0], v + miss * aside[1]), doubt, (speed_px[0], speed_px[1]))


def eye_of(camera: Camera, late: bool, other: Camera | None = None) -> Eye:
    """The measurement function of a camera; `other` is the camera of the other view."""
    P = camera.lens.matrix @ np.column_stack([camera.R, camera.translation_m])
    if other is None:
        return Eye(P, late)
    a, b, c = (P @ np.append(other.centre_m, 1.0)).tolist()
    return Eye(P, late, (a, b, c))


@cache
def _filter() -> Any:
    """filterpy's; it brings scipy.stats with it, 50 MB that are not wanted yet while films are read."""
    from filterpy.kalman import ExtendedKalmanFilter

    return ExtendedKalmanFilter(STATES, 2)


def predict(state: Floats, cov: Floats, step: Step) -> tuple[Floats, Floats]:
    """State and covariance after a step (of `state`)."""
    ekf = _filter()
    ekf.x, ekf.P, ekf.F, ekf.Q = state, cov, step.F, step.Q
    ekf.B = step.state - step.F @ state  # the affine remainder: F x + B is the curved path
    ekf.predict(u=1.0)
    return ekf.x, ekf.P


def update(state: Floats, cov: Floats, seen_px: Floats, px: Floats, H: Floats, R: Floats) -> tuple[Floats, Floats]:
    """State and covariance after a sighting at `seen_px` where `px` was expected."""
    ekf = _filter()
    ekf.x, ekf.P = state, cov
    ekf.update(seen_px, lambda _: H, lambda _: px, R=R)
    return ekf.x, ekf.P


@dataclass(frozen=True, eq=False)
class Smoothed:
    """The whole path after filter and smoother.

    state, cov       (n, 8), (n, 8, 8) at each sighting, on the first view's clock
    innovation, S    (n, 2), (n, 2, 2) of the filter, ideal pixels
    bounce_s         time of the first bounce; NaN: none
    """

    state: Floats
    cov: Floats
    innovation: Floats
    S: Floats
    bounce_s: float


def smooth(
    time_s: Floats,
    px: Floats,
    R: Floats,
    eyes: Sequence[Eye],
    start: Floats,
    cov: Floats,
    motion: Motion,
    time_sd_s: Floats | None = None,
    wander_px2ps: Floats | None = None,
) -> Smoothed | None:
    """Filter forward over sightings in time order, then smooth backward; None: the path led behind a camera.

    Parameters
    ----------
    time_s, px, R : (n,), (n, 2), (n, 2, 2) sightings in ideal pixels with covariance
    eyes : measurement function of each sighting
    start, cov : (8,), (8, 8) prior at the first sighting's time
    time_sd_s : (n,) doubt of each sighting's own time
    wander_px2ps : (n,) spectral density of the miss's changes before each sighting
    """
    n = len(time_s)
    x, P = np.empty((n, STATES)), np.empty((n, STATES, STATES))
    F, Q, c = np.tile(_EYE, (n, 1, 1)), np.zeros((n, STATES, STATES)), np.zeros((n, STATES))
    innovation, S = np.empty((n, 2)), np.empty((n, 2, 2))
    bounce_s, state = np.nan, start
    for i in range(n):
        if i:
            wander = 0.0 if wander_px2ps is None else float(wander_px2ps[i])
            step = advance(state, time_s[i] - time_s[i - 1], motion, wander)
            F[i], Q[i], c[i] = step.F, step.Q, step.state - step.F @ state
            if np.isnan(bounce_s):
                bounce_s = time_s[i - 1] + step.bounce_after_s
            state, cov = predict(state, cov, step)
        expected, H = eyes[i].see(state)
        if not np.isfinite(expected[0]):
            return None
        rate = H[:, :3] @ state[3:6]
        R_i = R[i] if time_sd_s is None else R[i] + time_sd_s[i] ** 2 * (rate[:, None] * rate)
        innovation[i], S[i] = px[i] - expected, H @ cov @ H.T + R_i
        state, cov = update(state, cov, px[i], expected, H, R_i)
        x[i], P[i] = state, cov
    x, P = smooth_backward(x, P, F, Q, c)
    return Smoothed(x, P, innovation, S, float(bounce_s))


def smooth_backward(x: Floats, P: Floats, F: Floats, Q: Floats, c: Floats) -> tuple[Floats, Floats]:
    """Rauch-Tung-Striebel over filtered states whose prediction is x[i] = F[i] x[i-1] + c[i].

    Written out because filterpy's smoother knows no c, which gravity, drag and a bounce need; with c = 0 the two agree.
    """
    x, P = x.copy(), P.copy()
    for i in range(len(x) - 2, -1, -1):
        ahead, FP = F[i + 1] @ x[i] + c[i + 1], F[i + 1] @ P[i]
        spread = FP @ F[i + 1].T + Q[i + 1]
        gain = np.linalg.solve(spread, FP).T
        x[i] += gain @ (x[i + 1] - ahead)
        P[i] += gain @ (P[i + 1] - spread) @ gain.T
    return x, P
