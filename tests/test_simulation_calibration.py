"""Rehearsed calibration folders: boards drawn where they are held, marks clicked where they lie."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.camera import Lens
from calibration.folder import read_folder
from calibration.marks import named_mark
from tracker.simulation import optics
from tracker.simulation.boards import Print, empty_view, hold, instants, photograph, wholly_seen
from tracker.simulation.calibrating import LAID_M, Survey, rehearse_calibration
from tracker.simulation.hall import Hall
from tracker.simulation.render import Look
from tracker.simulation.rigs import pair
from tracker.simulation.screens import bar
from tracker.simulation.truth import deliver

BOARDS = {"chessboard": Print(), "charuco": Print("charuco", 9, 7)}


@pytest.fixture(scope="module")
def rig():
    """An end-on pair with pictures of 640 x 360."""
    whole = pair("end_on", rows=720, distortion=(-0.25, 0.08, 5e-4, -3e-4, 0.0))
    cameras = []
    for c in whole.cameras:
        m = c.lens.matrix.copy()
        m[:2] /= 2
        cameras.append(replace(c, lens=Lens((640, 360), m, c.lens.distortion)))
    return replace(whole, left=cameras[0], right=cameras[1])


@pytest.fixture(scope="module")
def view(rig):
    return empty_view(rig.left, Hall(), Look(), np.random.default_rng(0))


@pytest.mark.parametrize("kind", BOARDS)
def test_corners_are_found_where_the_board_is_held(kind, rig, view):
    """OpenCV's own detectors find the inner corners of the pictures within 0.15 px rms of their true projections."""
    board, rng, missed = BOARDS[kind], np.random.default_rng(3), []
    while len(missed) < 4:
        held = hold(rig.left, board, rng, 1.2, 2.5)
        if not wholly_seen(rig.left, board, held):
            continue
        picture = photograph(view, board, held, board.pattern())
        true = optics.project(rig.left, held.place(board.corners_m()))
        missed.append(_found(kind, board, picture, true))
    assert np.sqrt(np.mean(np.concatenate(missed) ** 2)) < 0.15


def _found(kind, board, picture, true):
    if kind == "chessboard":
        ok, corners = cv2.findChessboardCornersSB(picture, (board.columns, board.rows))
        assert ok
        corners = corners.reshape(-1, 2)
        return min(corners - true, corners[::-1] - true, key=lambda d: np.abs(d).sum())
    words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    printed = cv2.aruco.CharucoBoard(board.squares, board.square_m, board.marker_m, words)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(printed).detectBoard(picture)
    assert len(ids) > 20
    return corners.reshape(-1, 2) - true[ids.ravel()]


def test_pairs_are_seen_by_both_and_never_by_cameras_that_face_each_other(rig):
    shots = instants(rig, Print(), np.random.default_rng(1), 3, 2)
    assert [tuple(seen) for _, *seen in shots] == [(True, True)] * 3 + [(True, False)] * 2 + [(False, True)] * 2
    for held, left, right in shots:
        for camera, shown in zip(rig.cameras, (left, right), strict=True):
            assert not shown or wholly_seen(camera, Print(), held)
    facing = instants(pair("crossing", rows=720), Print(), np.random.default_rng(1), 3, 1)
    assert [tuple(seen) for _, *seen in facing] == [(True, False), (False, True)]


@pytest.mark.parametrize("rough", [False, True])
def test_a_rehearsed_folder_reads_back(tmp_path, rig, rough):
    survey = Survey(pairs=2, singles=1, rough=rough)
    rehearse_calibration(tmp_path, rig, Hall(), Look(), survey, np.random.default_rng(5), lambda *_: None)
    folder = read_folder(tmp_path)
    assert len(set(folder.pictures[0]) & set(folder.pictures[1])) == 2
    assert [len(p) for p in folder.pictures] == [3, 3]
    assert all(path is not None and path.exists() for path in folder.lane)
    assert folder.rough.any() == rough
    stated = {f"disc_{k:02d}": (x, y, 0.0) for k, (x, y) in enumerate(LAID_M, start=1)}
    misses = []
    for v, m, px in zip(folder.marks.view, folder.marks.mark, folder.marks.px, strict=True):
        name = folder.marks.names[m]
        at = np.array(stated[name]) if name in stated else named_mark(name)[0]
        misses.append(px - optics.project(rig.cameras[v], at[None])[0])
    assert len(misses) > 20
    assert 0.1 < np.std(misses) < (4.0 if rough else 1.2)


def test_laid_discs_shine_in_the_lane_picture(tmp_path, rig):
    survey = Survey(pairs=0, singles=0, click_sd_px=0.01, survey_sd_m=1e-6)
    rehearse_calibration(tmp_path, rig, Hall(), Look(), survey, np.random.default_rng(5), lambda *_: None)
    picture = cv2.imread(str(tmp_path / "lane_left.png"), cv2.IMREAD_GRAYSCALE).astype(float)
    seen = 0
    for x, y in LAID_M:
        u, v = optics.project(rig.left, np.array([[x, y, 0.0]]))[0]
        if 15 < u < 620 and 15 < v < 340 and 5 < y < 13:
            c, r = round(u), round(v)
            around = np.median(picture[r - 8 : r + 9, c - 12 : c + 13])
            assert picture[r - 1 : r + 2, c - 1 : c + 2].max() > around + 8
            seen += 1
    assert seen >= 4


def test_a_bar_hides_the_ball_for_its_span(rig):
    from tracker.simulation.bowling import BOWLERS, draw
    from tracker.simulation.render import Action, BallShown, View

    b = draw(BOWLERS["pace"], np.random.default_rng(1), release_s=0.0)
    flown = deliver(b.throw, b.forces, b.ground)
    for camera in rig.cameras:
        plain = empty_view(camera, Hall(), Look(), np.random.default_rng(0))
        action = Action((BallShown(flown.path),), (bar(camera, [flown], 0.2, 0.3),))
        view = View(camera, plain.plate, Hall(), action, Look(), np.random.default_rng(0))
        seen = [bool(view.picture(t).visible[0]) for t in (0.1, 0.15, 0.22, 0.25, 0.28, 0.36, 0.4)]
        assert seen == [True, True, False, False, False, True, True]
