"""Offset and drift of two clocks by the balls of a clip (PITFALLS 2 and 3)."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from tests.sessions import bowled, filmed, make_job, measured, plain
from tracker.clip import asked, deliveries_of
from tracker.clocks import DRIFT_SD_PPM, disagrees, drifts, from_start, joined, middle_s, offset_at
from tracker.records import Clock
from tracker.session.folder import Clip
from tracker.simulation.rigs import pair


@pytest.fixture(scope="module")
def flights():
    """Six balls, four seconds apart."""
    _, evidence = plain("end_on", balls=6)
    (balls,) = evidence.clips
    return asked(balls.job, balls.found)


def saying(flights, offset_s, sd_s):
    """The flights, telling these offsets, with these sds, of an exact rig."""
    changed = []
    for flight, value, sd in zip(flights, offset_s, sd_s, strict=True):
        i = flight.names.index("clock_s")
        params, cov = flight.params.copy(), flight.cov.copy()
        params[i], cov[i, i] = value, sd**2
        changed.append(replace(flight, params=params, cov=cov, rig_cov=0 * flight.rig_cov))
    return changed


def test_the_line_is_that_of_generalised_least_squares_with_a_random_slope(flights):
    """Second route: the slope as an error common to all, in their covariance (Aitken 1935; from memory)."""
    t, sd = np.array([middle_s(f) for f in flights]), 1e-5 * np.array([3.0, 5.0, 4.0, 3.0, 6.0, 5.0])
    value = 2e-3 + 20e-6 * (t - t[0]) + 0.3 * sd * np.array([1, -1, 1, 1, -1, -1])
    clock = joined(saying(flights, value, sd), Clock(0.0, 0.0))
    late = t - clock.told_s
    prior = (1e-6 * DRIFT_SD_PPM) ** 2
    weight = np.linalg.inv(np.diag(sd**2) + prior * np.outer(late, late))
    level_var = 1 / weight.sum()
    level = level_var * weight.sum(axis=0) @ value
    slope = prior * late @ weight @ (value - level)
    assert offset_at(clock, clock.told_s) == pytest.approx(level, rel=1e-9)
    assert clock.drift_ppm == pytest.approx(1e6 * slope, rel=1e-6)
    assert clock.sd_s == pytest.approx(np.sqrt(level_var), rel=1e-6)


def test_a_single_ball_tells_the_offset_there_and_no_drift(flights):
    clock = joined(saying(flights[:1], [1e-3], [2e-5]), Clock(0.0, 0.0))
    assert clock.drift_ppm == pytest.approx(0.0, abs=1e-9) and clock.drift_ppm_sd == pytest.approx(DRIFT_SD_PPM)
    assert clock.sd_at(clock.told_s) == pytest.approx(2e-5)
    assert clock.sd_at(clock.told_s + 10.0) == pytest.approx(np.hypot(2e-5, 1e-3))


def test_films_started_as_stated_tell_their_drift_by_slope_and_place():
    """Second route: the stated start as one more reading, far surer than the rig's error leaves the line's level."""
    told = Clock(5.2e-3, 0.4e-3, -55.0, 18.0, "balls", told_s=115.0)
    stated, start_s = Clock(0.0, 5e-5, source="session"), 100.0  # of a clip whose clock is some other film's
    found = from_start(told, stated, start_s)
    design = np.array([[1.0, 0.0], [1.0, 15.0], [0.0, 1.0]])  # start and rate, by: the start, the level, the slope
    sd = np.array([5e-5, 0.4e-3, 18e-6])
    reading = np.array([0.0, offset_at(told, 115.0), -55e-6])
    cov = np.linalg.inv((design.T / sd**2) @ design)
    start, rate = cov @ (design.T / sd**2) @ reading
    assert found.drift_ppm == pytest.approx(1e6 * rate, rel=1e-3) and found.source == "session"
    assert found.drift_ppm_sd == pytest.approx(1e6 * np.sqrt(cov[1, 1]), rel=1e-3)
    assert offset_at(found, start_s) == pytest.approx(start, abs=5e-5) and found.sd_at(start_s) == 5e-5


def test_clocks_that_start_as_stated_and_run_apart_are_followed():
    """Two recorders 80 ppm apart, clapped together: after 16 s that is 1.3 ms, or 4 cm of a ball's way."""
    rig, flown = pair("side"), bowled(5, 3)
    seen, films = filmed(rig, flown, np.random.default_rng(3), right={"start_s": 0.25, "drift_ppm": 80.0})
    right = replace(seen[1], time_s=seen[1].time_s + 0.25)
    clip = Clip(Path("left.mp4"), Path("right.mp4"), right_offset_s=0.25)
    views, found, words = deliveries_of(make_job(rig, films, clip), seen[0], right)
    assert sum(one.flight is not None for one in found) == 5
    assert views.clock.source == "session" and offset_at(views.clock, 0.25) == pytest.approx(0.0, abs=1e-9)
    assert views.clock.drift_ppm == pytest.approx(-80.0, abs=4 * views.clock.drift_ppm_sd)
    assert views.clock.drift_ppm_sd < 10 and "run apart by -8" in words[0]


def test_a_drift_of_minutes_is_followed_to_its_end():
    """At 180 ppm the fifth ball is 43 ms off: what the first tell brings it into view, and it tells the drift."""
    rig, flown = pair("end_on"), bowled(5, 3, spacing_s=60.0)
    seen, films = filmed(rig, flown, np.random.default_rng(3), right={"start_s": 0.25, "drift_ppm": -180.0})
    right = replace(seen[1], time_s=seen[1].time_s + 0.25)
    clip = Clip(Path("left.mp4"), Path("right.mp4"), right_offset_s=0.25)
    views, found, _ = deliveries_of(make_job(rig, films, clip), seen[0], right)
    assert sum(one.flight is not None for one in found) == 5
    last_s = flown[-1].throw.release_s
    assert offset_at(views.clock, last_s) == pytest.approx(180e-6 * (last_s - 0.25), abs=2e-4)


def test_a_clock_that_runs_apart_disagrees_at_the_ends_though_not_in_the_middle(flights):
    t = np.array([middle_s(f) for f in flights])
    apart = joined(saying(flights, 100e-6 * (t - t.mean()), np.full(6, 2e-5)), Clock(0.0, 0.0))
    alike = joined(saying(flights, np.zeros(6), np.full(6, 2e-5)), Clock(0.0, 0.0))
    assert drifts(apart) and disagrees(apart, Clock(0.0, 0.0), flights)
    assert not drifts(alike) and not disagrees(alike, Clock(0.0, 0.0), flights)


def test_every_ball_of_a_short_clip_has_the_clock_it_states():
    """Quartz clocks some tens of ppm apart over twenty seconds: told by each ball within its own stated doubt."""
    true, off, balls = pair("crossing", rows=720), [], 5
    for seed, ppm in enumerate((-60.0, -100.0), start=1):
        rng = np.random.default_rng(seed)
        seen, films = filmed(true, bowled(balls, seed), rng, right={"start_s": 0.0011, "drift_ppm": ppm})
        evidence = measured(pair("crossing", rows=720, offsets_s=(None, None)), seen, films)
        (clip,) = evidence.clips
        for flight in clip.flights:
            at_s = middle_s(flight)
            added = offset_at(clip.clock, at_s) + flight.params[flight.names.index("clock_s")]
            i = flight.names.index("clock_s")
            off.append((added - 0.0011 + ppm * 1e-6 * (at_s - 0.0011)) / np.sqrt(flight.cov[i, i]))
            assert flight.cov[i, i] <= clip.clock.sd_at(at_s) ** 2 * (1 + 1e-6)
    low, high = chi2.ppf([0.001, 0.999], len(off))
    assert low / 4 < sum(np.square(off)) < high  # the balls of a session share a clock's error


@pytest.mark.parametrize("late_s", [1.9e-3, 0.0])
def test_a_stated_offset_that_the_balls_contradict_is_not_used(late_s: float) -> None:
    """A clap put by some 2 ms: the balls' own offset is used, and said; one that is right is kept, and nothing said."""
    rig, flown = pair("side"), bowled(5, 3)
    seen, films = filmed(rig, flown, np.random.default_rng(3), right={"start_s": 0.25})
    stated_s = 0.25 + late_s
    right = replace(seen[1], time_s=seen[1].time_s + stated_s)
    clip = Clip(Path("left.mp4"), Path("right.mp4"), right_offset_s=stated_s)
    views, found, words = deliveries_of(make_job(rig, films, clip), seen[0], right)
    assert sum(one.flight is not None for one in found) == 5
    assert views.clock.source == ("balls" if late_s else "session")
    assert offset_at(views.clock, views.clock.told_s) == pytest.approx(-late_s, abs=1e-4)
    assert len(words) == (late_s > 0) and all("which was used" in each for each in words)
