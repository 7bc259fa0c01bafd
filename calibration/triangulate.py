"""Rays to a point: where two or more sightings of one instant meet, with covariance, and how far they miss.

The point minimises the pixel residuals weighted by each sighting's covariance (maximum likelihood; Hartley & Sturm
1997, CVIU 68(2), from memory), by Gauss-Newton from the midpoint of the rays. Sightings must be of one instant:
bring views with different clocks to a common time first.
"""

from collections.abc import Sequence

import numpy as np

from calibration.camera import Camera, Floats
from calibration.errors import LanepairError


def meet(centre_m: Floats, direction: Floats) -> Floats:
    """The point (3,) closest to k rays from `centre_m` (k, 3) along unit `direction` (k, 3), all weighted alike.

    Raises LanepairError if the rays are parallel to within 0.1 mrad, so that no depth can be had.
    """
    off_ray = np.eye(3) - direction[:, :, None] * direction[:, None, :]
    total = off_ray.sum(axis=0)
    if not np.linalg.eigvalsh(total)[0] > 5e-9:
        raise LanepairError("the cameras look along the same line here: move one of them sideways")
    return np.asarray(np.linalg.solve(total, np.einsum("kij,kj->i", off_ray, centre_m)), float)


def triangulate(
    cameras: Sequence[Camera], px: Floats, cov_px2: Floats, iterations: int = 10
) -> tuple[Floats, Floats, float]:
    """The most likely point behind one sighting in each camera.

    Parameters
    ----------
    cameras : k cameras
    px : (k, 2) raw pixels
    cov_px2 : (k, 2, 2)

    Returns
    -------
    point_m : (3,) lane frame
    cov_m2 : (3, 3) to first order
    chi2 : weighted sum of squared residuals, 2k - 3 degrees of freedom
    """
    point = meet(
        np.array([c.centre_m for c in cameras]),
        np.vstack([c.ray(p[None]) for c, p in zip(cameras, px, strict=True)]),
    )
    weight = np.linalg.inv(cov_px2)
    for _ in range(iterations):
        miss, slope = _residual(cameras, px, point)
        normal = np.einsum("kia,kij,kjb->ab", slope, weight, slope)
        step = np.linalg.solve(normal, np.einsum("kia,kij,kj->a", slope, weight, miss))
        point = point + step
        if np.linalg.norm(step) < 1e-12:
            break
    miss, slope = _residual(cameras, px, point)
    normal = np.einsum("kia,kij,kjb->ab", slope, weight, slope)
    return point, np.linalg.inv(normal), float(np.einsum("ki,kij,kj->", miss, weight, miss))


def _residual(cameras: Sequence[Camera], px: Floats, point: Floats) -> tuple[Floats, Floats]:
    seen = [c.project_with_slope(point[None]) for c in cameras]
    return px - np.vstack([p for p, _ in seen]), np.vstack([s for _, s in seen])


def triangulate_from(
    cameras: Sequence[Camera], px: Floats, cov_px2: Floats, start_m: Floats, iterations: int = 4
) -> tuple[Floats, Floats]:
    """The most likely points behind n instants, each seen once by each of k cameras, from points already near.

    Parameters
    ----------
    cameras : k cameras
    px : (k, n, 2) raw pixels
    cov_px2 : (k, n, 2, 2)
    start_m : (n, 3) within a few decimetres of the answer

    Returns
    -------
    point_m : (n, 3) lane frame; NaN where the rays do not fix a point
    cov_m2 : (n, 3, 3) to first order
    """
    weight, point = np.linalg.inv(cov_px2), np.array(start_m, float)
    for step_number in range(iterations + 1):
        seen = [camera.project_with_slope(point) for camera in cameras]
        miss, slope = px - np.stack([p for p, _ in seen]), np.stack([s for _, s in seen])
        normal = np.einsum("knia,knij,knjb->nab", slope, weight, slope)
        fixed = np.linalg.cond(np.where(np.isfinite(normal), normal, 0.0)) < 1e12
        cov = np.linalg.inv(np.where(fixed[:, None, None], normal, np.eye(3)))
        cov[~fixed] = np.nan
        if step_number < iterations:
            point = point + np.einsum("nab,knib,knij,knj->na", cov, slope, weight, miss)
    return point, cov


def triangulate_many(left: Camera, right: Camera, left_px: Floats, right_px: Floats) -> tuple[Floats, Floats]:
    """Midpoints of n pairs of rays, for searching; no weights.

    Returns points (n, 3), NaN where rays are parallel or meet behind a camera, and the rays' distance (n,) in m.
    """
    a, b = left.ray(left_px), right.ray(right_px)
    base = right.centre_m - left.centre_m
    along = np.einsum("ni,ni->n", a, b)
    sin2 = 1 - along**2
    with np.errstate(invalid="ignore", divide="ignore"):
        s = (a @ base - along * (b @ base)) / sin2
        t = (along * (a @ base) - b @ base) / sin2
        lost = ~((sin2 > 1e-9) & (s > 0) & (t > 0))
    on_left, on_right = left.centre_m + s[:, None] * a, right.centre_m + t[:, None] * b
    point = np.where(lost[:, None], np.nan, (on_left + on_right) / 2)
    return point, np.where(lost, np.nan, np.linalg.norm(on_left - on_right, axis=1))


def epipolar_miss_px(left: Camera, right: Camera, left_px: Floats, right_px: Floats) -> Floats:
    """How far n pairs of sightings of one instant are from meeting, as pixels (n,): rms of both views' reprojection."""
    point, _ = triangulate_many(left, right, left_px, right_px)
    miss = np.hstack([left.project(point) - left_px, right.project(point) - right_px])
    return np.asarray(np.sqrt((miss**2).sum(axis=1) / 2), float)
