"""The ball in the hand, and the path that shows no ball: what is told from what just before a flight is seen."""

import cv2
import numpy as np
import pytest

from calibration.camera import Camera, Lens
from tracker.records import FilmReport
from tracker.settings import VisionSettings
from tracker.vision.album import Album
from tracker.vision.centroid import Measured
from tracker.vision.hand import EXPLAINED, Reach, at_an_end, bare, explained, held
from tracker.vision.looks import Look
from tracker.vision.see import Lead, Seen, sightings_of

SIZE = (640, 360)


@pytest.fixture
def camera() -> Camera:
    lens = Lens(SIZE, np.array([[600.0, 0, 319.5], [0, 600.0, 179.5], [0, 0, 1]]), np.zeros(5))
    return Camera(lens, np.zeros(3), np.zeros(3), 0.0, 0.0, 0.001)


@pytest.mark.parametrize("what", ["ball", "ball on an arm", "arm", "ball of another tone", "forearm", "wrist"])
def test_a_ball_in_the_hand_is_told_from_an_arm(what):
    """A disc explains itself; an arm comes to a ball from the shoulder's side, and goes on from a forearm to both.

    What ends toward the shoulder, which is below here, is a wrist with the hand above it.
    """
    y, x = np.mgrid[:41, :41].astype(float)
    behind, picture = np.full((41, 41), 110.0), np.full((41, 41), 110.0)
    if what == "forearm":  # as bright and as broad as the ball
        picture[np.abs(x - 20) < 4.8] = 40.0
    elif "arm" in what:
        picture[(np.abs(x - 20) < 3.5) & (y > 20)] = 60.0
    if what == "wrist":
        picture[(np.abs(x - 20) < 3.5) & (y < 20)] = 60.0
    if "ball" in what or what == "wrist":
        picture[np.hypot(x - 20, y - 20) < 5] = 95.0 if "tone" in what else 40.0
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7)
    images = tuple(a.astype(np.float32) for a in (picture, behind, np.ones_like(picture)))
    disc = np.array([20.0, 20.0, 40.0, np.log(10.0), np.log(0.7)])
    share, clear, side = explained(images, disc)
    assert (share > EXPLAINED and at_an_end(clear, side, np.array([2.0, 10.0]))) == (what in ("ball", "ball on an arm"))


def just_before(camera, looks, centre_px):
    """A ball 10 px across, sighted in the first of the looks; the others, ever earlier, have it at (30, 20)."""
    album = Album()
    first, *earlier = (album.add(look) for look in looks)
    flown = Measured(1, 0.01, 0.01, 0, np.array(centre_px), np.eye(2), 10.0, np.zeros(2), 9.0, looks[0])
    sightings, report = sightings_of([flown], 0, camera, 0.0), FilmReport("", 2, 2, np.array([0.0, 0.01]))
    seen = Seen(sightings, album, np.array([first]), {}, 0.0, report, camera, VisionSettings())
    n = len(earlier)
    reach = Reach(np.tile([30.0, 20.0], (n, 1)), np.tile([30.0, 40.0], (n, 1)), np.full(n, 10.0), np.zeros((n, 2)))
    return seen, tuple(Lead(-k, -0.01 * k, -0.01 * k, lead) for k, lead in enumerate(earlier)), reach


@pytest.mark.parametrize(
    ("what", "told"),
    [("nothing", True), ("ball", False), ("ball aside", False), ("arm", False), ("unlike", False), ("same", False)],
)
def test_a_bare_path_is_told_where_a_ball_would_stand_out(camera, what, told):
    """Nothing but what is always there: bare. Not where a ball or an arm is, nor where a ball would look alike."""
    y, x = np.mgrid[:61, :61].astype(float)
    looks, ground = [], np.full((61, 61), {"unlike": 42.0, "same": 40.0}.get(what, 110.0))
    for k in range(2):
        picture = ground.copy()
        if k == 0 or what == "ball":
            picture[np.hypot(x - 30, y - 20) < 5] = 40.0
        elif what == "ball aside":
            picture[np.hypot(x - 34, y - 20) < 5] = 40.0
        elif what == "arm":
            picture[np.abs(x - 30) < 3.5] = 60.0
        noisy = cv2.GaussianBlur(picture, (0, 0), 0.7) + np.random.default_rng(k).normal(0, 1, picture.shape)
        patch = noisy.round().astype(np.uint8)
        looks.append(Look((0, 0), patch, (16 * ground).astype(np.uint16), np.full((61, 61), 16, np.uint16)))
    seen, leads, reach = just_before(camera, looks, (30.0, 20.0))
    assert bare(seen, leads, reach, np.array([0])).tolist() == [told]


def test_no_path_is_bare_after_it_has_shown_something_of_the_ball(camera):
    """A net hides it for a frame: then it was in flight already, and the path before that may be bare."""
    y, x = np.mgrid[:61, :61].astype(float)
    looks, ground = [], np.full((61, 61), 110.0)
    for k, share in enumerate((1.0, 0.0, 0.5, 0.0)):
        picture = np.where(np.hypot(x - 30, y - 20) < 5, 110.0 - 70.0 * share, 110.0)
        noisy = cv2.GaussianBlur(picture, (0, 0), 0.7) + np.random.default_rng(k).normal(0, 1, picture.shape)
        patch = noisy.round().astype(np.uint8)
        looks.append(Look((0, 0), patch, (16 * ground).astype(np.uint16), np.full((61, 61), 16, np.uint16)))
    seen, leads, reach = just_before(camera, looks, (30.0, 20.0))
    assert bare(seen, leads, reach, np.array([0])).tolist() == [False, False, True]


def test_a_ball_just_let_go_is_not_passed_over_for_the_hand_behind_it(camera):
    """The ball, seamed, is on its free path; a hand plainer than it lies where an arm would hold a ball."""
    y, x = np.mgrid[:61, :61].astype(float)
    ball, arm = np.hypot(x - 30, y - 20) < 5, (np.abs(x - 30) < 3.5) & (y > 40)
    looks = []
    for hand in (False, True):
        picture = np.full((61, 61), 110.0)
        picture[ball] = np.where(np.abs(x - 30) < 1.2, 55.0, 40.0)[ball]
        if hand:
            picture[arm] = 60.0
            picture[np.hypot(x - 30, y - 40) < 5] = 40.0
        patch = cv2.GaussianBlur(picture, (0, 0), 0.7).round().astype(np.uint8)
        looks.append(Look((0, 0), patch, np.full((61, 61), 16 * 110, np.uint16), np.full((61, 61), 16, np.uint16)))
    seen, leads, reach = just_before(camera, looks, (34.0, 20.0))
    found = held(seen, leads, reach, np.array([0]))
    np.testing.assert_allclose(found.centre_px, [[30.0, 20.0]], atol=0.5)
