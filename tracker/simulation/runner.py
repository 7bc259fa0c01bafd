"""The bowler: runs in, bowls with the arm that `bowling.with_arm` swings, follows through and walks back."""

import math
from dataclasses import dataclass

import numpy as np

from tracker.records import Floats
from tracker.simulation.body import SHIRT
from tracker.simulation.bowling import ARM_M, CARRY_S, arm_circle
from tracker.simulation.figures import Posture, ease, limbs, stride, walking
from tracker.simulation.world import Throw

FOLLOW_S = 0.55  # the run dies away as exp(-t / FOLLOW_S)
TURN_S = 1.5  # after release: turns and jogs back
WALK_MPS = 2.2
_STRIDES_HZ = 1.6


@dataclass(frozen=True, eq=False)
class Runner:
    """A bowler at one delivery; `arm` right or left, `shirt` a colour of figures."""

    throw: Throw
    arm: str
    run_mps: float
    lean_x: float
    shirt: int = SHIRT
    from_s: float = -3.5
    until_s: float = 8.0

    def limbs(self, time_s: float) -> Floats:
        """Capsules at a time; none outside the span (from_s, until_s) about the release."""
        tau = time_s - self.throw.release_s
        if not self.from_s <= tau <= self.until_s:
            return np.zeros((0, 9))
        return limbs(self._walk_back(tau) if tau > TURN_S else self._bowl(tau), self.shirt)

    def _drift(self, tau: float) -> Floats:
        """How far the body has moved since release: on along -y, and off the pitch to the bowling arm's other side."""
        on = self.run_mps * (tau if tau < 0 else FOLLOW_S * (1 - math.exp(-tau / FOLLOW_S)))
        away = 0.0 if tau < 0 else 0.75 * ease(tau, 0.1, 1.6)
        return np.array([away * (1.0 if self.throw.release_m[0] > 0 else -1.0), -on, 0.0])

    def _walk_back(self, tau: float) -> Posture:
        begin = self._bowl(TURN_S).hip * [1.0, 1.0, 0.0]
        gone = WALK_MPS * (tau - TURN_S)
        edge = math.copysign(1.35, begin[0])
        at = begin + np.array([(edge - begin[0]) * min(gone / 3.0, 1.0), gone, 0.0])
        return walking(at, np.array([0.0, 1.0, 0.0]), 0.36, gone * 2 * math.pi / 1.5)

    def _bowl(self, tau: float) -> Posture:
        side = -1.0 if self.arm == "right" else 1.0  # which way the bowling shoulder lies from the neck, in x
        drift = self._drift(tau)
        shoulder0, _, _, _ = arm_circle(self.throw, self.run_mps, self.lean_x)
        gather = ease(tau, -0.6, -0.25)
        fall = ease(tau, 0.02, 0.30) * (1 - ease(tau, 0.7, 1.7))
        upright = 1.45
        height = shoulder0[2] + (1 - gather) * (upright - shoulder0[2])
        neck = np.array([shoulder0[0] - side * 0.17, shoulder0[1], height + 0.05]) + drift
        neck = neck + fall * np.array([0.05 * side, -0.25, -0.28])
        up_again = ease(tau, 0.7, 1.7)
        neck[2] += up_again * (upright - neck[2])
        lean = 0.10 + 0.12 * gather + 0.30 * fall - 0.12 * up_again
        hip = neck + np.array([-0.05 * side * gather, lean, -math.sqrt(max(0.52**2 - lean**2, 0.1))])
        ahead = np.array([0.0, -1.0, 0.0])
        left = np.array([1.0, 0.0, 0.0])
        pace = self.run_mps * (1.0 if tau < 0 else math.exp(-tau / FOLLOW_S))
        length = min(0.16 * pace, 0.55) * (1 + 0.15 * gather)
        turn = 2 * math.pi * _STRIDES_HZ * (tau if tau < 0 else FOLLOW_S * (1 - math.exp(-tau / FOLLOW_S)))
        turn += 0.0 if self.arm == "right" else math.pi  # the front foot is the one across from the arm
        feet = stride(hip * [1.0, 1.0, 0.0], ahead, left, turn, length)
        bowling, other = self._bowling_hand(tau, neck, side), self._other_hand(tau, neck, -side, pace)
        return Posture(hip, neck, ahead, feet, (other, bowling) if side < 0 else (bowling, other))

    def _bowling_hand(self, tau: float, neck: Floats, side: float) -> Floats:
        """On the ball's circle while it bowls, swinging as a runner's before, hanging after."""
        shoulder0, out, ahead, rate = arm_circle(self.throw, self.run_mps, self.lean_x)
        shoulder = shoulder0 + self._drift(tau)
        if tau > 0:
            shoulder = neck + np.array([side * 0.17, 0.0, -0.05])
        angle = (
            rate * (0.3 * tau + 0.056 * math.expm1(tau / 0.08))
            if tau <= 0
            else rate * 0.085 * -math.expm1(-tau / 0.085)
        )
        on_circle = shoulder + (ARM_M - 0.07) * (math.cos(angle) * out + math.sin(angle) * ahead)
        free = neck + np.array([side * 0.26, -0.12 + 0.2 * math.sin(2 * math.pi * _STRIDES_HZ * tau), -0.42])
        k = ease(tau, -CARRY_S - 0.15, -CARRY_S) * (1 - ease(tau, 0.25, 0.7))
        return np.asarray(free + k * (on_circle - free))

    def _other_hand(self, tau: float, neck: Floats, side: float, pace: float) -> Floats:
        """Reaches up before the release and pulls down through it."""
        swing = 0.2 * min(pace / 5.0, 1.0) * math.sin(2 * math.pi * _STRIDES_HZ * tau + math.pi)
        free = neck + np.array([side * 0.26, -0.12 + swing, -0.42])
        k = ease(tau, -0.40, -0.22) * (1 - ease(tau, 0.15, 0.5))
        turn = 2.6 - 3.4 * ease(tau, -0.20, 0.08)
        reach = neck + np.array([side * 0.22, -0.5 * math.sin(max(turn, 0.0)) - 0.05, 0.55 * -math.cos(turn) - 0.05])
        return np.asarray(free + k * (reach - free))
