"""All flights of a session against one rig: what they say together of the cameras' numbers.

Each flight keeps its own parameters; these are eliminated, so that what is left is information on what the flights
share: changes of the rig, and means of what all balls of a session have in common (drag, lift, shading, the floor's
height, the clocks), which must not be taken for the rig's. Linear least squares with normal priors (a bundle
adjustment: Triggs et al. 2000, Bundle Adjustment - A Modern Synthesis, from memory).

With x a flight's own step, z what is shared, r its whitened residuals and s their variance,

    s^-1 |r - J x - K z|^2 + |W^(1/2) (theta + x - mean - E z)|^2

is a quadratic in x and z; its part in z alone (Schur's complement) is summed over flights.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import LENSES, Camera
from calibration.rig import VIEWS, Rig
from tracker.flight import physics
from tracker.flight.milestones import course
from tracker.flight.model import (
    CLOCK,
    SHADE,
    SIZE,
    Prediction,
    Prior,
    Rows,
    make_prior,
    make_rows,
    predict,
    usual_rebound,
)
from tracker.flight.rigterms import rig_terms
from tracker.records import Flight, Floats, Ints, Track
from tracker.settings import FlightSettings

COMMON = (physics.DRAG, physics.SLOPE, physics.LIFT, physics.LIFT_AFTER, physics.FLOOR, CLOCK, SHADE)
LATE_SHARE = 0.25  # of the widest change of side force that is thought possible
NUMBERS = ("rx", "ry", "rz", "tx", "ty", "tz", "fx", "fy", "cx", "cy")  # OpenCV's order of derivatives
TIED_S = 1e-5  # sd of one ball's clock about all balls': the same clock
CLOCK_ROUNDS = 2  # Gauss-Newton; the flights are fitted already
TURNS = ("turn_right", "turn_down", "turn_ahead")  # about the camera's own axes, radians
OTHERS = (*TURNS, "growth", "row_time_s", "time_offset_s")


@dataclass(frozen=True, eq=False)
class Arc:
    """One flight as the joint adjustment sees it.

    theta, model  its parameters (SIZE,) and the model's numbers
    rows          the sightings it kept, in order of time
    prior         on its own parameters
    scale         variance of its whitened residuals
    """

    theta: Floats
    model: Floats
    rows: Rows
    prior: Prior
    scale: float


def make_arc(track: Track, flight: Flight, settings: FlightSettings, offset_sd_s: float) -> Arc:
    """The flight and what it kept."""
    keep = np.flatnonzero(flight.kept)
    keep = keep[np.argsort(track.time_s[keep], kind="stable")]
    rows = make_rows(track.view[keep], track.time_s[keep], track.centre_px[keep], track.cov_px2[keep])
    model = np.array([flight.model[name] for name in physics.MODEL_NAMES])
    theta = np.array(flight.params[:SIZE], float)
    before = course(flight).before
    arriving = theta[3:6] if before is None else before.state[3:]
    side = float(theta[physics.SIDE])
    prior = make_prior(settings, usual_rebound(arriving, settings), offset_sd_s, LATE_SHARE * settings.late_sd, side)
    return Arc(theta, model, rows, prior, max(flight.chi2 / max(flight.dof, 1), 1.0))


def slopes(names: Sequence[str], prediction: Prediction, arc: Arc, rig: Rig) -> Floats:
    """Derivatives (n, 2, k) of an arc's whitened predictions by numbers of the rig, "left.rx" and the like.

    Besides the numbers of a rig file, OTHERS are known: turns about the camera's own axes, relative growth of the
    picture, seconds a row, seconds of clock.
    """
    out = np.zeros((len(arc.rows), 2, len(names)))
    point = prediction.state[:, :3] + [0.0, 0.0, arc.theta[SHADE]]
    for view, camera in enumerate(rig.cameras):
        mine = np.flatnonzero(arc.rows.view == view)
        wanted = [(i, name.split(".", 1)[1]) for i, name in enumerate(names) if name.startswith(VIEWS[view] + ".")]
        if len(mine) and wanted:
            table = _by_number(camera, point[mine], prediction.by_place[mine], prediction.state[mine, 3:], arc, mine)
            for i, own in wanted:
                out[mine, :, i] = table[own]
    return out


def _by_number(
    camera: Camera, point: Floats, by_place: Floats, velocity: Floats, arc: Arc, mine: Ints
) -> dict[str, Floats]:
    """Whitened derivatives (n, 2) by every number that one camera may have."""
    _, raw = camera.project_with_parameters(point)
    white = arc.rows.whiten[mine] @ raw
    table = {name: white[:, :, j] for j, name in enumerate((*NUMBERS, *LENSES[len(camera.lens.distortion)]))}
    in_camera = point @ camera.R.T + camera.translation_m
    for axis, name in zip(np.eye(3), TURNS, strict=True):
        table[name] = np.einsum("nij,nj->ni", white[:, :, 3:6], np.cross(axis, in_camera))
    table["growth"] = table["fx"] * camera.lens.matrix[0, 0] + table["fy"] * camera.lens.matrix[1, 1]
    table["time_offset_s"] = np.einsum("nij,nj->ni", by_place, velocity)
    table["row_time_s"] = table["time_offset_s"] * arc.rows.px[mine, 1:]
    return table


@dataclass(frozen=True, eq=False)
class Shared:
    """What the flights say of what they share, their own parameters eliminated.

    names   of the numbers, then the COMMON means in their order
    normal  (q, q) information; pull (q,) gradient at the present values
    cost    of all flights there: chi-squared over their scales and the priors'
    """

    names: tuple[str, ...]
    normal: Floats
    pull: Floats
    cost: float


@dataclass(frozen=True, eq=False)
class _Piece:
    """One flight's part of the normal equations: own block A, coupling B, gradient of its own."""

    A_inverse: Floats
    B: Floats
    own: Floats


def gather(
    arcs: Sequence[Arc], rig: Rig, names: tuple[str, ...], common: Floats, step_s: float
) -> tuple[Shared, list[_Piece]]:
    """The normal equations of all arcs at a rig and at common means (len(COMMON),)."""
    k, q = len(names), len(names) + len(COMMON)
    normal, pull, cost, pieces = np.zeros((q, q)), np.zeros(q), 0.0, list[_Piece]()
    E = np.zeros((SIZE, len(COMMON)))
    E[list(COMMON), np.arange(len(COMMON))] = 1.0
    for arc in arcs:
        prediction = predict(arc.theta, arc.model, arc.rows, rig.cameras, step_s)
        seen = np.isfinite(prediction.residual).all(axis=1)
        r = prediction.residual[seen].ravel()
        J = prediction.slope[seen].reshape(-1, prediction.slope.shape[2])[:, :SIZE]
        K = slopes(names, prediction, arc, rig)[seen].reshape(-1, k)
        weight = arc.prior.weight[:SIZE]
        off = arc.theta - arc.prior.mean[:SIZE] - E @ common
        A = J.T @ J / arc.scale + np.diag(np.where(arc.prior.free[:SIZE], weight, 1e30))
        B = np.hstack([J.T @ K / arc.scale, -weight[:, None] * E])
        D = np.zeros((q, q))
        D[:k, :k], D[k:, k:] = K.T @ K / arc.scale, (E.T * weight) @ E
        own = J.T @ r / arc.scale - weight * off
        shared = np.concatenate([K.T @ r / arc.scale, E.T @ (weight * off)])
        A_inverse = _inverse(A)
        normal += D - B.T @ A_inverse @ B
        pull += shared - B.T @ A_inverse @ own
        cost += float(r @ r) / arc.scale + float(weight @ off**2)
        pieces.append(_Piece(A_inverse, B, own))
    return Shared((*names, *COMMON_NAMES), normal, pull, cost), pieces


@dataclass(frozen=True, eq=False)
class Standard:
    """The shared numbers by independent standard normal ones: those of the rig, then the balls' common means.

    names   of the rig's numbers that the balls may move: all but the clocks', which are among the common means
    own     (j,) their places in rig.names; factor (k, m) of the whole covariance
    T       (j + common, m + common)
    """

    names: tuple[str, ...]
    own: list[int]
    factor: Floats
    T: Floats

    @property
    def count(self) -> int:
        """Standard numbers of the rig."""
        return int(self.factor.shape[1])


def standard(rig: Rig, common_sd: Floats) -> Standard:
    """How the rig's numbers and the common means follow from independent standard normal ones."""
    factor = rig_terms(rig, False).factor
    own = [i for i, name in enumerate(rig.names) if not name.endswith("time_offset_s")]
    count = factor.shape[1]
    T = np.zeros((len(own) + len(COMMON), count + len(COMMON)))
    T[: len(own), :count] = factor[own]
    T[len(own) :, count:] = np.diag(common_sd)
    return Standard(tuple(rig.names[i] for i in own), own, factor, T)


def common_clock(arcs: Sequence[Arc], rig: Rig, common_sd: Floats, step_s: float) -> tuple[float, float]:
    """What all flights say of the clocks' offset with its sd, whatever the rig's errors within its covariance are.

    The arcs' own offsets must be tied to the common one (make_arc with TIED_S).
    """
    by = standard(rig, common_sd)
    z, now, i = np.zeros(by.T.shape[1]), rig, by.count + COMMON.index(CLOCK)
    for _ in range(CLOCK_ROUNDS):
        shared, pieces = gather(arcs, now, by.names, common_sd * z[by.count :], step_s)
        covariance = np.linalg.inv(by.T.T @ shared.normal @ by.T + np.eye(len(z)))
        step = covariance @ (by.T.T @ shared.pull - z)
        arcs = stepped(arcs, pieces, by.T @ step)
        z = z + step
        now = rig.shifted(by.names, by.factor[by.own] @ z[: by.count])
    sd = float(common_sd[COMMON.index(CLOCK)])
    return sd * float(z[i]), sd * float(np.sqrt(covariance[i, i]))


def stepped(arcs: Sequence[Arc], pieces: Sequence[_Piece], shared_step: Floats) -> list[Arc]:
    """The arcs after a step (q,) of what they share, each with the step of its own that goes with it."""
    return [
        replace(arc, theta=arc.theta + piece.A_inverse @ (piece.own - piece.B @ shared_step))
        for arc, piece in zip(arcs, pieces, strict=True)
    ]


def _inverse(A: Floats) -> Floats:
    scale = 1 / np.sqrt(A.diagonal())
    inverse: Floats = np.linalg.inv(A * np.outer(scale, scale)) * np.outer(scale, scale)
    return inverse


def common_sd(settings: FlightSettings, offset_sd_s: float) -> Floats:
    """Prior sd (len(COMMON),) of the means that all balls of a session have in common."""
    return np.array(
        [
            settings.drag_sd,
            settings.drag_slope_sd,
            settings.lift_sd,
            settings.lift_after_sd,
            settings.floor_sd_m,
            offset_sd_s,
            settings.shade_sd_m,
        ]
    )


COMMON_NAMES = ("drag", "drag_slope", "lift", "lift_after", "floor_m", "clock_s", "shade_m")
