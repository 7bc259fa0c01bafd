"""Where a film's colour lies along a row is not told: one number a film, which the flight itself can tell.

ITU-T H.264, clause 6.2 (from memory) puts colour on every other pixel, FFmpeg's scaler midway between two: the quarter
pixel that is taken may be off by as much to either side, and all that is measured in colour is off with it.
"""

from dataclasses import replace

import numpy as np
import pytest

from calibration.rig import Rig
from tests.flown import bowl, see
from tracker.flight.fit import fit_flight
from tracker.flight.measures import measure
from tracker.records import Air, Ball, Floats, Track
from tracker.settings import FlightSettings
from tracker.simulation.rigs import pair

OFF_PX, BALLS = 0.25, 16


def swing(track: Track, rig: Rig, aside_sd_px: float) -> tuple[float, float]:
    """Swing and its sd, m, of a ball released at 0."""
    flight = fit_flight(track, rig, Ball(), Air(), replace(FlightSettings(), aside_sd_px=aside_sd_px))
    found = measure(replace(flight, release_s=0.0, release_s_sd=0.0, release_seen=True), rig)["swing_m"]
    return found.value, found.sd


def half_in_colour(track: Track, off_px: Floats) -> Track:
    """The same with the earlier half of both views' sightings measured in colour, which lies off by (2,) pixels."""
    aside = (track.time_s < np.median(track.time_s)).astype(float)
    moved = np.column_stack([aside * off_px[track.view], np.zeros(len(track))])
    return replace(track, centre_px=track.centre_px + moved, aside=aside)


@pytest.mark.parametrize("name", ["side", "crossing"])
def test_what_colour_lies_off_by_is_told_by_the_flight(name: str, rng: np.random.Generator) -> None:
    """Against the same sightings with colour where it is taken to lie: nearer than without the term, within its sd."""
    rig = pair(name)
    told, ignored, sds = [], [], []
    for _ in range(BALLS):
        track = see(bowl(rng), rig, rng)
        off = half_in_colour(track, OFF_PX * rng.choice([-1.0, 1.0], 2))
        known, (value, sd) = swing(track, rig, 0.0)[0], swing(off, rig, FlightSettings().aside_sd_px)
        told.append(value - known)
        sds.append(sd)
        ignored.append(swing(off, rig, 0.0)[0] - known)
    rms = [float(np.sqrt(np.mean(np.square(errors)))) for errors in (told, ignored)]
    assert rms[0] < 0.7 * rms[1]
    assert float(np.sqrt(np.mean(np.square(np.array(told) / sds)))) < 1.2
