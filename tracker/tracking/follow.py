"""Following a ball through both views: from seeds to tracks.

From every seed a Kalman filter runs forward and backward through the sightings of both views, one by one in order of
time. Where a frame offers several sightings within the gate, or a doubtful one, the reading splits into hypotheses; the
likeliest few are carried on (track-oriented multiple hypotheses: Blackman 2004, IEEE Aerosp. Electron. Syst. Mag.
19(1), from memory). A hypothesis scores, for every sighting it takes, the logarithm of how much likelier the ball is
than clutter; a track ends where the best score stood. Then the whole path is filtered and smoothed once more.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from calibration.camera import Floats
from calibration.rig import Rig
from tracker.records import Ball, Bools, Ints, Sightings, Track
from tracker.settings import TrackingSettings
from tracker.tracking import kalman
from tracker.tracking.kalman import OFFSET, Motion, Smoothed, motion_of
from tracker.tracking.match import Seed, View, find_seeds, make_view

_DOUBTFUL = 9.21  # a sighting this far off (chi-squared, 2 degrees of freedom, 0.99) may be clutter: the reading splits
_STRAIN_FREE, _STRAIN_LIMIT = 5.0, 40.0  # Page's test of the squared distances (mean 2): the path has changed
_FORGET = 25.0  # covariance of an estimate that starts another pass over the same sightings: it adds 4 % of them
_EYE2 = np.eye(2)
_SAME_CHAIN = 1.0  # log-likelihood that a sighting gains by continuing the chain of the one before
_GAP_COST = 6.0  # a spell unseen costs no more than this, however long
_TRIES = 3  # starts from one pair of chains that may fail
_NEAR_PX = 30.0  # sightings this near the track are reported as refused
_AFTER_S = 0.1  # and for so long before and after it


def follow(
    left: Sightings,
    right: Sightings,
    rig: Rig,
    ball: Ball,
    settings: TrackingSettings,
    offset_sd_s: float | None = None,
) -> list[Track]:
    """Every ball-like track in the sightings of a clip, in order of time.

    Parameters
    ----------
    left, right : sightings of the whole clip, each at its own times
    offset_sd_s : doubt of the clock offset between the views; None: as in the settings. The filter estimates the
        offset with the track: `state` is then at `time_s` on the left view's clock.
    """
    offset_sd_s = settings.offset_sd_s if offset_sd_s is None else offset_sd_s
    motion = motion_of(ball, settings)
    views = make_view(left, rig.left, False), make_view(right, rig.right, True)
    scene = Scene(views, frames_of(views), motion, settings, offset_sd_s, gate_of(settings), ball.radius_m, (left, right))
    free = np.ones(len(views[0].row), bool), np.ones(len(views[1].row), bool)
    tracks, tried = [], Counter[tuple[int, int]]()
    for seed in find_seeds(views, motion, settings, offset_sd_s):
        pair = _chains(views, seed)
        if tried[pair] >= _TRIES or np.mean([free[v][seed.rows[v]].mean() for v in (0, 1)]) < 0.5:
            continue
        track = _grow(scene, free, seed)
        if track is None:
            tried[pair] += 1
            continue
        tracks.append(track)
    return sorted(tracks, key=lambda track: float(track.time_s[0]))


def gate_of(settings: TrackingSettings) -> float:
    """The gate: largest squared Mahalanobis distance of a sighting (2 degrees of freedom) that may be taken.

    >>> round(gate_of(TrackingSettings(gate_probability=0.99)), 4)
    9.2103
    """
    return float(chi2.ppf(settings.gate_probability, 2)) if settings.use_gate else np.inf


def _chains(views: tuple[View, View], seed: Seed) -> tuple[int, int]:
    left, right = (int(view.chain[rows[0]]) for view, rows in zip(views, seed.rows, strict=True))
    return left, right


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


@dataclass(frozen=True, eq=False)
class Take:
    """A sighting taken, the state after it, and the one before.

    strain  Page's cumulative sum of the squared distances beyond what a true path gives; 0: none has built up
    """

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
    frame, chain  number of the last frame and chain taken from each view (-1: none)
    """

    time_s: float
    state: Floats
    cov: Floats
    score: float = 0.0
    last: Take | None = None
    peak: tuple[float, Take | None] = (0.0, None)
    frame: tuple[int, int] = (-1, -1)
    chain: tuple[int, int] = (-1, -1)

    @property
    def recent(self) -> tuple[tuple[int, int], ...]:
        """The last five sightings taken."""
        out, take = [], self.last
        while take is not None and len(out) < 5:
            out.append((take.view, take.row))
            take = take.before
        return tuple(out)


def run(
    scene: Scene, free: Sequence[Bools], start: Hypothesis, way: int, floor_px: float
) -> Take | None:
    """Carry a start through the frames, forward (way 1) or backward (-1); the last sighting of the best reading."""
    frames, gap_s = scene.frames, scene.settings.gap_s
    live, best = [start], start.peak
    side = "left" if way > 0 else "right"
    k = int(np.searchsorted(frames.time_s, start.time_s - way * 1e-9, side=side)) - (way < 0)
    while 0 <= k < len(frames.time_s) and live:
        now_s, view = float(frames.time_s[k]), int(frames.view[k])
        live = [h for h in live if abs(now_s - h.time_s) <= gap_s]
        rows = np.arange(frames.first[k], frames.last[k])
        rows = rows[free[view][rows]]
        if len(rows):
            live = _prune([child for h in live for child in _extend(scene, h, view, rows, floor_px)], scene.settings)
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


def _extend(scene: Scene, h: Hypothesis, view: int, rows: Ints, floor_px: float) -> list[Hypothesis]:
    """The ways in which a hypothesis goes on through one frame: with one of its sightings, or with none."""
    seen = scene.views[view]
    first_s = float(seen.time_s[rows[0]])
    step = kalman.advance(h.state, first_s - h.time_s, scene.motion)
    expected, H = seen.eye.see(step.state)
    if not np.isfinite(expected[0]):
        return [h]
    drift = (H[:, :3] @ step.state[3:6]) * (seen.time_s[rows] - first_s)[:, None]  # a rolling shutter's rows differ
    away = seen.px[rows] - expected - drift
    through = H @ step.F
    S = through @ h.cov @ through.T + H @ step.Q @ H.T + seen.cov[rows] + floor_px**2 * _EYE2
    far = np.einsum("ni,nij,nj->n", away, np.linalg.inv(S), away)
    near = np.flatnonzero(far < scene.gate)
    if not len(near):
        return [h]
    near = near[np.argsort(far[near])][:3]
    children = [_take(scene, h, view, int(rows[i]), floor_px) for i in near]
    if len(near) > 1 or far[near[0]] > _DOUBTFUL:
        children.append(h)
    return [child for child in children if child is not None]


def _take(scene: Scene, h: Hypothesis, view: int, row: int, floor_px: float) -> Hypothesis | None:
    """The hypothesis with one more sighting; None where the distances add up to another path (Page 1954)."""
    seen, settings = scene.views[view], scene.settings
    time_s = float(seen.time_s[row])
    step = kalman.advance(h.state, time_s - h.time_s, scene.motion)
    state, cov = kalman.predict(h.state, h.cov, step)
    expected, H = seen.eye.see(state)
    R = seen.cov[row] + floor_px**2 * _EYE2
    S, away = H @ cov @ H.T + R, seen.px[row] - expected
    far = float(away @ np.linalg.solve(S, away))
    strain = max(0.0, (h.last.strain if h.last else 0.0) + far - _STRAIN_FREE)
    if strain > _STRAIN_LIMIT and settings.use_gate:
        return None
    gain = -0.5 * (far + math.log(float(S[0, 0] * S[1, 1] - S[0, 1] * S[1, 0]))) - math.log(2 * math.pi)
    gain += math.log(settings.detection_probability / settings.clutter_per_px2)
    missed = abs(int(seen.frame[row]) - h.frame[view]) - 1 if h.frame[view] >= 0 else 0
    gain -= min(-missed * math.log(1 - settings.detection_probability), _GAP_COST)
    gain += _SAME_CHAIN if seen.chain[row] == h.chain[view] else 0.0
    gain -= _size_cost(scene, view, row, state)
    state, cov = kalman.update(state, cov, seen.px[row], expected, H, R)
    last, score = Take(view, row, state, cov, strain, h.last), h.score + gain
    peak = (score, last) if score > h.peak[0] else h.peak
    frame, chain = _put(h.frame, view, seen.frame[row]), _put(h.chain, view, seen.chain[row])
    return Hypothesis(time_s, state, cov, score, last, peak, frame, chain)


def _size_cost(scene: Scene, view: int, row: int, state: Floats) -> float:
    """How unlikely the apparent size is, as log-likelihood: nothing within a third, at most 4."""
    size = float(scene.views[view].size_px[row])
    P = scene.views[view].eye.P
    expected = P[0, 0:3] @ P[0, 0:3]
    depth = float(P[2, :3] @ state[:3] + P[2, 3])
    focal = np.sqrt(max(expected - (P[0, :3] @ P[2, :3]) ** 2, 1.0))
    if not (size > 0 and depth > 0):
        return 0.0
    off = abs(np.log(size * depth / (2 * scene.radius_m * focal)))
    return float(min(max(off - 0.3, 0.0) ** 2 / (2 * 0.3**2), 4.0))


def _put(pair: tuple[int, int], view: int, value: int) -> tuple[int, int]:
    return (int(value), pair[1]) if view == 0 else (pair[0], int(value))


def _grow(scene: Scene, free: tuple[Bools, Bools], seed: Seed) -> Track | None:
    """The track that grows from a seed, its sightings claimed; None where it comes to nothing."""
    views, settings = scene.views, scene.settings
    var = np.mean([np.trace(v.cov[r], axis1=1, axis2=2).mean() / 2 for v, r in zip(views, seed.rows, strict=True)])
    floor_px = max(settings.view_noise_px, float(np.sqrt(max(seed.noise_px**2 - var, 0.0))))
    begin_s = min(float(v.time_s[r].min()) for v, r in zip(views, seed.rows, strict=True))
    step = kalman.advance(seed.state, begin_s - seed.time_s, scene.motion)
    cov = step.F @ seed.cov @ step.F.T * 4 + kalman.start_cov(0.02, 0.5, 0.0)
    onward = _walk(run(scene, free, Hypothesis(begin_s, step.state, cov), 1, floor_px))
    if len(onward) < 4:
        return None
    path = _smooth(scene, onward, floor_px, step.state, cov)
    start = Hypothesis(_time(scene, onward[0]), path.state[0], path.cov[0])
    back = run(scene, free, start, -1, floor_px)
    takes = sorted([*_walk(back), *onward], key=lambda take: _time(scene, take))
    begin = (path.state[0], path.cov[0]) if back is None else (back.state, back.cov)
    path = _smooth(scene, takes, floor_px, begin[0], begin[1] * _FORGET)
    takes, path = _without_strays(scene, takes, path, floor_px)
    if not _is_ball(scene, takes, path):
        return None
    for view, row in takes:
        free[view][row] = False
    return _track(scene, free, takes, path, floor_px)


def _walk(last: Take | None) -> list[tuple[int, int]]:
    """(view, row) of all sightings taken, the earliest first, without a tail in which strain built up."""
    while last is not None and last.strain > _STRAIN_LIMIT / 2:
        while last is not None and last.strain > 0:
            last = last.before
    out = []
    while last is not None:
        out.append((last.view, last.row))
        last = last.before
    return out[::-1]


def _time(scene: Scene, take: tuple[int, int]) -> float:
    return float(scene.views[take[0]].time_s[take[1]])


def _gather(scene: Scene, takes: list[tuple[int, int]], name: str) -> Floats:
    """A column of the views' sightings for (view, row) pairs."""
    return np.array([getattr(scene.views[view], name)[row] for view, row in takes])


def _smooth(scene: Scene, takes: list[tuple[int, int]], floor_px: float, start: Floats, cov: Floats) -> Smoothed:
    """Filter and smoother over the sightings taken, from a prior state and covariance at the first."""
    R = _gather(scene, takes, "cov") + floor_px**2 * np.eye(2)
    eyes = [scene.views[view].eye for view, _ in takes]
    return kalman.smooth(_gather(scene, takes, "time_s"), _gather(scene, takes, "px"), R, eyes, start, cov, scene.motion)


def _without_strays(
    scene: Scene, takes: list[tuple[int, int]], path: Smoothed, floor_px: float
) -> tuple[list[tuple[int, int]], Smoothed]:
    """The path without those sightings that the whole of it puts outside the gate."""
    far = _distance(scene, takes, path.state, floor_px)
    stay = far < scene.gate
    if stay.all() or stay.sum() < scene.settings.min_sightings:
        return takes, path
    kept = [take for take, keep in zip(takes, stay, strict=True) if keep]
    first = int(np.argmax(stay))
    return kept, _smooth(scene, kept, floor_px, path.state[first], path.cov[first] * _FORGET)


def _distance(scene: Scene, takes: list[tuple[int, int]], state: Floats, floor_px: float) -> Floats:
    """Squared distance of sightings from states, by their own covariance."""
    far = np.empty(len(takes))
    for i, (view, row) in enumerate(takes):
        seen = scene.views[view]
        away = seen.px[row] - seen.eye.see(state[i])[0]
        far[i] = away @ np.linalg.solve(seen.cov[row] + floor_px**2 * np.eye(2), away)
    return far


def _is_ball(scene: Scene, takes: list[tuple[int, int]], path: Smoothed) -> bool:
    """Whether a path is long, well seen and fast enough for a ball."""
    settings = scene.settings
    view = np.array([v for v, _ in takes])
    times = _gather(scene, takes, "time_s")
    if len(takes) < settings.min_sightings or min((view == 0).sum(), (view == 1).sum()) < 3:
        return False
    if times[-1] - times[0] < settings.min_flight_s:
        return False
    return float(np.linalg.norm(path.state[:, 3:6], axis=1).max()) > settings.slowest_mps


def _track(
    scene: Scene, free: tuple[Bools, Bools], takes: list[tuple[int, int]], path: Smoothed, floor_px: float
) -> Track:
    """The record of a path."""
    times = _gather(scene, takes, "time_s")
    which = np.array([view for view, _ in takes])
    source = scene.sightings
    row = np.array([scene.views[view].row[r] for view, r in takes])

    def column(name: str) -> Floats:
        return np.array([getattr(source[view], name)[r] for view, r in zip(which, row, strict=True)])

    return Track(
        which,
        row,
        times,
        column("centre_px"),
        column("cov_px2"),
        column("size_px"),
        column("streak_px"),
        path.state[:, :OFFSET],
        path.cov[:, :OFFSET, :OFFSET],
        path.bounce_s,
        _ending(scene, takes, times, path),
        _refused(scene, free, times, path, floor_px),
    )


def _ending(scene: Scene, takes: list[tuple[int, int]], times: Floats, path: Smoothed) -> str:
    """Why the track ends."""
    end_s, period_s = float(times[-1]), max(v.period_s for v in scene.views)
    if scene.frames.time_s[-1] - end_s < 2 * period_s:
        return "film ends"
    ahead = kalman.advance(path.state[-1], 2.5 * period_s, scene.motion).state[None, :3]
    if not any(view.camera.sees(ahead)[0] for view in scene.views):
        return "left view"
    for v, view in enumerate(scene.views):
        chains = [view.chain[row] for which, row in takes[-6:] if which == v]
        later = (view.time_s > end_s) & (view.time_s < end_s + _AFTER_S)
        if chains and chains[-1] >= 0 and (view.chain[later] == chains[-1]).sum() >= 2:
            return "deviated"
    return "lost"


def _refused(
    scene: Scene, free: tuple[Bools, Bools], times: Floats, path: Smoothed, floor_px: float
) -> Ints:
    """Sightings near the path that were not taken, with the reason's code (records.REFUSALS)."""
    out = []
    for v, view in enumerate(scene.views):
        lo, hi = np.searchsorted(view.frame_time_s, [times[0] - _AFTER_S, times[-1] + _AFTER_S])
        for row in range(view.first[lo], view.first[hi]):
            if not free[v][row]:
                continue
            now_s = float(view.time_s[row])
            i = int(np.argmin(np.abs(times - now_s)))
            state = kalman.advance(path.state[i], now_s - times[i], scene.motion).state
            away = view.px[row] - view.eye.see(state)[0]
            if not float(np.hypot(*away)) < _NEAR_PX:
                continue
            inside = away @ np.linalg.solve(view.cov[row] + floor_px**2 * np.eye(2), away) < scene.gate
            code = 4 if now_s < times[0] else 5 if now_s > times[-1] else 2 if inside else 1
            out.append((v, int(view.row[row]), code))
            if inside:
                free[v][row] = False
    return np.array(out, int).reshape(-1, 3)
