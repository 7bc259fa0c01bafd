"""Where in space each sighting puts the ball: triangulated at its own instant, for pictures and tables.

The two cameras' clocks differ, so a sighting has no partner in the other view. One is made for it: the fitted path
projected into the other view at that instant, plus what the other view's own sightings there say the path misses by,
interpolated between its neighbours in time. What the path gets wrong therefore shows; nothing is paired by frame.
Where the other view has no sighting within `gap_s` the point is NaN.
"""

from dataclasses import dataclass

import numpy as np

from calibration.rig import Rig
from calibration.triangulate import triangulate_from
from tracker.records import Bools, Floats, Ints, Track, check_rows


@dataclass(frozen=True, eq=False)
class Path3D:
    """A fitted flight sampled finely: what pictures are drawn from.

    time_s      (n,)    increasing
    position_m  (n, 3)  lane frame
    sd_m        (n, 3)  one sigma of each coordinate, rig included
    """

    time_s: Floats
    position_m: Floats
    sd_m: Floats

    def __post_init__(self) -> None:
        check_rows(self, len(self.time_s), time_s=(), position_m=(3,), sd_m=(3,))

    def at(self, time_s: Floats) -> Floats:
        """Position (m, 3) at other times within the sampled span, linear between samples; NaN outside."""
        columns = [np.interp(time_s, self.time_s, c, np.nan, np.nan) for c in self.position_m.T]
        return np.column_stack(columns)


def sighted_points(track: Track, kept: Bools, rig: Rig, path: Path3D, gap_s: float = 0.03) -> tuple[Floats, Floats]:
    """Triangulated points of a track's kept sightings.

    Returns
    -------
    point_m : (n, 3), one row a row of the track; NaN where refused or where the other view saw nothing near
    sd_m : (n, 3) from the two sightings' covariances
    """
    on_path = path.at(track.time_s)
    miss_px = np.full((len(track), 2), np.nan)
    for view, camera in enumerate(rig.cameras):
        mine = kept & (track.view == view)
        miss_px[mine] = track.centre_px[mine] - camera.project(on_path[mine])
    usable = kept & np.isfinite(miss_px).all(axis=1)
    point, sd = np.full((len(track), 3), np.nan), np.full((len(track), 3), np.nan)
    for view in (0, 1):
        mine, others = np.flatnonzero(usable & (track.view == view)), np.flatnonzero(usable & (track.view != view))
        miss, cov, near = _partners(track, others, miss_px, track.time_s[mine], gap_s)
        mine, miss, cov = mine[near], miss[near], cov[near]
        if not len(mine):
            continue
        cameras = (rig.cameras[view], rig.cameras[1 - view])
        px = np.stack([track.centre_px[mine], cameras[1].project(on_path[mine]) + miss])
        place, cov_m2 = triangulate_from(cameras, px, np.stack([track.cov_px2[mine], cov]), on_path[mine])
        point[mine], sd[mine] = place, np.sqrt(np.diagonal(cov_m2, axis1=1, axis2=2))
    return point, sd


def _partners(track: Track, rows: Ints, miss_px: Floats, time_s: Floats, gap_s: float) -> tuple[Floats, Floats, Bools]:
    """The other view's misses (n, 2) at n instants, between its neighbours in time, covariances, and whether near."""
    if not len(rows):
        return np.empty((len(time_s), 2)), np.empty((len(time_s), 2, 2)), np.zeros(len(time_s), bool)
    after = np.searchsorted(track.time_s[rows], time_s)
    first, second = rows[np.maximum(after - 1, 0)], rows[np.minimum(after, len(rows) - 1)]
    t0, t1 = track.time_s[first], track.time_s[second]
    near = np.minimum(np.abs(time_s - t0), np.abs(time_s - t1)) <= gap_s
    share = np.clip((time_s - t0) / np.where(t1 > t0, t1 - t0, 1.0), 0, 1)[:, None]
    miss = (1 - share) * miss_px[first] + share * miss_px[second]
    weight = share[:, :, None]
    return miss, (1 - weight) ** 2 * track.cov_px2[first] + weight**2 * track.cov_px2[second], near
