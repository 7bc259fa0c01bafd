"""What the rig's covariance means for places on the lane: perfect sightings, seen by a rig in doubt."""

import numpy as np

from calibration.camera import LENSES, Floats
from calibration.rig import VIEWS, Rig


def doubt_at(rig: Rig, point_m: Floats) -> Floats:
    """Covariance (3 n, 3 n) of places (n, 3) triangulated by perfect sightings, from the rig's covariance alone.

    NaN where a camera does not see a place.
    """
    slope = np.zeros((3 * len(point_m), len(rig.names)))
    for n, (a, b) in enumerate(zip(*_slopes(rig, point_m), strict=True)):
        seen = np.isfinite(a).all()
        slope[3 * n : 3 * n + 3] = -np.linalg.lstsq(a, b, rcond=None)[0] if seen else np.nan
    cov: Floats = slope @ rig.cov @ slope.T
    return cov


def miss_sd_px(rig: Rig, point_m: Floats) -> Floats:
    """By how much perfect sightings of places (n, 3) miss the place that fits both views best, one-sigma of each axis.

    From the rig's covariance alone; what moves both views alike moves the place instead. NaN where a camera does not
    see a place.
    """
    return _miss(rig, point_m)[0]


def miss_of_right_sd_px(rig: Rig, point_m: Floats) -> Floats:
    """The same put upon the right view alone (n,): how far off the left view's epipolar line it sees places (n, 3)."""
    sd, off_place = _miss(rig, point_m)
    found: Floats = sd / np.maximum(np.linalg.norm(off_place[:, 2:], axis=1), 1e-9)
    return found


def _miss(rig: Rig, point_m: Floats) -> tuple[Floats, Floats]:
    """Its one-sigma (n,) and the direction (n, 4) of both views' pixels that no place explains."""
    a, b = _slopes(rig, point_m)
    seen = np.asarray(np.isfinite(a).all(axis=(1, 2)))
    off_place: Floats = np.linalg.svd(np.where(seen[:, None, None], a, 0.0))[0][:, :, 3]
    off = np.einsum("ni,nik->nk", off_place, np.where(seen[:, None, None], b, 0.0))
    return np.where(seen, np.sqrt(np.einsum("nj,jk,nk->n", off, rig.cov, off)), np.nan), off_place


def _slopes(rig: Rig, point_m: Floats) -> tuple[Floats, Floats]:
    """Of both views' pixels by places (n, 3): (n, 4, 3), and by the rig's numbers: (n, 4, k). NaN where not seen."""
    by_point, by_rig = [], []
    for view, camera in zip(VIEWS, rig.cameras, strict=True):
        _, by_parameter = camera.project_with_parameters(point_m)
        by_parameter = np.where(camera.sees(point_m)[:, None, None], by_parameter, np.nan)
        by_point.append(by_parameter[:, :, 3:6] @ camera.R)
        by_rig.append(_by_names(rig, view, by_parameter))
    return np.concatenate(by_point, axis=1), np.concatenate(by_rig, axis=1)


def _by_names(rig: Rig, view: str, by_parameter: Floats) -> Floats:
    """A camera's slopes (n, 2, any) in the order of the rig's names (other columns zero)."""
    camera = rig.cameras[VIEWS.index(view)]
    order = [f"{view}.{n}" for n in ("rx", "ry", "rz", "tx", "ty", "tz", "fx", "fy", "cx", "cy")]
    order += [f"{view}.{n}" for n in LENSES[len(camera.lens.distortion)]]
    out = np.zeros((*by_parameter.shape[:2], len(rig.names)))
    for column, name in enumerate(order):
        if name in rig.names:
            out[:, :, rig.names.index(name)] = by_parameter[:, :, column]
    return out
