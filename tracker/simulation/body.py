"""A body as capsules: knees and elbows follow from hips, neck, feet and hands."""

import math

import numpy as np

from tracker.records import Floats
from tracker.simulation.compiled import compiled

SKIN, SHIRT, TROUSERS, SHOE, PAD, HELMET, BAT, HAIR, DARK_SHIRT = 0, 1, 2, 3, 4, 5, 6, 7, 8
_UPPER_ARM, _FOREARM, _THIGH, _SHIN = 0.31, 0.33, 0.45, 0.47
_UP = np.array([0.0, 0.0, 1.0])


@compiled
def bend(a: Floats, b: Floats, upper: float, lower: float, toward: Floats) -> Floats:
    """The knee or elbow of a limb from a to b with the given lengths, bent toward a direction."""
    span = b - a
    size = max(math.sqrt(span[0] ** 2 + span[1] ** 2 + span[2] ** 2), 1e-6)
    reach = max(min(size, upper + lower - 1e-3), abs(upper - lower) + 1e-3)
    ahead = span / size
    along = (upper**2 - lower**2 + reach**2) / (2 * reach)
    out = toward - (toward[0] * ahead[0] + toward[1] * ahead[1] + toward[2] * ahead[2]) * ahead
    out = out / max(math.sqrt(out[0] ** 2 + out[1] ** 2 + out[2] ** 2), 1e-6)
    joint: Floats = a + ahead * along + out * math.sqrt(max(upper**2 - along**2, 0.0))
    return joint


@compiled
def _put(rows: Floats, i: int, a: Floats, b: Floats, radius_a: float, radius_b: float, colour: int) -> None:
    for k in range(3):
        rows[i, k], rows[i, 3 + k] = a[k], b[k]
    rows[i, 6], rows[i, 7], rows[i, 8] = radius_a, radius_b, colour


@compiled
def body(
    hip: Floats,
    neck: Floats,
    facing: Floats,
    feet: Floats,
    hands: Floats,
    shirt: int,
    trousers: int,
    shin: int,
    head: int,
) -> Floats:
    """Capsules (18, 9) of a body; feet and hands are (2, 3), left then right, facing is level."""
    rows = np.zeros((18, 9))
    left = np.array([-facing[1], facing[0], 0.0])
    spine = (neck - hip) / math.sqrt(((neck - hip) ** 2).sum())
    padded = shin == PAD
    for k in range(2):
        side, i, foot, hand = 1.0 - 2.0 * k, 7 * k, feet[k], hands[k]
        thigh, shoulder = hip + side * 0.10 * left, neck + side * 0.19 * left - 0.04 * spine
        ankle = foot + 0.08 * _UP
        knee = bend(thigh, ankle, _THIGH, _SHIN, facing)
        elbow = bend(shoulder, hand, _UPPER_ARM, _FOREARM, -facing - 0.4 * _UP)
        _put(rows, i, thigh, knee, 0.095, 0.07, trousers)
        _put(rows, i + 1, knee, ankle, 0.085 if padded else 0.06, 0.08 if padded else 0.045, shin)
        _put(rows, i + 2, foot + 0.04 * _UP, foot + 0.04 * _UP + 0.17 * facing, 0.045, 0.04, SHOE)
        _put(rows, i + 3, shoulder, elbow, 0.058, 0.045, shirt)
        _put(rows, i + 4, elbow, hand, 0.042, 0.035, SKIN)
        _put(rows, i + 5, hand, hand, 0.045, 0.045, PAD if padded else SKIN)
        _put(rows, i + 6, shoulder - 0.03 * side * left, thigh, 0.095, 0.085, shirt)
    _put(rows, 14, neck - 0.10 * spine, hip, 0.13, 0.11, shirt)
    _put(rows, 15, neck, neck + 0.10 * spine, 0.06, 0.06, SKIN)
    top = neck + 0.21 * spine + 0.02 * facing
    _put(rows, 16, top, top + 0.03 * _UP, 0.10, 0.10, SKIN)
    cap = top + 0.05 * _UP - 0.03 * facing
    bare = head == SKIN
    _put(rows, 17, cap, cap + 0.01 * _UP, 0.105 if bare else 0.125, 0.10, HAIR if bare else head)
    return rows
