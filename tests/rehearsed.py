"""Calibrations rehearsed at the level of corners and clicks: three rigs, a board, marks of the Laws and the floor."""

import cv2
import numpy as np

from calibration.board import Board
from calibration.camera import Camera, Floats, Lens
from calibration.marks import named_mark
from calibration.place import Job
from calibration.rehearse import Plan, rehearse_boards, rehearse_marks
from calibration.rig import Rig
from calibration.triangulate import triangulate

BOARD = Board("chessboard", 9, 6, 0.060)
ENDS = ("bowlcrease_end_off", "bowlcrease_end_leg", "pop_x_return_off", "pop_x_return_leg")
TOPS = ("stump_off_top", "stump_leg_top", "stump_mid_top")
NAMES = tuple(end + name for end in ("S_", "B_") for name in (*ENDS, *TOPS))
FLOOR_M = [(x, y, 0.0) for y in (4.0, 8.0, 12.0, 16.0) for x in (-1.2, 1.2)]
LANE_M = np.array([(0.4, 18.0, 2.0), (0.2, 12.0, 1.3), (0.1, 5.0, 0.036), (0.0, 0.1, 0.6)])
STRONG = (-0.35, 0.15, 0.0005, -0.0003, -0.03)
MILD = (-0.12, 0.05, 0.0005, -0.0003, 0.0)


def camera(centre, target, f: float, terms=STRONG, size=(1920, 1080)) -> Camera:
    z = np.array(target, float) - centre
    z /= np.linalg.norm(z)
    x = np.cross(z, [0, 0, 1])
    x /= np.linalg.norm(x)
    turn = np.array([x, np.cross(z, x), z])
    matrix = np.array([[f, 0, size[0] / 2 + 7], [0, f * 1.002, size[1] / 2 - 5], [0, 0, 1]])
    return Camera(Lens(size, matrix, np.array(terms)), cv2.Rodrigues(turn)[0].ravel(), -turn @ np.array(centre, float))


RIGS = {
    "end on": Rig(camera((1.2, 22.5, 2.6), (0, 8, 0.5), 1500), camera((-1.2, 22.5, 2.6), (0, 8, 0.5), 1500)),
    "side": Rig(camera((9, 8, 2.5), (0, 9, 0.5), 1100), camera((9, 14, 2.5), (0, 9.5, 0.5), 1100)),
    "end and side": Rig(camera((-1.2, 22.5, 2.6), (0, 8, 0.5), 1500), camera((9, 9, 2.5), (0, 9.5, 0.5), 1000, MILD)),
}


def marks_for(rig: Rig, rng, plan: Plan, names=NAMES, floor=FLOOR_M, sd_m: float = 0.002):
    places = np.array([named_mark(name)[0] for name in names] + list(floor))
    words = [*names, *(f"floor {i}" for i in range(len(floor)))]
    return rehearse_marks(rig, words, places, np.full(places.shape, sd_m), plan, rng)


def job_for(rig: Rig, rng, plan: Plan | None = None, **more) -> Job:
    plan = plan or Plan(pairs=8, singles=5)
    marks = marks_for(rig, rng, plan, **more)
    views = rehearse_boards(rig, BOARD.corners_m, plan, rng) if plan.pairs + plan.singles else ()
    sizes = (rig.left.lens.image_size_px, rig.right.lens.image_size_px)
    return Job(sizes, marks, np.ones(len(marks), bool), views, turnable=True)


def found_at(rig: Rig, truth: Rig, point_m: Floats) -> Floats:
    """Where `rig` puts a place (3,) that the true cameras see perfectly."""
    px = np.vstack([c.project(point_m[None]) for c in truth.cameras])
    return triangulate(rig.cameras, px, np.tile(np.eye(2), (2, 1, 1)))[0]
