"""A view's sightings made ready for following: ideal pixels, frames, and how even the stamps are.

Ideal pixels are those that the same camera would show without distortion: projection into them is linear in homogeneous
coordinates, so that a filter's step costs microseconds.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calibration.camera import Camera, Floats
from calibration.doubt import miss_of_right_sd_px
from calibration.rig import Rig
from tracker.records import Ints, Sightings
from tracker.tracking.kalman import Eye, eye_of

_MOST_MISS_PX = 5.0  # of what the rig lets the views miss each other by: more, and clutter would pass for a ball
_LEAST_MISS_PX = 0.4  # of a rig that says it is better, or exact
WANDERS_S = 0.3  # in which the miss, as the ball goes on, changes by its own sd


@dataclass(frozen=True, eq=False)
class View:
    """One view's sightings made ready: only rows to which a ray leads, in order of frame.

    row      (n,)  row in the Sightings
    frame, time_s, chain (n,);  px (n, 2), cov (n, 2, 2)  ideal pixels
    miss_px  (n,)  sd of what the rig's errors may set the late view's picture of a ball of that size aside by
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
    miss_px: Floats
    size_px: Floats
    chain: Ints
    first: Ints
    period_s: float
    jitter_s: float

    @property
    def frame_time_s(self) -> Floats:
        """Time of each frame's first row."""
        return self.time_s[self.first[:-1]]

    @cached_property
    def wander_px2ps(self) -> Floats:
        """Spectral density (n,) with which the miss changes."""
        found: Floats = self.miss_px**2 / WANDERS_S
        return found


def make_views(left: Sightings, right: Sightings, rig: Rig, radius_m: float) -> tuple[View, View]:
    """Both views' sightings in ideal pixels, the right one's late by the clocks' offset and aside by the rig's miss."""
    made = (
        make_view(seen, camera, camera is rig.right, other, _miss_px(seen, camera, rig, radius_m))
        for seen, camera, other in zip((left, right), rig.cameras, rig.cameras[::-1], strict=True)
    )
    one, two = made
    return one, two


def _miss_px(seen: Sightings, camera: Camera, rig: Rig, radius_m: float) -> Floats:
    """How far the rig's own doubt lets the views miss each other (n,), where a ball of so many pixels is; one-sigma."""
    if rig.exact or not len(seen):
        return np.full(len(seen), _LEAST_MISS_PX)
    depth_m = 2 * radius_m * float(camera.lens.matrix[0, 0]) / np.maximum(seen.size_px, 1.0)
    ray = camera.ray(seen.centre_px)
    place = camera.centre_m + ray * (depth_m / (ray @ camera.R[2]))[:, None]
    miss = miss_of_right_sd_px(rig, place)
    usual = float(np.nanmedian(miss)) if np.isfinite(miss).any() else 0.0
    miss = np.hypot(np.where(np.isfinite(miss), miss, usual), _LEAST_MISS_PX)
    found: Floats = np.minimum(miss, _MOST_MISS_PX)
    return found


def make_view(
    seen: Sightings, camera: Camera, late: bool, other: Camera | None = None, miss_px: Floats | None = None
) -> View:
    """A view's sightings in ideal pixels; `other` is the other view's camera, `miss_px` (n,) as View has it."""
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
    miss = np.zeros(len(row)) if miss_px is None else miss_px[row]
    kept = (time_s, ideal[row], cov[row], miss, seen.size_px[row], seen.chain[row])
    return View(eye_of(camera, late, other), camera, row, frame, *kept, first, period_s, jitter_s)
