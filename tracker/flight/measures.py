"""The quantities of the contract, each with its one-sigma, from the fitted flight (definitions: docs/files.md).

A measure is a pure function of the states at release, gate, bounce and stumps; its sd follows from the covariance of
the fit, of the rig and of the release, to first order. To add one: a function and a line in MEASURES.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from calibration.rig import Rig
from tracker.flight.milestones import PLACES, Milestones, milestones
from tracker.records import Flight, Floats, Measure

X, Y, Z, VX, VY, VZ = range(6)


@dataclass(frozen=True, eq=False)
class At:
    """States at the milestones, each (6, ...): one flight or many at once.

    `landing` is where movement in the air is taken: the bounce, or the stumps for a full toss.
    """

    release: Floats
    gate: Floats
    before: Floats
    after: Floats
    stumps: Floats
    landing: Floats


def speed(state: Floats) -> Floats:
    """Magnitude of the velocity."""
    return np.asarray(np.sqrt(state[VX] ** 2 + state[VY] ** 2 + state[VZ] ** 2))


def azimuth_deg(state: Floats) -> Floats:
    """Horizontal direction of travel: 0 straight down the pitch, positive toward +x."""
    return np.asarray(np.degrees(np.arctan2(state[VX], -state[VY])))


def elevation_deg(state: Floats) -> Floats:
    """Upward angle of travel; negative is downward."""
    return np.asarray(np.degrees(np.arctan2(state[VZ], np.hypot(state[VX], state[VY]))))


def aside_m(start: Floats, end: Floats) -> Floats:
    """Sideways: x at `end` minus x, at the same y, of the straight plan-view line from `start` along its direction."""
    return np.asarray(end[X] - (start[X] + start[VX] / start[VY] * (end[Y] - start[Y])))


def turn_deg(before: Floats, after: Floats) -> Floats:
    """Change of azimuth, within half a turn."""
    return np.asarray((azimuth_deg(after) - azimuth_deg(before) + 180.0) % 360.0 - 180.0)


@dataclass(frozen=True)
class Quantity:
    """Unit, the places it needs, how it is made, and the sd beyond which it is of no use."""

    unit: str
    needs: tuple[str, ...]
    of: Callable[[At], Floats]
    useful_sd: float


MEASURES: dict[str, Quantity] = {
    "release_speed_mps": Quantity("m/s", ("release",), lambda at: speed(at.release), 2.0),
    "release_x_m": Quantity("m", ("release",), lambda at: at.release[X], 0.5),
    "release_y_m": Quantity("m", ("release",), lambda at: at.release[Y], 1.0),
    "release_z_m": Quantity("m", ("release",), lambda at: at.release[Z], 0.5),
    "release_azimuth_deg": Quantity("deg", ("release",), lambda at: azimuth_deg(at.release), 2.0),
    "release_elevation_deg": Quantity("deg", ("release",), lambda at: elevation_deg(at.release), 2.0),
    "gate_x_m": Quantity("m", ("gate",), lambda at: at.gate[X], 0.5),
    "gate_z_m": Quantity("m", ("gate",), lambda at: at.gate[Z], 0.5),
    "gate_speed_mps": Quantity("m/s", ("gate",), lambda at: speed(at.gate), 2.0),
    "bounce_x_m": Quantity("m", ("before",), lambda at: at.before[X], 0.3),
    "bounce_y_m": Quantity("m", ("before",), lambda at: at.before[Y], 0.5),
    "speed_at_bounce_mps": Quantity("m/s", ("before",), lambda at: speed(at.before), 2.0),
    "speed_off_bounce_mps": Quantity("m/s", ("after",), lambda at: speed(at.after), 2.0),
    "swing_m": Quantity("m", ("release", "landing"), lambda at: aside_m(at.release, at.landing), 0.2),
    "deviation_deg": Quantity("deg", ("before", "after"), lambda at: turn_deg(at.before, at.after), 0.5),
    "deviation_m": Quantity("m", ("before", "after", "stumps"), lambda at: aside_m(at.before, at.stumps), 0.1),
    "stumps_x_m": Quantity("m", ("stumps",), lambda at: at.stumps[X], 0.15),
    "stumps_z_m": Quantity("m", ("stumps",), lambda at: at.stumps[Z], 0.15),
}
UNSEEN = {
    "release": "the path does not lead back to the bowling crease",
    "gate": "the path does not cross the gate",
    "before": "it did not bounce",
    "after": "it was not seen after the bounce",
    "stumps": "it bounced again before the stumps",
    "landing": "the path does not lead to the stumps",
}


@dataclass(frozen=True, eq=False)
class Measured:
    """What a flight gives.

    measures  by name; those that could not be had are absent
    missing   name: why
    kind      "bounce" or "full_toss"
    stumps_projected  whether the ball was carried on to y = 0 by the model
    release_s  the instant of release on the clip's clock; NaN: none
    """

    measures: Mapping[str, Measure]
    missing: Mapping[str, str]
    kind: str
    stumps_projected: bool
    release_s: float


def measure(flight: Flight, rig: Rig) -> dict[str, Measure]:
    """Every quantity that the flight gives, by the contract's column."""
    return dict(assess(flight, rig).measures)


def assess(flight: Flight, rig: Rig) -> Measured:
    """Every quantity that the flight gives, and why the others are missing."""
    found = milestones(flight, rig)
    place = PLACES.index
    unseen = dict(UNSEEN)
    pitched = bool(np.isfinite(found.time_s[place("before")]))
    known = {name for name in PLACES if np.isfinite(found.time_s[place(name)])}
    if pitched and not flight.model.get("after_sightings", 1.0):
        known -= {"after", "stumps"}
        unseen["stumps"] = UNSEEN["after"]
    if "before" in known or (not pitched and "stumps" in known):
        known.add("landing")
    values, sds = evaluate(found, pitched)
    measures, missing = {}, {}
    for name, quantity in MEASURES.items():
        lacking = [need for need in quantity.needs if need not in known]
        if lacking:
            missing[name] = unseen[lacking[0]]
        elif not sds[name] <= quantity.useful_sd:
            missing[name] = f"its doubt of {sds[name]:.2g} {quantity.unit} is too large to be of use"
        else:
            measures[name] = Measure(values[name], sds[name], quantity.unit)
    crossed_s = found.time_s[place("stumps")]
    projected = not (crossed_s <= flight.end_s)
    kind = "bounce" if pitched else "full_toss"
    return Measured(measures, missing, kind, projected, float(found.time_s[place("release")]))


def evaluate(found: Milestones, pitched: bool) -> tuple[dict[str, float], dict[str, float]]:
    """Value and sd of every quantity by name, NaN where a milestone is missing.

    Slopes by the thirty numbers of the milestones are central differences of all of them at once.
    """
    n = found.state.size
    step = 1e-6
    moves = np.concatenate([np.zeros((n, 1)), step * np.eye(n), -step * np.eye(n)], axis=1)
    many = (found.state.reshape(n, 1) + moves).reshape(len(PLACES), 6, 2 * n + 1)
    states = dict(zip(PLACES, many, strict=True))
    at = At(**states, landing=states["before"] if pitched else states["stumps"])
    slope = found.slope.reshape(n, -1)
    values, sds = {}, {}
    for name, quantity in MEASURES.items():
        result = quantity.of(at)
        by_state = (result[1 : n + 1] - result[n + 1 :]) / (2 * step)
        gradient = np.where(np.isfinite(by_state), by_state, 0.0) @ slope
        values[name] = float(result[0])
        sds[name] = math.sqrt(max(float(gradient @ found.cov @ gradient), 0.0))
    return values, sds
