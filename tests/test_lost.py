"""Frames lost without the stamps showing it: put back where a ball leaps, the rest told by each flight."""

from dataclasses import replace

import numpy as np
import pytest

from tests.seen_balls import FIRST_S, scene
from tracker.records import Ball, Sightings
from tracker.settings import TrackingSettings
from tracker.simulation.sightings import Seeing
from tracker.tracking.lost import by_passages, leaps, retimed

FPS, APART_S = 120.0, 4.0


def losing(seen: Sightings, lost: np.ndarray) -> tuple[Sightings, np.ndarray]:
    """What a recorder leaves that writes an even rate over what it got, and the true times (n,) of what is left."""
    kept = seen.take(~np.isin(seen.frame, lost))
    earlier = np.searchsorted(np.sort(lost), kept.frame)
    return replace(kept, frame=kept.frame - earlier, time_s=kept.time_s - earlier / FPS), kept.time_s


@pytest.mark.parametrize("rig", ["crossing", pytest.param("side", marks=pytest.mark.slow)])
def test_flights_are_mended_and_timed_each_by_itself(rig: str) -> None:
    """One frame in fifty lost between flights, one in the middle of each: every time comes back to 0.5 ms."""
    made = scene(rig, balls=3, apart_s=APART_S, seeing=Seeing(miss=0.02), seed=11)
    left, right = (view.sightings for view in made.seen)
    rng = np.random.default_rng(5)
    flights = [(FIRST_S + APART_S * i, FIRST_S + APART_S * i + 0.5) for i in range(3)]
    between = rng.choice(int((FIRST_S + 2 * APART_S + 1) * FPS), 25, replace=False)
    between = [f for f in between if not any(a - 0.1 < f / FPS < b + 0.4 for a, b in flights)]
    inside = [round((a + 0.25) * FPS) for a, _ in flights]
    seen, true_s = losing(right, np.array([*between, *inside]))

    frames, counts = leaps(seen, 1 / FPS)
    renumbered = [f - np.sum(np.sort([*between, *inside]) < f) for f in inside]
    assert set(renumbered) <= set(frames) and set(counts) == {1}
    timed = by_passages(left, retimed(seen, 1 / FPS), made.rig, Ball(), TrackingSettings())
    assert timed is not None
    off = timed.time_s - true_s
    for begun_s, ended_s in flights:
        here = (true_s > begun_s + 0.03) & (true_s < ended_s - 0.05)
        assert here.sum() > 20
        assert np.percentile(np.abs(off[here]), 95) < 5e-4


def test_a_film_that_lost_nothing_stays_as_it_is() -> None:
    """Bounces, hits and misses are no leaps."""
    for rig, bowler in (("crossing", "pace"), ("side", "spin"), ("end_on", "pace")):
        made = scene(rig, balls=2, seeing=Seeing(miss=0.05, outlier=0.02, clutter_per_s=3), bowler=bowler, seed=3)
        for view in made.seen:
            assert len(leaps(view.sightings, 1 / FPS)[0]) == 0
