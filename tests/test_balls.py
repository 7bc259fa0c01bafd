"""What balls tell of a rig: floor, clocks, drift, edges, doubt, single faults (PITFALLS: 2, 3, 6, 10, 16, 17, 20)."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.lane import STANDARD_GRAVITY_MPS2
from calibration.rig import Rig
from tests.sessions import bowled, filmed, measured, named, plain
from tracker.flight.milestones import path_states
from tracker.records import Clock
from tracker.session.folder import Clip
from tracker.simulation.rigdoubt import Survey, survey_covariance
from tracker.simulation.rigs import pair
from tracker.simulation.rigs import turned as knocked
from tracker.simulation.sightings import Seeing
from tracker.trust import pattern
from tracker.trust.balls import (
    clock_check,
    coverage_check,
    doubt_check,
    drift_check,
    meeting_check,
    session_arcs,
)
from tracker.trust.check import Evidence, balls_part, scale_part, time_part
from tracker.trust.pattern import agreement_checks, explanation, faults
from tracker.trust.scale import marks_check, size_scale
from tracker.trust.timebase import falls, nearest_slowing, time_base


def changed(rig: Rig, view: str, **lens_or_camera) -> Rig:
    camera = getattr(rig, view)
    return replace(rig, **{view: replace(camera, **lens_or_camera)})


def zoomed(rig: Rig, view: str, by: float) -> Rig:
    camera = getattr(rig, view)
    matrix = camera.lens.matrix * np.array([[by, 1, 1], [1, by, 1], [1, 1, 1]])
    return changed(rig, view, lens=replace(camera.lens, matrix=matrix))


def enlarged(rig: Rig, by: float) -> Rig:
    """The rig too large in all directions about the striker's stumps."""
    left, right = (replace(c, translation_m=by * c.translation_m) for c in rig.cameras)
    return replace(rig, left=left, right=right)


def with_doubt(rig: Rig) -> Rig:
    """The rig stating a survey's covariance."""
    names, cov = survey_covariance(rig, Survey())
    return replace(rig, names=names, cov=cov)


def under(stated: Rig, true: Rig, seed: int = 3, balls: int = 5, **more) -> Evidence:
    """What is made of balls that one rig filmed, under another."""
    seen, films = filmed(true, bowled(balls, seed), np.random.default_rng(seed), **more)
    return measured(stated, seen, films)


@pytest.mark.parametrize("name", ["end_on", "side"])
def test_nothing_is_wrong_with_a_true_rig(name):
    _, evidence = plain(name)
    checks = [*balls_part(evidence), *time_part(evidence)]
    assert {check.name: check.verdict for check in checks} == dict.fromkeys(
        (
            "rays meet",
            "floor",
            "clocks",
            "clock drift",
            "lens coverage",
            "doubt of a speed",
            "rig agrees with balls",
            "gravity",
        ),
        "pass",
    )
    assert named(checks, "rays meet").value == pytest.approx(0.2, abs=0.05)  # the sightings' own sd


def test_a_yaw_is_seen_by_the_floor_though_rays_meet():
    """Issue: 0.4 degrees on a pair behind the bowler puts the bounce some 5 cm under or over the floor."""
    rig = pair("end_on", rows=720)
    evidence = under(rig, replace(rig, left=knocked(rig.left, np.array([0.0, 0.4, 0.0]))))
    check = named(balls_part(evidence), "floor")
    assert check.verdict == "fail" and abs(check.value) > 40
    side = "above" if check.value > 0 else "under"
    assert check.advice == (
        f"the balls bounce {abs(check.value):.0f} mm {side} the floor: a camera has turned, or the marks were measured "
        "wrongly; lengths and speeds are off. Calibrate again from the lane marks"
    )
    assert meeting_check(evidence.clips).verdict != "fail"


def test_rays_that_miss_are_told_with_what_explains_them():
    rig = pair("side", rows=720)
    evidence = under(rig, replace(rig, right=knocked(rig.right, np.array([0.6, 0.0, 0.5]))))
    checks = balls_part(evidence)
    agrees = named(checks, "rig agrees with balls")
    assert agrees.verdict in ("doubtful", "fail")
    assert "explained best by the right camera having turned by" in agrees.advice or (
        "(or the right camera the other way)" in agrees.advice
    )
    assert "was it knocked?" in agrees.advice


FAULTY = {  # name: what truly films, the fault's name, its numbers and tolerance (k of its own sd)
    "end_on turned": ("end_on", lambda r: replace(r, left=knocked(r.left, np.array([0.0, 0.1, 0.1]))), "left turned"),
    "side turned": ("side", lambda r: replace(r, right=knocked(r.right, np.array([0.1, 0.0, 0.0]))), "right turned"),
    "end_on zoomed": ("end_on", lambda r: zoomed(r, "right", 1.01), "right zoomed"),
    "side zoomed": ("side", lambda r: zoomed(r, "right", 1.02), "right zoomed"),
    "side lens": (
        "side",
        lambda r: changed(
            r, "left", lens=replace(r.left.lens, distortion=r.left.lens.distortion + np.array([0.03, 0, 0, 0, 0]))
        ),
        "left lens",
    ),
}


@pytest.mark.parametrize(
    "case",
    [
        "end_on turned",
        "side zoomed",
        "side lens",
        pytest.param("side turned", marks=pytest.mark.slow),
        pytest.param("end_on zoomed", marks=pytest.mark.slow),
    ],
)
def test_a_single_fault_is_named_with_its_size(case):
    """PITFALLS, diagnosis by pattern: a constant push, a growth toward the edges, a zoom."""
    name, make, fault = FAULTY[case]
    rig = pair(name, rows=720)
    evidence = under(with_doubt(rig), make(rig), balls=6)
    arcs, sds = session_arcs(evidence.clips)
    ranked = faults(arcs, with_doubt(rig), sds, 0.016)
    twin = fault.replace("left", "right") if "left" in fault else fault.replace("right", "left")
    assert ranked[0].name in (fault, twin)
    found = next(f for f in ranked if f.name == fault)
    truth = {
        "end_on turned": np.radians([0.0, 0.1, 0.1]),
        "side turned": np.radians([0.1, 0.0, 0.0]),
        "end_on zoomed": np.array([0.01]),
        "side zoomed": np.array([0.02]),
        "side lens": np.array([0.03, 0.0]),
    }[case]
    miss = np.abs(found.value - truth) / np.sqrt(found.cov.diagonal())
    assert np.all(miss < 4.0)
    words = {"turned": "was it knocked?", "zoomed": "focus or zoom", "lens": "toward the picture's edges"}
    assert words[fault.split()[1]] in explanation(ranked, rig)


@pytest.mark.slow
def test_a_rolling_shutter_that_the_rig_does_not_know_is_named():
    """PITFALLS 16: read-out of 10 ms, stated as none."""
    rig = pair("side", rows=720)
    true = changed(rig, "left", row_time_s=0.010 / 720)
    seen, films = filmed(true, bowled(6, 3), np.random.default_rng(3))
    seen = (replace(seen[0], time_s=seen[0].time_s - seen[0].centre_px[:, 1] * true.left.row_time_s), seen[1])
    evidence = measured(rig, seen, films)
    arcs, sds = session_arcs(evidence.clips)
    ranked = faults(arcs, rig, sds, 0.016)
    assert ranked[0].name.endswith("read-out")
    found = next(f for f in ranked if f.name == "left read-out")
    assert 720e3 * found.value[0] == pytest.approx(10.0, abs=4 * 720e3 * np.sqrt(found.cov[0, 0]))
    assert "the left camera reading its picture in" in pattern.in_words(found, rig)
    assert "ms from top to bottom, not 0.0: row_time_s = 1." in pattern.in_words(found, rig)


@pytest.mark.slow
def test_clocks_that_disagree_with_what_the_session_states():
    """PITFALLS 2: session.toml states no shift, the right film began 3 ms late: corrected from the balls, and told."""
    rig = pair("end_on", rows=720)
    seen, films = filmed(rig, bowled(5, 3), np.random.default_rng(3), right={"start_s": 0.003})
    clip = Clip(Path("left.mp4"), Path("right.mp4"), right_offset_s=0.0)
    check = clock_check(measured(rig, seen, films, clip).clips)
    assert check.verdict == "pass"
    moved_ms = float(check.advice.removeprefix("clip 1: the right film was moved by ").split(" ms")[0])
    assert moved_ms == pytest.approx(3.0, abs=0.3)
    assert "remaining doubt 0." in check.advice


def test_clocks_brought_together_by_the_balls_are_told_with_their_doubt():
    """PITFALLS 2 and 3: free clocks, 150 ppm apart over half a minute."""
    rig = pair("end_on", rows=720, offsets_s=(None, None))
    right = {"start_s": 0.0037, "drift_ppm": 150.0}
    seen, films = filmed(pair("end_on", rows=720), bowled(10, 5), np.random.default_rng(5), right=right)
    evidence = measured(rig, seen, films)
    clock = clock_check(evidence.clips)
    assert clock.verdict == "pass"
    told = evidence.clips[0].clock
    moved_ms = float(clock.advice.removeprefix("clip 1: the right film was moved by ").split(" ms")[0])
    assert moved_ms == pytest.approx(3.7 - 0.150 * told.told_s, abs=5e3 * told.sd_s + 0.005)  # amid the balls
    assert "remaining doubt 0.0" in clock.advice
    drift = drift_check(evidence.clips)
    assert drift.verdict == "pass" and drift.advice.endswith("ppm fast; corrected over the clip")
    ppm = float(drift.advice.split("runs ")[1].split(" ppm")[0])
    assert ppm == pytest.approx(150.0, abs=5 * evidence.clips[0].clock.drift_ppm_sd)
    assert drift.value == pytest.approx(0.150 * 37.7, rel=0.25)  # ms over the clip


def test_a_drift_that_was_not_asked_for_is_doubtful():
    _, evidence = plain("end_on", balls=8)
    (balls,) = evidence.clips
    slow = [
        replace(
            one,
            track=replace(one.track, time_s=one.track.time_s * (1 + 60e-6 * (one.track.view == 1))),
        )
        for one in balls.found
    ]
    check = drift_check([replace(balls, found=slow, clock=Clock(0.0, 0.0))])
    assert check.verdict == "doubtful" and check.unit == "ms"
    assert "the right camera's clock runs" in check.advice
    assert check.advice.endswith("ppm fast; run again with --estimate-offset")


def test_weak_geometry_is_said_in_speeds_that_cannot_be_told_apart():
    """PITFALLS 20: two cameras 5 cm apart behind the bowler: depth goes with range squared over the base."""
    wide = pair("end_on", rows=720)
    near = replace(wide, right=replace(wide.left, translation_m=-wide.left.R @ (wide.left.centre_m - [0.05, 0, 0])))
    evidence = under(near, near, seeing=Seeing(sd_px=1.0))
    check = doubt_check(evidence.clips)
    assert check.verdict in ("doubtful", "fail")
    assert check.value > 4 * doubt_check(under(wide, wide, seeing=Seeing(sd_px=1.0)).clips).value
    assert f"a speed's doubt is {check.value:.2f} m/s ({3.6 * check.value:.1f} km/h; one sd)" in check.advice
    assert "lines of sight meet at 0 degrees only" in check.advice and "`lanepair plan`" in check.advice


def test_balls_at_the_pictures_edges_are_told():
    """PITFALLS 17."""
    _, evidence = plain("end_on")
    (balls,) = evidence.clips
    moved = [replace(one, track=replace(one.track, centre_px=one.track.centre_px * [0.0, 1.0])) for one in balls.found]
    check = coverage_check([replace(balls, found=moved)])
    assert check.verdict == "fail" and check.value == 100.0
    assert check.advice == (
        "100 % of the sightings lie at the pictures' edges, where the lenses are known worst: aim anew"
    )


@pytest.mark.parametrize("slowed", [2, 4, 8])
@pytest.mark.parametrize("name", ["end_on", "side"])
def test_a_film_stored_slowed_down_is_named(name, slowed):
    """PITFALLS 6: nothing is a delivery at an eighth of the speed; clutter, gaps and gross errors are about."""
    rig = pair(name, rows=720)
    seeing = Seeing(clutter_per_s=3.0, lone_per_frame=0.3, miss=0.05, outlier=0.02)
    seen, films = filmed(rig, bowled(5, 3), np.random.default_rng(slowed), fps=240.0, seeing=seeing)
    seen = tuple(replace(s, time_s=s.time_s * slowed) for s in seen)
    films = tuple(replace(f, stamps_s=f.stamps_s * slowed) for f in films)
    _, made = plain(name)
    (balls,) = made.clips
    balls = replace(balls, job=replace(balls.job, films=films), found=[])
    (check,) = time_part(Evidence([balls], [films], rig, Path("rig.toml"), [seen]))
    assert check.verdict == "fail"
    assert f"this clip looks slowed {slowed} times: set time_scale = {1 / slowed:g}" in check.advice
    assert check.advice.startswith("gravity comes out as ")
    told = float(check.advice.split("as ")[1].split(" m/s2")[0])
    assert told == pytest.approx(STANDARD_GRAVITY_MPS2 / slowed**2, rel=0.35)  # lift is a quarter of the weight


def test_pictures_with_a_wrong_rate_are_told_in_fps():
    rig, evidence = plain("end_on")
    clip = Clip(Path("left"), Path("right"), left_fps=30.0, right_fps=30.0)
    (balls,) = evidence.clips
    films = tuple(replace(f, stamps_s=f.stamps_s * 4) for f in balls.job.films)
    balls = replace(balls, job=replace(balls.job, films=films, clip=clip), found=[])
    seen = tuple(replace(s, time_s=s.time_s * 4) for s in evidence.sightings[0])
    (check,) = time_part(Evidence([balls], [films], rig, Path("rig.toml"), [seen]))
    assert check.verdict == "fail" and check.advice.endswith("this clip looks slowed 4 times: set fps = 120")


def test_nobody_bowling_says_nothing_of_time():
    rig, evidence = plain("end_on")
    seen = tuple(s.take(np.arange(0)) for s in evidence.sightings[0])
    assert time_base(falls(*seen, rig, 0.036)) is None
    (check,) = time_part(replace(evidence, sightings=[seen]))
    assert check.verdict == "doubtful" and check.advice == "too few balls fly freely to tell time by"


def test_usual_ways_of_storing_slowly():
    assert [nearest_slowing(s, 30.0) for s in (2.1, 3.8, 8.4, 17.0)] == [2.0, 4.0, 8.0, 16.0]
    assert nearest_slowing(9.7, 25.0) == 9.6


def outline_px(camera, at, radius_m: float) -> float:
    """Diameter of the circle as large as a sphere's outline, projected point by point."""
    away = at - camera.centre_m
    distance = np.linalg.norm(away)
    ahead = away / distance
    across = np.linalg.svd(ahead[None])[2][1:]
    ring = radius_m * np.sqrt(1 - (radius_m / distance) ** 2)  # the tangent cone touches on a smaller circle
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)[:, None]
    points = at - ahead * radius_m**2 / distance + ring * (np.cos(turn) * across[0] + np.sin(turn) * across[1])
    x, y = camera.project(points).T
    return float(np.sqrt(2 / np.pi * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))))


def sized(evidence: Evidence, radius_m: float, rng: np.random.Generator, soft_px: float = 0.0) -> Evidence:
    """Sizes as a lens would show them, edges soft by so much, 5 % of noise."""
    (balls,), (seen,) = evidence.clips, evidence.sightings
    sizes = [s.size_px.copy() for s in seen]
    for one in balls.found:
        places = path_states(one.flight, one.track.time_s)[:, :3]
        for view, row, at in zip(one.track.view, one.track.row, places, strict=True):
            sizes[view][row] = outline_px(balls.job.session.rig.cameras[view], at, radius_m) + soft_px
    sizes = [s * (1 + rng.normal(0, 0.05, len(s))) for s in sizes]
    seen = tuple(replace(s, size_px=size) for s, size in zip(seen, sizes, strict=True))
    return replace(evidence, sightings=[seen])


def test_a_wrong_scale_is_seen_by_the_balls_size_and_nothing_else(rng):
    """PITFALLS 10: a board of 28 mm taken for 25 makes a rig 12 % wrong; 4 % is for the creases to tell.

    At 4 %, rays, floor and clocks see nothing, nor would balls: seams and dull sides make them look that much smaller.
    """
    rig, evidence = plain("end_on", balls=8)
    seen, films = filmed(rig, bowled(8, 3), np.random.default_rng(3))
    wrong = measured(enlarged(rig, 1.04), seen, films)
    assert all(check.verdict == "pass" for check in [*balls_part(wrong), *time_part(wrong)])
    # in the large rig's world the ball looks as large as one of 1.04 times its radius
    (check,) = scale_part(sized(wrong, 1.04 * 0.036, rng))
    assert check.verdict == "pass" and check.value == pytest.approx(4.0, abs=1.5)
    (check,) = scale_part(sized(evidence, 1.12 * 0.036, rng))
    assert check.verdict == "fail" and check.value == pytest.approx(12.0, abs=2.0)
    assert check.advice.startswith(f"the balls look {check.value:.1f} % (one sd ")
    assert "too large: distances and speeds come out" in check.advice and "% too long (a wrong scale" in check.advice
    assert "or the ball's radius is not 0.036 m" in check.advice
    (right,) = scale_part(sized(evidence, 0.036, rng))
    assert right.verdict == "pass" and right.advice == ""


def test_soft_edges_are_not_a_scale(rng):
    """A third of a pixel at every edge is 5 % of a small ball: its growth tells it from a scale."""
    _, evidence = plain("end_on", balls=8)
    soft = sized(evidence, 0.036, rng, soft_px=-0.35)
    found = size_scale(soft.clips, soft.sightings)
    assert abs(found.off) < 2 * found.sd and found.told == 16


def test_where_balls_keep_their_size_a_scale_cannot_be_told(rng):
    _, evidence = plain("side")
    (check,) = scale_part(sized(evidence, 0.036, rng))
    assert check.verdict == "doubtful" and np.isnan(check.value)
    assert check.advice == (
        "the balls are small in the pictures (6 px at most) and may look smaller than they are before their "
        "background: too small to tell a wrong scale: check one known length of the lane"
    )


def test_a_rig_file_that_does_not_see_its_own_marks(rng):
    rig = pair("end_on", rows=720)
    places = [(x, y, 0.0) for x in (-1.3208, 1.3208) for y in (0.0, 1.2192, 18.8976, 20.1168)]
    marks = []
    for i, place in enumerate(places):
        seen = {
            f"{v}_px": (camera.project(np.array([place]))[0] + rng.normal(0, 0.4, 2)).tolist()
            for v, camera in zip(("left", "right"), rig.cameras, strict=True)
            if np.isfinite(camera.project(np.array([place]))).all()
        }
        marks.append({"mark": f"m{i}", "x_m": place[0], "y_m": place[1], "z_m": place[2], **seen})
    noted = replace(rig, notes={"marks": marks})
    (check,) = marks_check(noted)
    assert check.verdict == "pass" and check.value < 1.0
    (check,) = marks_check(enlarged(noted, 1.04))
    assert check.verdict == "fail"
    assert "the rig sees the marks it was made from" in check.advice
    assert "by them distances come out +4.0 % too long. Calibrate again" in check.advice
    assert marks_check(rig) == []


def test_too_few_balls_are_said_to_be_too_few():
    _, evidence = plain("end_on")
    empty = replace(evidence, clips=[replace(evidence.clips[0], found=[])])
    told = {check.name: (check.verdict, check.advice) for check in [*balls_part(empty), *scale_part(empty)]}
    assert told["rays meet"] == ("doubtful", "no ball was measured to tell by")
    assert told["floor"] == ("doubtful", "too few bounces were measured to tell")
    assert told["rig agrees with balls"] == ("doubtful", "too few balls were measured to tell")
    assert told["scale"] == ("doubtful", "too few balls were measured to tell")
    assert told["doubt of a speed"] == ("doubtful", "no ball was measured to tell by")
    (agrees,) = agreement_checks(empty.clips)
    assert np.isnan(agrees.value)
