"""Balls trail behind themselves in compressed films: the law against films coded by libx264, libx265 and MJPEG."""

from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from tracker.records import Floats
from tracker.settings import FlightSettings, VisionSettings
from tracker.vision.centroid import trails_px
from tracker.vision.video import open_film

HEIGHT, WIDTH, FPS, FRAMES = 128, 256, 120, 90
NOISE, GROUND, BALL, SIZE = 2.5, 120.0, 80.0, 5.0
SCORE = (GROUND - BALL) / NOISE


def pictures(step_px: float, rng: np.random.Generator) -> tuple[list[Floats], Floats]:
    """Frames of a dark disc that moves to the right and a little down over noisy texture, and where it truly is."""
    texture = cv2.GaussianBlur(rng.normal(0, 40, (HEIGHT, WIDTH)), (0, 0), 3) + GROUND
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    at = np.column_stack([30 + step_px * np.arange(FRAMES), 40.3 + 0.2 * step_px * np.arange(FRAMES)])
    out = []
    for u, v in at:
        cover = np.clip(0.5 + SIZE / 2 - np.hypot(x - u, y - v), 0, 1)
        cover = cv2.GaussianBlur(cover, (0, 0), 0.6)
        out.append(np.clip(texture + cover * (BALL - texture) + rng.normal(0, NOISE, texture.shape), 0, 255))
    return out, at


def filmed(path: Path, frames: list[Floats], codec: str) -> None:
    """The frames as a film at 0.12 bits a pixel, what a good phone spends at 1080 rows and 120 frames a second."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=Fraction(FPS))
        stream.width, stream.height = WIDTH, HEIGHT
        stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        stream.bit_rate = round((2.0 if codec == "mjpeg" else 0.12) * WIDTH * HEIGHT * FPS)
        stream.options = {"mjpeg": {}}.get(
            codec, {"bf": "0", "g": "60", "x265-params": "bframes=0:keyint=60:log-level=0:pools=none"}
        )
        for picture in frames:
            frame = av.VideoFrame(WIDTH, HEIGHT, "gray")
            rows = np.frombuffer(frame.planes[0], np.uint8).reshape(HEIGHT, -1)
            rows[:, :WIDTH] = np.rint(picture)
            for packet in stream.encode(frame.reformat(format=stream.pix_fmt)):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)


def behind_px(path: Path, at: Floats, step_px: float) -> float:
    """How far the disc's middle, by what stands out in a small window, is behind where it was put, mean."""
    seen = [np.array(frame.luma, float) for frame in open_film(path)]
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    along = np.array([1.0, 0.2]) / np.hypot(1.0, 0.2)
    late = []
    for k in range(10, FRAMES - 10):
        empty = np.median([seen[j] for j in range(FRAMES) if abs(j - k) * step_px > 3 * SIZE], axis=0)
        u, v = at[k]
        window = np.clip(SIZE / 2 + 3 - np.hypot(x - u, y - v), 0, 1)
        dark = window * np.maximum(empty - seen[k] - NOISE, 0)
        middle = np.array([(dark * x).sum(), (dark * y).sum()]) / dark.sum()
        late.append(-(middle - at[k]) @ along)
    return float(np.mean(late))


@pytest.mark.parametrize(
    ("codec", "step_px"),
    [
        ("libx264", 1.0),
        ("libx265", 1.8),
        pytest.param("libx264", 1.8, marks=pytest.mark.slow),
        pytest.param("libx265", 1.0, marks=pytest.mark.slow),
    ],
)
def test_balls_are_behind_in_coded_films_as_far_as_the_fit_thinks_possible(
    codec: str, step_px: float, tmp_path: Path, rng: np.random.Generator
) -> None:
    """Behind, not ahead, and by no more than two sds above what is usual."""
    frames, at = pictures(step_px, rng)
    filmed(tmp_path / "film.mp4", frames, codec)
    film = open_film(tmp_path / "film.mp4")
    list(film)
    assert film.report().trailing
    velocity = np.array([[step_px, 0.2 * step_px]]) * FPS
    usual, slope = trails_px(velocity, 1 / FPS, np.array([SIZE]), np.array([SCORE]), VisionSettings().trail)
    assert usual[0] @ velocity[0] < 0
    most = float(np.hypot(*usual[0]) + 2 * FlightSettings().trail_sd * np.hypot(*slope[0]))
    assert 0.01 < behind_px(tmp_path / "film.mp4", at, step_px) < most


def test_films_of_whole_pictures_keep_nothing(tmp_path: Path, rng: np.random.Generator) -> None:
    frames, at = pictures(1.0, rng)
    filmed(tmp_path / "film.avi", frames, "mjpeg")
    film = open_film(tmp_path / "film.avi")
    list(film)
    assert not film.report().trailing
    assert abs(behind_px(tmp_path / "film.avi", at, 1.0)) < 0.03


def test_a_ball_never_trails_by_more_than_it_moved() -> None:
    """However faint it is; and a change of the number changes the trail as its derivative says."""
    velocity, size, score = np.array([[60.0, -20.0]] * 3), np.full(3, 4.0), np.array([1.0, 5.0, 50.0])
    usual, slope = trails_px(velocity, 1 / 120, size, score, 4.0)
    assert (np.hypot(*usual.T) < np.hypot(*velocity.T) / 120).all()
    more, _ = trails_px(velocity, 1 / 120, size, score, 4.001)
    assert (more - usual) / 0.001 == pytest.approx(slope, rel=1e-3)
