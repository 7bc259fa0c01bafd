"""Where the flight passes release, gate, bounce and stumps: states there, with derivatives by every parameter.

Derivatives are those of the event: where an instant is defined by the path itself (crossing a plane, touching the
floor), a change of parameters also changes the instant (equation F17).
"""

from dataclasses import dataclass

import numpy as np

from calibration.lane import RELEASE_PLANE_SD_M, gate_y_m, release_plane_y_m
from calibration.rig import Rig
from tracker.flight import physics
from tracker.flight.model import SIZE
from tracker.records import Flight, Floats

PLACES = ("release", "gate", "before", "after", "stumps")
RELEASE = SIZE  # one more parameter: the instant of release where seen, else the doubt of its plane
EARLY = SIZE + 1  # and one: by how much the side force was another one before the ball was first seen, standard normal
NUMBERS = SIZE + 2
EARLY_SIDE_PER_M = 0.017  # sd of that, of the side coefficient, for each metre flown unseen: swing sets in within some
_STEP_S = 0.0085
_FARTHEST_S = 3.0
SURELY = 3.0  # sds


@dataclass(frozen=True, eq=False)
class Milestones:
    """States at PLACES.

    time_s  (5,)
    state   (5, 6) metres and m/s; NaN: the flight does not get there
    slope   (5, 6, NUMBERS) derivatives by the flight's parameters, the release and the side force before the start
    cov     (NUMBERS, NUMBERS) of those, the rig's share included
    """

    time_s: Floats
    state: Floats
    slope: Floats
    cov: Floats


@dataclass(frozen=True, eq=False)
class Passage:
    """The ball at an instant: state (6,), derivatives (6, COUNT) at that event, time."""

    time_s: float
    state: Floats
    slope: Floats


class Course:
    """A flight that can be asked for any instant or crossing.

    Parameters
    ----------
    params : (SIZE,) or (COUNT,)
    model : numbers by physics.MODEL_NAMES
    """

    def __init__(self, params: Floats, model: Floats) -> None:
        self.params, self.model = params, model
        self.q = np.ascontiguousarray(params[: physics.COUNT])
        self._start = physics.launch(self.q)
        self.before: Passage | None = None
        self.after: Passage | None = None
        if model[physics.BOUNCES] > 0:
            self._bounce()

    def _bounce(self) -> None:
        ahead = np.arange(self.model[physics.START], self.model[physics.START] + _FARTHEST_S, 0.02)
        guess = physics.trace(self.q, self.model, ahead, _STEP_S)[2]
        if not np.isfinite(guess):
            return
        x, s = self._at(guess, False)
        t, by_q = physics.land(x, s, guess, self.q, self.model, False, _STEP_S)
        self.before = Passage(t, x.copy(), self._moved(x, s, t, by_q, False))
        physics.rebound(x, s, t, by_q, self.q, self.model)
        self._second_start = x.copy(), s.copy()
        self.after = Passage(t, x, self._moved(x, s, t, by_q, True))

    def _at(self, t: float, second: bool) -> tuple[Floats, Floats]:
        if second and self.after is not None:
            (x, s), start = self._second_start, self.after.time_s
        else:
            (x, s), start = self._start, float(self.model[physics.START])
        x, s = x.copy(), s.copy()
        physics.fly(x, s, start, t, self.q, self.model, second, _STEP_S)
        return x, s

    def _moved(self, x: Floats, s: Floats, t: float, by_q: Floats, second: bool) -> Floats:
        """Derivatives at an event whose instant has derivative `by_q`."""
        slope: Floats = s + np.outer(physics.derivative(x, t, self.q, self.model, second), by_q)
        return slope

    def at(self, t: float) -> Passage:
        """The ball at an instant; before the start the first arc is carried back."""
        second = self.after is not None and t > self.after.time_s
        x, s = self._at(t, second)
        return Passage(t, x, s)

    def rate(self, passage: Passage) -> Floats:
        """Velocity and acceleration (6,) there."""
        second = self.after is not None and passage.time_s > self.after.time_s
        return physics.derivative(passage.state, passage.time_s, self.q, self.model, second)

    def crossing(self, y_m: float, second: bool) -> Passage | None:
        """Where an arc, carried as far as need be, crosses the plane y = y_m; None: it does not within 3 s."""
        t = self.after.time_s if second and self.after is not None else float(self.model[physics.START])
        t0 = t
        for _ in range(30):
            x, s = self._at(t, second)
            if abs(x[4]) < 1e-3:
                return None
            dt = (y_m - x[1]) / x[4]
            if abs(dt) < 1e-10:
                return Passage(t, x, self._moved(x, s, t, -s[1] / x[4], second))
            t += float(np.clip(dt, -0.3, 0.3))
            if abs(t - t0) > _FARTHEST_S:
                return None
        return None


def course(flight: Flight) -> Course:
    """The fitted flight."""
    return Course(flight.params, np.array([flight.model[name] for name in physics.MODEL_NAMES]))


def seen_too_late(flight: Flight, pitch_length_m: float) -> bool:
    """Whether the first arc, carried back, surely comes out of the ground: the ball had pitched before it was seen."""
    path = course(flight)
    release = path.crossing(release_plane_y_m(pitch_length_m), False)
    if release is None:
        return False
    by_path, cov = release.slope[2], (flight.cov + flight.rig_cov)[: physics.COUNT, : physics.COUNT]
    highest_m = release.state[2] + SURELY * np.sqrt(by_path @ cov @ by_path)
    return bool(highest_m < path.q[physics.FLOOR] + path.model[physics.RADIUS])


def path_states(flight: Flight, time_s: Floats) -> Floats:
    """The fitted ball's state (n, 6) at times (n,) on the clip's clock, for drawing and for predicting pixels."""
    model = np.array([flight.model[name] for name in physics.MODEL_NAMES])
    order = np.argsort(time_s, kind="stable")
    out = np.empty((len(time_s), 6))
    out[order] = physics.trace(flight.params[: physics.COUNT], model, np.asarray(time_s, float)[order], _STEP_S)[0]
    return out


def milestones(flight: Flight, rig: Rig) -> Milestones:
    """The flight's milestones."""
    release_sd_s = flight.release_s_sd if flight.release_seen else None
    cov = with_release(flight.cov + flight.rig_cov, release_sd_s, flight.model.get("side_changes", 1.0))
    release_s = flight.release_s if flight.release_seen else None
    path = course(flight)
    time_s, state, slope = places(path, rig.pitch_length_m, release_s)
    return Milestones(time_s, state, slope, cov)


def with_release(cov: Floats, release_sd_s: float | None, changes: float) -> Floats:
    """The covariance (NUMBERS, NUMBERS) from that of the flight's parameters (SIZE, SIZE); None: release unseen.

    `changes` is how likely the side force is to change along the flight.
    """
    whole = np.zeros((NUMBERS, NUMBERS))
    whole[:SIZE, :SIZE] = cov
    whole[RELEASE, RELEASE] = RELEASE_PLANE_SD_M**2 if release_sd_s is None else release_sd_s**2
    whole[EARLY, EARLY] = changes
    return whole


def places(path: Course, pitch_length_m: float, release_s: float | None) -> tuple[Floats, Floats, Floats]:
    """Times (5,), states (5, 6) and derivatives (5, 6, NUMBERS) at PLACES; `release_s` None: at its usual plane."""
    pitched = path.before is not None and path.before.state[1] > 0
    found: dict[str, Passage | None] = {
        "gate": path.crossing(gate_y_m(pitch_length_m), False),
        "before": path.before if pitched else None,
        "after": path.after if pitched else None,
        "stumps": path.crossing(0.0, pitched),
    }
    stumps = found["stumps"]
    if pitched and stumps is not None and stumps.state[2] < path.q[physics.FLOOR] + path.model[physics.RADIUS]:
        found["stumps"] = None  # it comes down again first
    release = path.crossing(release_plane_y_m(pitch_length_m), False) if release_s is None else path.at(release_s)
    found["release"] = release
    time_s, state = np.full(len(PLACES), np.nan), np.full((len(PLACES), 6), np.nan)
    slope = np.zeros((len(PLACES), 6, NUMBERS))
    for i, place in enumerate(PLACES):
        passage = found[place]
        if passage is not None:
            time_s[i], state[i], slope[i, :, : physics.COUNT] = passage.time_s, passage.state, passage.slope
            slope[i, :, EARLY] = _by_early_side(path, passage)
    if release is not None:
        per_second = path.rate(release)
        slope[0, :, RELEASE] = per_second if release_s is not None else per_second / release.state[4]
    return time_s, state, slope


def _by_early_side(path: Course, passage: Passage) -> Floats:
    """What an sd of another side force before the first sighting does to a state (6,) carried back to before it."""
    early_s = float(path.model[physics.START]) - passage.time_s
    if early_s <= 0:
        return np.zeros(6)
    vx, vy, vz = passage.state[3:]
    speed = float(np.linalg.norm((vx, vy, vz)))
    left = np.array([-vy, vx, 0.0]) / np.hypot(vx, vy)
    push = EARLY_SIDE_PER_M * speed * early_s * path.model[physics.K] * speed**2 * left
    return np.concatenate([0.5 * push * early_s**2, -push * early_s])
