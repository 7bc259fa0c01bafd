"""Corners of a chessboard or ChArUco board in a picture, to a fraction of a pixel, and why there are none.

OpenCV finds the board; the saddle point of each corner is then sought in a window that suits the size of its squares
as seen (too wide a window takes in the neighbours). A chessboard that is only partly in the picture serves the lens but
cannot be numbered; ChArUco corners carry their numbers. Printed boards of the older ChArUco layout are recognised.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Floats

Gray = NDArray[np.uint8]
KINDS = ("chessboard", "charuco")
WINDOW_SHARE = 0.35  # half window over the spacing of corners: wider ones reach the neighbouring corner's edges
MARGIN_SHARE = 0.95  # of the white rim between a corner and a ChArUco marker
WINDOW_PX = (3, 9)
LEAST_IN_RIM_PX = 2  # between ChArUco markers
FEWEST_CORNERS = 8
ENOUGH = 0.6  # of a ChArUco board's corners: with fewer the enlarged picture is tried
LEAST_COSINE, MOST_RATIO = 0.9, 1.7  # of neighbouring steps between corners: others are a mistaken grid
LARGEST_PX = 2200
_STOP = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-4)


@dataclass(frozen=True)
class Board:
    """A printed board: inner corners of a chessboard, squares of a ChArUco board (docs/files.md)."""

    kind: str
    columns: int
    rows: int
    square_m: float
    marker_m: float = 0.0
    dictionary: str = ""
    legacy: bool = False

    @property
    def grid(self) -> tuple[int, int]:
        """Inner corners across and down."""
        less = 0 if self.kind == "chessboard" else 1
        return self.columns - less, self.rows - less

    @property
    def corners_m(self) -> Floats:
        """The inner corners (n, 3), row by row from the first; the board is the plane z = 0."""
        across, down = self.grid
        x, y = np.meshgrid(np.arange(float(across)), np.arange(float(down)))
        grid: Floats = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]) * self.square_m
        return grid

    @property
    def turnable(self) -> bool:
        """Whether the corners may be numbered from either end."""
        return self.kind == "chessboard"

    @cached_property
    def detector(self) -> Any:
        """OpenCV's detector of a ChArUco board."""
        words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.dictionary))
        own = cv2.aruco.CharucoBoard((self.columns, self.rows), self.square_m, self.marker_m, words)
        own.setLegacyPattern(self.legacy)
        fine = cv2.aruco.DetectorParameters()
        fine.minMarkerPerimeterRate = 0.01  # of the picture's longer side: markers far off are small
        return cv2.aruco.CharucoDetector(own, cv2.aruco.CharucoParameters(), fine)


def dictionaries() -> tuple[str, ...]:
    """Names of the marker dictionaries OpenCV knows."""
    return tuple(sorted(n for n in dir(cv2.aruco) if n.startswith("DICT_")))


@dataclass(frozen=True, eq=False)
class Corners:
    """Corners found: where on the board (n, 3), where in the picture (n, 2), and whether their numbers are certain."""

    points_m: Floats
    px: Floats
    whole: bool


def find_corners(picture: Gray, board: Board, window_px: int | None = None) -> Corners | None:
    """The board's corners in a grey picture; None where it is not found.

    `window_px` forces the half width of the window in which the saddle point is sought.
    """
    if board.kind == "chessboard":
        return _chessboard(picture, board, window_px)
    px, number = _charuco(picture, board)
    if len(px) < FEWEST_CORNERS:
        return None
    return _sharpened(picture, board.corners_m[number], px, True, board, window_px)


def _charuco(picture: Gray, board: Board) -> tuple[Floats, NDArray[np.int64]]:
    """Rough corners and their numbers; of a board that is hardly read also from the picture enlarged."""
    best, numbers = np.zeros((0, 2)), np.zeros(0, int)
    for scale in (1, 2, 3):
        large = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC) if scale > 1 else picture
        px, ids, _, markers = board.detector.detectBoard(large)
        if px is not None and len(px) > len(best):
            best, numbers = (np.asarray(px, float).reshape(-1, 2) + 0.5) / scale - 0.5, np.asarray(ids).ravel()
        if len(best) > ENOUGH * len(board.corners_m) or (scale > 1 and markers is None):
            break
    return best, numbers


def _chessboard(picture: Gray, board: Board, window_px: int | None) -> Corners | None:
    """The whole board by OpenCV's quick finder, else by its thorough one, else a part of it."""
    shrink = -(-max(picture.shape) // LARGEST_PX)  # the finders are slow on large pictures and need not be sharp
    small = cv2.resize(picture, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    found, px = cv2.findChessboardCorners(small, board.grid, flags=_QUICK)
    if not found:
        found, px = cv2.findChessboardCornersSB(small, board.grid, flags=_THOROUGH)
    across, down = board.grid
    grid = np.asarray(px, float).reshape(down, across, 2) if found else None
    if grid is None or not _regular(grid):
        grid = _part(small, (max(3, across // 2), max(3, down // 2)))
        if grid is None or sorted(grid.shape[:2]) > sorted(board.grid) or max(grid.shape[:2]) > max(board.grid):
            return None
        if grid.shape[:2] == board.grid:
            grid = grid.transpose(1, 0, 2)
    local = replace(board, columns=grid.shape[1], rows=grid.shape[0])
    whole, grid = grid.shape[:2] == (down, across), (grid + 0.5) * shrink - 0.5
    return _sharpened(picture, local.corners_m, _upright(grid).reshape(-1, 2), whole, board, window_px)


_QUICK = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
_THOROUGH = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_EXHAUSTIVE


def _part(picture: Gray, least: tuple[int, int]) -> Floats | None:
    """Corners (down, across, 2) of the largest piece of chessboard of at least the given size."""
    found, px, meta = cv2.findChessboardCornersSBWithMeta(picture, least, _THOROUGH | cv2.CALIB_CB_LARGER)
    if not found:
        return None
    down, across = meta.shape[:2]
    grid = np.asarray(px, float).reshape(down, across, 2)
    return grid if _regular(grid) else None


def _regular(grid_px: Floats) -> bool:
    """Whether neighbouring steps of a grid are alike, as on any flat board through any usual lens."""
    for steps in (np.diff(grid_px, axis=0), np.diff(grid_px, axis=1).transpose(1, 0, 2)):
        length = np.linalg.norm(steps, axis=2)
        a, b = steps[:-1], steps[1:]
        cosine = np.sum(a * b, axis=2) / (length[:-1] * length[1:])
        ratio = length[1:] / length[:-1]
        if np.any(cosine < LEAST_COSINE) or np.any(np.abs(np.log(ratio)) > np.log(MOST_RATIO)):
            return False
    return True


def _upright(grid_px: Floats) -> Floats:
    """The grid with columns and rows turning as x and y do in the picture (a board is not seen through its back)."""
    across, down = grid_px[0, -1] - grid_px[0, 0], grid_px[-1, 0] - grid_px[0, 0]
    return grid_px if across[0] * down[1] - across[1] * down[0] > 0 else grid_px[:, ::-1]


def _sharpened(
    picture: Gray, points_m: Floats, rough_px: Floats, whole: bool, board: Board, window_px: int | None
) -> Corners | None:
    """The saddle point near each rough corner; corners whose search leaves its window are dropped."""
    beside = np.linalg.norm(points_m[:, None] - points_m, axis=2) < 1.5 * board.square_m
    far = np.linalg.norm(rough_px[:, None] - rough_px, axis=2)
    spacing = np.where(beside & (far > 0), far, np.inf).min(axis=1)
    spacing[np.isinf(spacing)] = spacing.min()
    rim = 1.0 if board.kind == "chessboard" else MARGIN_SHARE * (1 - board.marker_m / board.square_m) / 2
    least = WINDOW_PX[0] if board.kind == "chessboard" else LEAST_IN_RIM_PX
    half = np.clip(np.floor(spacing * min(WINDOW_SHARE, rim)), least, WINDOW_PX[1]).astype(int)
    if window_px is not None:
        half[:] = window_px
    px, good = rough_px.copy(), np.zeros(len(rough_px), bool)
    for size in np.unique(half):
        at = np.flatnonzero(half == size)
        rough = rough_px[at].astype(np.float32)[:, None]
        px[at] = cv2.cornerSubPix(picture, rough.copy(), (int(size),) * 2, (-1, -1), _STOP)[:, 0]
        good[at] = np.abs(px[at] - rough_px[at]).max(axis=1) < size
    if good.sum() < FEWEST_CORNERS:
        return None
    return Corners(points_m[good], px[good], whole)


def settle_layout(pictures: Sequence[Gray], board: Board) -> tuple[Board, str]:
    """The board in the layout (newer or older ChArUco) that shows more corners, and a note where it is the older."""
    if board.kind == "chessboard":
        return board, ""
    older = replace(board, legacy=not board.legacy)
    counts = [sum(_count(p, b) for p in pictures) for b in (board, older)]
    if counts[1] > counts[0]:
        return (
            older,
            f"the board has the older ChArUco layout: {counts[1]} corners found, {counts[0]} in the newer",
        )
    return board, ""


def _count(picture: Gray, board: Board) -> int:
    found = find_corners(picture, board)
    return 0 if found is None else len(found.px)


def _markers(picture: Gray, board: Board) -> int:
    ids = board.detector.detectBoard(picture)[3]
    return 0 if ids is None else len(ids)


def why_none(pictures: Sequence[Gray], board: Board, who: str) -> str:
    """Why no picture shows the board: what other board, or what mirroring, would fit."""
    if board.kind == "chessboard":
        return _why_no_chessboard(pictures, board)
    seen = sum(_markers(p, board) for p in pictures)
    mirrored = [np.ascontiguousarray(p[:, ::-1]) for p in pictures]
    flipped = sum(_markers(p, board) for p in mirrored)
    if flipped > 2 * seen:
        return (
            f"{seen} board markers as filmed, {flipped} after mirroring: the {who} camera is set to mirror; "
            "switch that off and film the board again"
        )
    for other in (replace(board, columns=board.rows, rows=board.columns, legacy=old) for old in (False, True)):
        if sum(_count(p, other) for p in pictures) > 0:
            return (
                f"{seen} markers but 0 corners: your board is {other.columns} x {other.rows} squares (columns x rows), "
                f"the settings say {board.columns} x {board.rows}"
            )
    for name in dictionaries():
        other = replace(board, dictionary=name)
        enough = other.columns * other.rows // 2 <= _size(name)
        if seen == 0 and enough and sum(_markers(p, other) for p in pictures) > 2:
            return f"no markers of {board.dictionary}, but some of {name}: set board.dictionary to that"
    if seen:
        return f"{seen} markers but 0 corners: columns and rows count squares on a ChArUco board; count them again"
    return "no picture shows the board: is it sharp, evenly lit, wholly flat, and of the stated dictionary?"


def _size(dictionary: str) -> int:
    return len(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary)).bytesList)


def _why_no_chessboard(pictures: Sequence[Gray], board: Board) -> str:
    sizes = [part.shape[:2] for p in pictures if (part := _part(p, (3, 3))) is not None]
    if sizes:
        down, across = max(sizes, key=lambda s: s[0] * s[1])
        return (
            f"the largest board found has {max(across, down)} x {min(across, down)} inner corners, the settings say "
            f"{board.columns} x {board.rows}: count inner corners, not squares"
        )
    return "no picture shows a chessboard: is it sharp, evenly lit, with a white rim, and wholly in view?"
