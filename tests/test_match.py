"""Pairing the views: epipolar geometry, pieces of chain, seeds."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import Floats
from tests.seen_balls import scene, thrown
from tracker.records import Ball, Sightings
from tracker.settings import TrackingSettings
from tracker.simulation.rigs import PLACINGS, pair
from tracker.simulation.sightings import Seeing
from tracker.tracking.kalman import Eye, motion_of
from tracker.tracking.match import cut_pieces, find_seeds, fundamental
from tracker.tracking.views import make_view

SETTINGS = TrackingSettings()
MOTION = motion_of(Ball(), SETTINGS)


def seeds_of(made, offset_sd_s=0.0, settings=SETTINGS):
    views = [
        make_view(s.sightings, c, bool(i)) for i, (s, c) in enumerate(zip(made.seen, made.rig.cameras, strict=True))
    ]
    return find_seeds((views[0], views[1]), motion_of(Ball(), settings), settings, offset_sd_s), views


def still(px: Floats, frame: Floats) -> Sightings:
    n = len(px)
    cov = np.tile(np.diag([0.04, 0.09]), (n, 1, 1))
    ones = np.ones(n)
    frame = frame.astype(np.int64)
    return Sightings(
        0,
        frame,
        frame / 240.0,
        px,
        cov,
        ones * 8,
        np.zeros((n, 2)),
        0 * ones,
        np.zeros((n, 2)),
        0 * ones,
        ones,
        np.zeros(n, np.int64),
    )


@pytest.mark.parametrize("name", PLACINGS)
def test_fundamental_matrix_of_points_in_space(name: str) -> None:
    """x' F x = 0 for every point (Hartley & Zisserman 2004, eq. 9.1), also for cameras that face each other."""
    rig = pair(name, distortion=(0.0,) * 5)
    rng = np.random.default_rng(2)
    point = rng.uniform([-2, 0, 0], [2, 20, 3], (200, 3))
    left, right = (np.column_stack([c.project(point), np.ones(200)]) for c in rig.cameras)
    P = [c.lens.matrix @ np.column_stack([c.R, c.translation_m]) for c in rig.cameras]
    F = fundamental(P[0], P[1])
    line = left @ F.T
    miss = np.einsum("ni,ni->n", right, line) / np.linalg.norm(line[:, :2], axis=1)
    inside = np.isfinite(miss)
    assert inside.sum() > 100
    assert np.abs(miss[inside]).max() < 1e-6


def test_fundamental_matrix_as_opencv_finds_it() -> None:
    """From the points alone, OpenCV's eight-point method."""
    import cv2

    rig = pair("crossing", distortion=(0.0,) * 5)
    point = np.random.default_rng(4).uniform([-2, 2, 0], [2, 18, 3], (100, 3))
    left, right = (c.project(point) for c in rig.cameras)
    F, _ = cv2.findFundamentalMat(left, right, method=cv2.FM_8POINT)
    P = [c.lens.matrix @ np.column_stack([c.R, c.translation_m]) for c in rig.cameras]
    ours = fundamental(P[0], P[1])
    np.testing.assert_allclose(ours / ours[2, 2], F / F[2, 2], rtol=2e-3, atol=1e-9)


def test_ideal_pixels_are_those_of_a_lens_without_distortion() -> None:
    """Points seen through OpenCV's distortion, then undone, against the plain pinhole (Hartley & Zisserman)."""
    rig = pair("end_on", distortion=(-0.25, 0.08, 0.001, -0.0005, 0.0))
    point = np.array([[0.2, y, 1.0] for y in np.linspace(2, 18, 12)])
    raw = rig.left.project(point)
    view = make_view(still(raw, np.arange(12)), rig.left, False)
    pinhole = np.array([Eye(view.eye.P, False).see(np.append(p, np.zeros(4)))[0] for p in point])
    np.testing.assert_allclose(view.px, pinhole, atol=1e-5)
    assert np.abs(view.px - raw).max() > 1.0


def test_covariance_is_carried_through_the_lens() -> None:
    """Against scattered pixels: the ideal pixels' scatter is what the carried covariance says, to 5 %."""
    rig = pair("end_on", distortion=(-0.3, 0.1, 0.0, 0.0, 0.0))
    rng = np.random.default_rng(1)
    raw = np.array([1800.0, 950.0]) + rng.normal(size=(4000, 2)) * [0.2, 0.3]
    view = make_view(still(raw, np.arange(4000)), rig.left, False)
    np.testing.assert_allclose(np.cov(view.px.T), view.cov[0], rtol=0.12, atol=0.004)


def test_sightings_to_which_no_ray_leads_are_left_out() -> None:
    rig = pair("end_on", distortion=(-0.5, 0.0, 0.0, 0.0, 0.0))
    raw = np.array([[960.0, 540.0], [-40000.0, 90000.0]])
    view = make_view(still(raw, np.arange(2)), rig.left, False)
    assert view.row.tolist() == [0]


def test_a_piece_gives_point_and_velocity_despite_an_outlier() -> None:
    rig = pair("end_on", distortion=(0.0,) * 5)
    frame = np.arange(20)
    raw = np.array([400.0, 300.0]) + frame[:, None] * [6.0, -2.0]
    raw[7] += [9.0, 9.0]
    pieces = cut_pieces(make_view(still(raw, frame), rig.left, False), 0.08, 0.04)
    middle = int(np.flatnonzero(pieces.tick == 1)[0])
    np.testing.assert_allclose(pieces.point[middle, 2:], [6.0 * 240, -2.0 * 240], rtol=0.01)
    np.testing.assert_allclose(pieces.point[middle, :2], [400 + 6 * 9.6, 300 - 2 * 9.6], atol=0.3)


def test_a_thing_that_stays_makes_no_piece() -> None:
    rig = pair("end_on")
    raw = np.array([400.0, 300.0]) + np.random.default_rng(0).normal(0, 0.2, (60, 2))
    assert len(cut_pieces(make_view(still(raw, np.arange(60)), rig.left, False), 0.08, 0.04).tick) == 0


@pytest.mark.parametrize("name", PLACINGS)
@pytest.mark.parametrize("fps", [(25.0, 25.0), (50.0, 60.0), (240.0, 240.0), (1000.0, 500.0)])
def test_seeds_are_where_the_ball_is(name: str, fps: tuple[float, float]) -> None:
    """In flight every seed's position and speed are within 4.5 of its own sds (6 dimensions: 0.9999 is 5.3)."""
    made = scene(name, fps=fps, late_s=0.001, seed=3)
    found, _ = seeds_of(made, offset_sd_s=2e-3)
    flown = made.flown[0]
    away = []
    for seed in found:
        if flown.throw.release_s + 0.1 < seed.time_s < flown.bounce_s - 0.1:
            true = flown.path.state(np.array([seed.time_s]))[0]
            off = seed.state[:6] - true
            cov = seed.cov[:6, :6] + np.diag([1e-6] * 3 + [0.15**2] * 3)  # forces left out over a tenth of a second
            away.append(np.sqrt(off @ np.linalg.solve(cov, off)))
    assert away
    assert np.median(away) < 3.5
    assert max(away) < 8


def test_an_unknown_offset_is_allowed_for() -> None:
    """Three milliseconds are 90 mm of flight: without doubt of the clocks the chains do not meet."""
    made = scene("crossing", late_s=0.003, seed=1)
    told = [s for s in seeds_of(made, offset_sd_s=3e-3)[0] if s.noise_px < 0.6]
    strict = [s for s in seeds_of(made, offset_sd_s=0.0)[0] if s.noise_px < 0.6]
    assert len(told) > 2 * len(strict)


def test_chains_of_two_things_do_not_make_a_seed() -> None:
    """Left sees only one ball, right only another on its own way."""
    one = scene("crossing", seed=1)
    other = scene("crossing", balls=0, others=[thrown(0.6, [0.6, 3, 1.2], [0.5, 16, 3])], lasting_s=1.8, seed=2)
    mixed = replace(one, seen=(one.seen[0], other.seen[1]))
    assert len(seeds_of(one)[0]) > 10
    assert len(seeds_of(mixed)[0]) <= 2


def test_clutter_costs_little() -> None:
    """A minute of film with 3,000 false chains: the pairing takes seconds."""
    import time

    made = scene("end_on", balls=1, lasting_s=60.0, seeing=Seeing(clutter_per_s=25, lone_per_frame=0.5))
    begin = time.process_time()
    found, _ = seeds_of(made)
    assert time.process_time() - begin < 8.0
    assert found[0].score > 100
