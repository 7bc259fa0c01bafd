"""Following a ball through both views: from seeds to tracks.

From every seed a Kalman filter runs forward and backward through the sightings of both views, one by one in order of
time, with several hypotheses (hypotheses.py). A track ends where the best score stood. Then the whole path is filtered
and smoothed once more, and what was refused near it is noted with the reason.
"""

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Floats
from calibration.lane import STANDARD_GRAVITY_MPS2
from calibration.rig import Rig
from tracker.records import Ball, Bools, Ints, Sightings, Track
from tracker.settings import TrackingSettings
from tracker.tracking import kalman
from tracker.tracking.hypotheses import Hypothesis, Noise, Scene, frames_of, run, walk
from tracker.tracking.kalman import MISS, OFFSET, Smoothed, motion_of
from tracker.tracking.match import find_seeds
from tracker.tracking.seeds import MEDIAN_SIZE, Seed, miss_of
from tracker.tracking.views import View, make_views

_FORGET = 25.0  # covariance of an estimate that starts another pass over the same sightings: it adds 4 % of them
_OFFSET_SD_MOST_S = 0.02  # clocks worse than this are first brought together (sync.py)
_SEED_MISFIT = 1.33  # a seed, of fewer sightings, may fit worse than a track by this
_SURE_MPS, _SURE_M = 8.0, 5.0  # what flies faster and farther than this, seen by both views, is a ball
_GOOD_SEED, _MOST_POOR = 0.4, 100  # share of the best seed's score; seeds tried in a poor rig
_POOR_NOISE_PX, _POOR_MISFIT, _POOR_ALIKE = 2.0, 1.0, 3.0  # noise allowed there, misfit, and over the surest ball's
_FEWER_VIEW = 0.1  # share of a track's sightings that the view with fewer has at least
_SIZE_SD = 0.5  # spread of the logarithm of apparent size over a ball's; limbs change more
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
    """A track and what else following it told.

    offset_s, offset_sd_s  the clocks' offset: what is to be added to the right view's times, with its sd
    misfit  residuals over what the sightings' covariances and a good rig say (robust)
    share   of its frames in which it was seen
    """

    track: Track
    offset_s: float
    offset_sd_s: float
    misfit: float
    share: float


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
    views = make_views(left, right, rig, ball.radius_m)
    scene = Scene(
        views, frames_of(views), motion, settings, offset_sd_s, gate_of(settings), ball.radius_m, (left, right)
    )
    seeds = find_seeds(views, motion, settings, offset_sd_s)
    if wanted is not None:
        seeds = [seed for seed in seeds if wanted(seed.state)]
    free = np.ones(len(views[0].row), bool), np.ones(len(views[1].row), bool)
    fair = [seed for seed in seeds if seed.spread <= _SEED_MISFIT * settings.misfit]
    found = _grow_all(scene, free, fair, settings.misfit)
    found += _of_a_poor_rig(scene, free, seeds, found)
    return sorted(found, key=lambda one: float(one.track.time_s[0]))


def _grow_all(scene: Scene, free: tuple[Bools, Bools], seeds: Sequence[Seed], misfit: float) -> list[Followed]:
    """What grows from seeds, the best first, each from sightings that no track has yet."""
    found: list[Followed] = []
    tried = Counter[tuple[int, int]]()
    for seed in seeds:
        pair = _chains(scene.views, seed)
        if tried[pair] >= _TRIES or np.mean([free[v][seed.rows[v]].mean() for v in (0, 1)]) < 0.5:
            continue
        one = _grow(scene, free, seed, misfit)
        if one is None:
            tried[pair] += 1
        else:
            found.append(one)
    return found


def _of_a_poor_rig(
    scene: Scene, free: tuple[Bools, Bools], seeds: Sequence[Seed], found: Sequence[Followed]
) -> list[Followed]:
    """What grows, allowed more noise, from good seeds that came to nothing: a knocked camera makes all fit badly alike.

    Only what is surely a ball, and fits nearly as well as the best.
    """
    best = max((seed.score for seed in seeds), default=0.0)
    good = [s for s in seeds if s.score > _GOOD_SEED * best and _speed(s.state) > _SURE_MPS][:_MOST_POOR]
    loose = replace(scene, settings=replace(scene.settings, view_noise_px=_POOR_NOISE_PX))
    more = [one for one in _grow_all(loose, free, good, np.inf) if _is_sure(one, scene.settings)]
    least = min((one.misfit for one in [*found, *more] if _is_sure(one, scene.settings)), default=0.0)
    return [one for one in more if one.misfit <= max(_POOR_ALIKE * least, _POOR_MISFIT)]


def _is_sure(one: Followed, settings: TrackingSettings) -> bool:
    """Whether a track is far, fast, and seen by both views: nothing but a ball."""
    track = one.track
    fewer = min(int((track.view == v).sum()) for v in (0, 1))
    far_m = float(np.linalg.norm(track.state[-1, :3] - track.state[0, :3]))
    fast = float(np.median(np.linalg.norm(track.state[:, 3:6], axis=1))) > _SURE_MPS
    return fast and far_m > _SURE_M and fewer >= settings.min_sightings and one.share > 0.5


def _speed(state: Floats) -> float:
    return float(np.linalg.norm(state[3:6]))


def gate_of(settings: TrackingSettings) -> float:
    """The gate: largest squared Mahalanobis distance of a sighting (2 degrees of freedom) that may be taken.

    >>> round(gate_of(TrackingSettings(gate_probability=0.99)), 4)
    9.2103
    """
    return -2 * math.log1p(-settings.gate_probability) if settings.use_gate else np.inf


def _chains(views: tuple[View, View], seed: Seed) -> tuple[int, int]:
    left, right = (int(view.chain[rows[0]]) for view, rows in zip(views, seed.rows, strict=True))
    return left, right


def _grow(scene: Scene, free: tuple[Bools, Bools], seed: Seed, misfit: float) -> Followed | None:
    """The track that grows from a seed, its sightings claimed; None where it comes to nothing or fits badly."""
    views, settings = scene.views, scene.settings
    cov_px2 = np.concatenate([v.cov[r] for v, r in zip(views, seed.rows, strict=True)])
    var = float(np.trace(cov_px2, axis1=1, axis2=2).mean()) / 2
    floor_px = max(settings.view_noise_px, math.sqrt(max(seed.noise_px**2 - var, 0.0)))
    noise = Noise(floor_px, seed.time_sd_s)
    begin_s = min(float(v.time_s[r].min()) for v, r in zip(views, seed.rows, strict=True))
    step = kalman.advance(seed.state, begin_s - seed.time_s, scene.motion)
    cov = step.F @ seed.cov @ step.F.T + kalman.start_cov(0.01, 0.25, 0.0)
    begin = _anew(scene, step.state, cov, 4.0, miss_of(views, seed.rows))
    onward = walk(run(scene, free, Hypothesis(begin_s, *begin), 1, noise))
    if len(onward) < 4:
        return None
    path = _smooth(scene, onward, noise, *begin)
    if path is None:
        return None
    start = Hypothesis(_time(scene, onward[0]), path.state[0], path.cov[0])
    back = run(scene, free, start, -1, noise)
    takes = sorted([*walk(back), *onward], key=lambda take: _time(scene, take))
    begin = (path.state[0], path.cov[0]) if back is None else (back.state, back.cov)
    path = _smooth(scene, takes, noise, *_anew(scene, *begin, _FORGET, _miss_px(scene, takes[0])))
    takes, path = _without_strays(scene, takes, path, noise)
    if path is None or not _is_ball(scene, takes, path):
        return None
    far = _distance(scene, takes, path.state, replace(noise, floor_px=settings.view_noise_px))
    found_misfit = math.sqrt(float(np.median(far)) / 2) / MEDIAN_SIZE
    if found_misfit > misfit:
        return None
    for view, row in takes:
        free[view][row] = False
    track = _track(scene, free, takes, path, noise)
    offset_s, offset_sd_s = float(path.state[-1, OFFSET]), math.sqrt(path.cov[-1, OFFSET, OFFSET])
    return Followed(track, offset_s, offset_sd_s, found_misfit, seen_share(views, takes))


def _anew(scene: Scene, state: Floats, cov: Floats, forget: float, miss_px: float) -> tuple[Floats, Floats]:
    """Where another pass over the same sightings begins: wider by `forget`, clocks and rig at their priors again."""
    state, cov = state.copy(), cov * forget
    state[OFFSET:], cov[OFFSET:], cov[:, OFFSET:] = 0.0, 0.0, 0.0
    prior = kalman.start_cov(1.0, 1.0, scene.offset_sd_s, miss_px)
    cov[OFFSET:, OFFSET:] = prior[OFFSET:, OFFSET:]
    return state, cov


def _miss_px(scene: Scene, take: tuple[int, int]) -> float:
    return float(scene.views[take[0]].miss_px[take[1]])


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
    stamps, wander = _gather(scene, takes, "time_s"), _gather(scene, takes, "wander_px2ps")
    return kalman.smooth(stamps, _gather(scene, takes, "px"), R, eyes, start, cov, scene.motion, time_sd_s, wander)


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
    begin = _anew(scene, path.state[first], path.cov[first], _FORGET, _miss_px(scene, kept[0]))
    return kept, _smooth(scene, kept, noise, *begin)


def _distance(scene: Scene, takes: list[tuple[int, int]], state: Floats, noise: Noise) -> Floats:
    """Squared distance of sightings from states, by their own covariance."""
    far = np.empty(len(takes))
    for i, (view, row) in enumerate(takes):
        seen = scene.views[view]
        px, H = seen.eye.see(state[i])
        R = noise.of(seen.cov[row], view, H[:, :3] @ state[i, 3:6])
        far[i] = (seen.px[row] - px) @ np.linalg.solve(R, seen.px[row] - px)
    return far


def _enough(scene: Scene, own: int, view: int, taken: int) -> bool:
    """Whether a view has its share of the sightings taken; one of fewer frames a second, less."""
    period_s = [v.period_s for v in scene.views]
    usual = period_s[1 - view] / sum(period_s)
    return own >= max(3, _FEWER_VIEW * min(1.0, 2 * usual) * taken)


def _is_ball(scene: Scene, takes: list[tuple[int, int]], path: Smoothed) -> bool:
    """Whether a path is long, well seen and fast enough for a ball."""
    settings = scene.settings
    view = np.array([v for v, _ in takes])
    times = _gather(scene, takes, "time_s")
    if len(takes) < settings.min_sightings or not all(
        _enough(scene, int((view == v).sum()), v, len(takes)) for v in (0, 1)
    ):
        return False
    if not _sizes_agree(scene, takes, path):
        return False
    if times[-1] - times[0] < settings.min_flight_s or seen_share(scene.views, takes) < settings.least_seen:
        return False
    return float(np.linalg.norm(path.state[:, 3:6], axis=1).max()) > settings.slowest_mps


def _sizes_agree(scene: Scene, takes: list[tuple[int, int]], path: Smoothed) -> bool:
    """Whether the apparent sizes, over a ball's there, agree with each other and with one; true without sizes."""
    off = []
    for (view, row), state in zip(takes, path.state, strict=True):
        seen = scene.views[view]
        size_px, depth_m = float(seen.size_px[row]), float(seen.eye.P[2, :3] @ state[:3] + seen.eye.P[2, 3])
        if size_px > 0 and depth_m > 0:
            off.append(math.log(size_px * depth_m / (2 * scene.radius_m * float(seen.camera.lens.matrix[0, 0]))))
    if not off:
        return True
    middle = float(np.median(off))
    spread = 1.48 * float(np.median(np.abs(np.array(off) - middle)))
    return abs(middle) < math.log(scene.settings.size_ratio) and spread < _SIZE_SD


def seen_share(views: Sequence[View], takes: Sequence[tuple[int, int]]) -> float:
    """In how many of each view's frames, from its first to its last sighting of a track, the track was seen."""
    frame = [np.array([views[v].frame[row] for view, row in takes if view == v]) for v in range(len(views))]
    return len(takes) / sum(int(np.ptp(f)) + 1 for f in frame if len(f))


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
        column("lean_px"),
        column("trail_px"),
        column("aside"),
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
    """Sightings near the path that were not taken, with the reason's code (records.REFUSALS).

    Those within the gate on the way are the ball's all the same, and are claimed.
    """
    out = [np.empty((0, 3), int)]
    for v, view in enumerate(scene.views):
        lo, hi = np.searchsorted(view.frame_time_s, [times[0] - _AFTER_S, times[-1] + _AFTER_S])
        rows = np.arange(view.first[lo], view.first[hi])
        rows = rows[free[v][rows]]
        near, inside = _beside(view, v, rows, times, path.state, noise, scene.gate)
        rows, inside, now_s = rows[near], inside[near], view.time_s[rows[near]]
        code = np.select([now_s < times[0], now_s > times[-1], inside], [4, 5, 2], 1)
        free[v][rows[code == 2]] = False
        out.append(np.column_stack([np.full(len(rows), v), view.row[rows], code]))
    return np.concatenate(out)


def _beside(
    view: View, v: int, rows: Ints, times: Floats, state: Floats, noise: Noise, gate: float
) -> tuple[Bools, Bools]:
    """Which rows of a view are near a path, and which of them even within the gate."""
    after = np.clip(np.searchsorted(times, view.time_s[rows]), 1, len(times) - 1)
    nearest = after - (view.time_s[rows] - times[after - 1] < times[after] - view.time_s[rows])
    x, dt = state[nearest], (view.time_s[rows] - times[nearest])[:, None]
    if view.eye.late:
        dt = dt + x[:, OFFSET : OFFSET + 1]
    point = x[:, :3] + x[:, 3:6] * dt
    point[:, 2] -= STANDARD_GRAVITY_MPS2 / 2 * dt[:, 0] ** 2
    P = view.eye.P
    shown = point @ P[:, :3].T + P[:, 3]
    depth = np.where(shown[:, 2:] > 0.1, shown[:, 2:], np.nan)
    px = shown[:, :2] / depth
    away = view.px[rows] - px - x[:, MISS:] * np.array([view.eye.aside(*at) for at in px.tolist()]).reshape(-1, 2)
    rate = np.nan_to_num((x[:, 3:6] @ P[:2, :3].T - px * (x[:, 3:6] @ P[2, :3])[:, None]) / depth)
    cov = view.cov[rows] + noise.floor_px**2 * np.eye(2)
    cov += noise.time_sd_s[v] ** 2 * rate[:, :, None] * rate[:, None, :]
    with np.errstate(invalid="ignore"):
        near = np.hypot(away[:, 0], away[:, 1]) < _NEAR_PX
        return near, near & (np.einsum("ni,nij,nj->n", away, np.linalg.inv(cov), away) < gate)
