"""The flight as the cameras see it: parameters, their priors, and predicted pixels with derivatives.

A parameter vector has the path's parameters (`physics.PATH_NAMES`), then `clock_s`, seconds to add to the right film's
times, and `shade_m`, by how much the ball's picture sits above the ball's middle: a ball lit from above looks higher
by a share of its diameter, wherever it is. A sighting belongs to its own time; lens distortion is in the projection.
Equations F8 to F10 of docs/method.md.
"""

from dataclasses import dataclass, fields, replace

import numpy as np

from calibration.camera import Camera
from calibration.lane import STANDARD_GRAVITY_MPS2
from calibration.rig import Rig
from tracker.flight import physics
from tracker.flight.markings import Markings
from tracker.flight.rigterms import RigTerms, ViewTerms, rig_terms
from tracker.records import Air, Ball, Bools, Floats, Ints
from tracker.settings import FlightSettings

NAMES = (*physics.PATH_NAMES, "clock_s", "shade_m")
CLOCK, SHADE = physics.COUNT, physics.COUNT + 1
SIZE = len(NAMES)
UNKNOWN_OFFSET_SD_S = 1.0  # prior of a clock offset of which nothing is known; any flight knows better


@dataclass(frozen=True, eq=False)
class Rows:
    """Sightings to be explained, in time order.

    view     (n,)       0 left, 1 right
    time_s   (n,)       mid-exposure, clip's clock
    px       (n, 2)
    whiten   (n, 2, 2)  whiten @ residual has unit covariance
    lean_px  (n,), trail_px (n, 2), aside (n,)  as in Sightings
    """

    view: Ints
    time_s: Floats
    px: Floats
    whiten: Floats
    lean_px: Floats
    trail_px: Floats
    aside: Floats

    def __len__(self) -> int:
        return len(self.time_s)

    def take(self, rows: Bools | Ints) -> "Rows":
        """The chosen rows."""
        return Rows(*(getattr(self, field.name)[rows] for field in fields(self)))


def make_rows(
    view: Ints,
    time_s: Floats,
    px: Floats,
    cov_px2: Floats,
    lean_px: Floats | None = None,
    trail_px: Floats | None = None,
    aside: Floats | None = None,
) -> Rows:
    """Rows (already in time order) from sightings with covariances (n, 2, 2); none without lean, trail, aside."""
    n = len(time_s)
    lean_px, aside = (np.zeros(n) if given is None else given for given in (lean_px, aside))
    trail_px = np.zeros((n, 2)) if trail_px is None else trail_px
    return Rows(view, time_s, px, np.linalg.inv(np.linalg.cholesky(cov_px2)), lean_px, trail_px, aside)


def flight_terms(rig: Rig, clock_free: bool, rows: Rows, settings: FlightSettings) -> RigTerms:
    """All that a flight carries beside its own parameters (F19, F23, F24, F28), but what moves no row."""
    view = ViewTerms.over(rows.time_s, settings)
    view = view if rows.trail_px.any() else replace(view, trail_sd=0.0)
    view = view if rows.aside.any() else replace(view, aside_sd_px=0.0)
    markings = Markings(settings.marking_side_sd, settings.marking_band_sd) if rows.lean_px.any() else Markings()
    return rig_terms(rig, clock_free, view, markings)


@dataclass(frozen=True, eq=False)
class Prior:
    """Independent normal priors: mean (p,), weight (p,) = 1 / sd^2; fixed parameters are not free."""

    mean: Floats
    weight: Floats
    free: Bools


def make_prior(
    settings: FlightSettings,
    after_mps: Floats,
    offset_sd_s: float,
    late_sd: float,
    side: float = 0.0,
    rig_terms: int = 0,
) -> Prior:
    """What is known before looking: the coefficients' ranges, the floor, the clocks (docs/method.md, table of priors).

    `after_mps` (3,) is a usual velocity after the bounce; `late_sd` how far the side coefficient may change along the
    flight beyond its wavering, which grows with `side`, its size; `rig_terms` how many of the rig's terms follow.
    """
    mean, sd = np.zeros(SIZE), np.full(SIZE, np.inf)
    mean[physics.DRAG], sd[physics.DRAG] = settings.drag, settings.drag_sd
    mean[physics.SLOPE], sd[physics.SLOPE] = settings.drag_slope, settings.drag_slope_sd
    sd[physics.SIDE], sd[physics.LIFT] = settings.side_sd, settings.lift_sd
    waver = settings.waver_sd + settings.waver_share * abs(side)
    for i in range(physics.TURNS):
        sd[physics.SIDE + 1 + i] = np.hypot(waver, late_sd * settings.late_share**i)
    sd[physics.LIFT_LATE] = settings.lift_late_sd
    after = slice(physics.AFTER, physics.AFTER + 3)
    mean[after], sd[after] = after_mps, settings.after_sd * np.linalg.norm(after_mps)
    sd[physics.SIDE_AFTER] = settings.side_after_sd
    mean[physics.LIFT_AFTER], sd[physics.LIFT_AFTER] = settings.lift_after, settings.lift_after_sd
    sd[physics.FLOOR] = settings.floor_sd_m
    sd[CLOCK] = min(offset_sd_s, UNKNOWN_OFFSET_SD_S)
    mean[SHADE], sd[SHADE] = settings.shade_m, settings.shade_sd_m
    free = sd > 0
    weight = np.zeros(SIZE)
    weight[free] = 1 / sd[free] ** 2
    more = np.ones(rig_terms)
    return Prior(np.concatenate([mean, 0 * more]), np.concatenate([weight, more]), np.concatenate([free, more > 0]))


def usual_rebound(velocity_mps: Floats, settings: FlightSettings) -> Floats:
    """A usual velocity (3,) after a bounce at `velocity_mps`."""
    kept: Floats = velocity_mps * np.array([settings.after_kept, settings.after_kept, -settings.after_restitution])
    return kept


def make_model(
    ball: Ball, air: Air, start_s: float, arc_s: tuple[float, float], speed_mps: float, bounces: bool
) -> Floats:
    """The model's numbers in the order of physics.MODEL_NAMES."""
    k = physics.drag_factor_per_m(ball, physics.air_density_kg_m3(air))
    return np.array([STANDARD_GRAVITY_MPS2, k, speed_mps, arc_s[0], arc_s[1], ball.radius_m, start_s, float(bounces)])


@dataclass(frozen=True, eq=False)
class Prediction:
    """What the parameters say the cameras should see.

    residual   (n, 2)        measured minus predicted, whitened; NaN where the ball cannot be in the picture
    slope      (n, 2, p)     derivative of the whitened prediction by the parameters
    by_place   (n, 2, 3)     the same by where the ball is
    state      (n, 6)        the ball at each row's time
    bounce_s   first contact, NaN: none by the last row; second_s  second contact
    """

    residual: Floats
    slope: Floats
    by_place: Floats
    state: Floats
    bounce_s: float
    second_s: float


def predict(
    theta: Floats,
    model: Floats,
    rows: Rows,
    cameras: tuple[Camera, Camera],
    step_s: float,
    terms: RigTerms | None = None,
) -> Prediction:
    """Where each row's camera should have seen the ball at the row's time, against where it did.

    With `terms` the parameters go on with the rig's own numbers, (SIZE + m,), and so do the slopes.
    """
    time_s = rows.time_s + theta[CLOCK] * (rows.view == 1)
    order = np.argsort(time_s, kind="stable")
    state, sens, bounce_s, second_s = physics.trace(theta[: physics.COUNT], model, time_s[order], step_s)
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    state, sens = state[back], sens[back]
    n = len(rows)
    residual, slope, by_place = np.empty((n, 2)), np.zeros((n, 2, len(theta))), np.empty((n, 2, 3))
    point = state[:, :3] + [0.0, 0.0, theta[SHADE]]
    for view, camera in enumerate(cameras):
        mine = np.flatnonzero(rows.view == view)
        px, by_camera = camera.project_with_parameters(point[mine])
        by_point = by_place[mine] = rows.whiten[mine] @ by_camera[:, :, 3:6] @ camera.R
        residual[mine] = np.einsum("nij,nj->ni", rows.whiten[mine], rows.px[mine] - px)
        slope[mine, :, : physics.COUNT] = by_point @ sens[mine]
        slope[mine, :, SHADE] = by_point[:, :, 2]
        by_time = np.einsum("nij,nj->ni", by_point, state[mine, 3:])
        if view == 1:
            slope[mine, :, CLOCK] = by_time
        if terms is not None and terms.count:
            towards = camera.centre_m - point[mine]
            bounced = time_s[mine] > bounce_s
            marked = terms.markings.push_px(by_camera[:, :, 3:6] @ camera.R, towards, rows.lean_px[mine], bounced)
            push = by_camera @ terms.camera[view]
            push[:, :, terms.own :] += np.concatenate(
                [terms.view.push_px(view, rows.time_s[mine], rows.trail_px[mine], rows.aside[mine]), marked], axis=2
            )
            by_term = rows.whiten[mine] @ push + by_time[:, :, None] * terms.clock_s[view]
            slope[mine, :, SIZE:] = by_term
            residual[mine] -= by_term @ theta[SIZE:]
    return Prediction(residual, slope, by_place, state, bounce_s, second_s)
