"""Folders of pictures: the same two planes as a film's, and the same balls seen in them."""

import av
import cv2
import numpy as np
import pytest

from calibration.camera import Camera, Lens
from tests.small_films import as_bright, misses_px, straight
from tracker.vision.planes import picture_planes
from tracker.vision.see import see
from tracker.vision.tint import mixed_patch
from tracker.vision.video import open_film

SIZE, FRAMES = (640, 360), 70


@pytest.fixture
def camera() -> Camera:
    lens = Lens(SIZE, np.array([[600.0, 0, 319.5], [0, 600.0, 179.5], [0, 0, 1]]), np.zeros(5))
    return Camera(lens, np.zeros(3), np.zeros(3), 0.0, 0.0, 0.001)


@pytest.fixture
def ball():
    return straight(FRAMES, (60.0, 90.0), (5.2, 1.1), 10.0)


def written(folder, pictures, suffix="png", made=lambda bgr: bgr):
    """A folder of numbered pictures (h, w, 3), red, green, blue."""
    folder.mkdir()
    for k, rgb in enumerate(pictures):
        assert cv2.imwrite(str(folder / f"frame_{k:04d}.{suffix}"), made(rgb[:, :, ::-1]))
    return folder


@pytest.mark.parametrize("rgb", [(255, 255, 255), (90, 90, 90), (200, 30, 30), (230, 120, 160), (10, 200, 240)])
def test_the_planes_are_those_of_jfif(rgb):
    """ITU-T T.871 (JFIF), clause 7: Y = 0.299 R + 0.587 G + 0.114 B, Cr = 0.5 R - 0.4187 G - 0.0813 B + 128."""
    picture = np.full((5, 7, 3), rgb[::-1], np.uint8)  # odd sizes: a half sample at the end stands for a whole one
    luma, redness = picture_planes(picture)
    assert redness.shape == (3, 4)
    assert luma == pytest.approx(np.dot([0.299, 0.587, 0.114], rgb), abs=1)
    assert redness == pytest.approx(np.dot([0.5, -0.4187, -0.0813], rgb) + 128, abs=1)


def test_a_grey_picture_has_no_redness():
    luma, redness = picture_planes(np.full((4, 6), 70, np.uint8))
    assert redness is None and (luma == 70).all()


@pytest.mark.parametrize("slope", [(3.3, 0), (0, 3.3), (2.3, 1.7)])
def test_redness_lies_where_the_mixture_takes_it_to_lie(slope):
    """Red that grows evenly along the picture comes out of the mixture at the same place, to a tenth of a pixel."""
    y, x = np.mgrid[:24, :24]
    red = np.rint(slope[0] * x + slope[1] * y + 60)
    picture = np.dstack([np.full_like(red, 60), np.full_like(red, 60), red]).astype(np.uint8)
    luma, redness = picture_planes(picture)
    out = np.zeros((12, 12), np.uint8)
    mixed_patch(np.zeros_like(luma), redness, (6, 6), 1, out)  # redness less that of grey, alone
    wanted = 0.5 * red[6:18, 6:18] - 0.5 * 60
    steep = 0.5 * max(slope)  # levels a pixel; each of two roundings, half up, leaves up to 0.1 of one on average
    assert np.mean(out - wanted) == pytest.approx(0, abs=0.1 * steep + 0.2)


@pytest.mark.parametrize(("suffix", "colour"), [("png", "pink"), ("jpg", "red"), ("tif", "red")])
def test_a_ball_as_bright_as_what_is_behind_is_found_by_its_colour(tmp_path, camera, ball, suffix, colour):
    folder = written(tmp_path / "left", as_bright(ball, colour, SIZE, np.random.default_rng(4)), suffix)
    missed_px = misses_px(see(open_film(folder, 240.0), camera, 0, colour=colour).sightings, ball)
    assert np.sum(missed_px < 2.0) >= 0.9 * (FRAMES - 30)
    assert np.median(missed_px) < 0.5


@pytest.mark.parametrize(
    "made",
    [
        lambda bgr: np.dstack([bgr, np.full(bgr.shape[:2], 255, np.uint8)]),  # with transparency
        lambda bgr: bgr.astype(np.uint16) * 257,  # 16 bits
        lambda bgr: bgr.astype(np.uint16) << 4,  # 12 bits, kept low
    ],
)
def test_deep_and_transparent_pictures_have_colour_too(tmp_path, camera, ball, made):
    folder = written(tmp_path / "left", as_bright(ball, "pink", SIZE, np.random.default_rng(4)), made=made)
    missed_px = misses_px(see(open_film(folder, 240.0), camera, 0, colour="pink").sightings, ball)
    assert np.sum(missed_px < 2.0) >= 0.9 * (FRAMES - 30)


@pytest.mark.parametrize("colour", ["red", pytest.param("pink", marks=pytest.mark.slow)])
def test_a_film_and_its_frames_as_pictures_show_the_same(tmp_path, camera, ball, colour):
    """Pictures taken from a film by FFmpeg's own scaler, which cuts and stretches the film's range of brightness."""
    with av.open(str(tmp_path / "film.mkv"), "w") as film:
        stream = film.add_stream("libx264", rate=240)
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = *SIZE, "yuv420p", 20_000_000
        for rgb in as_bright(ball, colour, SIZE, np.random.default_rng(4)):
            film.mux(stream.encode(av.VideoFrame.from_ndarray(rgb, "rgb24")))
        film.mux(stream.encode())
    with av.open(str(tmp_path / "film.mkv")) as film:
        frames = [picture.to_ndarray(format="rgb24") for picture in film.decode(video=0)]
    sources = (tmp_path / "film.mkv", written(tmp_path / "left", frames))
    both = [see(open_film(path, 240.0), camera, 0, colour=colour).sightings for path in sources]
    near = []
    for k in range(15, FRAMES - 15):
        of = [seen.centre_px[seen.frame == k] for seen in both]
        assert len(of[0]) and len(of[1])
        near.append([points[np.argmin(np.hypot(*(points - ball.centre[k]).T))] for points in of])
    apart = np.hypot(*np.diff(near, axis=1)[:, 0].T)
    assert np.median(apart) < 0.2 and np.quantile(apart, 0.9) < 0.5  # colour's place in a film is told to 0.2 px
