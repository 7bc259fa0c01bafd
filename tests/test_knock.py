"""A knocked, refocused or exchanged camera: seen in pictures, told in words, undone in the rig (PITFALLS: 1, 7, 12).

Pictures are drawn exactly from directions (tests/scenery.py), so that a turn in them is true to any digit.
"""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.camera import Camera
from calibration.rig import Rig, parameter_names
from tests.scenery import disturbed, draw, scenery, seen, turned_by_hand, watching
from tracker.simulation.rigs import pair
from tracker.trust.check import Evidence, camera_checks, make_lookouts, moved_check
from tracker.trust.knock import Move, camera_move, healed_rig, lane_shift_mm, turned, way_back
from tracker.trust.lookout import LOOK_EVERY_S, Look, Lookout
from tracker.vision.video import Frame


@pytest.fixture(scope="module")
def hall():
    """A camera, its scene and the reference picture."""
    rng, camera = np.random.default_rng(5), watching()
    scene = scenery(rng)
    return camera, scene, seen(draw(scene, camera), rng)


def a_rig(camera: Camera) -> Rig:
    """The watching camera and another beside it."""
    return Rig(camera, replace(camera, translation_m=-camera.R @ np.array([-1.2, 22.5, 2.6])))


def test_a_knock_of_a_twentieth_degree_is_seen_and_a_still_camera_is_left_alone():
    """Other light, people in the way; `python -m tests.trust_study` does a hundred sessions (docs/trust.md)."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        camera = watching((40.0, 60.0)[seed % 2])
        scene = scenery(rng, edges=(30, 60, 90)[seed % 3])
        reference = seen(draw(scene, camera), rng)
        axis = rng.normal(size=3)
        hand = 0.05 * axis / np.linalg.norm(axis)
        for turn, verdicts in ((np.zeros(3), ("pass",)), (hand, ("doubtful", "fail"))):
            now = disturbed(draw(scene, turned_by_hand(camera, *turn)), rng)
            move = camera_move(reference, now, camera)
            assert move is not None
            # the camera's axes are right, down, ahead: what is ahead moves the other way than the hand
            true = np.radians([turn[1], -turn[0], -turn[2]])
            assert np.all(np.abs(move.turn_rad - true) < 4.5 * move.turn_sd), seed
            assert np.degrees(np.linalg.norm(move.turn_rad - true)) < 0.018
            assert moved_check("place", "left", move, a_rig(camera)).verdict in verdicts, seed


@pytest.mark.parametrize(
    "hand, words",
    [
        ({"right_deg": 0.4}, "turn it 0.40 degrees to the left"),
        ({"right_deg": -0.4}, "turn it 0.40 degrees to the right"),
        ({"down_deg": 0.4}, "turn it 0.40 degrees up"),
        ({"down_deg": -0.4}, "turn it 0.40 degrees down"),
        ({"roll_deg": 0.4}, "turn it 0.40 degrees counter-clockwise as seen from behind it"),
        ({"roll_deg": -0.4}, "turn it 0.40 degrees clockwise as seen from behind it"),
    ],
)
def test_the_way_back_undoes_the_hand(hall, hand, words, rng):
    camera, scene, reference = hall
    move = camera_move(reference, seen(draw(scene, turned_by_hand(camera, **hand)), rng), camera)
    said = way_back(move)
    assert said.replace("0.39", "0.40").replace("0.41", "0.40") == words


@pytest.mark.parametrize("hand", [(3.0, -2.0, 4.0), (12.0, 0.0, 0.0), (0.0, 0.0, 180.0), (0.0, 8.0, -30.0)])
def test_large_turns_are_found_too(hall, hand, rng):
    """PITFALLS 7: a camera hung upside down is a turn of half a circle."""
    camera, scene, reference = hall
    now = turned_by_hand(camera, *hand)
    move = camera_move(reference, seen(draw(scene, now), rng), camera)
    assert move is not None
    off = cv2.Rodrigues(move.turn_rad)[0] @ (now.R @ camera.R.T).T
    assert np.degrees(np.linalg.norm(cv2.Rodrigues(off)[0])) < 0.03


def test_zoom_is_told_from_a_knock(hall, rng):
    """PITFALLS 12: the picture grows and nothing turns."""
    camera, scene, reference = hall
    move = camera_move(reference, disturbed(draw(scene, camera, grow=1.006), rng), camera)
    lookout = Lookout(camera, reference)
    lookout.looks.append(_look(move))
    place, focus = camera_checks("right", 1, _evidence(a_rig(camera), Lookout(camera, reference), lookout))
    assert place.verdict == "pass" and place.advice == ""
    assert focus.verdict == "fail" and focus.value == pytest.approx(0.6, abs=0.05)
    assert focus.advice == (
        f"the right picture grew by {focus.value:+.2f} % since calibration: autofocus or zoom is on. Lock focus and "
        "calibrate the lens again"
    )


def test_a_knock_is_told_with_its_size_on_the_lane(hall, rng):
    camera, scene, reference = hall
    rig = a_rig(camera)
    move = camera_move(reference, seen(draw(scene, turned_by_hand(camera, right_deg=0.2)), rng), camera)
    check = moved_check("left camera in place", "left", move, rig, "clip 2, 31 s: ")
    focal = camera.lens.matrix[0, 0]
    assert check.verdict == "fail" and check.unit == "deg" and check.value == pytest.approx(0.2, abs=0.01)
    assert (
        f"clip 2, 31 s: the left camera has turned by 0.20 degrees (picture moved {focal * np.radians(0.2):.1f} px)"
        in (check.advice)
    )
    assert "Put it back: turn it 0.20 degrees to the left" in check.advice and "--heal" in check.advice
    # two cameras 2.4 m apart, 22.5 m from the stumps: depth error Z^2 angle / B (pinhole stereo), 22.5^2 x 0.0035 / 2.4
    along = lane_shift_mm(rig, [np.array([0.0, -np.radians(0.2), 0.0]), np.zeros(3)])["stumps"][1]
    assert abs(along) == pytest.approx(1000 * 22.6**2 * np.radians(0.2) / 2.4, rel=0.1)
    assert "at the stumps that is" in check.advice and f"{along:+.0f}"[:3] in check.advice


def test_another_hall_is_not_taken_for_a_knock(hall, rng):
    camera, _, reference = hall
    other = seen(draw(scenery(np.random.default_rng(77)), camera), rng)
    assert camera_move(reference, other, camera) is None
    assert camera_move(reference, np.full_like(reference, 90), camera) is None
    lookout = Lookout(camera, reference)
    lookout.looks.append(_look(None))
    (check,) = camera_checks("left", 0, _evidence(a_rig(camera), lookout, lookout))
    assert check.verdict == "fail"
    assert check.advice == (
        "clip 1: too little of the reference picture is found again in the left film at 2 s: is it of this hall, and "
        "is the camera as it was?"
    )


def film_of(pictures, every_s):
    """Frames of pictures that each last `every_s`, ten a second."""
    for k in range(int(10 * every_s * len(pictures))):
        picture = pictures[int(k / (10 * every_s))]
        yield Frame(k, k / 10, np.ascontiguousarray(picture), picture.shape[1])


def watched(lookout, frames):
    lookout.begin(1)
    for frame in frames:
        lookout.take(frame)
    lookout.finish()


def test_a_knock_inside_a_clip_is_seen(hall, rng):
    camera, scene, reference = hall
    still = disturbed(draw(scene, camera), rng)
    knocked = disturbed(draw(scene, turned_by_hand(camera, right_deg=0.1)), rng)
    lookout = Lookout(camera, reference)
    watched(lookout, film_of([still, knocked], 20.0))
    assert [look.move.degrees > 0.05 for look in lookout.looks] == [False, True, True]
    assert lookout.looks[1].time_s == pytest.approx(lookout.looks[0].time_s + LOOK_EVERY_S, abs=0.3)
    place, _ = camera_checks("left", 0, _evidence(a_rig(camera), lookout, lookout))
    assert place.verdict == "fail" and place.advice.startswith("clip 1, ")


def test_a_picture_that_wanders_and_comes_back_is_no_knock(hall, rng):
    """PITFALLS 12: a stabiliser shifts the picture while the camera stands still; there is nothing to put back."""
    camera, scene, reference = hall
    there = disturbed(draw(scene, turned_by_hand(camera, right_deg=0.1)), rng)
    back = disturbed(draw(scene, camera), rng)
    lookout = Lookout(camera, reference)
    watched(lookout, film_of([there, back], 20.0))
    place, _ = camera_checks("left", 0, _evidence(a_rig(camera), lookout, lookout))
    assert place.verdict == "fail" and place.value == pytest.approx(0.1, abs=0.015)
    assert "the left picture stood 0.10 degrees off" in place.advice
    assert place.advice.endswith(
        "and came back: switch the stabiliser off, make the stand firm, and do not trust what was bowled in between"
    )


def test_a_short_film_is_looked_at_once(hall, rng):
    camera, scene, reference = hall
    lookout = Lookout(camera, reference)
    watched(lookout, film_of([disturbed(draw(scene, camera), rng)], 0.3))
    assert len(lookout.looks) == 1 and lookout.looks[0].move.degrees < 0.015


def test_without_a_kept_picture_the_session_is_its_own_reference(hall, rng):
    camera, scene, _ = hall
    rig = a_rig(camera)
    lookouts = make_lookouts(rig, Path("nowhere/rig.toml"))
    still, knocked = draw(scene, camera), draw(scene, turned_by_hand(camera, down_deg=0.1))
    for lookout in lookouts:
        watched(lookout, film_of([disturbed(still, rng), disturbed(knocked, rng)], 20.0))
    told, still_check, _ = camera_checks("left", 0, _evidence(rig, *lookouts))
    assert told.name == "left camera in place" and told.verdict == "doubtful"
    assert told.advice == (
        "the rig keeps no picture of the empty lane for the left camera: give [lane_pictures] to calibrate; without it "
        "a knock since calibration is not seen"
    )
    assert still_check.name == "left camera still" and still_check.verdict == "fail"
    assert "0.10 degrees up" in still_check.advice


def test_a_lost_or_wrong_reference_picture_is_named(hall, tmp_path):
    camera, _, reference = hall
    rig = replace(a_rig(camera), notes={"lane_pictures": {"left": "gone.png", "right": "small.png"}})
    cv2.imwrite(str(tmp_path / "small.png"), reference[::2, ::2])
    left, right = make_lookouts(rig, tmp_path / "rig.toml")
    assert left.reference is None and left.lacking.endswith("gone.png is not there or cannot be read: put it back")
    assert right.lacking.endswith("small.png is 320 x 180 pixels, the rig 640 x 360: calibrate again")


def test_turning_a_camera_keeps_its_place_and_its_rotation_vector_near(rng):
    for _ in range(20):
        camera = pair("behind_striker").cameras[rng.integers(2)]
        turn = rng.normal(0, 0.05, 3)
        now = turned(camera, turn)
        np.testing.assert_allclose(now.centre_m, camera.centre_m, atol=1e-12)
        np.testing.assert_allclose(now.R, cv2.Rodrigues(turn)[0] @ camera.R, atol=1e-9)
        assert np.linalg.norm(now.rotation_vector - camera.rotation_vector) < 0.5


def test_the_healed_covariance_is_that_of_the_turned_cameras(rng):
    """Sampled: a doubtful rig, turned by a doubtful move. Tolerance: sd of a variance of n draws, 2 / n."""
    rig = pair("end_on")
    names = parameter_names("left", rig.left)
    pose = [names.index(f"left.{n}") for n in ("rx", "ry", "rz", "tx", "ty", "tz")]
    root = np.zeros((len(names), len(names)))
    root[np.ix_(pose, pose)] = 1e-4 * rng.normal(size=(6, 6))
    rig = replace(rig, names=names, cov=root @ root.T)
    move = Move(np.array([0.02, -0.05, 0.03]), np.array([2e-4, 1e-4, 3e-4]), 0.0, 0.0, 0.0, 100, 100)
    healed = healed_rig(rig, {"left": move})
    arm = (0.15 * np.linalg.norm(move.turn_rad)) ** 2
    poses = []
    for _ in range(3000):
        was = rig.shifted(names, root @ rng.normal(size=len(names)))
        now = turned(was.left, move.turn_rad)
        now = turned(now, move.turn_sd * rng.normal(size=3))
        poses.append(np.r_[now.rotation_vector, now.translation_m + np.sqrt(arm) * rng.normal(size=3)])
    stated = healed.cov[np.ix_(pose, pose)]
    ratio = np.diag(np.linalg.solve(stated, np.cov(np.array(poses).T)))
    assert np.all(np.abs(ratio - 1) < 5 * np.sqrt(2 / 3000))
    np.testing.assert_allclose(np.mean(poses, axis=0)[:3], healed.left.rotation_vector, atol=5e-5)


def test_a_rig_taken_as_exact_is_in_doubt_after_healing():
    rig = pair("side")
    move = Move(np.array([0.0, 0.001, 0.0]), np.full(3, 1e-4), 0.0, 0.0, 0.0, 100, 100)
    healed = healed_rig(rig, {"right": move})
    assert healed.names == tuple(f"right.{n}" for n in ("rx", "ry", "rz", "tx", "ty", "tz"))
    assert healed.left is rig.left
    np.testing.assert_allclose(np.trace(healed.cov[:3, :3]), 3e-8, rtol=0.5)


def _look(move):
    return Look(1, 2.0, move)


def _evidence(rig, left, right):
    return Evidence([], [], rig, Path("rig.toml"), [], (left, right))
