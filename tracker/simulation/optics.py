"""The simulator's own camera: lane points to raw pixels and back, written apart from `calibration.camera`.

It reads the numbers of a `Camera` record and nothing of its code, so that agreement of the two proves something.
Pinhole with Brown-Conrady distortion (Brown 1971, Photogramm. Eng. 37(8), from memory): with r^2 = x^2 + y^2,
x_d = x g + 2 p1 x y + p2 (r^2 + 2 x^2) + s1 r^2 + s2 r^4, y_d likewise, g = (1 + k1 r^2 + k2 r^4 + k3 r^6) /
(1 + k4 r^2 + k5 r^4 + k6 r^6).
"""

import math
from functools import lru_cache

import numpy as np

from calibration.camera import Camera
from tracker.records import Floats

_NEWTON_STEPS = 30


def rotation(rotation_vector: Floats) -> Floats:
    """Rotation matrix (3, 3) of a Rodrigues vector."""
    angle = float(np.linalg.norm(rotation_vector))
    if angle < 1e-300:
        return np.eye(3)
    x, y, z = np.asarray(rotation_vector, float) / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + math.sin(angle) * cross + (1 - math.cos(angle)) * cross @ cross)


def rotation_vector(matrix: Floats) -> Floats:
    """Rodrigues vector (3,) of a rotation matrix, by way of its quaternion (Shepperd 1978, from memory)."""
    trace = np.trace(matrix)
    sizes = np.append(matrix.diagonal(), trace)
    big = int(np.argmax(sizes))
    q = np.empty(4)  # x y z w
    if big == 3:
        q[:3] = matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1]
        q[3] = 1 + trace
    else:
        i, j, k = big, (big + 1) % 3, (big + 2) % 3
        q[i] = 1 + matrix[i, i] - matrix[j, j] - matrix[k, k]
        q[j], q[k] = matrix[j, i] + matrix[i, j], matrix[k, i] + matrix[i, k]
        q[3] = matrix[k, j] - matrix[j, k]
    q /= np.linalg.norm(q) * (1 if q[3] >= 0 else -1)
    half = math.atan2(float(np.linalg.norm(q[:3])), float(q[3]))
    return np.asarray(q[:3] * (2 * half / math.sin(half) if half > 1e-12 else 2.0))


def looking(centre_m: Floats, at_m: Floats, roll_rad: float = 0.0) -> tuple[Floats, Floats]:
    """Pose (rotation_vector, translation_m) of a camera at `centre_m` that looks at `at_m`, upright but for a roll."""
    ahead = np.asarray(at_m, float) - centre_m
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(ahead, right)
    c, s = math.cos(roll_rad), math.sin(roll_rad)
    axes = np.array([c * right + s * down, c * down - s * right, ahead])
    return rotation_vector(axes), -axes @ np.asarray(centre_m, float)


@lru_cache(maxsize=64)
def turn(camera: Camera) -> Floats:
    """Rotation matrix (3, 3), lane to camera, kept for each camera."""
    return rotation(camera.rotation_vector)


def in_camera(camera: Camera, point_m: Floats) -> Floats:
    """Camera coordinates (n, 3), x right, y down, z ahead, of lane points (n, 3)."""
    return np.asarray(point_m, float) @ turn(camera).T + camera.translation_m


def centre_m(camera: Camera) -> Floats:
    """Where the camera stands (3,)."""
    return np.asarray(-turn(camera).T @ camera.translation_m)


def project(camera: Camera, point_m: Floats) -> Floats:
    """Raw pixels (n, 2) of lane points (n, 3); NaN behind the camera or where the lens folds over."""
    seen = in_camera(camera, np.asarray(point_m, float).reshape(-1, 3))
    with np.errstate(invalid="ignore", divide="ignore"):
        xy = seen[:, :2] / np.where(seen[:, 2:] > 1e-6, seen[:, 2:], np.nan)
        fold = fold_radius(camera)
        xy = np.where((np.hypot(xy[:, 0], xy[:, 1]) < fold)[:, None], xy, np.nan)
    return to_pixels(camera, distort(camera.lens.distortion, xy))


def to_pixels(camera: Camera, xy: Floats) -> Floats:
    """Pixels (n, 2) of distorted normalised coordinates (n, 2)."""
    m = camera.lens.matrix
    return np.column_stack([m[0, 0] * xy[:, 0] + m[0, 2], m[1, 1] * xy[:, 1] + m[1, 2]])


def _terms(distortion: Floats) -> list[float]:
    k = np.zeros(12)
    k[: len(distortion)] = distortion
    return [float(v) for v in k]


def distort(distortion: Floats, xy: Floats) -> Floats:
    """Distorted normalised coordinates (n, 2) of undistorted ones (n, 2)."""
    k1, k2, p1, p2, k3, k4, k5, k6, s1, s2, s3, s4 = _terms(distortion)
    x, y = xy[:, 0], xy[:, 1]
    r2 = x * x + y * y
    grown = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / (1 + r2 * (k4 + r2 * (k5 + r2 * k6)))
    return np.column_stack(
        [
            x * grown + 2 * p1 * x * y + p2 * (r2 + 2 * x * x) + r2 * (s1 + r2 * s2),
            y * grown + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y + r2 * (s3 + r2 * s4),
        ]
    )


@lru_cache(maxsize=64)
def fold_radius(camera: Camera) -> float:
    """Undistorted radius at which the distorted one stops growing."""
    k1, k2, _, _, k3, k4, k5, k6, *_ = _terms(camera.lens.distortion)
    r = np.linspace(0.0, 4.0, 4001)
    r2 = r * r
    grown = r * (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / (1 + r2 * (k4 + r2 * (k5 + r2 * k6)))
    folds = np.flatnonzero(np.diff(grown) <= 0)
    return float(r[folds[0]]) if len(folds) else math.inf


def undistort(camera: Camera, px: Floats) -> Floats:
    """Undistorted normalised coordinates (n, 2) of raw pixels (n, 2), by Newton's method; NaN where there are none."""
    m = camera.lens.matrix
    px = np.asarray(px, float).reshape(-1, 2)
    goal = np.column_stack([(px[:, 0] - m[0, 2]) / m[0, 0], (px[:, 1] - m[1, 2]) / m[1, 1]])
    xy, step = goal.copy(), 1e-6
    d = camera.lens.distortion
    for _ in range(_NEWTON_STEPS):
        here = distort(d, xy)
        by_x = (distort(d, xy + np.array([step, 0.0])) - here) / step
        by_y = (distort(d, xy + np.array([0.0, step])) - here) / step
        det = by_x[:, 0] * by_y[:, 1] - by_y[:, 0] * by_x[:, 1]
        miss = goal - here
        if np.abs(miss).max(initial=0.0) < 1e-13:
            break
        move = np.column_stack(
            [
                (miss[:, 0] * by_y[:, 1] - miss[:, 1] * by_y[:, 0]) / det,
                (by_x[:, 0] * miss[:, 1] - by_x[:, 1] * miss[:, 0]) / det,
            ]
        )
        xy = xy + np.clip(move, -0.3, 0.3)
    wrong = ~(np.abs(distort(d, xy) - goal).max(axis=1) < 1e-9)
    return np.where(wrong[:, None], np.nan, xy)


def rays(camera: Camera, px: Floats) -> Floats:
    """Unit vectors (n, 3), lane frame, from the camera's centre through raw pixels (n, 2)."""
    xy = undistort(camera, px)
    ahead = np.column_stack([xy, np.ones(len(xy))]) @ turn(camera)
    return np.asarray(ahead / np.linalg.norm(ahead, axis=1, keepdims=True))
