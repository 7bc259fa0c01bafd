"""A script played out: every delivery's true flight, the other balls and the people, on one clock."""

import math
from dataclasses import dataclass, replace

import numpy as np

from calibration.lane import PITCH_LENGTH_M
from tracker.records import Air, Ball
from tracker.simulation.body import DARK_SHIRT, SHIRT
from tracker.simulation.bowling import Bowled, Bowler, draw, with_arm
from tracker.simulation.extras import EXTRAS, Extra
from tracker.simulation.figures import Striker
from tracker.simulation.render import Action, BallShown, Figure
from tracker.simulation.runner import Runner
from tracker.simulation.scenes import Script, bowled, lasting_s, side_force_after
from tracker.simulation.truth import Flown, deliver
from tracker.simulation.world import Hit

STAYS_S = 12.0  # a bowled ball lies about for so long


@dataclass(frozen=True, eq=False)
class Staged:
    """What happens in one clip.

    flown   each delivery's truth, in order; shown: its ball, carried by the arm first where somebody bowls it
    log     one row a delivery, the log's columns
    action  everything that moves; lasting_s: the clip's length
    """

    flown: tuple[Flown, ...]
    shown: tuple[BallShown, ...]
    log: tuple[dict[str, str], ...]
    action: Action
    lasting_s: float


def stage(
    script: Script,
    deliveries: int,
    rng: np.random.Generator,
    *,
    ball: Ball | None = None,
    air: Air | None = None,
    pitch_length_m: float = PITCH_LENGTH_M,
) -> Staged:
    """Play a script with this many deliveries."""
    ball, air = ball or Ball(colour=script.colour_word), air or Air()
    flown, shown, log, figures = [], [], [], []
    strokes: dict[str, list[list[float]]] = {"right": [], "left": []}
    for i in range(bowled(script, deliveries)):
        bowler, hand, side = script.bowler(i), script.hand(i), script.side(i)
        release_s = script.lead_s + i * script.spacing_s + rng.uniform(0, 0.4)
        made = _draw(script, bowler, hand, side, release_s, ball, air, pitch_length_m, rng)
        one = _meet(script, made, hand, ball, air, pitch_length_m, rng)
        flown.append(one)
        strokes[hand].append(_stroke(one, rng))
        armed, run_mps = script.feed != "machine", bowler.run_mps if script.feed == "bowled" else 1.0
        path = with_arm(one.path, one.throw, run_mps, _lean(bowler)) if armed else one.path
        shown.append(BallShown(path, ball.radius_m, script.ball_colour, i + 1, _seam(rng)))
        if armed:
            shirt = DARK_SHIRT if bowler.arm == "left" else SHIRT
            figures.append(Runner(one.throw, bowler.arm, run_mps, _lean(bowler), shirt))
        log.append(_row(script, i + 1, bowler, hand, side))
    lasting = lasting_s(script, deliveries)
    people: list[Figure] = [*figures, *_batters(script, strokes, flown)]
    extra = Extra(tuple(flown), lasting, ball, air, script.ball_colour, pitch_length_m)
    balls = list(shown)
    for name in script.extras:
        more_balls, more_people = EXTRAS[name](extra, rng)
        balls += more_balls
        people += more_people
    return Staged(tuple(flown), tuple(shown), tuple(log), Action(tuple(balls), tuple(people)), lasting)


def _lean(bowler: Bowler) -> float:
    return -0.15 if bowler.arm == "right" else 0.15


def _seam(rng: np.random.Generator) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in np.array([0.94, 0.30, 0.15]) + rng.normal(0, 0.15, 3))
    return x, y, z


def _draw(
    script: Script,
    bowler: Bowler,
    hand: str,
    side: str,
    release_s: float,
    ball: Ball,
    air: Air,
    pitch_length_m: float,
    rng: np.random.Generator,
) -> Bowled:
    length = None if script.lengths_m is None else float(rng.uniform(*script.lengths_m))
    if rng.random() < script.full_tosses:
        length = -3.0  # would pitch behind the stumps
    made = draw(
        bowler, rng, release_s=release_s, hand=hand, side=side, ball=ball, air=air,
        pitch_length_m=pitch_length_m, length_m=length,
    )  # fmt: skip
    ground = replace(made.ground, floor_m=script.floor_m)
    if script.restitution is not None:
        ground = replace(ground, restitution=float(rng.uniform(*script.restitution)) + 7 * ground.restitution_slope)
    forces = replace(made.forces, side_after=side_force_after(script, made.forces.side_after))
    return Bowled(made.throw, forces, ground)


def _meet(
    script: Script, made: Bowled, hand: str, ball: Ball, air: Air, pitch_length_m: float, rng: np.random.Generator
) -> Flown:
    """The flight, hit where the script says so."""
    off = 1.0 if hand == "right" else -1.0
    away = np.array([off * rng.uniform(-8, 10), rng.uniform(8, 24), rng.uniform(-1, 9)])
    hit = None
    chance = rng.random()
    if script.bat == "early":
        hit = Hit(away, after_bounce_m=0.5)
    elif script.bat == "mixed" and chance < 0.45:
        hit = Hit(away, y_m=float(rng.uniform(1.3, 2.2)))
    return deliver(
        made.throw, made.forces, made.ground, ball, air, hit=hit, pitch_length_m=pitch_length_m, lasting_s=STAYS_S
    )


def _stroke(flown: Flown, rng: np.random.Generator) -> list[float]:
    """Where the bat meets the ball, or just misses it."""
    bat = flown.path.first("bat")
    if bat is not None:
        return [bat.time_s, *(float(v) for v in bat.before[:3])]
    when = flown.end_s - 0.05
    place = flown.free.position_m(np.array([when]))[0]
    beside = math.copysign(0.16, rng.normal())
    return [when, float(place[0] + beside), float(max(place[1], 1.2)), float(min(place[2], 1.0))]


@dataclass(frozen=True, eq=False)
class _Turn:
    """A batter who is there from start_s to stop_s."""

    striker: Striker
    start_s: float
    stop_s: float

    def limbs(self, time_s: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        if not self.start_s <= time_s < self.stop_s:
            return np.zeros((0, 9))
        return self.striker.limbs(time_s)


def _batters(script: Script, strokes: dict[str, list[list[float]]], flown: list[Flown]) -> list[Figure]:
    """Batters of either hand take turns; they change over half-way between two deliveries."""
    if script.bat == "none":
        return []
    meets = sorted((row[0], hand) for hand, rows in strokes.items() for row in rows)
    if not meets:
        return [Striker("right", np.zeros((0, 4)))]
    out: list[Figure] = []
    start = -math.inf
    for k, (when, hand) in enumerate(meets):
        last = k + 1 == len(meets)
        if not last and meets[k + 1][1] == hand:
            continue
        stop = math.inf if last else (when + meets[k + 1][0]) / 2
        out.append(_Turn(Striker(hand, np.array(strokes[hand])), start, stop))
        start = stop
    return out


def _row(script: Script, number: int, bowler: Bowler, hand: str, side: str) -> dict[str, str]:
    return {
        "delivery": str(number),
        "bowler": "" if script.feed == "machine" else bowler.name,
        "arm": "" if script.feed == "machine" else bowler.arm,
        "batter_hand": "" if script.bat == "none" else hand,
        "side": side,
        "clip": "1",
        "ball_type": script.colour_word,
        "style": bowler.style,
        "feed": script.feed,
        "note": "invented",
    }
