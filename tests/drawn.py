"""Pictures of boards and of a marked lane, drawn ray by ray with a known camera, for the tests of calibration.

Own drawing: every pixel is the mean of 3 x 3 rays traced to a plane, a stump or the background, then blurred a little
and given noise. Nothing here is shared with the code under test but the camera model.
"""

import cv2
import numpy as np
from scipy.interpolate import RectBivariateSpline

from calibration.camera import Camera

SUB = 3
STUMP_HEIGHT_M = 0.7112


def sight_lines(camera: Camera, window: tuple[int, int, int, int]) -> np.ndarray:
    """Lane directions (rows * SUB, columns * SUB, 3), not normalised, through the window (u0, v0, u1, v1)."""
    u0, v0, u1, v1 = window
    grid_u, grid_v = np.arange(u0 - 8.0, u1 + 16, 8), np.arange(v0 - 8.0, v1 + 16, 8)
    px = np.stack(np.meshgrid(grid_u, grid_v), axis=-1)
    xy = camera.lens.undistort(px.reshape(-1, 2)).reshape(*px.shape)
    if not np.isfinite(xy).all():
        raise ValueError("the window reaches outside the lens")
    u = np.arange(u0 * SUB, u1 * SUB) / SUB + (1 - SUB) / SUB / 2
    v = np.arange(v0 * SUB, v1 * SUB) / SUB + (1 - SUB) / SUB / 2
    x, y = (RectBivariateSpline(grid_v, grid_u, xy[..., i])(v, u) for i in (0, 1))
    return np.stack([x, y, np.ones_like(x)], axis=-1) @ camera.R


def shrink(fine: np.ndarray) -> np.ndarray:
    """Mean over each pixel's rays."""
    h, w = fine.shape[0] // SUB, fine.shape[1] // SUB
    return fine.reshape(h, SUB, w, SUB).mean(axis=(1, 3))


def finish(picture: np.ndarray, noise: float, rng: np.random.Generator, blur_px: float = 0.6) -> np.ndarray:
    """Blur, noise, eight bits."""
    soft = cv2.GaussianBlur(picture, (0, 0), blur_px)
    return np.clip(np.rint(soft + rng.normal(0, noise, soft.shape)), 0, 255).astype(np.uint8)


def board_texture(board, legacy: bool = False, per_square: int = 60) -> tuple[np.ndarray, float]:
    """The printed board with a white rim of one square, as a texture; and texels to a square."""
    if board.kind == "chessboard":
        rows, columns = board.rows + 1, board.columns + 1
        dark = (np.add.outer(np.arange(rows), np.arange(columns)) % 2) == 0
        printed = np.kron(np.where(dark, 25, 230).astype(np.uint8), np.ones((per_square,) * 2, np.uint8))
    else:
        words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
        own = cv2.aruco.CharucoBoard((board.columns, board.rows), board.square_m, board.marker_m, words)
        own.setLegacyPattern(legacy)
        printed = own.generateImage((board.columns * per_square, board.rows * per_square))
        printed = np.clip(printed, 25, 230).astype(np.uint8)
    return cv2.copyMakeBorder(printed, *(per_square,) * 4, cv2.BORDER_CONSTANT, value=230), float(per_square)


def board_picture(
    camera: Camera,
    board,
    turn: np.ndarray,
    shift_m: np.ndarray,
    rng: np.random.Generator,
    noise: float = 2.0,
    legacy: bool = False,
) -> np.ndarray:
    """A picture of the board whose first inner corner stands at `shift_m` and whose axes are `turn`'s columns."""
    texture, per_square = board_texture(board, legacy)
    width, height = camera.lens.image_size_px
    extent = np.array(texture.shape[::-1]) / per_square - 2
    rim = np.array([[x, y, 0] for x in (-2, extent[0]) for y in (-2, extent[1])]) * board.square_m
    px = camera.project(rim @ turn.T + shift_m)
    low = np.clip(np.floor(px.min(axis=0)) - 3, 0, [width - 9, height - 9]).astype(int)
    high = np.clip(np.ceil(px.max(axis=0)) + 4, low + 8, [width, height]).astype(int)
    lines = sight_lines(camera, (*low, *high))
    fine = np.full(lines.shape[:2], 110.0, np.float32)
    normal = turn[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = ((shift_m - camera.centre_m) @ normal) / (lines @ normal)
        on = (camera.centre_m + reach[..., None] * lines - shift_m) @ turn[:, :2] / board.square_m
    # the first inner corner lies one square, and the rim one more, inside the texture
    at = ((on + 2) * per_square - 0.5).astype(np.float32)
    at[~(reach > 0)] = -1e4
    painted = cv2.remap(texture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=0).astype(np.float32)
    there = (at > 0).all(axis=-1) & (at[..., 0] < texture.shape[1] - 1) & (at[..., 1] < texture.shape[0] - 1)
    fine[there] = painted[there]
    whole = np.full((height, width), 110.0)
    whole[low[1] : high[1], low[0] : high[0]] = shrink(fine)
    return finish(whole, noise, rng)


def paint(x: np.ndarray, y: np.ndarray, width_m: float = 0.05, length_m: float = 20.1168) -> np.ndarray:
    """Where the ground is painted, paint lies toward the pitch's middle, or outward of the return crease."""
    out = np.zeros(x.shape, bool)
    for y_end in (y, length_m - y):
        out |= (y_end >= 0) & (y_end <= width_m) & (np.abs(x) <= 1.3208)
        out |= (y_end >= 1.2192) & (y_end <= 1.2192 + width_m) & (np.abs(x) <= 1.8288)
        side = (np.abs(x) >= 1.3208) & (np.abs(x) <= 1.3208 + width_m)
        out |= side & (y_end >= -1.2192) & (y_end <= 1.2192 + width_m)
    return out


def lane_picture(camera: Camera, rng: np.random.Generator, noise: float = 2.0, stump: float = 190.0) -> np.ndarray:
    """The empty lane: a green-grey floor with painted creases, three round stumps at each end, a dim far wall."""
    width, height = camera.lens.image_size_px
    lines = sight_lines(camera, (0, 0, width, height))
    fine = np.full(lines.shape[:2], 70.0, np.float32)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = -camera.centre_m[2] / lines[..., 2]
    ground = (reach > 0) & (reach < 60)
    x, y = (camera.centre_m[i] + np.where(ground, reach, 0) * lines[..., i] for i in (0, 1))
    mottled = 100 + 6 * np.sin(7 * x + 3 * y) + 4 * np.sin(23 * x - 11 * y)
    fine[ground] = np.where(paint(x, y), 215.0, mottled)[ground]
    for end in (0.0, 20.1168):
        for axis_x in (-0.09525, 0.0, 0.09525):
            fine[on_stump(camera, lines, axis_x, end)] = stump
    return finish(shrink(fine), noise, rng)


def on_stump(camera: Camera, lines: np.ndarray, x_m: float, y_m: float) -> np.ndarray:
    """Which sight lines meet an upright cylinder of a stump's size."""
    offset = camera.centre_m[:2] - [x_m, y_m]
    flat = lines[..., :2]
    a, b, c = (flat**2).sum(-1), flat @ offset, offset @ offset - 0.01905**2
    root = b**2 - a * c
    near = (-b - np.sqrt(np.maximum(root, 0))) / a
    z = camera.centre_m[2] + near * lines[..., 2]
    return (root > 0) & (near > 0) & (z >= 0) & (z <= STUMP_HEIGHT_M)
