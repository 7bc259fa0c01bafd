"""Bringing the clocks together: coarse search, fine offset, drift, and what cannot be told."""

from dataclasses import replace

import numpy as np
import pytest

from tests.seen_balls import Scene, scene, thrown
from tracker.records import Ball
from tracker.settings import TrackingSettings
from tracker.simulation.rigs import pair
from tracker.simulation.sightings import Seeing
from tracker.tracking.sync import LONGEST_S, Offset, cast_votes, estimate_offset

SETTINGS = TrackingSettings()


def offset_of(made: Scene) -> Offset:
    return estimate_offset(made.seen[0].sightings, made.seen[1].sightings, made.rig, SETTINGS)


@pytest.mark.parametrize(
    ("rig", "late_s"), [("end_on", 0.5137), ("side", -0.81), ("crossing", 2.2), ("behind_striker", -0.033)]
)
def test_films_started_apart_are_brought_together(rig: str, late_s: float) -> None:
    """Two deliveries: the offset to a millisecond at worst, and within four of its own sds."""
    made = scene(rig, balls=2, apart_s=2.5, late_s=late_s, lasting_s=6.0, seed=2)
    found = offset_of(made)
    assert abs(found.right_minus_left_s - late_s) < 1e-3
    assert abs(found.right_minus_left_s - late_s) < 4 * found.sd_s
    assert found.sd_s < 1e-3
    assert found.balls >= 1


def test_nine_seconds_apart_in_clutter() -> None:
    noisy = Seeing(clutter_per_s=6, lone_per_frame=0.3, miss=0.05, outlier=0.03)
    made = scene("crossing", balls=3, apart_s=6.0, late_s=8.9, lasting_s=16.0, seeing=noisy, seed=4)
    found = offset_of(made)
    assert abs(found.right_minus_left_s - 8.9) < 1e-3


def test_different_frame_rates_and_rolling_shutters() -> None:
    rig = pair("end_and_side", readout_s=(0.010, 0.005))
    found = offset_of(scene(rig, balls=2, apart_s=3.0, fps=(60.0, 240.0), late_s=1.234, lasting_s=7.0, seed=6))
    assert abs(found.right_minus_left_s - 1.234) < 1e-3


def test_a_clock_that_runs_fast() -> None:
    """Two hundred parts in a million over 100 s: 20 ms. Both the offset at the middle and the rate are found."""
    ppm, late_s = 200.0, 0.4
    made = scene("end_on", balls=6, apart_s=20.0, fps=(60, 60), late_s=late_s, lasting_s=103.0, seed=3)
    right = made.seen[1].sightings
    slow = replace(made.seen[1], sightings=replace(right, time_s=right.time_s * (1 - ppm * 1e-6)))
    found = offset_of(replace(made, seen=(made.seen[0], slow)))
    assert abs(found.drift_ppm - ppm) < 4 * max(found.drift_ppm_sd, 1.0)
    middle = np.array([50.0])
    assert abs(found.at(middle)[0] - (late_s + middle[0] * ppm * 1e-6)) < 1e-3


def test_clocks_that_agree_stay() -> None:
    found = offset_of(scene("crossing", balls=2, apart_s=3.0, seed=1))
    assert abs(found.right_minus_left_s) < max(4 * found.sd_s, 0.3e-3)
    assert found.drift_ppm == 0.0


def test_the_exchange_of_the_views_turns_the_sign() -> None:
    made = scene("crossing", balls=2, apart_s=3.0, late_s=0.7, lasting_s=6.0, seed=2)
    left, right = (replace(seen.sightings, view=1 - i) for i, seen in enumerate(made.seen))
    turned = replace(made.rig, left=made.rig.right, right=made.rig.left)
    there = estimate_offset(right, left, turned, SETTINGS)
    assert abs(there.right_minus_left_s + 0.7) < 1e-3


def test_where_nothing_moves_nothing_is_told() -> None:
    made = scene("end_on", balls=0, lasting_s=2.0)
    found = offset_of(made)
    assert (found.right_minus_left_s, found.sd_s, found.balls) == (0.0, LONGEST_S, 0)


def test_a_ball_in_one_view_only_tells_nothing() -> None:
    made, empty = scene("end_on", seed=1), scene("end_on", balls=0, lasting_s=2.0)
    assert offset_of(replace(made, seen=(made.seen[0], empty.seen[1]))).balls == 0


def test_votes_gather_at_the_true_offset() -> None:
    made = scene("crossing", balls=2, apart_s=3.0, late_s=0.5, lasting_s=6.0, seed=2)
    votes = cast_votes(made.seen[0].sightings, made.seen[1].sightings, made.rig, SETTINGS, Ball())
    near = np.abs(votes.offset_s - 0.5) < 0.01
    beside = np.abs(votes.offset_s - 0.6) < 0.01
    assert near.sum() > 10
    assert near.sum() > 3 * beside.sum()


def test_a_throw_back_tells_the_clocks_as_well() -> None:
    back = [thrown(0.8, [0.3, 1.0, 1.7], [0.1, 18.0, 3.5])]
    made = scene("crossing", balls=0, others=back, late_s=0.25, lasting_s=3.0, seed=3)
    assert abs(offset_of(made).right_minus_left_s - 0.25) < 1e-3
