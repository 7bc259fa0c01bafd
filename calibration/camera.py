"""A lens, and a posed camera: lane points to pixels and back, with derivatives and times.

The lens is the pinhole with Brown-Conrady distortion in OpenCV's order (k1 k2 p1 p2 [k3 [k4 k5 k6 [s1 s2 s3 s4]]]);
pixel (0, 0) is the centre of the top-left pixel. Projection and its derivatives are OpenCV's projectPoints.
Sources: Zhang 2000, IEEE PAMI 22(11); Brown 1971, Photogramm. Eng. 37(8) (from memory).
"""

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LENSES = {  # coefficients by the number of distortion terms a lens may have
    4: ("k1", "k2", "p1", "p2"),
    5: ("k1", "k2", "p1", "p2", "k3"),
    8: ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6"),
    12: ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6", "s1", "s2", "s3", "s4"),
}
_UNDISTORT_STOP = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-12)


@dataclass(frozen=True, eq=False)
class Lens:
    """Pinhole and distortion.

    image_size_px  (width, height)
    matrix         (3, 3)  pinhole matrix, pixels
    distortion     (k,)    k of 4, 5, 8 or 12, OpenCV's order
    """

    image_size_px: tuple[int, int]
    matrix: Floats
    distortion: Floats

    def __post_init__(self) -> None:
        if self.matrix.shape != (3, 3) or not np.isfinite(self.matrix).all() or self.matrix[0, 0] <= 0:
            raise ValueError("matrix must be 3 x 3 with positive focal lengths")
        if len(self.distortion) not in LENSES or not np.isfinite(self.distortion).all():
            raise ValueError(f"distortion has {len(self.distortion)} terms; 4, 5, 8 or 12 are known")

    @cached_property
    def valid_radius(self) -> float:
        """Largest undistorted radius (tangent of the angle off axis) up to which the distortion is one to one."""
        k = np.zeros(12)
        k[: len(self.distortion)] = self.distortion
        r = np.linspace(0.0, 4.0, 4001)
        grown = r * (1 + r**2 * (k[0] + r**2 * (k[1] + r**2 * k[4])))
        grown /= 1 + r**2 * (k[5] + r**2 * (k[6] + r**2 * k[7]))
        folds = np.flatnonzero(np.diff(grown) <= 0)
        return float(r[folds[0]]) if len(folds) else np.inf

    def undistort(self, px: Floats) -> Floats:
        """Undistorted normalised coordinates (n, 2) of pixels (n, 2); NaN where no ray leads to the pixel."""
        px = np.asarray(px, float).reshape(-1, 2)
        if not len(px):
            return np.empty((0, 2))
        xy = cv2.undistortPoints(px[:, None], self.matrix, self.distortion, criteria=_UNDISTORT_STOP)[:, 0]
        back, _ = cv2.projectPoints(
            np.column_stack([xy, np.ones(len(xy))]), np.zeros(3), np.zeros(3), self.matrix, self.distortion
        )
        wrong = ~(np.abs(back[:, 0] - px).max(axis=1) < 1e-3)
        return np.where(wrong[:, None], np.nan, xy)


@dataclass(frozen=True, eq=False)
class Camera:
    """A lens with a pose and a clock.

    rotation_vector  (3,)  lane to camera, Rodrigues, radians
    translation_m    (3,)  x_camera = R x_lane + t
    time_offset_s    added to this camera's frame times; None: unknown
    row_time_s       read-out time from one row to the next; 0 is a global shutter
    exposure_s       a frame's stamp marks the start of exposure of its first row
    """

    lens: Lens
    rotation_vector: Floats
    translation_m: Floats
    time_offset_s: float | None = 0.0
    row_time_s: float = 0.0
    exposure_s: float = 0.0

    @cached_property
    def R(self) -> Floats:
        """Rotation matrix (3, 3), lane to camera."""
        return np.asarray(cv2.Rodrigues(np.asarray(self.rotation_vector, float))[0], float)

    @cached_property
    def centre_m(self) -> Floats:
        """The camera's centre (3,) in the lane frame."""
        centre: Floats = -self.R.T @ self.translation_m
        return centre

    def project(self, point_m: Floats) -> Floats:
        """Raw (distorted) pixels (n, 2) of lane points (n, 3); NaN behind the camera or where the lens folds over."""
        return self._project(point_m)[0]

    def project_with_slope(self, point_m: Floats) -> tuple[Floats, Floats]:
        """Pixels (n, 2) and their derivatives (n, 2, 3) by the lane point."""
        px, jacobian = self._project(point_m)
        slope: Floats = jacobian[:, :, 3:6] @ self.R
        return px, slope

    def project_with_parameters(self, point_m: Floats) -> tuple[Floats, Floats]:
        """Pixels (n, 2) and derivatives (n, 2, 10 + k) by rotation_vector, translation, fx fy, cx cy, distortion.

        A lens that folds over is not objected to: while it is being adjusted it may, for a step or two.
        """
        return self._project(point_m, folded=True)

    def _project(self, point_m: Floats, folded: bool = False) -> tuple[Floats, Floats]:
        point_m = np.ascontiguousarray(point_m, float).reshape(-1, 3)
        if not len(point_m):
            return np.empty((0, 2)), np.empty((0, 2, 10 + len(self.lens.distortion)))
        px, jacobian = cv2.projectPoints(
            point_m, np.asarray(self.rotation_vector, float), self.translation_m, self.lens.matrix, self.lens.distortion
        )
        in_camera = point_m @ self.R.T + self.translation_m
        depth = in_camera[:, 2]
        radius = np.hypot(in_camera[:, 0], in_camera[:, 1]) / np.where(depth > 0, depth, 1.0)
        lost = ~((depth > 1e-6) & (folded | (radius < self.lens.valid_radius)))
        px = np.where(lost[:, None], np.nan, px[:, 0])
        return px, np.asarray(jacobian, float).reshape(len(point_m), 2, -1)

    def ray(self, px: Floats) -> Floats:
        """Unit vectors (n, 3), lane frame, from the camera's centre through raw pixels (n, 2)."""
        xy = self.lens.undistort(px)
        ahead = np.column_stack([xy, np.ones(len(xy))]) @ self.R
        unit: Floats = ahead / np.linalg.norm(ahead, axis=1, keepdims=True)
        return unit

    def depth_m(self, point_m: Floats) -> Floats:
        """Distance (n,) of lane points (n, 3) along the optical axis."""
        depth: Floats = np.asarray(point_m, float) @ self.R[2] + self.translation_m[2]
        return depth

    def sees(self, point_m: Floats) -> NDArray[np.bool_]:
        """Whether each lane point (n, 3) falls inside the picture."""
        px = self.project(point_m)
        width, height = self.lens.image_size_px
        with np.errstate(invalid="ignore"):
            return (px[:, 0] >= 0) & (px[:, 0] <= width - 1) & (px[:, 1] >= 0) & (px[:, 1] <= height - 1)

    def sighting_time_s(self, stamp_s: Floats, row_px: Floats) -> Floats:
        """Mid-exposure time (n,) of sightings at raw rows v in frames stamped `stamp_s` on the clip's clock.

        The camera's own time offset is added, taken as 0 where it is unknown (docs/files.md:
        t = tau + clip offset + time_offset_s + v row_time_s + exposure_s / 2).
        """
        time_s: Floats = stamp_s + (self.time_offset_s or 0.0) + row_px * self.row_time_s + self.exposure_s / 2
        return time_s

    def with_offset(self, time_offset_s: float) -> "Camera":
        """The same camera with another time offset."""
        return replace(self, time_offset_s=time_offset_s)
