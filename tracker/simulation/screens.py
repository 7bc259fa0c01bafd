"""Bars between a camera and the lane, placed so that each ball passes behind them for a while."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera
from tracker.records import Floats
from tracker.simulation import optics
from tracker.simulation.body import TROUSERS
from tracker.simulation.truth import Flown

AWAY_M = 1.3  # from the camera
HALF_LENGTH_M = 0.4


@dataclass(frozen=True, eq=False)
class Bar:
    """A straight bar that stands still: one capsule (1, 9)."""

    capsule: Floats

    def limbs(self, time_s: float) -> Floats:
        """The bar, at any time."""
        return self.capsule


def bar(camera: Camera, flown: Sequence[Flown], from_s: float, to_s: float) -> Bar:
    """A bar that hides the mean ball from `from_s` to `to_s` after release; single balls differ a little."""
    span = np.array([from_s, to_s])
    places = np.mean([f.free.position_m(f.throw.release_s + span) for f in flown], axis=0)
    centre = optics.centre_m(camera)
    rays = places - centre
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    ahead, along = rays[0] + rays[1], rays[1] - rays[0]
    ahead /= np.linalg.norm(ahead)
    across = np.cross(ahead, along)
    across /= np.linalg.norm(across)
    here = centre + AWAY_M * ahead
    radius = math.hypot(AWAY_M, HALF_LENGTH_M) * float(np.linalg.norm(along)) / 2  # drawn as wide as at its ends
    ends = [here - HALF_LENGTH_M * across, here + HALF_LENGTH_M * across]
    return Bar(np.array([[*ends[0], *ends[1], radius, radius, float(TROUSERS)]]))
