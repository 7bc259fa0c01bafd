"""Where in space each sighting puts the ball: triangulated at its own instant, for pictures and tables.

The two cameras' clocks differ, so a sighting has no partner in the other view. One is made for it: the fitted path
projected into the other view at that instant, plus what the other view's own sightings there say the path misses by,
interpolated between its neighbours in time. What the path gets wrong therefore shows; nothing is paired by frame.
Where the other view has no sighting within `gap_s` the point is NaN.
"""

from dataclasses import dataclass

import numpy as np

from calibration.errors import LanepairError
from calibration.rig import Rig
from calibration.triangulate import triangulate
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
    point, sd = np.full((len(track), 3), np.nan), np.full((len(track), 3), np.nan)
    for i in np.flatnonzero(kept & np.isfinite(miss_px).all(axis=1)):
        other = 1 - track.view[i]
        rows = np.flatnonzero(kept & (track.view == other) & np.isfinite(miss_px).all(axis=1))
        partner = _partner(track, rows, miss_px, track.time_s[i], gap_s)
        if partner is None:
            continue
        other_px = rig.cameras[other].project(on_path[i : i + 1])[0] + partner[0]
        cameras = (rig.cameras[track.view[i]], rig.cameras[other])
        try:
            place, cov, _ = triangulate(
                cameras, np.array([track.centre_px[i], other_px]), np.array([track.cov_px2[i], partner[1]])
            )
        except (LanepairError, np.linalg.LinAlgError):  # rays that do not meet: no point
            continue
        point[i], sd[i] = place, np.sqrt(cov.diagonal())
    return point, sd


def _partner(track: Track, rows: Ints, miss_px: Floats, time_s: float, gap_s: float) -> tuple[Floats, Floats] | None:
    """The other view's miss (2,) at an instant and its covariance (2, 2), between its neighbours in time."""
    if not len(rows):
        return None
    after = int(np.searchsorted(track.time_s[rows], time_s))
    pair = rows[[max(after - 1, 0), min(after, len(rows) - 1)]]
    t0, t1 = track.time_s[pair]
    if min(abs(time_s - t0), abs(time_s - t1)) > gap_s:
        return None
    share = float(np.clip((time_s - t0) / (t1 - t0), 0, 1)) if t1 > t0 else 0.0
    miss = (1 - share) * miss_px[pair[0]] + share * miss_px[pair[1]]
    cov = (1 - share) ** 2 * track.cov_px2[pair[0]] + share**2 * track.cov_px2[pair[1]]
    return miss, cov
