"""Real pictures of a chessboard: lenses and baseline. tests/data/opencv_stereo_chessboard says where they are from."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.adjust import BoardView, Observed, State, adjust, view_block
from calibration.board import Board, find_corners
from calibration.camera import Camera
from calibration.folder import read_gray
from calibration.lenses import LensChoice, choose_lens, lens_mask
from calibration.start import pair_cameras

DATA = Path(__file__).parent / "data" / "opencv_stereo_chessboard"
BOARD = Board("chessboard", 9, 6, 0.030)
SIZE = (640, 480)
F_PUBLISHED = (533.5, 536.6)  # the toolbox's page, at second hand
BASELINE_M = 0.09980  # likewise


def views(window_px: int | None = None) -> list[BoardView]:
    found = []
    for i, who in enumerate(("left", "right")):
        for n, file in enumerate(sorted(DATA.glob(f"{who}*.jpg"))):
            corners = find_corners(read_gray(file), BOARD, window_px)
            assert corners is not None and corners.whole, file
            found.append(BoardView(i, file.name, n, corners.points_m, corners.px))
    return found


@pytest.fixture(scope="module")
def found() -> list[BoardView]:
    return views()


@pytest.fixture(scope="module")
def choices(found: list[BoardView]) -> list[LensChoice]:
    return [choose_lens([v for v in found if v.view == i], SIZE, who) for i, who in enumerate(("left", "right"))]


def test_each_lens_is_the_published_one(choices: list[LensChoice]) -> None:
    for choice, published in zip(choices, F_PUBLISHED, strict=True):
        done = choice.fit.adjusted
        miss = np.concatenate([view_block(done.state, v, 1.0).residual for v in done.observed.views])
        rms = np.sqrt(2 * np.mean(miss**2))  # per corner, as OpenCV counts
        assert rms <= 0.25
        assert choice.fit.lens.matrix[0, 0] == pytest.approx(published, rel=0.003)
        assert not any("02" in name for name in choice.left_out)


def test_the_pair_has_the_published_baseline_and_fits_as_well_as_opencvs(
    found: list[BoardView], choices: list[LensChoice]
) -> None:
    fits = [c.fit for c in choices]
    names = [[v.name[-6:] for v in fit.views] for fit in fits]
    both = [n for n in names[0] if n in names[1]]
    poses = [
        [(fit.turn[own.index(n)], fit.shift_m[own.index(n)]) for n in both]
        for fit, own in zip(fits, names, strict=True)
    ]
    between = pair_cameras(poses[0], [[p] for p in poses[1]])
    assert between is not None
    left = Camera(fits[0].lens, np.zeros(3), np.zeros(3))
    state = State((left, between.camera(fits[1].lens)), *(np.array(part) for part in zip(*poses[0], strict=True)))
    paired = [replace(v, board=both.index(v.name[-6:])) for v in found if v.name[-6:] in both]
    free = lens_mask(state, [fit.terms for fit in fits])
    free[state.starts[1] : state.starts[1] + 6] = True
    done = adjust(state, Observed(tuple(paired), corner_sd_px=(0.15, 0.15)), free)
    right = done.state.cameras[1]
    assert np.linalg.norm(right.translation_m) == pytest.approx(BASELINE_M, abs=0.00015)
    miss = np.concatenate([view_block(done.state, v, 1.0).residual for v in paired])
    ours = np.sqrt(2 * np.mean(miss**2))

    k, d = [f.lens.matrix for f in fits], [f.lens.distortion for f in fits]
    objects = [v.points_m.astype(np.float32) for v in paired if v.view == 0]
    px = [[v.px.astype(np.float32) for v in paired if v.view == i] for i in (0, 1)]
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | (cv2.CALIB_FIX_K3 if max(f.terms for f in fits) == 4 else 0)
    theirs = cv2.stereoCalibrate(objects, px[0], px[1], k[0], d[0], k[1], d[1], SIZE, flags=flags)[0]
    assert ours <= 0.25
    assert ours <= theirs * 1.02


def test_a_window_too_wide_names_the_view_with_the_small_squares() -> None:
    wide = [v for v in views(window_px=11) if v.view == 0]
    choice = choose_lens(wide, SIZE, "left")
    assert next(iter(choice.left_out)) == "left02.jpg"  # the worst goes first
    assert len(choice.left_out) <= 2
    assert choice.fit.lens.matrix[0, 0] == pytest.approx(F_PUBLISHED[0], rel=0.003)
