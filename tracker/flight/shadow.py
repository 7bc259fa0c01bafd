"""What its own shadow does to where a ball seems to be, just before and after it touches the floor.

However many lamps there are, a ball near the floor darkens what lies beneath and beside it: of even light from above
it hides (r / d)^2 z / d, with d from a point of the floor to its middle and z its height, a sphere's share in what
a level surface receives: a third beside a ball that touches. In the picture the dark spot hangs on the
ball's lower rim and pulls it down, or pushes a pale ball up. It comes off the ball within a diameter of height. Where
exactly it lies and how dark it is depends on lamps and floor, so that no correction is made: sightings there are
believed less, mostly along the picture of the vertical (equation F26).
"""

import numpy as np

from calibration.camera import Camera
from tracker.flight import physics
from tracker.flight.milestones import path_states
from tracker.records import Flight, Floats
from tracker.settings import FlightSettings

ASIDE = 0.3  # of the doubt along the picture of the vertical, square to it: lamps stand to one side


def shadow_px2(flight: Flight, camera: Camera, time_s: Floats, settings: FlightSettings) -> Floats:
    """Variance (n, 2, 2) that the shadow adds to a view's sightings at times (n,), px^2."""
    state, radius_m = path_states(flight, time_s), flight.model["radius_m"]
    slope = camera.project_with_slope(state[:, :3])[1]
    size_px = 2 * radius_m * np.sqrt((slope**2).sum(axis=(1, 2)) / 2)
    gap = np.abs(state[:, 2] - flight.params[physics.FLOOR] - radius_m) / (2 * radius_m)
    sd_px = settings.shadow_share * size_px * np.exp(-gap / settings.shadow_reach)
    up = slope[:, :, 2] / np.maximum(np.linalg.norm(slope[:, :, 2], axis=1, keepdims=True), 1e-9)
    across = ASIDE**2 * np.eye(2) + (1 - ASIDE**2) * up[:, :, None] * up[:, None, :]
    variance: Floats = (sd_px**2)[:, None, None] * across
    return variance
