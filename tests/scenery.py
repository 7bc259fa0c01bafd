"""Pictures of a far scene for the tests of moved cameras: drawn exactly from directions, so turns are true to any size.

Own drawing: brightness is a sum of soft steps across random planes through the camera, evaluated at every pixel's
direction, so that there is no grid that could alias. People are bright and dark strokes drawn over it.
"""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from calibration.camera import Camera, Lens

SIZE_PX = (640, 360)


@dataclass(frozen=True)
class Scenery:
    """normal (m, 3), offset (m,), step (m,): brightness rises by `step` where normal . direction exceeds the offset."""

    normal: np.ndarray
    offset: np.ndarray
    step: np.ndarray


def scenery(rng: np.random.Generator, edges: int = 60, ahead=(0.0, -1.0, -0.1)) -> Scenery:
    """Edges that cross the view around a direction of the lane frame."""
    normal = rng.normal(size=(edges, 3))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    through = np.array(ahead) / np.linalg.norm(ahead) + rng.normal(0.0, 0.35, (edges, 3))
    through /= np.linalg.norm(through, axis=1, keepdims=True)
    return Scenery(normal, (normal * through).sum(axis=1), rng.choice([-1, 1], edges) * rng.uniform(8, 30, edges))


@cache
def watching(field_deg: float = 60.0, distortion=(-0.12, 0.05, 0.0005, -0.0003, 0.0)) -> Camera:
    """A camera of small pictures behind the bowler, looking down the lane."""
    focal = SIZE_PX[0] / 2 / np.tan(np.radians(field_deg / 2))
    matrix = np.array([[focal, 0, SIZE_PX[0] / 2], [0, focal, SIZE_PX[1] / 2], [0, 0, 1]])
    down = np.radians(6.0)
    ahead = np.array([0.0, -np.cos(down), -np.sin(down)])
    right = np.array([-1.0, 0.0, 0.0])
    turn = np.array([right, np.cross(ahead, right), ahead])
    lens = Lens(SIZE_PX, matrix, np.array(distortion))
    return Camera(lens, cv2.Rodrigues(turn)[0][:, 0], -turn @ np.array([1.2, 22.5, 2.6]))


def turned_by_hand(camera: Camera, right_deg: float = 0.0, down_deg: float = 0.0, roll_deg: float = 0.0) -> Camera:
    """The camera after a hand turned it to its right, down, and clockwise as seen from behind it."""
    turn = camera.R
    for axis, angle in ((1, right_deg), (0, -down_deg), (2, roll_deg)):  # axes right, down, ahead of the camera itself
        vector = np.zeros(3)
        vector[axis] = np.radians(angle)
        body = cv2.Rodrigues(vector)[0]  # turns the camera's body: a point's coordinates turn the other way
        turn = body.T @ turn
    return Camera(camera.lens, cv2.Rodrigues(turn)[0][:, 0], -turn @ camera.centre_m)


@cache
def pixels(lens: Lens) -> np.ndarray:
    """Undistorted coordinates (h w, 2) of every pixel."""
    x, y = np.meshgrid(np.arange(lens.image_size_px[0], dtype=float), np.arange(lens.image_size_px[1], dtype=float))
    return lens.undistort(np.column_stack([x.ravel(), y.ravel()]))


def draw(scene: Scenery, camera: Camera, grow: float = 1.0) -> np.ndarray:
    """The scene (h, w), float grey levels; `grow` makes the picture larger about its middle, as zoom does."""
    width, height = camera.lens.image_size_px
    xy = pixels(camera.lens) / grow
    rays = np.column_stack([xy, np.ones(len(xy))]) @ camera.R
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    soft = 0.7 / camera.lens.matrix[0, 0]
    out = np.full(len(xy), 110.0)
    for normal, offset, step in zip(scene.normal, scene.offset, scene.step, strict=True):
        out += 0.5 * step * np.tanh((rays @ normal - offset) / soft)
    return np.nan_to_num(np.clip(out, 15, 240), nan=15.0).reshape(height, width)


def seen(clean: np.ndarray, rng: np.random.Generator, noise: float = 2.0) -> np.ndarray:
    """The picture as a quiet camera stores it."""
    return np.clip(clean + rng.normal(0, noise, clean.shape), 0, 255).astype(np.uint8)


def disturbed(clean: np.ndarray, rng: np.random.Generator, people: int = 3) -> np.ndarray:
    """Another day: other light, people in the way, compression, and noise as the median of nine frames leaves it."""
    height, width = clean.shape
    x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    slope = rng.uniform(-0.3, 0.3, 2)
    out = clean * rng.uniform(0.6, 1.3) * (1 + slope[0] * x + slope[1] * y)
    for _ in range(people):
        at, tall = np.array([rng.uniform(0, width), rng.uniform(0.4, 1.0) * height]), rng.uniform(0.2, 0.5) * height
        for _ in range(5):
            ends = [tuple(int(v) for v in at + tall * rng.normal(0, [0.15, 0.3])) for _ in range(2)]
            cv2.line(out, *ends, float(rng.uniform(10, 230)), int(0.1 * tall) + 1, cv2.LINE_AA)
    stored = cv2.imencode(".jpg", seen(out, rng, rng.uniform(0.3, 1.0)), [cv2.IMWRITE_JPEG_QUALITY, 80])[1]
    return cv2.imdecode(stored, cv2.IMREAD_GRAYSCALE)
