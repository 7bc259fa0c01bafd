"""Following a ball through both views: from seeds to tracks.

From every seed a Kalman filter runs forward and backward through the sightings of both views, one by one in order of
time, with several hypotheses (hypotheses.py). A track ends where the best score stood. Then the whole path is filtered
and smoothed once more, and what was refused near it is noted with the reason.
"""

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from calibration.camera import Floats
from calibration.rig import Rig
from tracker.records import Ball, Bools, Ints, Sightings, Track
from tracker.settings import TrackingSettings
from tracker.tracking import kalman
from tracker.tracking.hypotheses import Hypothesis, Noise, Scene, frames_of, run, walk
from tracker.tracking.kalman import OFFSET, Smoothed, motion_of
from tracker.tracking.match import Seed, View, find_seeds, make_view

_FORGET = 25.0  # covariance of an estimate that starts another pass over the same sightings: it adds 4 % of them
_EYE2 = np.eye(2)
_OFFSET_SD_MOST_S = 0.02  # clocks worse than this are first brought together (sync.py)
_TRIES = 3  # starts from one pair of chains that may fail
_NEAR_PX = 30.0  # sightings this near the track are reported as refused
_AFTER_S = 0.1  # and for so long before and after it


def follow(
    left: Sightings,
    right: Sightings,
    rig: Rig,
    ball: Ball,
    settings: TrackingSettings,
    offset_sd_s: float = 0.0,
    wanted: Callable[[Floats], bool] | None = None,
) -> list[Track]:
    """Every ball-like track in the sightings of a clip, in order of time.

    Parameters
    ----------
    left, right : sightings of the whole clip, each at its own times
    offset_sd_s : doubt of the clock offset between the views; at least that of the settings is taken. The filter
        estimates the offset with the track: `state` is at `time_s` on the left view's clock.
    wanted : which starts (states) are worth following; None: all
    """
    return [found.track for found in follow_with_offsets(left, right, rig, ball, settings, offset_sd_s, wanted)]


@dataclass(frozen=True, eq=False)
class Followed:
    """A track and the clock offset that it tells: what is to be added to the right view's times, with its sd."""

    track: Track
    offset_s: float
    offset_sd_s: float


def follow_with_offsets(
    left: Sightings,
    right: Sightings,
    rig: Rig,
    ball: Ball,
    settings: TrackingSettings,
    offset_sd_s: float = 0.0,
    wanted: Callable[[Floats], bool] | None = None,
) -> list[Followed]:
    """As `follow`, each track with the clock offset that its filter found."""
    offset_sd_s = float(np.clip(offset_sd_s, settings.offset_sd_s, max(settings.offset_sd_s, _OFFSET_SD_MOST_S)))
    motion = motion_of(ball, settings)
    views = make_view(left, rig.left, False), make_view(right, rig.right, True)
    scene = Scene(
        views, frames_of(views), motion, settings, offset_sd_s, gate_of(settings), ball.radius_m, (left, right)
    )
    free = np.ones(len(views[0].row), bool), np.ones(len(views[1].row), bool)
    found: list[Followed] = []
    tried = Counter[tuple[int, int]]()
    for seed in find_seeds(views, motion, settings, offset_sd_s):
        if wanted is not None and not wanted(seed.state):
            continue
        pair = _chains(views, seed)
        if tried[pair] >= _TRIES or np.mean([free[v][seed.rows[v]].mean() for v in (0, 1)]) < 0.5:
            continue
        one = _grow(scene, free, seed)
        if one is None:
            tried[pair] += 1
            continue
        found.append(one)
    return sorted(found, key=lambda one: float(one.track.time_s[0]))


def gate_of(settings: TrackingSettings) -> float:
    """The gate: largest squared Mahalanobis distance of a sighting (2 degrees of freedom) that may be taken.

    >>> round(gate_of(TrackingSettings(gate_probability=0.99)), 4)
    9.2103
    """
    return float(chi2.ppf(settings.gate_probability, 2)) if settings.use_gate else np.inf


def _chains(views: tuple[View, View], seed: Seed) -> tuple[int, int]:
    left, right = (int(view.chain[rows[0]]) for view, rows in zip(views, seed.rows, strict=True))
    return left, right


def _grow(scene: Scene, free: tuple[Bools, Bools], seed: Seed) -> Followed | None:
    """The track that grows from a seed, its sightings claimed; None where it comes to nothing."""
    views, settings = scene.views, scene.settings
    cov_px2 = np.concatenate([v.cov[r] for v, r in zip(views, seed.rows, strict=True)])
    var = float(np.trace(cov_px2, axis1=1, axis2=2).mean()) / 2
    noise = Noise(max(settings.view_noise_px, math.sqrt(max(seed.noise_px**2 - var, 0.0))), seed.time_sd_s)
    begin_s = min(float(v.time_s[r].min()) for v, r in zip(views, seed.rows, strict=True))
    step = kalman.advance(seed.state, begin_s - seed.time_s, scene.motion)
    cov = step.F @ seed.cov @ step.F.T * 4 + kalman.start_cov(0.02, 0.5, 0.0)
    onward = walk(run(scene, free, Hypothesis(begin_s, step.state, cov), 1, noise))
    if len(onward) < 4:
        return None
    path = _smooth(scene, onward, noise, step.state, cov)
    if path is None:
        return None
    start = Hypothesis(_time(scene, onward[0]), path.state[0], path.cov[0])
    back = run(scene, free, start, -1, noise)
    takes = sorted([*walk(back), *onward], key=lambda take: _time(scene, take))
    begin = (path.state[0], path.cov[0]) if back is None else (back.state, back.cov)
    path = _smooth(scene, takes, noise, begin[0], begin[1] * _FORGET)
    takes, path = _without_strays(scene, takes, path, noise)
    if path is None or not _is_ball(scene, takes, path):
        return None
    for view, row in takes:
        free[view][row] = False
    track = _track(scene, free, takes, path, noise)
    return Followed(track, float(path.state[-1, OFFSET]), math.sqrt(path.cov[-1, OFFSET, OFFSET]))


def _time(scene: Scene, take: tuple[int, int]) -> float:
    return float(scene.views[take[0]].time_s[take[1]])


def _gather(scene: Scene, takes: list[tuple[int, int]], name: str) -> Floats:
    """A column of the views' sightings for (view, row) pairs."""
    return np.array([getattr(scene.views[view], name)[row] for view, row in takes])


def _smooth(scene: Scene, takes: list[tuple[int, int]], noise: Noise, start: Floats, cov: Floats) -> Smoothed | None:
    """Filter and smoother over the sightings taken, from a prior state and covariance at the first."""
    R = _gather(scene, takes, "cov") + noise.floor_px**2 * np.eye(2)
    eyes = [scene.views[view].eye for view, _ in takes]
    time_sd_s = np.array([noise.time_sd_s[view] for view, _ in takes])
    stamps = _gather(scene, takes, "time_s")
    return kalman.smooth(stamps, _gather(scene, takes, "px"), R, eyes, start, cov, scene.motion, time_sd_s)


def _without_strays(
    scene: Scene, takes: list[tuple[int, int]], path: Smoothed | None, noise: Noise
) -> tuple[list[tuple[int, int]], Smoothed | None]:
    """The path without those sightings that the whole of it puts outside the gate."""
    if path is None:
        return takes, None
    far = _distance(scene, takes, path.state, noise)
    stay = far < scene.gate
    if stay.all() or stay.sum() < scene.settings.min_sightings:
        return takes, path
    kept = [take for take, keep in zip(takes, stay, strict=True) if keep]
    first = int(np.argmax(stay))
    return kept, _smooth(scene, kept, noise, path.state[first], path.cov[first] * _FORGET)


def _distance(scene: Scene, takes: list[tuple[int, int]], state: Floats, noise: Noise) -> Floats:
    """Squared distance of sightings from states, by their own covariance."""
    far = np.empty(len(takes))
    for i, (view, row) in enumerate(takes):
        seen = scene.views[view]
        far[i] = _squared(*seen.eye.see(state[i]), state[i], seen, view, row, noise)
    return far


def _squared(px: Floats, H: Floats, state: Floats, seen: View, view: int, row: int, noise: Noise) -> float:
    """Squared Mahalanobis distance of a sighting from where a state puts it."""
    away = seen.px[row] - px
    return float(away @ np.linalg.solve(noise.of(seen.cov[row], view, H[:, :3] @ state[3:6]), away))


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
    scene: Scene, free: tuple[Bools, Bools], takes: list[tuple[int, int]], path: Smoothed, noise: Noise
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
        _refused(scene, free, times, path, noise),
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


def _refused(scene: Scene, free: tuple[Bools, Bools], times: Floats, path: Smoothed, noise: Noise) -> Ints:
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
            px, H = view.eye.see(state)
            if not float(np.linalg.norm(view.px[row] - px)) < _NEAR_PX:
                continue
            inside = _squared(px, H, state, view, v, row, noise) < scene.gate
            code = 4 if now_s < times[0] else 5 if now_s > times[-1] else 2 if inside else 1
            out.append((v, int(view.row[row]), code))
            if inside:
                free[v][row] = False
    return np.array(out, int).reshape(-1, 3)
