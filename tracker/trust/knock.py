"""Has a camera been knocked, refocused or zoomed since calibration: fixed detail against the reference picture.

Corners of the reference picture are followed into the present one (Lucas-Kanade on locally normalised pictures, there
and back), brought to undistorted rays, and explained by one small turn of the camera and one change of scale, robustly:
what people and nets did in between are outliers. A turn moves far and near alike; a shift of the camera's place by
some millimetres looks like a turn too and is mended alike to first order.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from calibration.camera import Camera, Floats
from calibration.rig import VIEWS, Rig
from calibration.triangulate import triangulate_many
from tracker.vision.video import Bytes, open_film

CORNERS, SPACING_PX = 600, 16
LEAST_CORNERS = 12
LANE_POINTS_M = {"release": (0.3, 18.5, 2.1), "bounce": (0.0, 6.0, 0.036), "stumps": (0.0, 0.0, 0.5)}


@dataclass(frozen=True, eq=False)
class Move:
    """How a camera moved between two pictures.

    turn_rad   (3,) rotation vector in the camera's axes (right, down, ahead); x_now = turn x_then
    turn_sd    (3,)
    growth     change of scale: 0.01 is a picture 1 % larger
    growth_sd
    shift_px   how far the picture's middle moved
    corners    corners that agree; of `followed`
    """

    turn_rad: Floats
    turn_sd: Floats
    growth: float
    growth_sd: float
    shift_px: float
    corners: int
    followed: int

    @property
    def degrees(self) -> float:
        """Size of the turn."""
        return float(np.degrees(np.linalg.norm(self.turn_rad)))


def steady_picture(path: str | Path, fps: float | None = None, seconds: float = 1.5, frames: int = 9) -> Bytes:
    """The film's still scene: the median of some frames of its beginning, (height, width) uint8."""
    film = open_film(path, fps)
    stride = max(1, int(film.fps * seconds / frames))
    kept: list[Bytes] = []
    for frame in film:
        if frame.index % stride == 0 or not kept:
            kept.append(frame.luma.copy())
        if len(kept) == frames:
            break
    steady: Bytes = np.median(np.stack(kept), axis=0).astype(np.uint8)
    return steady


def camera_move(reference: Bytes, now: Bytes, camera: Camera) -> Move | None:
    """The move of `camera` from the reference picture to the present one; None where too little detail is followed."""
    then_px, now_px = _followed(_normalised(reference), _normalised(now))
    if len(then_px) < LEAST_CORNERS:
        return None
    then, present = camera.lens.undistort(then_px), camera.lens.undistort(now_px)
    good = np.isfinite(then).all(axis=1) & np.isfinite(present).all(axis=1)
    return _turn_and_growth(then[good], present[good], float(camera.lens.matrix[0, 0]))


def _normalised(picture: Bytes) -> Bytes:
    grey = picture.astype(np.float32)
    rest = grey - cv2.GaussianBlur(grey, (0, 0), 12)
    spread = np.sqrt(cv2.GaussianBlur(rest * rest, (0, 0), 24)) + 3.0
    even: Bytes = np.clip(128 + 40 * rest / spread, 0, 255).astype(np.uint8)
    return even


def _followed(then: Bytes, now: Bytes) -> tuple[Floats, Floats]:
    corners = cv2.goodFeaturesToTrack(then, CORNERS, 0.01, SPACING_PX, blockSize=7)
    if corners is None:
        return np.empty((0, 2)), np.empty((0, 2))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-3)
    guess = corners.copy()
    there, found, _ = cv2.calcOpticalFlowPyrLK(then, now, corners, guess, winSize=(25, 25), maxLevel=4, criteria=stop)
    guess = there.copy()
    back, found_back, _ = cv2.calcOpticalFlowPyrLK(now, then, there, guess, winSize=(25, 25), maxLevel=4, criteria=stop)
    good = (found[:, 0] == 1) & (found_back[:, 0] == 1) & (np.abs(back - corners)[:, 0].max(axis=1) < 0.3)
    return corners[good, 0].astype(float), there[good, 0].astype(float)


def _turn_and_growth(then: Floats, now: Floats, focal_px: float) -> Move | None:
    """Least squares with Tukey's weights for (turn 3, growth) from undistorted points (n, 2)."""
    x, y = then.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    # a ray (x, y, 1) turned by w: dx = wy (1 + x^2) - wx x y - wz y;  dy = -wx (1 + y^2) + wy x y + wz x
    slope = np.stack(
        [np.stack([-x * y, 1 + x * x, -y, x], 1), np.stack([-(one + y * y), x * y, x, y + zero], 1)], axis=1
    )
    step = now - then
    value = np.r_[np.array([-np.median(step[:, 1]), np.median(step[:, 0])]), 0.0, 0.0]
    scale = 4.0 / focal_px
    for round_ in range(30):
        miss = step - slope @ value
        size = np.linalg.norm(miss, axis=1)
        if round_:
            scale = max(1.48 * float(np.median(size)), 0.03 / focal_px)
        weight = np.clip(1 - (size / (4.5 * scale)) ** 2, 0, None) ** 2
        normal = np.einsum("n,nia,nib->ab", weight, slope, slope)
        if np.linalg.matrix_rank(normal) < 4:
            return None
        value = np.linalg.solve(normal, np.einsum("n,nia,ni->a", weight, slope, step))
    used = weight > 0.1
    if used.sum() < LEAST_CORNERS:
        return None
    spread = float((weight * size**2).sum() / max(2 * weight.sum() - 4, 1))
    sd = np.sqrt(np.linalg.inv(normal).diagonal() * spread)
    shift = focal_px * float(np.hypot(value[0], value[1]))
    return Move(value[:3], sd[:3], float(value[3]), float(sd[3]), shift, int(used.sum()), len(then))


def turned(camera: Camera, turn_rad: Floats) -> Camera:
    """The camera after a move: turned about its centre by `turn_rad` (3,), in its own axes."""
    turn = cv2.Rodrigues(np.asarray(turn_rad, float))[0]
    return replace(
        camera,
        rotation_vector=cv2.Rodrigues(turn @ camera.R)[0][:, 0],
        translation_m=turn @ np.asarray(camera.translation_m, float),
    )


def healed_rig(rig: Rig, moves: Mapping[str, Move]) -> Rig:
    """The rig with the named views' cameras turned by their moves; the turns' own doubt is added to the covariance."""
    cameras, cov = dict(zip(VIEWS, rig.cameras, strict=True)), rig.cov.copy()
    for view, move in moves.items():
        cameras[view] = turned(cameras[view], move.turn_rad)
        for axis, sd in zip("xyz", move.turn_sd, strict=True):
            name = f"{view}.r{axis}"
            if name in rig.names:
                cov[rig.names.index(name), rig.names.index(name)] += float(sd) ** 2
    return replace(rig, left=cameras["left"], right=cameras["right"], cov=cov)


def lane_shift_mm(rig: Rig, turns: Iterable[Floats]) -> dict[str, Floats]:
    """What ignoring the moves does to measured places: {place: (across, along, above) in mm}."""
    moved = [turned(camera, turn) for camera, turn in zip(rig.cameras, turns, strict=True)]
    point = np.array(list(LANE_POINTS_M.values()))
    found, _ = triangulate_many(rig.left, rig.right, moved[0].project(point), moved[1].project(point))
    return {name: 1000 * miss for name, miss in zip(LANE_POINTS_M, found - point, strict=True)}
