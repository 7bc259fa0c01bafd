"""Pictures of a calibration board held about in the hall, each with where its corners truly are."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.camera import Camera
from calibration.rig import Rig
from tracker.records import Floats
from tracker.simulation import optics, paint
from tracker.simulation.hall import Floats32, Hall
from tracker.simulation.render import Action, Bytes, Look, View
from tracker.simulation.surfaces import light

PER_SQUARE = 64  # pixels of the printed pattern
RIM_SQUARES = 0.7
WHITE, BLACK = 0.70, 0.03  # linear reflectance


@dataclass(frozen=True)
class Print:
    """What is printed: a chessboard of columns x rows inner corners, or a ChArUco board of columns x rows squares."""

    kind: str = "chessboard"
    columns: int = 9
    rows: int = 6
    square_m: float = 0.06
    marker_m: float = 0.045
    dictionary: str = "DICT_5X5_100"

    @property
    def squares(self) -> tuple[int, int]:
        """Squares across and down."""
        more = 1 if self.kind == "chessboard" else 0
        return self.columns + more, self.rows + more

    @property
    def size_m(self) -> tuple[float, float]:
        """Width and height with the rim."""
        across, down = self.squares
        return (across + 2 * RIM_SQUARES) * self.square_m, (down + 2 * RIM_SQUARES) * self.square_m

    def corners_m(self) -> Floats:
        """Inner corners (n, 3) on the board, from its top left printed corner, x right, y down, row by row."""
        across, down = self.squares
        x, y = np.meshgrid(np.arange(1, across), np.arange(1, down))
        step = RIM_SQUARES * self.square_m
        return np.column_stack([x.ravel() * self.square_m + step, y.ravel() * self.square_m + step, np.zeros(x.size)])

    def pattern(self) -> Floats32:
        """The print as reflectance, PER_SQUARE pixels a square."""
        across, down = self.squares
        rim = round(RIM_SQUARES * PER_SQUARE)
        if self.kind == "chessboard":
            y, x = np.indices((down, across))
            cells = np.where((x + y) % 2 == 0, 0, 255).astype(np.uint8)
            inner = np.kron(cells, np.ones((PER_SQUARE, PER_SQUARE), np.uint8))
        else:
            words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.dictionary))
            board = cv2.aruco.CharucoBoard((across, down), self.square_m, self.marker_m, words)
            inner = np.asarray(board.generateImage((across * PER_SQUARE, down * PER_SQUARE)), np.uint8)
        whole = np.pad(inner, rim, constant_values=255)
        return (BLACK + (WHITE - BLACK) * (whole / 255.0)).astype(np.float32)


@dataclass(frozen=True, eq=False)
class Held:
    """Where a board is: its top left corner (3,), its edges as unit vectors, x right and y down as it is seen."""

    corner_m: Floats
    right: Floats
    down: Floats

    def place(self, board_m: Floats) -> Floats:
        """Lane points (n, 3) of points on the board (n, 3)."""
        return np.asarray(self.corner_m + board_m[:, :1] * self.right + board_m[:, 1:2] * self.down)


def hold(camera: Camera, board: Print, rng: np.random.Generator, near_m: float, far_m: float) -> Held:
    """The board held before a camera, somewhere in its picture, tilted up to 45 degrees and rolled a little."""
    width, height = camera.lens.image_size_px
    px = rng.uniform([0.08 * width, 0.08 * height], [0.92 * width, 0.92 * height])
    ray = optics.rays(camera, px[None])[0]
    middle = optics.centre_m(camera) + rng.uniform(near_m, far_m) * ray
    axes = optics.turn(camera)
    tilt = rng.normal(size=2)
    tilt *= math.radians(rng.uniform(5, 45)) / np.linalg.norm(tilt)
    turned = optics.rotation(np.array([tilt[0], tilt[1], rng.normal(0, 0.2)])) @ axes
    size = np.array(board.size_m)
    return Held(middle - size[0] / 2 * turned[0] - size[1] / 2 * turned[1], turned[0], turned[1])


def wholly_seen(camera: Camera, board: Print, held: Held, rim_px: float = 6.0) -> bool:
    """Whether every corner, with a rim around it, falls in the picture, above the floor and facing the camera."""
    width, height = np.array(board.size_m)
    outline = np.array([[0, 0, 0], [width, 0, 0], [0, height, 0], [width, height, 0]], float)
    at = held.place(outline)
    px = optics.project(camera, at)
    facing = np.cross(held.right, held.down) @ (at.mean(axis=0) - optics.centre_m(camera))
    inside = (px > rim_px) & (px < np.array(camera.lens.image_size_px) - rim_px)
    return bool(np.isfinite(px).all() and inside.all() and at[:, 2].min() > 0.05 and facing > 0)


def instants(
    rig: Rig, board: Print, rng: np.random.Generator, pairs: int, singles: int
) -> list[tuple[Held, bool, bool]]:
    """Boards to hold up, and which camera's picture shows each: pairs seen by both, then each camera alone."""
    out: list[tuple[Held, bool, bool]] = []
    towards = optics.turn(rig.left)[2] @ optics.turn(rig.right)[2]
    left, right = rig.cameras
    apart = float(np.linalg.norm(optics.centre_m(left) - optics.centre_m(right)))
    for wanted in ["both"] * (pairs if towards > 0.4 else 0) + ["left"] * singles + ["right"] * singles:
        camera = right if wanted == "right" else left
        near, far = (max(1.2, 0.8 * apart), 2.2 * apart + 1.5) if wanted == "both" else (0.9, 3.0)
        for _ in range(2000):
            held = hold(camera, board, rng, near, far)
            seen = [wholly_seen(c, board, held) for c in rig.cameras]
            if all(seen) if wanted == "both" else seen[0 if wanted == "left" else 1]:
                out.append((held, wanted != "right", wanted != "left"))
                break
    return out


def photograph(view: View, board: Print, held: Held, pattern: Floats32) -> Bytes:
    """The luma picture (h, w) of the hall with the board held in it."""
    return view.still(lambda luma: _lay(view, board, held, pattern, luma))


def _lay(view: View, board: Print, held: Held, pattern: Floats32, luma: Floats32) -> None:
    size = np.array(board.size_m)
    outline = held.place(np.array([[x * size[0], y * size[1], 0.0] for x in (0, 0.5, 1) for y in (0, 0.5, 1)]))
    px = optics.project(view.camera, outline)
    width, height = view.camera.lens.image_size_px
    c0, r0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 12, 0)
    c1, r1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 12, [width, height])
    shape = (r1 - r0, c1 - c0)
    cover, bright = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    lit = light(*(float(v) for v in outline[4])) * view.hall.lamps
    normal = np.cross(held.right, held.down)
    lit *= 0.75 + 0.25 * abs(float(normal[2]))
    centre, turn = optics.centre_m(view.camera), optics.turn(view.camera)
    box = (int(r0), int(r1), int(c0), int(c1))
    paint.board(view.plate.xy, turn, centre, held.corner_m, held.right, held.down, pattern, size, box, 5, cover, bright)
    blur = view.look.psf_px
    if blur > 0:
        cover, bright = (np.asarray(cv2.GaussianBlur(a, (0, 0), blur), np.float32) for a in (cover, bright))
    luma[r0:r1, c0:c1] += bright * lit - cover * luma[r0:r1, c0:c1]


def empty_view(camera: Camera, hall: Hall, look: Look, rng: np.random.Generator) -> View:
    """The empty hall before a camera."""
    from tracker.simulation.hall import plate

    return View(camera, plate(camera, hall), hall, Action(), look, rng)
