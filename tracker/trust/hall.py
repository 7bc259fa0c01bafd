"""Whether a proposal fits a hall, how it must be moved to fit, and which ready proposal serves a hall best.

The lane lies along the middle of the hall's width; the striker's stumps stand `behind_m` from the wall behind them.
A camera that would hang outside is brought to the nearest place inside that keeps its clearance, still looking at the
same spot, with a wider lens where it would otherwise lose part of the flight that it saw.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt

import numpy as np

from calibration.camera import Camera, Floats
from calibration.errors import LanepairError
from tracker.settings import FlightSettings
from tracker.trust.plan import GOOD, QUANTITIES, Plan, flown, plan
from tracker.trust.proposal import Proposal, field_deg, posed

CLEAR_M = 0.3  # of a camera from walls and ceiling: room for its body and a hand; common practice, no source
BEHIND_M = 3.0  # from the striker's stumps to the wall, unless told
WIDEST_DEG = 110.0  # horizontal field of an ordinary wide lens
GOOD_ENOUGH = {  # one sigma that serves coaching: a choice, no source
    "release_speed_mps": 0.10,
    "bounce_y_m": 0.020,
    "bounce_x_m": 0.010,
    "swing_m": 0.010,
    "deviation_deg": 0.10,
    "stumps_x_m": 0.015,
    "stumps_z_m": 0.015,
}


@dataclass(frozen=True, slots=True)
class Hall:
    """Inside measures, metres; `behind_m` from the wall behind the striker to the striker's stumps."""

    length_m: float
    width_m: float
    height_m: float
    behind_m: float = BEHIND_M

    def __post_init__(self) -> None:
        sizes = (self.length_m, self.width_m, self.height_m)
        if not all(np.isfinite(v) and v > 0 for v in (*sizes, self.behind_m)):
            raise LanepairError("a hall has a length, a width and a height above 0, in metres")
        if self.width_m < 2 * CLEAR_M + 1 or self.height_m < 2:
            raise LanepairError(f"a hall of {self.width_m:g} m by {self.height_m:g} m (width, height) holds no lane")

    def bounds(self) -> tuple[Floats, Floats]:
        """Lowest and highest place (3,) of a camera in the lane frame."""
        half = self.width_m / 2 - CLEAR_M
        low = np.array([-half, -self.behind_m + CLEAR_M, CLEAR_M])
        return low, np.array([half, self.length_m - self.behind_m - CLEAR_M, self.height_m - CLEAR_M])


@dataclass(frozen=True, eq=False)
class Fitted:
    """A proposal brought into a hall: how far each camera was moved, metres, and the fields it has then, degrees."""

    plan: Plan
    moved_m: tuple[float, float]
    fields_deg: tuple[float, float]
    score: float


def fit_into(proposal: Proposal, hall: Hall, settings: FlightSettings | None = None) -> Fitted:
    """The proposal as it would hang in a hall, planned there."""
    length = proposal.rig.pitch_length_m
    if hall.length_m < hall.behind_m + length:
        raise LanepairError(
            f"a hall of {hall.length_m:g} m does not hold a pitch of {length:g} m with {hall.behind_m:g} m behind the "
            "striker: give the hall's length along the lane, or a shorter pitch_length_m"
        )
    good = flown(GOOD, proposal.rig, settings or FlightSettings())
    path = good.states(np.linspace(good.release_s, good.stumps_s, 60))[:, :3]
    low, high = hall.bounds()
    cameras, moves = [], []
    for camera in proposal.rig.cameras:
        place = np.clip(camera.centre_m, low, high)
        moves.append(float(np.linalg.norm(place - camera.centre_m)))
        cameras.append(_moved(camera, place, path) if moves[-1] > 1e-9 else camera)
    rig = replace(proposal.rig, left=cameras[0], right=cameras[1])
    if max(moves) > 1e-9:
        rig = replace(rig, names=(), cov=np.zeros((0, 0)))
    planned = plan(replace(proposal, rig=rig), settings)
    fields = (field_deg(rig.left), field_deg(rig.right))
    return Fitted(planned, (moves[0], moves[1]), fields, score(planned))


def _moved(camera: Camera, place_m: Floats, path_m: Floats) -> Camera:
    """The camera elsewhere, looking at the same spot, as wide as it takes to see the part of a path that it saw."""
    saw = path_m[np.asarray(camera.sees(path_m))]
    spot = _looks_at(camera, path_m)
    field = field_deg(camera)
    while True:
        moved = posed(camera, place_m, spot, field)
        if field >= WIDEST_DEG or not len(saw) or np.asarray(moved.sees(saw)).all():
            return moved
        field = min(field + 2.0, WIDEST_DEG)


def _looks_at(camera: Camera, path_m: Floats) -> Floats:
    """The place on a camera's axis that is nearest to a path (n, 3)."""
    along = (path_m - camera.centre_m) @ camera.R[2]
    on_axis = camera.centre_m + np.maximum(along, 0.5)[:, None] * camera.R[2]
    nearest: Floats = on_axis[np.argmin(np.linalg.norm(on_axis - path_m, axis=1))]
    return nearest


def score(planned: Plan) -> float:
    """How far the doubts are from good enough: root mean square of their ratios, left alone and hit; 1 is enough."""
    costs = planned.costs
    if not costs.with_rig or not costs.hit:
        return inf
    ratios = [found[q] / GOOD_ENOUGH[q] for found in (costs.with_rig, costs.hit) for q in QUANTITIES]
    return sqrt(sum(r**2 for r in ratios) / len(ratios))


def ranked(proposals: Sequence[Proposal], hall: Hall, settings: FlightSettings | None = None) -> list[Fitted]:
    """Every proposal brought into the hall, the best first."""
    return sorted((fit_into(p, hall, settings) for p in proposals), key=lambda fitted: fitted.score)
