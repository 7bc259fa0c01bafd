"""Sightings that lie off together, since what is behind the ball pulls them, count as one."""

from dataclasses import replace

import numpy as np

from tests.flown import bowl, see
from tests.test_fit import errors_of, fitted, true_values
from tracker.flight import fit as fitting
from tracker.flight.runs import TOGETHER, variance_factors
from tracker.simulation.rigs import pair

SPEED = "speed_off_bounce_mps"


def test_independent_residuals_are_hardly_ever_taken_for_a_run():
    """Windows of normal residuals: 1 in 10,000 each by the table of chi-squared, some 1 in 25 flights of 200."""
    rng, flagged = np.random.default_rng(3), 0
    for _ in range(400):
        view = rng.integers(0, 2, 200)
        flagged += variance_factors(view, rng.normal(size=(200, 2)), np.ones(200, bool)).max() > 1
    assert flagged < 400 / 15


def test_a_run_has_its_own_length_whatever_the_other_view_sees_between():
    rng = np.random.default_rng(4)
    view, residual = np.arange(240) % 2, rng.normal(size=(240, 2))
    residual[100:132:2] += [1.9, 0.0]  # sixteen sightings of the left view
    lengths = variance_factors(view, residual, np.ones(240, bool))
    assert lengths[view == 1].max() == 1
    assert lengths[104:128:2].min() >= 14 and lengths.max() <= 16 + 2 * (TOGETHER - 1)
    assert lengths[:80].max() == 1 == lengths[160:].max()


def test_sightings_that_miss_each_way_by_more_than_they_state_are_believed_less():
    rng = np.random.default_rng(5)
    residual = rng.normal(size=(120, 2))
    residual[50:56] *= 4.0
    factors = variance_factors(np.zeros(120, np.int64), residual, np.ones(120, bool))
    assert 6 < np.median(factors[50:56]) < 30
    assert factors[:46].max() == 1 == factors[60:].max()


def off_by(balls: int) -> np.ndarray:
    """Errors over sds of the speed off the bounce, ten frames of one camera after it pulled aside by 2.2 sds each."""
    rig, off = pair("side"), []
    for number in range(balls):
        rng = np.random.default_rng([31, number])
        ball = bowl(rng)
        track = see(ball, rig, rng)
        pulled = np.flatnonzero((track.view == 0) & (track.time_s > ball.bounce_s + 0.03))[:10]
        centre = track.centre_px.copy()
        centre[pulled] += 2.2 * np.sqrt(np.einsum("nii->ni", track.cov_px2[pulled])) * [1.0, 0.3]
        error, sd = errors_of(fitted(replace(track, centre_px=centre), rig), rig, true_values(ball, rig))[SPEED]
        off.append(error / sd)
    return np.array(off)


def test_what_a_batter_behind_the_ball_does_stays_within_the_intervals(monkeypatch):
    counted = off_by(12)
    monkeypatch.setattr(fitting, "_runs_doubted", lambda found: found)
    taken_for_many = off_by(12)
    assert np.mean(np.abs(counted) < 1.96) > 0.7 > np.mean(np.abs(taken_for_many) < 1.96)
    assert np.linalg.norm(counted) < 0.8 * np.linalg.norm(taken_for_many)
