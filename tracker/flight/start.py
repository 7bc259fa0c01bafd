"""Where to start the fit: states from the track, or straight from rays in a window of time.

With gravity and a usual drag given, place and velocity are linear in the rays' equations (the ball lies on each ray:
two equations a sighting), so a window needs no first guess; weights follow the range (equation F14).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera
from calibration.lane import STANDARD_GRAVITY_MPS2
from tracker.flight.model import Rows
from tracker.records import Bools, Floats

WINDOWS = ((0.0, 0.35), (0.1, 0.5), (0.3, 0.65), (0.0, 0.65), (0.15, 0.25), (0.3, 0.4))  # shares of the track's time
USUAL_DRAG_PER_M = 0.0065  # K Cd of a cricket ball, for starts only


@dataclass(frozen=True, eq=False)
class Seed:
    """A guess of the first arc: the state (6,) at `time_s`, and the rows (n,) to trust first."""

    time_s: float
    state: Floats
    core: Bools


@dataclass(frozen=True, eq=False)
class Rays:
    """Centres (n, 3), unit directions (n, 3) and sd of direction (n,) in radians of the rows' rays; NaN: no ray."""

    centre_m: Floats
    direction: Floats
    sd_rad: Floats


def make_rays(rows: Rows, cameras: tuple[Camera, Camera]) -> Rays:
    """The rows' lines of sight."""
    centre, direction, sd = np.empty((len(rows), 3)), np.empty((len(rows), 3)), np.empty(len(rows))
    size = 1 / np.sqrt(np.abs(np.linalg.det(rows.whiten)))  # sd in pixels, geometric mean of both axes
    for view, camera in enumerate(cameras):
        mine = rows.view == view
        centre[mine], direction[mine] = camera.centre_m, camera.ray(rows.px[mine])
        sd[mine] = size[mine] / camera.lens.matrix[0, 0]
    return Rays(centre, direction, sd)


def seeds(rows: Rows, rays: Rays, state: Floats, bounce_s: float) -> Iterator[Seed]:
    """Starts, the likeliest to serve first: the track's own states (n, 6) and bounce, then windows of rays alone."""
    time_s = rows.time_s
    if np.isfinite(state).all() and len(state):
        last = bounce_s if np.isfinite(bounce_s) else time_s[-1]
        arc = np.flatnonzero(time_s <= last)
        if len(arc) >= 4:
            middle = arc[len(arc) // 2]
            begin = time_s[0] + 0.1 * (last - time_s[0])
            yield Seed(float(time_s[middle]), state[middle], (time_s >= begin) & (time_s <= last))
    span = time_s[-1] - time_s[0]
    for begin, end in WINDOWS:
        core = (time_s >= time_s[0] + begin * span) & (time_s <= time_s[0] + end * span)
        middle_s = float(time_s[0] + (begin + end) / 2 * span)
        if min(np.count_nonzero(core & (rows.view == v)) for v in (0, 1)) < 3:
            continue
        found = state_from_rays(rays, time_s - middle_s, core)
        if found is not None:
            yield Seed(middle_s, found, core)


def state_from_rays(rays: Rays, since_s: Floats, use: Bools, place_m: Floats | None = None) -> Floats | None:
    """State (6,) at time 0 from the used rays, `since_s` (n,) later; `place_m` fixes the place. None: no answer."""
    d, c = rays.direction[use], rays.centre_m[use]
    t = since_s[use]
    seen = np.isfinite(d).all(axis=1)
    d, c, t, sd = d[seen], c[seen], t[seen], rays.sd_rad[use][seen]
    off_ray = np.eye(3) - d[:, :, None] * d[:, None, :]
    state = np.zeros(6)
    weight = 1 / sd**2
    a = np.array([0.0, 0.0, -STANDARD_GRAVITY_MPS2])
    for _ in range(4):
        m = weight[:, None, None] * off_ray
        target = c - 0.5 * a * t[:, None] ** 2
        if place_m is not None:
            target = target - place_m
        blocks = [m, t[:, None, None] * m, t[:, None, None] ** 2 * m]
        n00, n01, n11 = (b.sum(axis=0) for b in blocks)
        b0 = np.einsum("nij,nj->i", m, target)
        b1 = np.einsum("nij,nj->i", blocks[1], target)
        try:
            if place_m is not None:
                state = np.concatenate([place_m, np.linalg.solve(n11, b1)])
            else:
                state = np.linalg.solve(np.block([[n00, n01], [n01, n11]]), np.concatenate([b0, b1]))
        except np.linalg.LinAlgError:
            return None
        v = state[3:]
        a = np.array([0.0, 0.0, -STANDARD_GRAVITY_MPS2]) - USUAL_DRAG_PER_M * np.linalg.norm(v) * v
        path = state[:3] + t[:, None] * v + 0.5 * a * t[:, None] ** 2
        away = np.linalg.norm(path - c, axis=1)
        miss = np.linalg.norm(np.einsum("nij,nj->ni", off_ray, path - c), axis=1) / (sd * away)
        typical = max(float(np.median(miss)), 1.0)
        weight = 1 / (sd * away) ** 2 / np.maximum(1.0, miss / (2 * typical))
    return state if np.isfinite(state).all() else None
