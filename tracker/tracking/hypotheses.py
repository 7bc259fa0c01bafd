"""Reading the sightings one by one: hypotheses of where the ball went next, the likeliest few carried on.

Track-oriented multiple hypotheses (Blackman 2004, IEEE Aerosp. Electron. Syst. Mag. 19(1), from memory). For every
sighting it takes, a hypothesis scores the logarithm of how much likelier the ball is than clutter. Page's cumulative
sum (Page 1954, Biometrika 41) of the squared Mahalanobis distances ends a hypothesis whose ball has changed its path.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Floats
from tracker.records import Bools, Ints, Sightings
from tracker.settings import TrackingSettings
from tracker.tracking import kalman
from tracker.tracking.kalman import Glance, Motion
from tracker.tracking.views import View

_DOUBTFUL = 9.21  # a sighting this far off (chi-squared, 2 degrees of freedom, 0.99) may be clutter: the reading splits
_STRAIN_FREE, _STRAIN_LIMIT = 5.0, 40.0  # Page's test of the squared distances (mean 2): the path has changed
_DESERTED, _DESERTED_MOST = 6.0, 25.0  # strain of a frame in which the chain goes on outside the gate, and up to where
_EYE2 = np.eye(2)
_PATIENCE, _SELDOM = 24, 0.25  # after so many frames a reading that took less than this share of them is given up
_TOO_FAST = 2.0  # times the fastest: no ball any more
_SAME_CHAIN = 1.0  # log-likelihood that a sighting gains by continuing the chain of the one before
_GAP_COST = 6.0  # a spell unseen costs no more than this, however long


@dataclass(frozen=True, eq=False)
class Frames:
    """The frames of both views in order of time: time (f,), view (f,), and their rows first (f,) to last (f,)."""

    time_s: Floats
    view: Ints
    first: Ints
    last: Ints


def frames_of(views: Sequence[View]) -> Frames:
    """All frames that have a sighting."""
    first, last = (np.concatenate([v.first[s] for v in views]) for s in (slice(None, -1), slice(1, None)))
    which = np.concatenate([np.full(len(v.first) - 1, i) for i, v in enumerate(views)])
    time_s = np.concatenate([v.time_s[v.first[:-1]] for v in views])
    order = np.argsort(time_s, kind="stable")
    return Frames(time_s[order], which[order], first[order], last[order])


@dataclass(frozen=True, eq=False)
class Scene:
    """What stays the same while a clip is followed."""

    views: tuple[View, View]
    frames: Frames
    motion: Motion
    settings: TrackingSettings
    offset_sd_s: float
    gate: float
    radius_m: float
    sightings: tuple[Sightings, Sightings]


@dataclass(frozen=True)
class Noise:
    """What a sighting's own covariance leaves out: floor_px each axis, each view's unsteady stamps."""

    floor_px: float
    time_sd_s: tuple[float, float]

    def of(self, cov: Floats, view: int, rate: Floats) -> Floats:
        """Covariance (n, 2, 2) or (2, 2) of sightings whose image moves at `rate` (2,) px/s."""
        extra = self.floor_px**2 * _EYE2
        if self.time_sd_s[view]:
            extra = extra + self.time_sd_s[view] ** 2 * (rate[:, None] * rate)
        return cov + extra


@dataclass(frozen=True, eq=False)
class Take:
    """A sighting taken, the state and strain (see Hypothesis) after it, and the one before."""

    view: int
    row: int
    state: Floats
    cov: Floats
    strain: float
    before: "Take | None"


@dataclass(frozen=True, eq=False)
class Hypothesis:
    """One reading of the sightings so far.

    time_s  of the state, which is that of the last sighting taken
    peak    the score where it stood best, and the last sighting taken then
    strain  Page's cumulative sum of the squared distances beyond what a true path gives; 0: none has built up
    taken   number of sightings taken
    frame, chain  number of the last frame and chain taken from each view (-1: none)
    """

    time_s: float
    state: Floats
    cov: Floats
    score: float = 0.0
    strain: float = 0.0
    last: Take | None = None
    peak: tuple[float, Take | None] = (0.0, None)
    taken: int = 0
    frame: tuple[int, int] = (-1, -1)
    chain: tuple[int, int] = (-1, -1)

    @property
    def recent(self) -> tuple[tuple[int, int], ...]:
        """The last five sightings taken."""
        out: list[tuple[int, int]] = []
        take = self.last
        while take is not None and len(out) < 5:
            out.append((take.view, take.row))
            take = take.before
        return tuple(out)


def run(scene: Scene, free: Sequence[Bools], start: Hypothesis, way: int, noise: Noise) -> Take | None:
    """Carry a start through the frames, forward (way 1) or backward (-1); the last sighting of the best reading."""
    frames, gap_s = scene.frames, scene.settings.gap_s
    live, best = [start], start.peak
    k = int(np.searchsorted(frames.time_s, start.time_s - way * 1e-9)) - (way < 0)
    passed = 0  # frames with sightings
    while 0 <= k < len(frames.time_s) and live:
        now_s, view = float(frames.time_s[k]), int(frames.view[k])
        least = _SELDOM * passed if passed > _PATIENCE else 0
        live = [h for h in live if abs(now_s - h.time_s) <= gap_s and h.taken >= least]
        rows = np.arange(frames.first[k], frames.last[k])
        rows = rows[free[view][rows]]
        if len(rows):
            passed += 1
            live = _prune([child for h in live for child in _extend(scene, h, view, rows, noise)], scene.settings)
            best = max([best, *(h.peak for h in live)], key=lambda peak: peak[0])
        k += way
    return best[1]


def _prune(hypotheses: list[Hypothesis], settings: TrackingSettings) -> list[Hypothesis]:
    """The best few, one for each way of reading the last five sightings."""
    if len(hypotheses) < 2:
        return hypotheses
    kept: dict[tuple[tuple[int, int], ...], Hypothesis] = {}
    for h in sorted(hypotheses, key=lambda h: -h.score):
        if len(kept) < settings.hypotheses:
            kept.setdefault(h.recent, h)
    return list(kept.values())


def _extend(scene: Scene, h: Hypothesis, view: int, rows: Ints, noise: Noise) -> list[Hypothesis]:
    """The ways in which a hypothesis goes on through one frame: with one of its sightings, or with none."""
    seen = scene.views[view]
    first_s = float(seen.time_s[rows[0]])
    wander = float(seen.wander_px2ps[rows[0]])
    ahead = kalman.glance(h.state, h.cov, first_s - h.time_s, seen.eye, scene.motion, wander)
    if ahead is None:
        return [h]
    if not ahead.doubt[0, 0] + ahead.doubt[1, 1] < seen.camera.lens.image_size_px[0] ** 2:
        return []  # it may be anywhere in the picture: lost
    far = _squared_distances(seen, rows, first_s, ahead, noise.of(seen.cov[rows], view, np.array(ahead.rate)))
    near = np.flatnonzero(far < scene.gate)
    if not len(near):
        return [_deserted(h, seen.chain[rows] == h.chain[view])]
    near = near[np.argsort(far[near])][: 3 if scene.settings.use_gate else 1]
    children = [_take(scene, h, view, int(rows[i]), noise) for i in near]
    if scene.settings.use_gate and (len(near) > 1 or far[near[0]] > _DOUBTFUL):
        children.append(h)
    return [child for child in children if child is not None]


def _squared_distances(seen: View, rows: Ints, first_s: float, ahead: Glance, R: Floats) -> Floats:
    """Squared Mahalanobis distance (n,) of sightings of one frame, whose rows a rolling shutter takes at own times."""
    u, v = (seen.px[rows] - ahead.px - (seen.time_s[rows] - first_s)[:, None] * np.array(ahead.rate)).T
    a, b, d = (R[:, i, j] + ahead.doubt[i, j] for i, j in ((0, 0), (0, 1), (1, 1)))
    far: Floats = (d * u * u - 2 * b * u * v + a * v * v) / (a * d - b * b)
    return far


def _deserted(h: Hypothesis, same: Bools) -> Hypothesis:
    """The hypothesis after a frame in which its chain goes on elsewhere: a hint, no proof, that the path changed."""
    if not same.any() or h.strain > _DESERTED_MOST:
        return h
    return replace(h, strain=h.strain + _DESERTED)


def _take(scene: Scene, h: Hypothesis, view: int, row: int, noise: Noise) -> Hypothesis | None:
    """The hypothesis with one more sighting; None where the distances add up to another path (Page 1954)."""
    seen, settings = scene.views[view], scene.settings
    time_s = float(seen.time_s[row])
    step = kalman.advance(h.state, time_s - h.time_s, scene.motion, float(seen.wander_px2ps[row]))
    state, cov = kalman.predict(h.state, h.cov, step)
    expected, H = seen.eye.see(state)
    R = noise.of(seen.cov[row], view, H[:, :3] @ state[3:6])
    S, away = H @ cov @ H.T + R, seen.px[row] - expected
    far = float(away @ np.linalg.solve(S, away))
    strain = max(0.0, h.strain + far - _STRAIN_FREE)
    if strain > _STRAIN_LIMIT and settings.use_gate:
        return None
    gain = -0.5 * (far + math.log(float(S[0, 0] * S[1, 1] - S[0, 1] * S[1, 0]))) - math.log(2 * math.pi)
    gain += math.log(settings.detection_probability / settings.clutter_per_px2)
    missed = abs(int(seen.frame[row]) - h.frame[view]) - 1 if h.frame[view] >= 0 else 0
    gain -= min(-missed * math.log(1 - settings.detection_probability), _GAP_COST)
    gain += _SAME_CHAIN if seen.chain[row] == h.chain[view] else 0.0
    gain -= _size_cost(scene, view, row, state)
    state, cov = kalman.update(state, cov, seen.px[row], expected, H, R)
    if not math.hypot(state[3], state[4], state[5]) < _TOO_FAST * settings.fastest_mps:
        return None
    last, score = Take(view, row, state, cov, strain, h.last), h.score + gain
    peak = (score, last) if score > h.peak[0] else h.peak
    frame, chain = _put(h.frame, view, seen.frame[row]), _put(h.chain, view, seen.chain[row])
    return Hypothesis(time_s, state, cov, score, strain, last, peak, h.taken + 1, frame, chain)


def _size_cost(scene: Scene, view: int, row: int, state: Floats) -> float:
    """How unlikely the apparent size is, as log-likelihood: nothing within a third, at most 4."""
    size = float(scene.views[view].size_px[row])
    P, focal_px = scene.views[view].eye.P, float(scene.views[view].camera.lens.matrix[0, 0])
    depth_m = float(P[2, :3] @ state[:3] + P[2, 3])
    if not (size > 0 and depth_m > 0):
        return 0.0
    off = abs(math.log(size * depth_m / (2 * scene.radius_m * focal_px)))
    return min(max(off - 0.3, 0.0) ** 2 / (2 * 0.3**2), 4.0)


def _put(pair: tuple[int, int], view: int, value: int) -> tuple[int, int]:
    return (int(value), pair[1]) if view == 0 else (pair[0], int(value))


def walk(last: Take | None) -> list[tuple[int, int]]:
    """(view, row) of all sightings taken, the earliest first, without a tail in which strain built up."""
    while last is not None and last.strain > _STRAIN_LIMIT / 2:
        while last is not None and last.strain > 0:
            last = last.before
    out: list[tuple[int, int]] = []
    while last is not None:
        out.append((last.view, last.row))
        last = last.before
    return out[::-1]
