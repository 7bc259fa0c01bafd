"""Is time what the film says: gravity by the balls, found with or without a delivery.

A film stored slowed down n times shows balls n times slower that fall n^2 times more gently: too slow for a delivery,
so nothing is measured, and nothing else would say why. Drag and lift keep their form under a change of time scale, so
a free flight in slowed time is a free flight under g / n^2: the chains of both views that meet are fitted with gravity
free, and what most of them agree on is the answer. Lift and gravity pull alike over one arc (a fast ball's backspin
makes up to a quarter of its weight), so gravity tells a wrong time base of 20 % and more, not one of a few per cent.

Distances that come out too long make gravity too strong by as much, so that right gravity excludes a scale that is
grossly wrong (by a third), where time is what it is said to be.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera
from calibration.lane import STANDARD_GRAVITY_MPS2
from calibration.rig import Rig
from calibration.triangulate import epipolar_miss_px
from tracker.records import Floats, Sightings
from tracker.trust.chains import chains

LEAST_ROWS = 16  # sightings of a piece, both views together
LEAST_LENGTH_M = 2.5  # that a piece must fly
MEET_PX = 3.0  # how well two chains of one ball meet by interpolation
FREE_PX = 1.2  # rms residual of a free flight
SURE = 0.12  # one-sigma of a piece's gravity, as a share of it
SIZES = (0.4, 2.2)  # apparent over expected diameter of a ball
HALL_M = ((-5.0, 5.0), (-12.0, 32.0), (-0.5, 8.0))
DRAG_PER_M = 0.0065  # K Cd of a cricket ball
AGREE = 0.22  # difference of ln(time scale) within which pieces agree: lift alone makes 0.15
LEAST_PIECES = 3
SIGMAS = 2.5
USUAL = (2.0, 4.0, 8.0, 16.0, 32.0)  # how many times films are stored slowed down
CAPTURE_FPS = (60.0, 120.0, 240.0, 480.0, 960.0)  # rates that cameras name


@dataclass(frozen=True, eq=False)
class Fall:
    """A piece of free flight: gravity with its sd (m/s^2 of the film's time), how far it flew, at what speed."""

    gravity_mps2: float
    sd_mps2: float
    length_m: float
    speed_mps: float


@dataclass(frozen=True, eq=False)
class TimeBase:
    """What most falls agree on: true seconds per second of the film, its sd (of the logarithm), falls that agree."""

    scale: float
    log_sd: float
    agree: int
    falls: int

    def excludes(self, off: float) -> bool:
        """Whether distances cannot come out `off` (a share) too long: gravity, as much too strong then, is right.

        >>> right = TimeBase(1.0, 0.08, 6, 6)
        >>> right.excludes(-0.4), right.excludes(-0.12), TimeBase(0.6**0.5, 0.08, 6, 6).excludes(-0.4)
        (True, False, False)
        """
        length, sd = 2 * np.log(self.scale), 2 * self.log_sd
        return bool(abs(length) < SIGMAS * sd < abs(length - np.log1p(off)))


@dataclass(frozen=True, eq=False)
class _Rays:
    """Sightings of both views as rays, in order of time."""

    time_s: Floats
    centre_m: Floats
    direction: Floats
    sd_rad: Floats
    px_per_rad: Floats
    size_rad: Floats

    def __len__(self) -> int:
        return len(self.time_s)

    def part(self, rows: slice) -> "_Rays":
        return _Rays(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def time_base(falls: Sequence[Fall]) -> TimeBase | None:
    """The time scale that most falls agree on; None where too few do, or as many say otherwise."""
    sure = [f for f in falls if f.gravity_mps2 > 0 and f.sd_mps2 < SURE * f.gravity_mps2]
    if len(sure) < LEAST_PIECES:
        return None
    log = 0.5 * np.log(np.array([f.gravity_mps2 for f in sure]) / STANDARD_GRAVITY_MPS2)
    near = np.abs(log[:, None] - log[None]) < AGREE
    weight = np.sqrt(np.array([f.length_m for f in sure]))
    members = near[int(np.argmax(near @ weight))]
    if members.sum() < LEAST_PIECES or weight[members].sum() < 0.5 * weight.sum():
        return None
    middle, spread = float(np.mean(log[members])), float(np.std(log[members]))
    return TimeBase(
        float(np.exp(middle)), float(np.hypot(spread / np.sqrt(members.sum()), 0.08)), int(members.sum()), len(sure)
    )


def nearest_slowing(slowing: float, fps: float) -> float:
    """The usual way of storing slowed film nearest to an estimate: doublings, or a camera's rate over the film's.

    >>> nearest_slowing(7.6, 30.0), nearest_slowing(9.8, 24.0), nearest_slowing(1.9, 50.0)
    (8.0, 10.0, 2.0)
    """
    known = np.array([*USUAL, *(c / fps for c in CAPTURE_FPS if c / fps > 1.5)])
    return float(known[int(np.argmin(np.abs(np.log(known / slowing))))])


def falls(left: Sightings, right: Sightings, rig: Rig, radius_m: float) -> list[Fall]:
    """Pieces of free flight among the chains that meet."""
    found = list[Fall]()
    ours, theirs = ([seen.take(rows) for rows in chains(seen)] for seen in (left, right))
    first, last = (np.array([other.time_s[end] for other in theirs]) for end in (0, -1))
    for one in ours:
        for at in np.flatnonzero((first < one.time_s[-1]) & (last > one.time_s[0])):
            rays = _together(one, theirs[at], rig)
            if rays is not None:
                found += _pieces(rays, radius_m)
    return found


def _together(left: Sightings, right: Sightings, rig: Rig) -> _Rays | None:
    """Two chains over the time they share, where they are of one ball."""
    start, end = max(left.time_s[0], right.time_s[0]), min(left.time_s[-1], right.time_s[-1])
    a, b = ((s.time_s >= start) & (s.time_s <= end) for s in (left, right))
    if min(a.sum(), b.sum()) < LEAST_ROWS // 2:
        return None
    left, right = left.take(np.flatnonzero(a)), right.take(np.flatnonzero(b))
    some = np.linspace(0, len(left) - 1, min(len(left), 24)).astype(int)
    at = np.column_stack([np.interp(left.time_s[some], right.time_s, c) for c in right.centre_px.T])
    miss = epipolar_miss_px(rig.left, rig.right, left.centre_px[some], at)
    if np.isfinite(miss).mean() < 0.8 or np.nanmedian(miss) > MEET_PX:
        return None
    parts = [_rays(s, camera) for s, camera in zip((left, right), rig.cameras, strict=True)]
    both = [np.concatenate([getattr(p, name) for p in parts]) for name in _Rays.__dataclass_fields__]
    order = np.argsort(both[0], kind="stable")
    return _Rays(*(array[order] for array in both))


def _rays(seen: Sightings, camera: Camera) -> _Rays:
    focal, n = float(camera.lens.matrix[0, 0]), len(seen)
    sd = np.sqrt(np.trace(seen.cov_px2, axis1=1, axis2=2) / 2) / focal
    centre = np.broadcast_to(camera.centre_m, (n, 3))
    return _Rays(seen.time_s, centre, camera.ray(seen.centre_px), sd, np.full(n, focal), seen.size_px / focal)


def _pieces(rays: _Rays, radius_m: float, depth: int = 0) -> Iterator[Fall]:
    """The longest stretches of the rays that are free flights, by halving."""
    if len(rays) < LEAST_ROWS:
        return
    fall, miss_px = _fall(rays, radius_m)
    if fall is not None and miss_px < FREE_PX:
        yield fall
    elif depth < 3:
        for rows in (slice(None, len(rays) // 2), slice(len(rays) // 2, None)):
            yield from _pieces(rays.part(rows), radius_m, depth + 1)


def _fall(rays: _Rays, radius_m: float) -> tuple[Fall | None, float]:
    """Place, velocity and gravity by the rays (least squares), and the rms miss in pixels; None: not a ball."""
    t = rays.time_s - rays.time_s.mean()
    seen = np.isfinite(rays.direction).all(axis=1)
    if seen.sum() < LEAST_ROWS:
        return None, np.inf
    off_ray = np.eye(3) - rays.direction[:, :, None] * rays.direction[:, None, :]
    design = np.zeros((len(t), 3, 7))
    design[:, :, :3], design[:, :, 3:6] = np.eye(3), t[:, None, None] * np.eye(3)
    design[:, 2, 6] = -0.5 * t**2
    weight, drag = seen / rays.sd_rad**2, np.zeros(3)
    for _ in range(4):
        rows = np.nan_to_num(off_ray @ design)
        target = np.nan_to_num(np.einsum("nij,nj->ni", off_ray, rays.centre_m - 0.5 * drag * t[:, None] ** 2))
        normal = np.einsum("n,nia,nib->ab", weight, rows, rows)
        scale = 1 / np.sqrt(np.maximum(normal.diagonal(), 1e-300))
        cov = np.linalg.pinv(normal * np.outer(scale, scale), 1e-13) * np.outer(scale, scale)
        value = cov @ np.einsum("n,nia,ni->a", weight, rows, target)
        drag = -DRAG_PER_M * np.linalg.norm(value[3:6]) * value[3:6]
        path = design @ value + 0.5 * drag * t[:, None] ** 2
        away = np.linalg.norm(path - rays.centre_m, axis=1)
        weight = seen / (rays.sd_rad * away) ** 2
    miss = np.linalg.norm(np.nan_to_num(np.einsum("nij,nj->ni", off_ray, path - rays.centre_m)), axis=1) / away
    miss_px = float(np.sqrt(np.mean((miss * rays.px_per_rad)[seen] ** 2)))
    chi2 = float((miss[seen] ** 2 / rays.sd_rad[seen] ** 2).sum() / max(2 * seen.sum() - 7, 1))
    length = float(np.linalg.norm(path[-1] - path[0]))
    size = np.nanmedian(rays.size_rad * away / (2 * radius_m)) if np.isfinite(rays.size_rad).any() else 1.0
    inside = all(low < path[:, i].min() and path[:, i].max() < high for i, (low, high) in enumerate(HALL_M))
    if length < LEAST_LENGTH_M or not inside or not SIZES[0] < size < SIZES[1]:
        return None, miss_px
    sd = float(np.sqrt(cov[6, 6] * max(chi2, 1.0)))
    return Fall(float(value[6]), sd, length, float(np.linalg.norm(value[3:6]))), miss_px
