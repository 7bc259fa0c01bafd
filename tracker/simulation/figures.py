"""People: the bowler who runs in, the batter, passers-by. Limbs are capsules; joints follow in `body`.

A figure is asked for its limbs at an instant: rows of ax ay az bx by bz radius_a radius_b colour, lane frame, metres.
Scenery: nothing here is measured, but the bowling hand carries the ball exactly along `bowling.with_arm`'s circle.
"""

import math
from dataclasses import dataclass

import numpy as np

from tracker.records import Floats
from tracker.simulation.body import BAT, DARK_SHIRT, HAIR, HELMET, PAD, SHIRT, SKIN, TROUSERS, body

COLOURS_RGB = np.array(  # linear reflectance
    [
        [0.42, 0.24, 0.16],
        [0.55, 0.57, 0.60],
        [0.05, 0.06, 0.10],
        [0.50, 0.50, 0.48],
        [0.72, 0.71, 0.66],
        [0.02, 0.04, 0.12],
        [0.56, 0.42, 0.24],
        [0.03, 0.02, 0.015],
        [0.20, 0.03, 0.05],
    ]
)


def at(x_m: float, y_m: float, z_m: float) -> Floats:
    """A point or a step in the lane frame (3,)."""
    return np.array([x_m, y_m, z_m], float)


@dataclass(frozen=True, eq=False)
class Posture:
    """Where a body is: hip, neck, the direction it faces (level, unit), feet and hands (left, right)."""

    hip: Floats
    neck: Floats
    facing: Floats
    feet: tuple[Floats, Floats]
    hands: tuple[Floats, Floats]


def limbs(
    posture: Posture, shirt: int = SHIRT, trousers: int = TROUSERS, shin: int = TROUSERS, head: int = SKIN
) -> Floats:
    """Capsules of a body (n, 9)."""
    p = posture
    return body(p.hip, p.neck, p.facing, np.array(p.feet), np.array(p.hands), shirt, trousers, shin, head)


def ease(t: float, start: float, stop: float) -> float:
    """A smooth step from 0 at start to 1 at stop."""
    k = min(max((t - start) / (stop - start), 0.0), 1.0)
    return k * k * (3 - 2 * k)


def stride(ground_m: Floats, ahead: Floats, left: Floats, turn: float, length_m: float) -> tuple[Floats, Floats]:
    """Feet of someone who walks or runs, at an angle of the stride's cycle."""
    feet = []
    for side in (1.0, -1.0):
        along, lift = side * length_m * math.cos(turn), 0.45 * length_m * max(side * -math.sin(turn), 0.0)
        feet.append(ground_m + along * ahead + side * 0.10 * left + at(0.0, 0.0, lift))
    return feet[0], feet[1]


@dataclass(frozen=True, eq=False)
class Walker:
    """Someone who walks along a line of points (n, 3) at a steady pace from start_s on, then stands."""

    points_m: Floats
    start_s: float
    pace_mps: float = 1.4
    shirt: int = DARK_SHIRT

    def limbs(self, time_s: float) -> Floats:
        """Capsules at a time."""
        legs = np.diff(self.points_m, axis=0)
        far = np.concatenate([[0.0], np.cumsum(np.linalg.norm(legs, axis=1))])
        gone = min(max(self.pace_mps * (time_s - self.start_s), 0.0), far[-1] - 1e-6)
        i = int(np.searchsorted(far, gone, side="right")) - 1
        ahead = legs[i] / np.linalg.norm(legs[i])
        here = self.points_m[i] + (gone - far[i]) * ahead
        still = gone <= 0 or gone >= far[-1] - 1e-5
        turn = gone * 2 * math.pi / 1.45
        return limbs(walking(here, ahead, 0.0 if still else 0.34, turn), self.shirt)


def walking(ground_m: Floats, ahead: Floats, step_m: float, turn: float) -> Posture:
    """Someone walking or, with no step, standing."""
    left = at(-ahead[1], ahead[0], 0.0)
    hip = ground_m + at(0.0, 0.0, 0.93 - 0.1 * step_m**2)
    neck = hip + 0.52 * at(0.0, 0.0, 1.0) + 0.04 * ahead
    feet = stride(ground_m, ahead, left, turn, step_m)
    swing = 0.8 * step_m * math.cos(turn)
    hands = tuple(
        neck + side * 0.25 * left - side * swing * ahead + at(0.0, 0.0, -0.58 + 0.1 * abs(swing))
        for side in (1.0, -1.0)
    )
    return Posture(hip, neck, ahead, feet, (hands[0], hands[1]))


@dataclass(frozen=True, eq=False)
class Striker:
    """The batter, in the stance, who plays at each ball.

    hand     "right" or "left"
    strokes  rows of time, x, y, z: when and where the bat meets, or just misses, the ball
    """

    hand: str
    strokes: Floats

    def limbs(self, time_s: float) -> Floats:
        """Capsules at a time, with the bat."""
        off = 1.0 if self.hand == "right" else -1.0
        facing = at(off, 0.0, 0.0)
        meet_s, target = 1e9, at(0.1 * off, 1.6, 0.7)
        if len(self.strokes):
            stroke = self.strokes[int(np.argmin(np.abs(self.strokes[:, 0] - time_s)))]
            meet_s, target = float(stroke[0]), stroke[1:]
        t = time_s - meet_s
        go = ease(t, -0.55, -0.08) * (1 - ease(t, 1.0, 2.2))
        sway = 0.01 * math.sin(2.3 * time_s)
        stance = at(-0.42 * off, 1.10, 0.0)
        reach = np.clip(target[1] - 0.45, 0.7, 6.0)
        move = go * at(0.5 * (target[0] - 0.30 * off - stance[0]), reach - stance[1], 0.0)
        hip = stance + move + at(sway, 0.0, 0.84)
        neck = hip + at(0.16 * off, 0.10 + 0.06 * go, 0.46)
        front = stance + at(0.0, 0.26, 0.0) + move * 1.0 + go * at(0.05 * off, 0.22, 0.0)
        back = stance + at(0.0, -0.24, 0.0) + move * 0.75
        hands, toe = _bat(t, off, stance + move, target)
        grip = (hands + 0.04 * (toe - hands), hands - 0.06 * (toe - hands))
        feet = (front, back) if off > 0 else (back, front)
        body = limbs(Posture(hip, neck, facing, feet, grip), SHIRT, PAD, PAD, HELMET)
        down = (toe - hands) / np.linalg.norm(toe - hands)
        handle, blade = hands + 0.16 * down, hands + 0.30 * down
        bat = [
            [*hands, *handle, 0.02, 0.02, HAIR],
            [*handle, *blade, 0.03, 0.05, BAT],
            [*blade, *toe, 0.054, 0.054, BAT],
        ]
        return np.vstack([body, np.array(bat)])


def _bat(t: float, off: float, root: Floats, target: Floats) -> tuple[Floats, Floats]:
    """Hands and toe of the bat, t seconds after it meets the target."""
    rest_hands, rest_toe = root + at(0.02 * off, 0.02, 0.72), root + at(0.22 * off, -0.20, 0.03)
    high_hands, high_toe = root + at(0.10 * off, -0.25, 1.15), root + at(0.05 * off, -0.75, 1.55)
    length = 0.84
    low = max(target[2], 0.12)
    meet_hands = at(target[0] - 0.10 * off, target[1] - 0.06, low + 0.45)
    meet_toe = meet_hands + length * at(0.12 * off, 0.06, -1.0) / 1.01
    end_hands, end_toe = root + at(0.15 * off, 0.45, 1.45), root + at(-0.1 * off, 0.95, 1.95)
    lift, swing, through, back = ease(t, -0.60, -0.28), ease(t, -0.20, 0.0), ease(t, 0.0, 0.22), ease(t, 0.9, 1.8)
    hands, toe = rest_hands, rest_toe
    for k, to_hands, to_toe in (
        (lift, high_hands, high_toe),
        (swing, meet_hands, meet_toe),
        (through, end_hands, end_toe),
    ):
        hands, toe = hands + k * (to_hands - hands), toe + k * (to_toe - toe)
    hands, toe = hands + back * (rest_hands - hands), toe + back * (rest_toe - toe)
    down = (toe - hands) / np.linalg.norm(toe - hands)
    toe = hands + length * down
    if toe[2] < 0.02:
        hands = hands + at(0.0, 0.0, 0.02 - toe[2])
        toe = toe + at(0.0, 0.0, 0.02 - toe[2])
    return np.asarray(hands), np.asarray(toe)
