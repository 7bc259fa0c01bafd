"""A calibration rehearsed with a known truth: corners of a board shown about, and marks of the lane, with noise.

The board is held at random places in view, tilted up to 50 degrees. Corners and clicks have normal noise; each mark is
displaced from its stated place by the survey's own doubt. Nothing is drawn: this rehearses the arithmetic.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.adjust import BoardView, MarkSightings
from calibration.camera import Camera, Floats
from calibration.rig import Rig


@dataclass(frozen=True)
class Plan:
    """How much is filmed and how well: views of both cameras at once, views of each alone, noise."""

    pairs: int = 20
    singles: int = 15
    corner_sd_px: float = 0.1
    mark_sd_px: float = 0.4
    near_m: float = 1.0
    far_m: float = 5.0
    fewest_corners: int = 12


def rehearse_boards(rig: Rig, corners_m: Floats, plan: Plan, rng: np.random.Generator) -> tuple[BoardView, ...]:
    """Board views as `plan` says; `corners_m` (n, 3) are the board's corners, those out of the picture are missing."""
    views: list[BoardView] = []
    wanted = [(0, 1)] * plan.pairs + [(0,)] * plan.singles + [(1,)] * plan.singles
    for number, cameras in enumerate(wanted):
        for _ in range(10_000):
            at_m = _held_up(rig.cameras[cameras[rng.integers(len(cameras))]], corners_m, plan, rng)
            seen = {i: np.flatnonzero(rig.cameras[i].sees(at_m)) for i in cameras}
            if min(map(len, seen.values())) >= plan.fewest_corners:
                break
        else:
            raise ValueError("the cameras never see the board together")
        for i, rows in seen.items():
            px = rig.cameras[i].project(at_m[rows]) + rng.normal(0, plan.corner_sd_px, (len(rows), 2))
            views.append(BoardView(i, f"board{number:03d}.png", number, corners_m[rows], px))
    return tuple(views)


def _held_up(camera: Camera, corners_m: Floats, plan: Plan, rng: np.random.Generator) -> Floats:
    """The board's corners in the lane frame, held somewhere in the camera's picture, roughly facing it."""
    width, height = camera.lens.image_size_px
    ray = camera.ray(np.array([[rng.uniform(0, width), rng.uniform(0, height)]]))[0]
    middle = camera.centre_m + ray * rng.uniform(plan.near_m, plan.far_m)
    axis = rng.normal(size=3) * [1, 1, 0]
    tilt = cv2.Rodrigues(axis / np.linalg.norm(axis) * rng.uniform(0, np.deg2rad(50)))[0]
    roll = cv2.Rodrigues(np.array([0, 0, rng.normal(0, 0.3)]))[0]
    out: Floats = (corners_m - corners_m.mean(axis=0)) @ (camera.R.T @ tilt @ roll).T + middle
    return out


def rehearse_marks(
    rig: Rig, names: Sequence[str], point_m: Floats, sd_m: Floats, plan: Plan, rng: np.random.Generator
) -> MarkSightings:
    """Marks clicked in every camera that sees them, stated at `point_m` (m, 3), truly off by `sd_m` (m, 3)."""
    true_m = point_m + rng.normal(0, 1, point_m.shape) * sd_m
    view, mark = np.nonzero([c.sees(true_m) for c in rig.cameras])
    px = np.array([rig.cameras[v].project(true_m[m][None])[0] for v, m in zip(view, mark, strict=True)])
    px = px.reshape(-1, 2) + rng.normal(0, plan.mark_sd_px, (len(view), 2))
    cov = np.tile(np.eye(2) * plan.mark_sd_px**2, (len(view), 1, 1))
    return MarkSightings(view, mark, px, cov, tuple(names), point_m, sd_m)
