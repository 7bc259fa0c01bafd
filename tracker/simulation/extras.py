"""Balls and people beside the deliveries: what a run must not report, and what gets in the way."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tracker.records import Air, Ball, Floats
from tracker.simulation.bowling import BOWLERS, draw, with_arm
from tracker.simulation.figures import Walker
from tracker.simulation.render import BallShown, Figure
from tracker.simulation.runner import Runner
from tracker.simulation.surfaces import LANE_SPACING_M
from tracker.simulation.truth import Flown, deliver
from tracker.simulation.world import Forces, Ground, Nets, Path, Throw, fly, rolling

Made = tuple[list[BallShown], list[Figure]]


@dataclass(frozen=True, eq=False)
class Extra:
    """What an extra may know: the deliveries, the clip's length, ball and air."""

    flown: tuple[Flown, ...]
    lasting_s: float
    ball: Ball
    air: Air
    colour: str
    pitch_length_m: float


def thrown(extra: Extra, throw: Throw, lasting_s: float, nets: Nets | None = None) -> BallShown:
    """A ball thrown by hand that vanishes into a glove after lasting_s."""
    path = fly(throw, Forces(), Ground(), extra.ball, extra.air, nets=nets, lasting_s=lasting_s)
    stop = min(path.ends_s[-1], throw.release_s + lasting_s)
    ends = tuple(min(e, stop) for e in path.ends_s)
    return BallShown(Path(path.start_s, ends, path.arcs, path.contacts), extra.ball.radius_m, extra.colour)


def throw_backs(extra: Extra, rng: np.random.Generator) -> Made:
    """Each ball comes back from the striker's end, 2.6 s after it was bowled, in an arc with a bounce or none."""
    balls = []
    for one in extra.flown:
        start = np.array([rng.uniform(-0.6, 0.6), rng.uniform(0.5, 2.5), rng.uniform(1.2, 1.7)])
        velocity = np.array([rng.normal(0, 0.4), rng.uniform(12.0, 18.0), rng.uniform(2.0, 5.5)])
        throw = Throw(one.throw.release_s + 2.6 + rng.uniform(0, 0.5), start, velocity)
        balls.append(thrown(extra, throw, float((extra.pitch_length_m - 1.5 - start[1]) / velocity[1] * 1.1)))
    return balls, []


def roll_backs(extra: Extra, rng: np.random.Generator) -> Made:
    """Each ball is rolled back along the floor."""
    balls = []
    for one in extra.flown:
        start_s = one.throw.release_s + 2.6 + rng.uniform(0, 0.5)
        start = np.array([rng.uniform(-0.5, 0.5), 1.5, extra.ball.radius_m])
        velocity = np.array([rng.normal(0, 0.15), rng.uniform(5.0, 7.5), 0.0])
        arc, still_s = rolling(np.concatenate([start, velocity]), start_s)
        path = Path(start_s, (min(still_s, start_s + 4.0),), (arc,))
        balls.append(BallShown(path, extra.ball.radius_m, extra.colour))
    return balls, []


def underarms(extra: Extra, rng: np.random.Generator) -> Made:
    """A slow lob from half-way down the lane to the striker, between deliveries: nobody bowled it."""
    balls = []
    for one in extra.flown:
        start = np.array([rng.uniform(-0.4, 0.4), rng.uniform(8.0, 10.0), 0.9])
        velocity = np.array([rng.normal(0, 0.2), -rng.uniform(7.0, 8.5), rng.uniform(3.0, 4.0)])
        balls.append(thrown(extra, Throw(one.throw.release_s + 3.6, start, velocity), 1.3, Nets()))
    return balls, []


def lobs(extra: Extra, rng: np.random.Generator) -> Made:
    """During each flight a second ball is tossed up near the striker's end, beside or across the flight's picture."""
    balls = []
    for one in extra.flown:
        start = np.array([rng.choice([-1.2, 1.2]), rng.uniform(2.0, 7.0), rng.uniform(0.8, 1.4)])
        velocity = np.array([-np.sign(start[0]) * rng.uniform(1.5, 3.5), rng.normal(0, 1.5), rng.uniform(1.5, 4.5)])
        balls.append(thrown(extra, Throw(one.throw.release_s + rng.uniform(-0.1, 0.25), start, velocity), 1.0, Nets()))
    return balls, []


def across(extra: Extra, rng: np.random.Generator) -> Made:
    """Behind the striker's nets a ball is thrown across during each flight."""
    balls = []
    for one in extra.flown:
        way = rng.choice([-1.0, 1.0])
        start = np.array([-4.0 * way, rng.uniform(-6.0, -4.0), 1.6])
        velocity = np.array([way * rng.uniform(9.0, 14.0), rng.normal(0, 0.5), rng.uniform(1.0, 3.0)])
        balls.append(thrown(extra, Throw(one.throw.release_s + rng.uniform(0.0, 0.2), start, velocity), 0.8))
    return balls, []


def floor_balls(extra: Extra, rng: np.random.Generator) -> Made:
    """Balls that lie on the lane and beside it all the time."""
    balls = []
    for _ in range(5):
        place = np.array([rng.uniform(-1.4, 1.4), rng.uniform(0.0, 15.0), extra.ball.radius_m])
        arc, _ = rolling(np.concatenate([place, np.zeros(3)]), -10.0)
        balls.append(BallShown(Path(-10.0, (extra.lasting_s + 10.0,), (arc,)), extra.ball.radius_m, extra.colour))
    return balls, []


def other_lane(extra: Extra, rng: np.random.Generator) -> Made:
    """Someone bowls on the next lane, about when someone bowls here."""
    balls: list[BallShown] = []
    people: list[Figure] = []
    for one in extra.flown:
        release_s = one.throw.release_s + rng.uniform(-0.4, 0.4)
        made = draw(BOWLERS["pace"], rng, release_s=release_s, pitch_length_m=extra.pitch_length_m)
        there = deliver(made.throw, made.forces, made.ground, extra.ball, extra.air, lasting_s=3.0)
        path = moved(with_arm(there.path, made.throw, 5.5, -0.15), -LANE_SPACING_M)
        balls.append(BallShown(path, extra.ball.radius_m, extra.colour))
        step = np.array([-LANE_SPACING_M, 0.0, 0.0])
        throw = Throw(release_s, made.throw.release_m + step, made.throw.velocity_mps, made.throw.spin_radps)
        people.append(Runner(throw, "right", 5.5, -0.15, until_s=1.8))
    return balls, people


def moved(path: Path, x_m: float) -> Path:
    """The same path, shifted sideways."""
    step = np.array([x_m, 0, 0, 0, 0, 0.0])

    def shifted(arc: Callable[[Floats], Floats]) -> Callable[[Floats], Floats]:
        return lambda time_s: arc(time_s) + step

    return Path(path.start_s, path.ends_s, tuple(shifted(a) for a in path.arcs), path.contacts)


def walkers(extra: Extra, rng: np.random.Generator) -> Made:
    """People who walk behind the striker's net, on the next lane and behind the bowler."""
    people: list[Figure] = []
    for i in range(2 + int(extra.lasting_s / 8)):
        way = rng.choice([-1.0, 1.0])
        kind = i % 3
        if kind == 0:
            line = np.array([[-7.0 * way, -5.5, 0.0], [9.0 * way, -5.0, 0.0]])
        elif kind == 1:
            x = -LANE_SPACING_M + rng.uniform(-1.0, 1.0)
            line = np.array([[x, 10 - 9.0 * way, 0.0], [x + 0.5, 10 + 9.0 * way, 0.0]])
        else:
            line = np.array([[-6.0 * way, 26.5, 0.0], [8.0 * way, 27.5, 0.0]])
        people.append(
            Walker(
                line, float(rng.uniform(-4.0, extra.lasting_s)), float(rng.uniform(1.0, 1.7)), int(rng.choice([1, 8]))
            )
        )
    return [], people


EXTRAS: dict[str, Callable[[Extra, np.random.Generator], Made]] = {
    "throw_back": throw_backs,
    "roll_back": roll_backs,
    "underarm": underarms,
    "lob": lobs,
    "across": across,
    "floor_balls": floor_balls,
    "other_lane": other_lane,
    "walkers": walkers,
}
