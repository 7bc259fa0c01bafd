"""Passing over what nobody bowled: the passages chosen, and films read in part. Invented films."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from calibration.camera import Camera, Lens
from calibration.rig import Rig
from tests.small_films import Scene, _person, hall, pictures, straight, write_film
from tracker.passing import pass_over
from tracker.simulation.rigs import pair
from tracker.vision.idle import busy, passages, release_place
from tracker.vision.see import see
from tracker.vision.video import open_film

SIZE, FPS = (640, 360), 30.0
BLACK = 16.0


@pytest.fixture(scope="module")
def small_rig() -> Rig:
    """A pair behind the striker, small pictures."""
    rig = pair("behind_striker", rows=720)
    left, right = (replace(camera, lens=_halved(camera.lens)) for camera in rig.cameras)
    return replace(rig, left=left, right=right)


def _halved(lens: Lens) -> Lens:
    matrix = np.diag([0.5, 0.5, 1.0]) @ lens.matrix
    return replace(lens, image_size_px=SIZE, matrix=matrix)


def write_visit(path, camera: Camera, at_s: tuple[float, float], lasts_s: float, where=(0.3, 17.5), flicker=0.0):
    """Somebody runs about `where` on the lane for a while; else nothing moves."""
    rng = np.random.default_rng(4)
    base, noise = hall(SIZE, rng), rng.normal(0, 2.0, (400, 700)).astype(np.float32)

    def frames():
        for k in range(round(lasts_s * FPS)):
            t, picture = k / FPS, base.copy()
            if at_s[0] <= t <= at_s[1]:
                stood = np.array([[where[0], where[1] - 3.0 * (t - at_s[0]), z] for z in (0.0, 1.75)])
                foot, head = camera.project(stood)
                _person(picture, foot[0], foot[1], foot[1] - head[1], t, (60.0, 180.0, 90.0))
            picture *= 1 + flicker * np.sin(2 * np.pi * 3.1 * t)
            down, across = rng.integers(0, 40, 2)
            yield picture + noise[down : down + SIZE[1], across : across + SIZE[0]]

    write_film(path, frames(), FPS, bit_rate=4e6, options={"preset": "veryfast", "g": "15"})
    return path


@pytest.mark.parametrize("flicker", [0.0, 0.1])
def test_somebody_at_the_crease_is_seen_by_key_frames(tmp_path, small_rig, flicker):
    film = open_film(write_visit(tmp_path / "a.mp4", small_rig.left, (4.0, 5.6), 10.0, flicker=flicker))
    place = release_place(small_rig.left, small_rig.pitch_length_m)
    assert place is not None
    found = busy(film, place, BLACK)
    assert found is not None and found.min() == pytest.approx(3.25, abs=0.3) and found.max() < 8.3  # key frames: 0.5 s


def test_somebody_elsewhere_and_an_empty_hall_are_idle(tmp_path, small_rig):
    place = release_place(small_rig.left, small_rig.pitch_length_m)
    aside = open_film(write_visit(tmp_path / "a.mp4", small_rig.left, (2.0, 4.0), 6.0, where=(4.6, 12.0)))
    empty = open_film(write_visit(tmp_path / "b.mp4", small_rig.left, (9.0, 9.0), 6.0))
    for film in (aside, empty):
        found = busy(film, place, BLACK)
        assert found is not None and len(found) == 0


def test_key_frames_far_apart_tell_nothing(tmp_path, small_rig):
    path = tmp_path / "a.mp4"
    write_film(path, pictures(Scene(SIZE, FPS, 90), np.random.default_rng(1)), FPS, options={"g": "60"})
    place = release_place(small_rig.left, small_rig.pitch_length_m)
    assert busy(open_film(path), place, BLACK) is None


def test_a_camera_that_does_not_see_the_crease_has_no_place(small_rig):
    aside = replace(small_rig.left, translation_m=np.add(small_rig.left.translation_m, (20.0, 0.0, 0.0)))
    assert release_place(aside, small_rig.pitch_length_m) is None


def test_passages_are_merged_and_keep_both_ends():
    spans = np.array([(50.0, 52.0), (18.0, 22.0), (21.0, 25.0)])
    assert passages(spans, 60.0) == [(-2.0, 2.0), (18.0, 25.0), (50.0, 52.0), (58.0, 62.0)]
    assert passages(np.empty((0, 2)), 60.0) == [(-2.0, 2.0), (58.0, 62.0)]


@pytest.mark.parametrize("reordered", ["0", "3"])
def test_a_film_read_in_part_gives_the_same_frames(tmp_path, reordered):
    """Numbers, stamps and pictures of the passages are those of the film read whole."""
    path = tmp_path / "a.mp4"
    scene = Scene((320, 180), FPS, 150, balls=[straight(150, (20, 60), (1.5, 0.3), 8.0)])
    write_film(path, pictures(scene, np.random.default_rng(1)), FPS, options={"g": "15", "bf": reordered})
    whole = {frame.index: (frame.stamp_s, frame.luma.copy()) for frame in open_film(path)}
    film = open_film(path)
    film.only([(-1.0, 0.4), (2.1, 2.4), (4.9, 9.0)])
    part = {frame.index: (frame.stamp_s, frame.luma.copy()) for frame in film}
    assert sorted(part) == [*range(15), *range(60, 75), *range(135, 150)]
    for index, (stamp_s, luma) in part.items():
        assert stamp_s == pytest.approx(whole[index][0], abs=1e-9)
        np.testing.assert_array_equal(luma, whole[index][1])
    report = film.report()
    assert report.frames == 150 and report.notes["frames_read"] == 45 and report.damaged == ""
    np.testing.assert_allclose(report.stamps_s, [whole[k][0] for k in range(150)], atol=1e-9)


@pytest.mark.slow
def test_balls_on_both_sides_of_a_gap_are_seen_and_never_joined(tmp_path, small_rig):
    first, second = straight(150, (40, 90), (7.0, 0.5), 9.0), straight(150, (40 - 7 * 100, 90), (7.0, 0.0), 9.0)
    for ball in (first, second):
        outside = (ball.centre[:, 0] < 10) | (ball.centre[:, 0] > SIZE[0] - 10)
        ball.centre[outside] = np.nan
    path = tmp_path / "a.mp4"
    scene = Scene(SIZE, 60.0, 180, balls=[])
    for ball in (first, second):
        ball.centre = np.vstack([ball.centre, np.full((30, 2), np.nan)])
        ball.size, ball.blur = np.full(180, 9.0), np.tile(ball.blur[:1], (180, 1))
        scene.balls.append(ball)
    write_film(path, pictures(scene, np.random.default_rng(3)), 60.0, options={"g": "30"})
    film = open_film(path)
    film.only([(0.0, 1.4), (1.6, 3.0)])
    whole, film.passages = see(open_film(path), small_rig.left, 0).sightings, [(0.0, 0.9), (1.55, 3.0)]
    part = see(film, small_rig.left, 0).sightings
    for ball in (first, second):
        on = [
            k
            for k in part.frame
            if np.isfinite(ball.centre[k, 0])
            and np.hypot(*(part.centre_px[part.frame == k] - ball.centre[k]).T).min() < 2
        ]
        assert len(set(on)) > 30
    for chain in set(part.chain):
        assert np.ptp(part.frame[part.chain == chain]) < 60
    assert len(part) < 1.2 * len(whole)


def test_balls_that_nobody_bowls_are_never_passed_over(tmp_path, small_rig, session_of, monkeypatch):
    left = write_visit(tmp_path / "left.mp4", small_rig.left, (10.0, 11.6), 20.0)
    right = write_visit(tmp_path / "right.mp4", small_rig.right, (10.0, 11.6), 20.0)
    monkeypatch.setattr("tracker.passing.LEAST_S", 15.0)
    told = list[str]()

    def share(log: pd.DataFrame | None, rig: Rig = small_rig) -> float:
        films = open_film(left), open_film(right)
        session = session_of(rig, log, left, right)
        return pass_over(session, session.clips[0], films, BLACK, lambda: told.append("asked"))

    bowled = pd.DataFrame({"delivery": ["1"], "feed": [""]})
    assert 0.4 < share(bowled) < 0.6
    assert told == ["asked"]
    assert share(pd.DataFrame({"delivery": ["1"], "feed": ["machine"]})) == 1.0
    assert share(None) == 1.0
    unknown = replace(small_rig, right=replace(small_rig.right, time_offset_s=None))
    assert share(bowled, unknown) == 1.0
    assert told == ["asked"]


@pytest.fixture
def session_of(tmp_path):
    import datetime as dt

    from tracker.records import Air, Ball
    from tracker.session.folder import Clip, Session

    def made(rig, log, left, right):
        clip = Clip(left, right, right_offset_s=0.0)
        ball = Ball()
        return Session(
            "a", dt.date(2026, 1, 8), rig, tmp_path / "rig.toml", tmp_path, (clip,), ball, Air(), log, tmp_path / "l"
        )

    return made


@pytest.mark.parametrize("name", ["end_on", "side", "crossing", "behind_striker"])
def test_key_frames_a_second_apart_do_for_the_usual_pairs(name):
    """A bowler at 7 m/s who stands after 10 m needs 2.86 (1 - sqrt(1 - d / 10)) s for d metres past the crease."""
    for camera in pair(name).cameras:
        place = release_place(camera, pair(name).pitch_length_m)
        assert place is not None and 1.0 < place.stay_s < 2.86 * (1 - np.sqrt(0.2)) + 2.0 / 7.0 + 0.2
