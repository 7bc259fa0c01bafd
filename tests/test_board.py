"""Corners of drawn boards: to a fraction of a pixel, partial views, layouts; and why there are none."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.board import Board, find_corners, settle_layout, why_none
from tests.drawn import board_picture
from tests.rehearsed import camera

CHESS = Board("chessboard", 9, 6, 0.040)
CHARUCO = Board("charuco", 8, 6, 0.040, 0.030, "DICT_5X5_100")
CAMERA = camera((0, -2, 1), (0, 0, 1), 900, (-0.25, 0.08, 0.0005, -0.0003, 0.0), (960, 640))


def held(board: Board, away_m: float = 0.8, tilt=(0.4, -0.3, 0.1), aside_m: float = 0.0):
    """Board to lane: turn and the first corner's place, the middle before the camera."""
    turn = CAMERA.R.T @ cv2.Rodrigues(np.array(tilt))[0]
    middle = CAMERA.centre_m + CAMERA.R.T @ [aside_m, 0, away_m]
    return turn, middle - turn @ board.corners_m.mean(axis=0)


def drawn(board: Board, rng, noise: float = 2.0, legacy: bool = False, **place):
    turn, first = held(board, **place)
    return board_picture(CAMERA, board, turn, first, rng, noise, legacy), turn, first


def miss(found, turn, first) -> np.ndarray:
    return found.px - CAMERA.project(found.points_m @ turn.T + first)


@pytest.mark.parametrize("away_m", [0.6, 1.0, 2.0])
def test_chessboard_corners_are_found_to_a_fraction_of_a_pixel(away_m: float, rng) -> None:
    picture, turn, first = drawn(CHESS, rng, away_m=away_m)
    found = find_corners(picture, CHESS)
    assert found is not None and found.whole and len(found.px) == 54
    error = miss(found, turn, first)
    if np.abs(error).max() > 5:  # numbered from the other end
        error = miss(replace(found, points_m=found.points_m[::-1]), turn, first)
    assert np.sqrt(np.mean(error**2)) < 0.08
    assert np.abs(error.mean(axis=0)).max() < 0.03  # no half pixel anywhere


@pytest.mark.parametrize("legacy", [False, True])
def test_charuco_corners_are_found_and_the_older_layout_is_named(legacy: bool, rng) -> None:
    picture, turn, first = drawn(CHARUCO, rng, legacy=legacy)
    board, note = settle_layout([picture], CHARUCO)
    assert board.legacy is legacy
    assert ("older ChArUco layout" in note) is legacy
    found = find_corners(picture, board)
    assert found is not None and len(found.px) == 35
    assert np.sqrt(np.mean(miss(found, turn, first) ** 2)) < 0.12


def test_part_of_a_charuco_board_keeps_its_numbers(rng) -> None:
    picture, turn, first = drawn(CHARUCO, rng, aside_m=0.35)
    found = find_corners(picture, CHARUCO)
    assert found is not None and 8 <= len(found.px) < 35
    assert np.sqrt(np.mean(miss(found, turn, first) ** 2)) < 0.12


def test_part_of_a_chessboard_serves_the_lens_only(rng) -> None:
    picture, turn, first = drawn(CHESS, rng, tilt=(0.2, 0.1, 0.0), aside_m=0.36)
    found = find_corners(picture, CHESS)
    assert found is not None and not found.whole
    # its own small grid, square by square: some shift on the board fits all corners
    true = CAMERA.project(CHESS.corners_m @ turn.T + first)
    nearest = np.linalg.norm(found.px[:, None] - true, axis=2).min(axis=1)
    assert np.sqrt(np.mean(nearest**2)) < 0.08
    assert len(np.unique(found.points_m[:, 0])) * len(np.unique(found.points_m[:, 1])) == len(found.px)


def test_a_mirrored_picture_is_told(rng) -> None:
    picture, *_ = drawn(CHARUCO, rng)
    mirrored = np.ascontiguousarray(picture[:, ::-1])
    assert find_corners(mirrored, CHARUCO) is None
    told = why_none([mirrored], CHARUCO, "right")
    assert "0 board markers as filmed, 24 after mirroring: the right camera is set to mirror" in told


def test_exchanged_rows_and_columns_are_told(rng) -> None:
    picture, *_ = drawn(CHARUCO, rng)
    stated = replace(CHARUCO, columns=6, rows=8)
    assert find_corners(picture, stated) is None
    told = why_none([picture], stated, "left")
    assert "24 markers but 0 corners: your board is 8 x 6 squares (columns x rows), the settings say 6 x 8" in told


def test_another_dictionary_is_told(rng) -> None:
    picture, *_ = drawn(CHARUCO, rng)
    told = why_none([picture], replace(CHARUCO, dictionary="DICT_4X4_100"), "left")
    assert "no markers of DICT_4X4_100, but some of DICT_5X5" in told


def test_squares_counted_for_corners_are_told(rng) -> None:
    picture, *_ = drawn(CHESS, rng, tilt=(0.1, 0.1, 0.0))
    stated = replace(CHESS, columns=10, rows=7)
    assert "9 x 6 inner corners, the settings say 10 x 7: count inner corners, not squares" in why_none(
        [picture], stated, "left"
    )


@pytest.mark.parametrize("board", [CHESS, CHARUCO], ids=lambda b: b.kind)
def test_an_empty_picture_has_no_board(board: Board, rng) -> None:
    empty = rng.integers(100, 120, (480, 640)).astype(np.uint8)
    assert find_corners(empty, board) is None
    assert "no picture shows" in why_none([empty], board, "left")


def test_a_large_picture_is_searched_small_and_measured_large(rng) -> None:
    picture, _turn, _first = drawn(CHESS, rng, away_m=0.8)
    large = cv2.resize(picture, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)  # 2880 px across
    few, many = find_corners(picture, CHESS), find_corners(large, CHESS)
    assert few is not None and many is not None and many.whole
    gap = (many.px + 0.5) / 3 - 0.5 - few.px
    turned = (many.px[::-1] + 0.5) / 3 - 0.5 - few.px
    assert min(np.abs(gap).max(), np.abs(turned).max()) < 0.15
