"""What the rig's covariance means for places on the lane: perfect sightings, triangulated by a rig in doubt."""

import numpy as np

from calibration.camera import LENSES, Floats
from calibration.rig import VIEWS, Rig


def doubt_at(rig: Rig, point_m: Floats) -> Floats:
    """Covariance (3 n, 3 n) of places (n, 3) triangulated by perfect sightings, from the rig's covariance alone.

    NaN where a camera does not see a place.
    """
    slope = np.zeros((3 * len(point_m), len(rig.names)))
    for n, point in enumerate(point_m):
        by_point, by_rig = [], []
        for view, camera in zip(VIEWS, rig.cameras, strict=True):
            _, by_parameter = camera.project_with_parameters(point[None])
            if not camera.sees(point[None])[0]:
                by_parameter = np.full_like(by_parameter, np.nan)
            by_point.append(by_parameter[0][:, 3:6] @ camera.R)
            by_rig.append(_by_names(rig, view, by_parameter[0]))
        a, b = np.vstack(by_point), np.vstack(by_rig)
        seen = np.isfinite(a).all()
        slope[3 * n : 3 * n + 3] = -np.linalg.lstsq(a, b, rcond=None)[0] if seen else np.nan
    cov: Floats = slope @ rig.cov @ slope.T
    return cov


def _by_names(rig: Rig, view: str, by_parameter: Floats) -> Floats:
    """A camera's slopes in the order of the rig's names (other columns zero)."""
    camera = rig.cameras[VIEWS.index(view)]
    order = [f"{view}.{n}" for n in ("rx", "ry", "rz", "tx", "ty", "tz", "fx", "fy", "cx", "cy")]
    order += [f"{view}.{n}" for n in LENSES[len(camera.lens.distortion)]]
    out = np.zeros((2, len(rig.names)))
    for column, name in enumerate(order):
        if name in rig.names:
            out[:, rig.names.index(name)] = by_parameter[:, column]
    return out
