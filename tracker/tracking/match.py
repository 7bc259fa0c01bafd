"""Pairing the two views: which chains of sightings are one thing moving through the lane, and where it starts.

Every chain is cut into short overlapping pieces on one common grid of times; each piece gives an image point and an
image velocity at its grid time. Two pieces, one a view, make eight linear equations for six numbers (position and
velocity); what is left over is the epipolar miss and its rate, judged by covariance, in which an unknown clock offset
counts as image speed times its sd. What passes is fitted to its own sightings, each at its own time, as a ball in free
fall with drag, by robust Gauss-Newton: that is a seed for the filter.

All of it in ideal pixels: those a lens without distortion would show.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera, Floats
from tracker.records import Ints, Sightings
from tracker.settings import TrackingSettings
from tracker.tracking.kalman import OFFSET, STATES, Eye, Motion, eye_of, start_cov

_MIN_PIECE = 3  # sightings in a piece of chain
_MAX_PIECE = 96
_MIN_TRAVEL_PX = 2.5  # a piece that moves less is no ball in flight
_BEND_PX = 2.0  # how far a short piece may be from its parabola for reasons of perspective, besides noise
_CHI2_2_DOF = 18.4  # 0.9999 of chi-squared with 2 degrees of freedom
_HUBER = 2.0
_MEDIAN_SIZE = 0.8326  # root of half the median of chi-squared with 2 degrees of freedom: sqrt(ln 2)
_EVEN_S, _STAMP_SD_MOST_S = 30e-6, 2e-3  # stamps more even than this are taken as they are


@dataclass(frozen=True, eq=False)
class View:
    """One view's sightings made ready: only rows to which a ray leads, in order of frame.

    row      (n,)  row in the Sightings
    frame, time_s, chain (n,);  px (n, 2), cov (n, 2, 2)  ideal pixels
    first    (f + 1,)  where each frame's rows start
    period_s time from frame to frame
    jitter_s how uneven the stamps are (robust sd): unsteady stamps, or frames truly taken at uneven times
    """

    eye: Eye
    camera: Camera
    row: Ints
    frame: Ints
    time_s: Floats
    px: Floats
    cov: Floats
    size_px: Floats
    chain: Ints
    first: Ints
    period_s: float
    jitter_s: float

    @property
    def frame_time_s(self) -> Floats:
        """Time of each frame's first row."""
        return self.time_s[self.first[:-1]]


def make_view(seen: Sightings, camera: Camera, late: bool) -> View:
    """A view's sightings in ideal pixels."""
    lens = camera.lens
    focal, centre = lens.matrix[:2, :2], lens.matrix[:2, 2]
    ideal = lens.undistort(seen.centre_px) @ focal.T + centre
    slope = np.empty((len(seen), 2, 2))
    for axis, step in enumerate(np.eye(2) * 0.5):
        around = [lens.undistort(seen.centre_px + sign * step) for sign in (1, -1)]
        slope[:, :, axis] = (around[0] - around[1]) @ focal.T
    cov = slope @ seen.cov_px2 @ slope.transpose(0, 2, 1)
    good = np.isfinite(ideal).all(axis=1) & np.isfinite(cov).all(axis=(1, 2))
    row = np.flatnonzero(good)
    row = row[np.lexsort((seen.time_s[row], seen.frame[row]))]
    frame, time_s = seen.frame[row], seen.time_s[row]
    changes = np.flatnonzero(np.diff(frame, prepend=-1)) if len(row) else np.empty(0, int)
    first = np.append(changes, len(row))
    stamp_s = time_s[changes] - camera.row_time_s * seen.centre_px[row[changes], 1]
    gap_s, gap = np.diff(stamp_s), np.diff(frame[changes])
    period_s = float(np.median(gap_s / gap)) if len(gap) else 0.01
    jitter_s = 1.48 * float(np.median(np.abs(gap_s - gap * period_s))) / math.sqrt(2) if len(gap) else 0.0
    kept = (time_s, ideal[row], cov[row], seen.size_px[row], seen.chain[row])
    return View(eye_of(camera, late), camera, row, frame, *kept, first, period_s, jitter_s)


@dataclass(frozen=True, eq=False)
class Pieces:
    """Short pieces of chain of one view, each with its image point and velocity at a time of the grid.

    tick  (w,)  number of the grid time
    rows  (w, k) rows of the View, -1 where fewer;  chain (w,)
    point (w, 4)  x, y px and their rates px/s;  cov (w, 4, 4)
    """

    tick: Ints
    rows: Ints
    chain: Ints
    point: Floats
    cov: Floats


def cut_pieces(view: View, width_s: float, step_s: float) -> Pieces:
    """Cut every chain into overlapping pieces `width_s` long, centred on multiples of `step_s`."""
    tick, rows = _cut_rows(view, width_s, step_s)
    if not len(tick):
        return Pieces(tick, rows, tick, np.empty((0, 4)), np.empty((0, 4, 4)))
    used = rows >= 0
    tau = np.where(used, view.time_s[rows] - (tick * step_s)[:, None], 0.0)
    px, sd2 = view.px[rows], np.trace(view.cov, axis1=1, axis2=2)[rows] / 2
    curved = used.sum(axis=1) >= 5
    design = np.stack([np.ones_like(tau), tau, tau**2 * curved[:, None]], axis=2)
    weight = used / (sd2 + 0.1)
    for _ in range(3):  # robust: sightings far from the parabola lose their weight
        normal = np.einsum("wk,wki,wkj->wij", weight, design, design)
        normal[:, 2, 2] += ~curved + 1e-12
        inverse = np.linalg.inv(normal)
        coefficient = inverse @ np.einsum("wk,wki,wkd->wid", weight, design, px)
        miss = np.linalg.norm(px - design @ coefficient, axis=2)
        scale = np.maximum(1.48 * np.nanmedian(np.where(used, miss, np.nan), axis=1), 0.5)
        weight = used / (sd2 + 0.1) * (miss < 3.5 * scale[:, None])
    spread = np.maximum(1.0, (weight * miss**2).sum(axis=1) / np.maximum(used.sum(axis=1) - 2.9, 1))
    cov = np.zeros((len(tick), 4, 4))
    for a in range(2):
        for b in range(2):
            for axis in range(2):
                cov[:, 2 * a + axis, 2 * b + axis] = spread * inverse[:, a, b]
    half = width_s / 2
    cov[:, [0, 1, 2, 3], [0, 1, 2, 3]] += np.square([_BEND_PX, _BEND_PX, 2 * _BEND_PX / half, 2 * _BEND_PX / half])
    point = np.concatenate([coefficient[:, 0], coefficient[:, 1]], axis=1)
    moving = np.linalg.norm(coefficient[:, 1], axis=1) * np.ptp(tau, axis=1) > _MIN_TRAVEL_PX
    keep = moving & ((weight > 0).sum(axis=1) >= _MIN_PIECE)
    return Pieces(tick[keep], rows[keep], view.chain[rows[keep, 0]], point[keep], cov[keep])


def _cut_rows(view: View, width_s: float, step_s: float) -> tuple[Ints, Ints]:
    """Grid number (w,) and rows (w, k) of each piece."""
    order = np.lexsort((view.time_s, view.chain))
    order = order[view.chain[order] >= 0]
    chain, time_s = view.chain[order], view.time_s[order]
    starts = np.flatnonzero(np.diff(chain, prepend=-1))
    ticks, lows, highs = [], [], []
    for lo, hi in zip(starts, np.append(starts, len(order))[1:], strict=True):
        if hi - lo < _MIN_PIECE:
            continue
        own = time_s[lo:hi]
        tick = np.arange(np.ceil(own[0] / step_s - 0.5), np.floor(own[-1] / step_s + 0.5) + 1).astype(int)
        ticks.append(tick)
        lows.append(lo + np.searchsorted(own, tick * step_s - width_s / 2))
        highs.append(lo + np.searchsorted(own, tick * step_s + width_s / 2, side="right"))
    if not ticks:
        return np.empty(0, int), np.empty((0, 1), int)
    tick, low, high = np.concatenate(ticks), np.concatenate(lows), np.concatenate(highs)
    enough = high - low >= _MIN_PIECE
    tick, low, high = tick[enough], low[enough], high[enough]
    most = min(_MAX_PIECE, int((high - low).max(initial=1)))
    place = low[:, None] + np.arange(most)
    return tick, np.where(place < high[:, None], order[np.minimum(place, len(order) - 1)], -1)


@dataclass(frozen=True, eq=False)
class Seed:
    """Where a free ball may be: state (7,) and covariance at `time_s`, fitted to rows of the two views.

    noise_px  how far its sightings are from the fit (robust sd, each axis)
    time_sd_s  of each view's stamps, from what the sightings miss by along their motion; 0 where stamps are even
    score     the greater the better
    """

    time_s: float
    state: Floats
    cov: Floats
    rows: tuple[Ints, Ints]
    noise_px: float
    time_sd_s: tuple[float, float]
    score: float


def find_seeds(views: tuple[View, View], motion: Motion, settings: TrackingSettings, offset_sd_s: float) -> list[Seed]:
    """Every start of a free flight that a pair of pieces, one a view, supports; the best first."""
    width_s = max(settings.window_s, 5 * max(v.period_s for v in views))
    step_s = width_s / 2
    left, right = (cut_pieces(v, width_s, step_s) for v in views)
    seeds = []
    for i, j in _same_time(left, right):
        i, j = _near_epipolar(views, left, right, i, j, offset_sd_s)
        state, chi2 = join_pieces(views, left, right, i, j, offset_sd_s)
        speed = np.linalg.norm(state[:, 3:], axis=1)
        with np.errstate(invalid="ignore"):
            good = (chi2 < _CHI2_2_DOF) & (speed > settings.slowest_mps) & (speed < settings.fastest_mps)
            good &= state[:, 2] > -0.5
        for k in np.flatnonzero(good):
            rows = left.rows[i[k]], right.rows[j[k]]
            seed = fit_seed(views, rows, left.tick[i[k]] * step_s, state[k], motion, settings, offset_sd_s)
            if seed is not None:
                seeds.append(seed)
    return sorted(seeds, key=lambda seed: -seed.score)


def _same_time(left: Pieces, right: Pieces, most: int = 20000) -> Iterator[tuple[Ints, Ints]]:
    """Indices of all pairs of pieces with one grid time, in blocks."""
    left_order, right_order = np.argsort(left.tick, kind="stable"), np.argsort(right.tick, kind="stable")
    tick = left.tick[left_order]
    low = np.searchsorted(right.tick[right_order], tick)
    count = np.searchsorted(right.tick[right_order], tick, side="right") - low
    blocks = np.cumsum(count) // most
    for block in np.unique(blocks[count > 0]):
        mine = np.flatnonzero((blocks == block) & (count > 0))
        i = np.repeat(mine, count[mine])
        within = np.arange(len(i)) - np.repeat(np.cumsum(count[mine]) - count[mine], count[mine])
        yield left_order[i], right_order[low[i] + within]


def _near_epipolar(
    views: tuple[View, View], left: Pieces, right: Pieces, i: Ints, j: Ints, offset_sd_s: float
) -> tuple[Ints, Ints]:
    """Those pairs whose epipolar miss is within its covariance (first order; Hartley & Zisserman 2004, sec. 11.4)."""
    F = fundamental(views[0].eye.P, views[1].eye.P)
    a, b = (np.column_stack([q.point[k, :2], np.ones(len(k))]) for q, k in ((left, i), (right, j)))
    on_right, on_left = (a @ F.T)[:, :2], (b @ F)[:, :2]
    miss = np.einsum("ni,ij,nj->n", b, F, a)
    rate = right.point[j, 2:]
    var = np.einsum("ni,nij,nj->n", on_left, left.cov[i, :2, :2], on_left)
    var += np.einsum("ni,nij,nj->n", on_right, right.cov[j, :2, :2], on_right)
    var += (np.einsum("ni,ni->n", on_right, rate) * offset_sd_s) ** 2
    near = miss**2 < _CHI2_2_DOF * var
    return i[near], j[near]


def fundamental(P_left: Floats, P_right: Floats) -> Floats:
    """F (3, 3) with x_right F x_left = 0 (Hartley & Zisserman 2004, eq. 9.1, from memory)."""
    centre = np.append(-np.linalg.solve(P_left[:, :3], P_left[:, 3]), 1.0)
    e = P_right @ centre
    cross = np.array([[0, -e[2], e[1]], [e[2], 0, -e[0]], [-e[1], e[0], 0]])
    F = cross @ P_right[:, :3] @ np.linalg.inv(P_left[:, :3])
    return np.asarray(F / np.linalg.norm(F))


def join_pieces(
    views: tuple[View, View], left: Pieces, right: Pieces, i: Ints, j: Ints, offset_sd_s: float
) -> tuple[Floats, Floats]:
    """State (n, 6) of pairs of pieces by weighted linear least squares, and chi-squared with 2 degrees of freedom."""
    n = len(i)
    state: Floats = np.zeros((n, 6))
    chi2 = np.zeros(n)
    depth: Floats = np.ones((n, 2))
    for _ in range(3):
        normal, right_side = np.zeros((n, 6, 6)), np.zeros((n, 6))
        parts: list[tuple[Floats, Floats, Floats]] = []
        for side, (pieces, k) in enumerate(((left, i), (right, j))):
            A, b, cov = _equations(views[side].eye, pieces, k, depth[:, side], offset_sd_s)
            W = np.asarray(np.linalg.inv(cov), float)
            normal += A.transpose(0, 2, 1) @ W @ A
            right_side += np.einsum("nia,nij,nj->na", A, W, b)
            parts.append((A, b, W))
        normal[:, range(6), range(6)] *= 1 + 1e-10
        state = np.asarray(np.linalg.solve(normal + 1e-12 * np.eye(6), right_side[:, :, None])[:, :, 0], float)
        depth = np.column_stack([state[:, :3] @ v.eye.P[2, :3] + v.eye.P[2, 3] for v in views])
        behind = (depth < 0.1).any(axis=1)
        depth = np.maximum(depth, 0.1)
    for A, b, W in parts:
        miss = np.einsum("nia,na->ni", A, state) - b
        chi2 += np.einsum("ni,nij,nj->n", miss, W, miss)
    return state, np.where(behind, np.inf, chi2)


def _equations(eye: Eye, pieces: Pieces, k: Ints, depth: Floats, offset_sd_s: float) -> tuple[Floats, Floats, Floats]:
    """A (n, 4, 6), b (n, 4), cov (n, 4, 4): image point and rate as linear equations for position and velocity, px."""
    P, point, cov = eye.P, pieces.point[k], pieces.cov[k].copy()
    A, b = np.zeros((len(k), 4, 6)), np.zeros((len(k), 4))
    A[:, :2, :3] = P[:2, :3] - point[:, :2, None] * P[2, :3]
    A[:, 2:, 3:] = A[:, :2, :3]
    A[:, 2:, :3] = -point[:, 2:, None] * P[2, :3]
    b[:, :2] = point[:, :2] * P[2, 3] - P[:2, 3]
    b[:, 2:] = point[:, 2:] * P[2, 3]
    if eye.late:
        cov[:, :2, :2] += offset_sd_s**2 * point[:, 2:, None] * point[:, None, 2:]
    return A / depth[:, None, None], b / depth[:, None], cov


def fit_seed(
    views: tuple[View, View],
    rows: tuple[Ints, Ints],
    time_s: float,
    state: Floats,
    motion: Motion,
    settings: TrackingSettings,
    offset_sd_s: float,
) -> Seed | None:
    """Fit free flight with drag, and the clock offset, to the rows of both views; None: they do not share one."""
    rows = rows[0][rows[0] >= 0], rows[1][rows[1] >= 0]
    guess = np.append(state, 0.0)
    prior = np.diag(1 / start_cov(30.0, 60.0, offset_sd_s).diagonal())
    time_sd_s = (0.0, 0.0)
    for turn in range(6):
        shots = [_shoot(v, r, time_s, guess, motion, settings) for v, r in zip(views, rows, strict=True)]
        if turn > 1:
            time_sd_s = _stamp_sd_s(views[0], shots[0]), _stamp_sd_s(views[1], shots[1])
        cov = np.concatenate([shot.cov_with(sd) for shot, sd in zip(shots, time_sd_s, strict=True)])
        miss, slope = (np.concatenate([getattr(shot, name) for shot in shots]) for name in ("miss", "slope"))
        if not np.isfinite(miss).all():
            return None
        W = np.linalg.inv(cov)
        size = np.sqrt(np.einsum("ni,nij,nj->n", miss, W, miss) / 2)
        spread = max(1.0, float(np.median(size)) / _MEDIAN_SIZE) if turn else 1e9
        weight = np.minimum(1.0, _HUBER * spread / np.maximum(size, 1e-9))
        normal = np.einsum("nia,n,nij,njb->ab", slope, weight, W, slope) + prior
        pull = np.zeros(STATES)
        pull[OFFSET] = -prior[OFFSET, OFFSET] * guess[OFFSET]
        guess = guess + np.linalg.solve(normal, np.einsum("nia,n,nij,nj->a", slope, weight, W, miss) + pull)
    plain_px2 = float(np.median(np.concatenate([np.trace(shot.cov, axis1=1, axis2=2) for shot in shots]))) / 2
    noise_px = spread * math.sqrt(plain_px2)
    inlier = size < 4 * spread
    speed = float(np.linalg.norm(guess[3:6]))
    if noise_px > settings.worst_noise_px or inlier.mean() < 0.7 or speed > settings.fastest_mps:
        return None
    score = inlier.sum() * min(speed, 20.0) / (1 + noise_px)
    return Seed(time_s, guess, np.linalg.inv(normal) * spread**2, rows, noise_px, time_sd_s, float(score))


@dataclass(frozen=True, eq=False)
class _Shot:
    """A short free flight as one view sees it: what its sightings miss it by.

    miss (n, 2) px, slope (n, 2, 7) by the state, cov (n, 2, 2) px^2, rate (n, 2) image velocity px/s
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
    return _Shot(view.px[rows] - px, slope, view.cov[rows] + settings.view_noise_px**2 * np.eye(2), rate)
