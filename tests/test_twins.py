"""Films that show every picture twice, each coded anew; and films that only look so for a while."""

import numpy as np

from tests.small_films import Scene, hall, pictures, straight, write_film
from tracker.vision.see import see
from tracker.vision.twins import Twins
from tracker.vision.video import open_film

SIZE = (640, 360)
FRAMES = 120


def doubled():
    """Pictures of a ball and somebody's back passing, each twice, and which picture each frame shows."""
    ball = straight(FRAMES, (40.0, 60.0), (3.0, 0.9), 8.0)
    passer = straight(FRAMES, (20.0, 180.0), (2.0, 0.0), 20.0)
    drawn = pictures(Scene(SIZE, frames=FRAMES, balls=[ball, passer]), np.random.default_rng(3))
    return [picture for picture in drawn for _ in range(2)], np.repeat(np.arange(FRAMES), 2)


def test_a_film_exported_at_twice_its_rate_is_halved(tmp_path, camera):
    """No two pictures are alike to the last bit."""
    shown, _ = doubled()
    write_film(tmp_path / "film.mp4", shown, 240.0)
    seen = see(open_film(tmp_path / "film.mp4"), camera, 0)
    assert seen.report.notes["repeated"] > 0.6 * FRAMES
    late = [k for k in range(60, FRAMES - 20) if np.any(seen.sightings.frame // 2 == k)]
    assert len(late) >= 0.9 * (FRAMES - 80) and not np.any(seen.sightings.frame[seen.sightings.frame > 120] % 2)


def test_each_picture_is_measured_by_its_first_frame_though_a_frame_was_lost(tmp_path, camera):
    shown, which = doubled()
    stamps = np.delete(np.arange(2 * FRAMES), 151)  # a second one, whose turn the next picture's first would take
    write_film(tmp_path / "film.mp4", [shown[k] for k in stamps], 240.0, stamps=stamps, ticks=240)
    seen = see(open_film(tmp_path / "film.mp4"), camera, 0)
    frames = np.unique(seen.sightings.frame)
    for part in (frames[(frames > 100) & (frames < 145)], frames[frames > 160]):
        shows = which[stamps[part]]
        assert len(part) >= 0.9 * (len(np.unique(which[stamps[part[0] : part[-1]]])))
        np.testing.assert_array_equal(stamps[part], 2 * shows)


def test_key_frames_of_a_still_scene_show_nothing_twice(tmp_path, camera):
    """An empty lane, then a ball: each twelfth frame is coded without the others, and all of it differs a little."""
    still, ball = 360, straight(60, (60.0, 90.0), (5.2, 1.1), 10.0)
    rng = np.random.default_rng(3)
    behind = hall(SIZE, rng)
    empty = (behind + rng.normal(0, 2.0, behind.shape) for _ in range(still))
    bowled = pictures(Scene(SIZE, frames=60, balls=[ball]), np.random.default_rng(3))
    coder = {"preset": "veryfast", "bf": "2", "g": "12"}
    write_film(tmp_path / "film.mp4", [*empty, *bowled], 240.0, bit_rate=2e6, options=coder)
    seen = see(open_film(tmp_path / "film.mp4"), camera, 0)
    assert len(np.unique(seen.sightings.frame[seen.sightings.frame >= still])) >= 0.8 * (60 - 20)


def test_only_frames_that_take_turns_for_long_are_twins():
    """Boxes that moved: key frames of a still scene in every second frame's place; then pictures shown twice."""
    watch = Twins()
    for k in range(2000):
        assert not watch.second(3000 if k % 12 == 0 else k % 3, 1.0)
    turns = [watch.second(40 if k % 2 == 0 else 1, 1.0) for k in range(100)]
    assert not any(turns[:18]) and turns[30:] == [False, True] * 35
    assert [watch.second(0, 1.0) for _ in range(6)] == [False, True] * 3  # it stays so while nothing moves
    moving = [watch.second(40 + k % 5, 1.0) for k in range(20)]
    assert not any(moving)  # each picture is another now
    assert not any(watch.second(k % 2, 1.0) for k in range(100))
