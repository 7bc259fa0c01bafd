"""Rays to a point: worked cases, the ray-angle law, OpenCV, and the covariance proved by sampling."""

from itertools import pairwise

import cv2
import numpy as np
import pytest

from calibration.camera import Camera, Lens
from calibration.errors import LanepairError
from calibration.triangulate import epipolar_miss_px, meet, triangulate, triangulate_from, triangulate_many
from tests.test_camera import table_camera

UNIT = np.tile(np.eye(2), (2, 1, 1))


def facing(centre: tuple[float, float, float], target: np.ndarray, f: float = 1000.0) -> Camera:
    z = target - np.array(centre)
    z /= np.linalg.norm(z)
    x = np.cross(z, [0, 0, 1.0])
    x /= np.linalg.norm(x)
    turn = np.array([x, np.cross(z, x), z])
    lens = Lens((1000, 1000), np.array([[f, 0, 500.0], [0, f, 500.0], [0, 0, 1]]), np.zeros(5))
    return Camera(lens, cv2.Rodrigues(turn)[0].ravel(), -turn @ np.array(centre))


def test_the_least_cost_of_a_general_pair() -> None:
    # Hartley & Sturm 1997 (method from memory), case computed by two routes: offsets on ideal pixels of mid_flight
    cameras = [table_camera(name, np.zeros(5)) for name in "AB"]
    px = np.vstack([c.project(np.array([[0.2, 11.5, 1.2]])) for c in cameras]) + np.array([(0.4, -0.7), (-0.5, 0.6)])
    point, _, cost = triangulate(cameras, px, UNIT)
    assert point == pytest.approx([0.20634844, 11.4579648, 1.198939], abs=1e-6)
    assert cost == pytest.approx(0.148972126, abs=1e-6)


def test_the_least_cost_of_a_rectified_pair() -> None:
    # baseline 1, (0.1, 0.01) and (-0.1, -0.01): the optimum is (0.1, 0), (-0.1, 0), Z = 5, cost 2e-4
    lens = Lens((2, 2), np.eye(3), np.zeros(5))
    cameras = [Camera(lens, np.zeros(3), np.array([s, 0.0, 0.0])) for s in (0.5, -0.5)]
    point, _, cost = triangulate(cameras, np.array([[0.1, 0.01], [-0.1, -0.01]]), UNIT)
    assert point == pytest.approx([0, 0, 5], abs=1e-9)
    assert cost == pytest.approx(2e-4, abs=1e-12)


@pytest.mark.parametrize("angle_deg", [10.0, 40.0, 90.0])
def test_the_ray_angle_law(angle_deg: float) -> None:
    # equal range R, angle phi between the rays: sds s/(sqrt2 sin phi/2), s/(sqrt2 cos phi/2), s/sqrt2; s = R sd / f
    half, reach, sd, f = np.radians(angle_deg / 2), 10.0, 0.5, 1000.0
    target = np.array([0.0, 0.0, 1.0])
    at = [(reach * np.sin(s * half), -reach * np.cos(half), 1.0) for s in (-1, 1)]
    cameras = [facing(c, target, f) for c in at]
    px = np.vstack([c.project(target[None]) for c in cameras])
    s = reach * sd / f
    cov = triangulate(cameras, px, UNIT * sd**2)[1]
    wanted = [s / (np.sqrt(2) * np.cos(half)), s / (np.sqrt(2) * np.sin(half)), s / np.sqrt(2)]
    assert np.sqrt(cov.diagonal()) == pytest.approx(wanted, rel=1e-6)


def test_depth_of_a_parallel_pair() -> None:
    # sigma_Z = Z^2 sigma_d / (f B), sigma_d = sqrt2 sigma: Z 10 m, f 1000 px, B 1 m, sigma_d 0.5 px: 0.05 m
    lens = Lens((2000, 2000), np.array([[1000.0, 0, 1000], [0, 1000, 1000], [0, 0, 1]]), np.zeros(5))
    cameras = [Camera(lens, np.zeros(3), np.array([s, 0.0, 0.0])) for s in (0.5, -0.5)]
    px = np.vstack([c.project(np.array([[0, 0, 10.0]])) for c in cameras])
    cov = triangulate(cameras, px, UNIT * (0.5 / np.sqrt(2)) ** 2)[1]
    assert np.sqrt(cov[2, 2]) == pytest.approx(0.05, abs=1e-6)


def test_noise_scatters_as_the_covariance_says(rng: np.random.Generator) -> None:
    cameras, n, sd = [table_camera(name) for name in "AB"], 3000, 0.3
    truth = np.array([[0.2, 11.5, 1.2]])
    exact = np.stack([c.project(truth)[0] for c in cameras])
    predicted = triangulate(cameras, exact, UNIT * sd**2)[1]
    px = exact[:, None] + rng.normal(0, sd, (2, n, 2))
    found, _ = triangulate_from(
        cameras, px, np.broadcast_to(UNIT[:, None] * sd**2, (2, n, 2, 2)), np.tile(truth, (n, 1))
    )
    ratio = found.var(axis=0, ddof=1) / predicted.diagonal()
    assert np.all(np.abs(ratio - 1) < 5 * np.sqrt(2 / (n - 1)))  # sd of a variance ratio


def test_many_agree_with_opencv(rng: np.random.Generator) -> None:
    left, right = (table_camera(name) for name in "AB")
    truth = rng.uniform([-1, 5, 0], [1, 18, 2], (50, 3))
    px = [c.project(truth) for c in (left, right)]
    point, gap = triangulate_many(left, right, *px)
    ideal = [c.lens.undistort(p).T for c, p in zip((left, right), px, strict=True)]
    poses = [np.column_stack([c.R, c.translation_m]) for c in (left, right)]
    theirs = cv2.triangulatePoints(*poses, *ideal)
    assert point == pytest.approx((theirs[:3] / theirs[3]).T, abs=1e-6)
    assert point == pytest.approx(truth, abs=1e-6)
    assert gap.max() < 1e-6
    assert epipolar_miss_px(left, right, *px).max() < 1e-3


def test_the_miss_grows_with_the_error() -> None:
    left, right = (table_camera(name) for name in "AB")
    truth = np.array([[0.2, 11.5, 1.2]])
    px = [c.project(truth) for c in (left, right)]
    misses = [epipolar_miss_px(left, right, px[0] + [[0, e]], px[1])[0] for e in (0.0, 2.0, 8.0)]
    assert all(a < b for a, b in pairwise(misses))


def test_rays_along_one_line_have_no_meeting() -> None:
    with pytest.raises(LanepairError, match="move one of them sideways"):
        meet(np.array([[0.0, 0, 0], [0, 1, 0]]), np.array([[0.0, 1, 0], [0, 1, 0]]))
