"""A ball's own shadow: sightings near the floor are believed less, and only those."""

from dataclasses import replace

import numpy as np
import pytest

from tests.flown import bowl, see
from tests.test_fit import errors_of, fitted, true_values
from tracker.flight.milestones import path_states
from tracker.flight.shadow import shadow_px2
from tracker.records import Floats, Track
from tracker.settings import FlightSettings
from tracker.simulation.rigs import pair

HIDDEN = 0.35  # of the light beside a sphere that touches the floor: (r / d)^2 z / d at d^2 = 2 r^2, by hand


def doubts(track: Track, rig, settings: FlightSettings) -> Floats:
    """What the shadow adds to each sighting's covariance (n, 2, 2)."""
    flight = fitted(track, rig)
    each = [shadow_px2(flight, camera, track.time_s, settings) for camera in rig.cameras]
    return np.where((track.view == 0)[:, None, None], *each)


def across_px(track: Track, rig) -> Floats:
    """Diameters (n,) of the ball in the pictures: focal length times width over depth."""
    place, out = path_states(fitted(track, rig), track.time_s)[:, :3], np.empty(len(track.view))
    for view, camera in enumerate(rig.cameras):
        mine = track.view == view
        depth = (place[mine] - camera.centre_m) @ camera.R[2]
        out[mine] = 0.072 * camera.lens.matrix[0, 0] / depth
    return out


def test_beside_a_ball_on_the_floor_a_third_of_the_light_is_hidden():
    """The share that the module's text states, summed over the directions in which the sphere hides the sky."""
    n = 1500
    tilt, turn = np.meshgrid((np.arange(n) + 0.5) / n * np.pi / 2, (np.arange(n) + 0.5) / n * 2 * np.pi, indexing="ij")
    away = np.stack([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)], axis=-1)
    middle = np.array([1.0, 0.0, 1.0])  # a sphere of radius 1 on the floor, seen from one radius beside its foot
    cosine = away @ middle / np.linalg.norm(middle)
    hides = cosine > np.sqrt(1 - 1 / 2)
    light = np.cos(tilt) * np.sin(tilt)
    assert light[hides].sum() / light.sum() == pytest.approx(HIDDEN, abs=0.005)


def test_only_sightings_near_the_floor_are_doubted_and_mostly_upward():
    rig, rng, settings = pair("side"), np.random.default_rng(41), FlightSettings()
    track = see(bowl(rng), rig, rng)
    extra, height = doubts(track, rig, settings), path_states(fitted(track, rig), track.time_s)[:, 2]
    share = np.sqrt(extra[:, 1, 1]) / across_px(track, rig)
    low, high = height < 0.06, height > 0.25
    assert low.any() and (share[low] > 0.04).all() and share.max() < 0.15
    assert (share[high] < 0.001).all()
    assert (extra[:, 0, 0][low] < 0.25 * extra[:, 1, 1][low]).all()  # a level camera: upward is upward in the picture


def off_by(balls: int, settings: FlightSettings) -> Floats:
    """Errors over sds of the speed at the bounce where the last and first sightings are pulled to the floor."""
    rig, off = pair("crossing"), []
    for number in range(balls):
        rng = np.random.default_rng([43, number])
        ball = bowl(rng)
        track = see(ball, rig, rng, fps=240.0, sd_px=0.35)  # as bad as small balls in ordinary films
        height = path_states(fitted(track, rig), track.time_s)[:, 2]
        centre = track.centre_px.copy()
        centre[:, 1] += np.where(height < 0.065, 0.17 * across_px(track, rig), 0.0)
        pulled = replace(track, centre_px=centre)
        pulled = replace(pulled, cov_px2=pulled.cov_px2 + doubts(pulled, rig, settings))
        found = errors_of(fitted(pulled, rig), rig, true_values(ball, rig))
        off.append([found[name][0] / found[name][1] for name in ("speed_at_bounce_mps", "bounce_y_m")])
    return np.array(off)


def test_what_a_shadow_does_to_the_bounce_stays_within_the_intervals():
    believed = off_by(12, FlightSettings(shadow_share=0.0))[:, 0]
    doubted = off_by(12, FlightSettings())
    assert (np.abs(doubted) < 1.96).mean() >= 0.87  # of 24 at 95 %: 21 or more in 97 of 100
    assert abs(doubted[:, 0].mean()) < 0.5 * abs(believed.mean())
    assert np.sqrt((doubted[:, 0] ** 2).mean()) < 0.8 * np.sqrt((believed**2).mean())
