"""The lens and the posed camera, against an outside table of projections, OpenCV, and finite differences."""

import csv
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.camera import LENSES, Camera, Lens

TABLE = Path(__file__).parent / "reference" / "projection_reference.csv"  # pinhole and Brown-Conrady, 14 points
MATRIX = np.array([[1500.0, 0, 960], [0, 1500, 540], [0, 0, 1]])
TERMS = np.array([-0.12, 0.05, 0.0005, -0.0003, 0.0])
CENTRES = {"A": (-3.2, 23.5, 3.1), "B": (3.4, -4.2, 2.9)}
PLENTY = {
    4: (-0.25, 0.08, 0.001, -0.002),
    5: (-0.25, 0.08, 0.001, -0.002, -0.01),
    8: (0.3, 0.05, 0.001, -0.002, 0.01, 0.6, 0.1, 0.02),
    12: (0.3, 0.05, 0.001, -0.002, 0.01, 0.6, 0.1, 0.02, 0.001, -0.001, 0.002, 0.0005),
}


def table_camera(name: str, terms: np.ndarray = TERMS) -> Camera:
    """The table's camera: rows of R are its x, y, z axes, z toward the target, x = z cross up."""
    centre = np.array(CENTRES[name])
    z = np.array([0, 9, 0.6]) - centre
    z /= np.linalg.norm(z)
    x = np.cross(z, [0, 0, 1])
    x /= np.linalg.norm(x)
    turn = np.array([x, np.cross(z, x), z])
    return Camera(Lens((1920, 1080), MATRIX, terms), cv2.Rodrigues(turn)[0].ravel(), -turn @ centre)


def rows() -> list[dict[str, str]]:
    with TABLE.open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.mark.parametrize("row", rows(), ids=lambda r: f"{r['camera']} {r['point']}")
def test_pixels_are_those_of_the_table(row: dict[str, str]) -> None:
    point = np.array([[float(row[k]) for k in ("x_m", "y_m", "z_m")]])
    camera, plain = table_camera(row["camera"]), table_camera(row["camera"], np.zeros(5))
    assert camera.project(point)[0] == pytest.approx([float(row["u_dist_px"]), float(row["v_dist_px"])], abs=1e-4)
    assert plain.project(point)[0] == pytest.approx([float(row["u_ideal_px"]), float(row["v_ideal_px"])], abs=1e-4)
    assert camera.depth_m(point)[0] == pytest.approx(float(row["depth_m"]), abs=1e-6)


@pytest.mark.parametrize("terms", LENSES)
def test_a_ray_leads_back_to_its_pixel(terms: int, rng: np.random.Generator) -> None:
    lens = Lens((1920, 1080), MATRIX, np.array(PLENTY[terms]))
    camera = replace(table_camera("A"), lens=lens)
    px = rng.uniform([0, 0], [1919, 1079], (200, 2))
    ray = camera.ray(px)
    assert np.isfinite(ray).all()
    assert camera.project(camera.centre_m + 7.0 * ray) == pytest.approx(px, abs=1e-3)
    assert np.linalg.norm(ray, axis=1) == pytest.approx(1.0)


@pytest.mark.parametrize("terms", LENSES)
def test_slopes_are_those_of_finite_differences(terms: int, rng: np.random.Generator) -> None:
    camera = replace(table_camera("B"), lens=Lens((1920, 1080), MATRIX, np.array(PLENTY[terms])))
    point = rng.uniform([-1, 6, 0], [1, 18, 2], (5, 3))
    by_point = camera.project_with_slope(point)[1]
    for i, h in enumerate(np.eye(3) * 1e-5):
        change = (camera.project(point + h) - camera.project(point - h)) / 2e-5
        assert by_point[:, :, i] == pytest.approx(change, rel=1e-5, abs=1e-4)
    by_turn = camera.project_with_parameters(point)[1][:, :, :3]
    for i, h in enumerate(np.eye(3) * 1e-6):
        ahead, back = (replace(camera, rotation_vector=camera.rotation_vector + s * h) for s in (1, -1))
        assert by_turn[:, :, i] == pytest.approx(
            (ahead.project(point) - back.project(point)) / 2e-6, rel=1e-4, abs=1e-2
        )


def test_what_lies_behind_or_beyond_the_fold_has_no_pixel() -> None:
    camera = table_camera("A")
    assert np.isnan(camera.project(2 * camera.centre_m[None] - [[0.0, 9.0, 0.6]])).all()
    folding = replace(camera, lens=replace(camera.lens, distortion=np.array([-0.35, 0, 0, 0, 0.0])))
    # r (1 - 0.35 r2) grows up to r = 1 / sqrt(3 * 0.35)
    assert folding.lens.valid_radius == pytest.approx(1 / np.sqrt(3 * 0.35), abs=2e-3)
    wide = folding.centre_m + folding.R.T @ np.array([1.2, 0.0, 1.0])
    assert np.isnan(folding.project(wide[None])).all()
    assert np.isfinite(camera.project(wide[None])).all()


def test_the_pixel_of_a_far_corner_beyond_the_lens_is_no_ray() -> None:
    lens = Lens((1920, 1080), np.array([[600.0, 0, 960], [0, 600, 540], [0, 0, 1]]), np.array([-0.35, 0, 0, 0, 0.0]))
    assert np.isnan(lens.undistort(np.array([[0.0, 0.0]]))).all()
    assert np.isfinite(lens.undistort(np.array([[960.0, 540.0]]))).all()


def test_a_sighting_has_the_time_of_its_row() -> None:
    camera = replace(table_camera("A"), time_offset_s=0.002, row_time_s=1e-5, exposure_s=0.001)
    times = camera.sighting_time_s(np.array([0.1, 0.1]), np.array([0.0, 500.0]))
    assert times == pytest.approx([0.1025, 0.1075])
    assert replace(camera, time_offset_s=None).sighting_time_s(np.array([0.1]), np.array([0.0])) == pytest.approx(
        0.1005
    )


@pytest.mark.parametrize(
    ("matrix", "terms"),
    [(np.diag([0.0, 1, 1]), np.zeros(5)), (np.full((3, 3), np.nan), np.zeros(5)), (MATRIX, np.zeros(3))],
)
def test_a_lens_that_is_none_is_refused(matrix: np.ndarray, terms: np.ndarray) -> None:
    with pytest.raises(ValueError, match=r"matrix|terms"):
        Lens((1920, 1080), matrix, terms)
