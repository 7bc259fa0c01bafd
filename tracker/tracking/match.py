"""Pairing the two views: which chains of sightings are one thing moving through the lane, and where it starts.

Every chain is cut into short overlapping pieces on one common grid of times; each piece gives an image point and an
image velocity at its grid time. Two pieces, one a view, make eight linear equations for six numbers (position and
velocity); what is left over is the epipolar miss and its rate, judged by covariance, in which an unknown clock offset
counts as image speed times its sd. What passes is fitted to its own sightings: a seed for the filter (seeds.py).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from calibration.camera import Floats
from tracker.records import Ints
from tracker.settings import TrackingSettings
from tracker.tracking.kalman import Eye, Motion
from tracker.tracking.seeds import Seed, fit_seed
from tracker.tracking.views import WANDERS_S, View

_MIN_PIECE = 3  # sightings in a piece of chain
_MAX_PIECE = 96
_LEAST_FULL = 0.35  # share of a piece's frames that have a sighting
_MIN_TRAVEL_PX = 2.5  # a piece that moves less is no ball in flight
_BEND_PX = 2.0  # how far a short piece may be from its parabola for reasons of perspective, besides noise
_CHI2_2_DOF = 18.4  # 0.9999 of chi-squared with 2 degrees of freedom


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
    miss2 = np.where(used, view.miss_px[rows] ** 2, 0.0).sum(axis=1) / used.sum(axis=1) / 2  # each view has its half
    cov[:, [0, 1], [0, 1]] += miss2[:, None]  # all sightings alike: it does not average out
    cov[:, [2, 3], [2, 3]] += miss2[:, None] / WANDERS_S**2
    point = np.concatenate([coefficient[:, 0], coefficient[:, 1]], axis=1)
    moving = np.linalg.norm(coefficient[:, 1], axis=1) * np.ptp(tau, axis=1) > _MIN_TRAVEL_PX
    least = max(_MIN_PIECE, math.ceil(_LEAST_FULL * width_s / view.period_s))
    keep = moving & ((weight > 0).sum(axis=1) >= least)
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
