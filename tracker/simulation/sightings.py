"""From true paths to `Sightings`, without pictures: what a camera with stated faults would report.

The position is averaged over the exposure of its row; the stamp is what the film states, so that clocks that drift,
jitter or lose frames do here what they do in films.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera
from tracker.records import Bools, Floats, Ints, Sightings
from tracker.simulation import optics
from tracker.simulation.world import Path

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)
BROKEN_AFTER = 3  # frames without a sighting after which a chain of candidates has a new number


@dataclass(frozen=True, eq=False)
class Clock:
    """When a film's frames were taken and when its stamps say so.

    true_s    (n,) start of exposure of the first row, clip's clock
    stated_s  (n,) the film's stamps, from 0
    number    (n,) the frame's number as a folder of images would have it (gaps where frames were dropped)
    """

    true_s: Floats
    stated_s: Floats
    number: Ints


def film_clock(
    fps: float,
    duration_s: float,
    rng: np.random.Generator,
    *,
    start_s: float = 0.0,
    drift_ppm: float = 0.0,
    jitter_s: float = 0.0,
    drop: float = 0.0,
    stamped: bool = True,
) -> Clock:
    """Frame times of one film.

    start_s: its first frame on the clip's clock; drift_ppm: its clock runs fast; jitter_s: sd of the stamps;
    drop: share of the frames lost, `stamped` with a gap or not (then stamps run on evenly, and are wrong).
    """
    n = max(round(duration_s * fps), 1)
    number = np.arange(n)
    keep = rng.random(n) >= drop
    keep[0] = True
    number = number[keep]
    true_s = start_s + number / fps / (1 + drift_ppm * 1e-6)
    stated = (number if stamped else np.arange(len(number))) / fps
    stated = stated + (rng.normal(0.0, jitter_s, len(number)) if jitter_s else 0.0)
    stated = np.maximum.accumulate(stated + np.arange(len(stated)) * 1e-9)
    return Clock(true_s, stated - stated[0], number if stamped else np.arange(len(number)))


@dataclass(frozen=True)
class Seeing:
    """How well a view sees.

    sd_px        noise across the streak and of a still ball
    along_share  further sd along the streak, as a share of its length
    miss         share of frames in which the ball is not found
    outlier, outlier_px  share of gross errors, uniform within a disc of this radius; their covariance does not say so
    size_sd      relative noise of the apparent size
    hidden_s     spans (from, to) in which nothing is seen
    clutter_per_s  false chains that begin each second (8 to 20 frames, steady, at image speeds as a ball's)
    lone_per_frame false sightings that belong to nothing
    """

    sd_px: float = 0.2
    along_share: float = 0.02
    miss: float = 0.0
    outlier: float = 0.0
    outlier_px: float = 8.0
    size_sd: float = 0.05
    hidden_s: tuple[tuple[float, float], ...] = ()
    clutter_per_s: float = 0.0
    lone_per_frame: float = 0.0


@dataclass(frozen=True, eq=False)
class Seen:
    """Sightings of a view with what they truly are.

    path     (n,)    which path a row belongs to; -1: clutter
    outlier  (n,)    gross errors
    true_px  (n, 2)  exposure-averaged position without noise; NaN for clutter
    true_s   (n,)    true mid-exposure
    """

    sightings: Sightings
    path: Ints
    outlier: Bools
    true_px: Floats
    true_s: Floats


@dataclass(frozen=True, eq=False)
class Shown:
    """A path as one camera's film shows it: a row a frame in which it is in the picture.

    frame, centre_px (n, 2) exposure average, size_px across, streak_px (n, 2), mid_s true mid-exposure of its row
    """

    frame: Ints
    centre_px: Floats
    size_px: Floats
    streak_px: Floats
    mid_s: Floats

    def take(self, rows: Bools) -> "Shown":
        """The chosen rows."""
        return Shown(self.frame[rows], self.centre_px[rows], self.size_px[rows], self.streak_px[rows], self.mid_s[rows])


def show(path: Path, camera: Camera, clock: Clock, radius_m: float) -> Shown:
    """Where a path falls in a film, without noise."""
    row = np.full(len(clock.true_s), camera.lens.image_size_px[1] / 2)
    near = (clock.true_s > path.start_s - 0.1) & (clock.true_s < path.end_s + 0.1)
    frame = np.flatnonzero(near)
    row, begin = row[frame], clock.true_s[frame]
    for _ in range(5):  # the row tells the time, the time the row
        mid = begin + row * camera.row_time_s + camera.exposure_s / 2
        px = optics.project(camera, path.position_m(mid))
        row = np.where(np.isfinite(px[:, 1]), px[:, 1], row)
    times = mid[:, None] + _NODES * camera.exposure_s / 2
    each = optics.project(camera, path.position_m(times.ravel())).reshape(len(frame), len(_NODES), 2)
    centre = np.einsum("k,nkj->nj", _WEIGHTS / 2, each)
    streak = (each[:, -1] - each[:, 0]) * 2 / (_NODES[-1] - _NODES[0])
    size = apparent_px(camera, path.position_m(mid), radius_m)
    width, height = camera.lens.image_size_px
    with np.errstate(invalid="ignore"):
        inside = ((centre >= 0) & (centre <= [width - 1, height - 1])).all(axis=1)
    return Shown(frame, centre, size, streak, mid).take(inside)


def apparent_px(camera: Camera, point_m: Floats, radius_m: float) -> Floats:
    """Apparent diameter (n,) of the ball: that of a circle as large as its outline, lens errors left out.

    A small sphere at an angle from the axis is seen as an ellipse, stretched by 1 / cos across the way to the middle of
    the picture and by its square along it. What is behind the camera is not seen: its size says nothing.
    """
    place = optics.in_camera(camera, point_m)
    away = np.linalg.norm(place, axis=1)
    return np.asarray(camera.lens.matrix[0, 0] * 2 * radius_m / away * (away / np.abs(place[:, 2])) ** 1.5)


def sight(
    paths: Sequence[Path],
    camera: Camera,
    view: int,
    clock: Clock,
    rng: np.random.Generator,
    seeing: Seeing | None = None,
    *,
    radius_m: float = 0.036,
    clip_offset_s: float = 0.0,
) -> Seen:
    """What one view reports of some balls. `clip_offset_s` is the film's stated offset on the clip's clock."""
    seeing = seeing or Seeing()
    parts, chains = [], 0
    for i, path in enumerate(paths):
        shown = show(path, camera, clock, radius_m)
        keep = rng.random(len(shown.frame)) >= seeing.miss
        for start, stop in seeing.hidden_s:
            keep &= ~((shown.mid_s >= start) & (shown.mid_s <= stop))
        part = shown.take(keep)
        chain = chains + np.cumsum(np.diff(part.frame, prepend=part.frame[:1]) > BROKEN_AFTER)
        chains += int(chain[-1] - chains) + 1 if len(chain) else 0
        parts.append((part, np.full(len(part.frame), i), chain))
    for part in _clutter(camera, clock, seeing, rng):
        parts.append((part, np.full(len(part.frame), -1), np.full(len(part.frame), chains)))
        chains += 1
    return _report(parts, camera, view, clock, seeing, clip_offset_s, rng)


def _report(
    parts: list[tuple[Shown, Ints, Ints]],
    camera: Camera,
    view: int,
    clock: Clock,
    seeing: Seeing,
    clip_offset_s: float,
    rng: np.random.Generator,
) -> Seen:
    """All rows in order of frame, with noise, covariance and stated times."""
    if not parts:
        none = np.zeros(0, int)
        empty = Shown(none, np.zeros((0, 2)), np.zeros(0), np.zeros((0, 2)), np.zeros(0))
        parts = [(empty, none, none)]
    frame, true_px, size, streak, mid = (
        np.concatenate([getattr(p, name) for p, _, _ in parts])
        for name in ("frame", "centre_px", "size_px", "streak_px", "mid_s")
    )
    owner, chain = (np.concatenate([p[k] for p in parts]) for k in (1, 2))
    order = np.argsort(frame, kind="stable")
    frame, true_px, size, streak, mid, owner, chain = (
        a[order] for a in (frame, true_px, size, streak, mid, owner, chain)
    )
    n = len(frame)
    cov = covariance_px2(streak, seeing)
    noise = np.einsum("nij,nj->ni", np.linalg.cholesky(cov) if n else cov, rng.normal(size=(n, 2)))
    outlier = (rng.random(n) < seeing.outlier) & (owner >= 0)
    angle, far = rng.uniform(0, 2 * np.pi, n), seeing.outlier_px * np.sqrt(rng.random(n))
    gross = np.where(outlier[:, None], np.column_stack([np.cos(angle), np.sin(angle)]) * far[:, None], 0.0)
    centre = true_px + noise + gross
    stated = clock.stated_s[frame] + clip_offset_s + (camera.time_offset_s or 0.0)
    time_s = stated + centre[:, 1] * camera.row_time_s + camera.exposure_s / 2
    size = size * (1 + rng.normal(0.0, seeing.size_sd, n))
    score = rng.uniform(8.0, 40.0, n)
    even = np.zeros(n), np.zeros((n, 2)), np.zeros(n)  # no markings, no coder that keeps anything, no colour
    told = Sightings(
        view, frame.astype(np.int64), time_s, centre, cov, size, streak, *even, score, chain.astype(np.int64)
    )
    true = np.where((owner >= 0)[:, None], true_px, np.nan)
    return Seen(told, owner.astype(np.int64), outlier, true, mid)


def covariance_px2(streak_px: Floats, seeing: Seeing) -> Floats:
    """Covariance (n, 2, 2) of sightings with the given streaks (n, 2): long along the streak."""
    length = np.linalg.norm(streak_px, axis=1)
    along = streak_px / np.where(length > 0, length, 1.0)[:, None]
    extra = (seeing.along_share * length) ** 2
    cov: Floats = seeing.sd_px**2 * np.eye(2) + extra[:, None, None] * along[:, :, None] * along[:, None, :]
    return cov


def _clutter(camera: Camera, clock: Clock, seeing: Seeing, rng: np.random.Generator) -> list[Shown]:
    """False chains and lone false sightings."""
    n, (width, height) = len(clock.true_s), camera.lens.image_size_px
    out = []
    frames_per_s = (n - 1) / max(clock.true_s[-1] - clock.true_s[0], 1e-9) if n > 1 else 1.0
    lasting_s = n / frames_per_s
    for _ in range(rng.poisson(seeing.clutter_per_s * lasting_s)):
        length = int(rng.integers(8, 21))
        frame = int(rng.integers(0, n)) + np.arange(length)
        frame = frame[frame < n]
        angle, speed = rng.uniform(0, 2 * np.pi), rng.uniform(50, 2500) * width / 1920 / frames_per_s
        step = speed * np.array([np.cos(angle), np.sin(angle)])
        bend = rng.normal(0.0, 0.02 * speed, 2)
        k = np.arange(len(frame))[:, None]
        centre = rng.uniform(0, [width, height]) + k * step + 0.5 * k**2 * bend
        streak = np.broadcast_to(step * frames_per_s * camera.exposure_s, centre.shape)
        out.append((frame, centre, streak))
    lone = rng.random(n) < seeing.lone_per_frame
    for frame_number in np.flatnonzero(lone):
        out.append((np.array([frame_number]), rng.uniform(0, [width, height], (1, 2)), np.zeros((1, 2))))
    parts = []
    for frame, centre, streak in out:
        inside = ((centre >= 0) & (centre <= [width - 1, height - 1])).all(axis=1)
        if inside.any():
            frame, centre, streak = frame[inside], centre[inside], streak[inside]
            size = np.full(len(frame), rng.uniform(4, 20))
            mid = clock.true_s[frame] + centre[:, 1] * camera.row_time_s + camera.exposure_s / 2
            parts.append(Shown(frame, centre, size, streak, mid))
    return parts
