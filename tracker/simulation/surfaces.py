"""What the hall's surfaces look like: reflectance at a point, as linear red, green, blue.

Procedural textures from hashed value noise: nothing is loaded, everything follows from the hall's seed. Invented.
"""

import math

from calibration.lane import (
    LINE_WIDTH_M,
    POPPING_CREASE_M,
    RETURN_CREASE_LENGTH_M,
    RETURN_CREASE_X_M,
)
from tracker.simulation.compiled import compiled

Rgb = tuple[float, float, float]
MAT_HALF_WIDTH_M = 1.62
LANE_SPACING_M = 3.9  # from one lane's middle to the next
WALL_STRIKER_M, WALL_BOWLER_M, WALL_LOW_X_M, WALL_HIGH_X_M, CEILING_M = -7.5, 33.0, -10.0, 13.5, 6.5
_LINE, _POPPING, _RETURN_X, _RETURN = LINE_WIDTH_M, POPPING_CREASE_M, RETURN_CREASE_X_M, RETURN_CREASE_LENGTH_M


@compiled
def hashed(i: int, j: int, seed: int) -> float:
    """A number in [0, 1) that belongs to a lattice point."""
    h = (i * 374761393 + j * 668265263 + seed * 974634211) & 0xFFFFFFFF
    h = ((h ^ (h >> 13)) * 1274126177) & 0xFFFFFFFF
    h = ((h ^ (h >> 16)) * 2246822519) & 0xFFFFFFFF
    return float((h ^ (h >> 15)) & 0xFFFFFF) / 16777216.0


@compiled
def noise(u: float, v: float, seed: int) -> float:
    """Smooth value noise in [-1, 1] with features of size 1."""
    i, j = math.floor(u), math.floor(v)
    a, b = u - i, v - j
    a, b = a * a * (3 - 2 * a), b * b * (3 - 2 * b)
    low = hashed(i, j, seed) * (1 - a) + hashed(i + 1, j, seed) * a
    high = hashed(i, j + 1, seed) * (1 - a) + hashed(i + 1, j + 1, seed) * a
    return 2 * (low * (1 - b) + high * b) - 1


@compiled
def grain(u: float, v: float, size: float, seed: int) -> float:
    """Three octaves of noise in about [-1, 1], the coarsest of `size`."""
    return (
        0.55 * noise(u / size, v / size, seed)
        + 0.3 * noise(2.1 * u / size, 2.1 * v / size, seed + 1)
        + 0.15 * noise(4.3 * u / size, 4.3 * v / size, seed + 2)
    )


@compiled
def scaled(rgb: Rgb, k: float) -> Rgb:
    """Reflectance times k."""
    return rgb[0] * k, rgb[1] * k, rgb[2] * k


@compiled
def _end(x: float, y: float) -> bool:
    """Whether a point lies on the paint of one end; y is the distance from that end's bowling crease, inward."""
    if 0.0 <= y <= _LINE and abs(x) <= _RETURN_X:
        return True
    if _POPPING <= y <= _POPPING + _LINE and abs(x) <= MAT_HALF_WIDTH_M - 0.05:
        return True
    return _RETURN_X <= abs(x) <= _RETURN_X + _LINE and -(_RETURN - _POPPING) <= y <= _POPPING + _LINE


@compiled
def mat(x: float, y: float, length: float, rgb: Rgb, seed: int) -> Rgb:
    """The lane's carpet: pile, wear on a length and at the creases, scuffs, painted creases at both ends."""
    k = 1.0 + 0.10 * grain(x, y, 0.05, seed) + 0.14 * grain(x, y, 0.9, seed + 11) + 0.10 * grain(x, y, 0.008, seed + 5)
    worn = math.exp(-((x / 0.55) ** 2) - ((y - 5.2) / 2.2) ** 2) + 0.8 * math.exp(-(((y - 1.0) / 0.6) ** 2))
    worn += 0.9 * math.exp(-(((y - length + 1.3) / 0.8) ** 2) - ((abs(x) - 0.6) / 0.5) ** 2)
    k *= 1 + 0.35 * worn * (1 + 0.5 * grain(x, y, 0.2, seed + 23))
    seam = y - 10.0 * math.floor(y / 10.0)
    if abs(seam - 8.4) < 0.006:  # where two rolls of carpet meet
        k *= 0.55
    marks = hashed(math.floor(x / 0.22), math.floor(y / 0.3), seed + 31)
    if marks > 0.86:  # ball marks and scuffs
        mx, my = x / 0.22 - math.floor(x / 0.22) - 0.5, y / 0.3 - math.floor(y / 0.3) - 0.5
        k *= 1 - 0.35 * math.exp(-(mx * mx + my * my) * 30) * (0.4 + marks)
    if _end(x, y) or _end(x, length - y):
        paint = 0.62 * (1 + 0.12 * grain(x, y, 0.03, seed + 41)) - 0.25 * max(grain(x, y, 0.12, seed + 43), 0.0)
        return paint, paint, paint * 0.96
    return scaled(rgb, k)


@compiled
def sports_floor(x: float, y: float, rgb: Rgb, seed: int) -> Rgb:
    """Wooden strips with the coloured lines of other games."""
    strip = math.floor(x / 0.085)
    board = math.floor((y + 1.7 * hashed(strip, 0, seed)) / 1.8)
    k = 0.88 + 0.24 * hashed(strip, board, seed + 3) + 0.08 * grain(12 * x, y, 0.6, seed + 7)
    if x / 0.085 - strip < 0.04:
        k *= 0.8
    for at, r, g, b in ((6.1, 0.55, 0.45, 0.06), (9.6, 0.08, 0.14, 0.45), (-6.4, 0.5, 0.08, 0.07)):
        if abs(x - at) < 0.025:
            return r, g, b
    for at, r, g, b in ((3.3, 0.55, 0.45, 0.06), (13.4, 0.5, 0.08, 0.07), (26.6, 0.08, 0.14, 0.45)):
        if abs(y - at) < 0.025 and abs(x) > 2.2:
            return r, g, b
    return scaled(rgb, k)


@compiled
def ground(x: float, y: float, length: float, mat_rgb: Rgb, floor_rgb: Rgb, seed: int) -> Rgb:
    """The floor: mats of this lane and its neighbours, wood elsewhere."""
    lane = math.floor(x / LANE_SPACING_M + 0.5)
    across = x - lane * LANE_SPACING_M
    if abs(across) < MAT_HALF_WIDTH_M and -1.6 < y < length + 2.6 and -2 <= lane <= 1:
        edge = min(MAT_HALF_WIDTH_M - abs(across), y + 1.6, length + 2.6 - y)
        if edge < 0.03:
            return scaled(mat_rgb, 0.45)
        return mat(across, y, length, mat_rgb, seed + 100 * lane)
    return sports_floor(x, y, floor_rgb, seed)


@compiled
def wall(u: float, z: float, rgb: Rgb, busy: float, seed: int) -> Rgb:
    """A painted block wall along u: darker below, with doors, notices and padding."""
    row = math.floor(z / 0.225)
    shift = 0.225 * (row - 2 * math.floor(row / 2))
    column = math.floor((u + shift) / 0.45)
    k = 1 + busy * (0.10 * (hashed(column, row, seed) - 0.5) + 0.06 * grain(u, z, 0.05, seed + 3))
    k *= 1 + 0.10 * grain(u, z, 2.5, seed + 9)
    if z / 0.225 - row < 0.05 or (u + shift) / 0.45 - column < 0.025:
        k *= 1 - 0.22 * busy
    tone = rgb
    if z < 1.9:
        tone = (rgb[0] * 0.35, rgb[1] * 0.42, rgb[2] * 0.55)
    if busy > 0:
        panel = math.floor(u / 2.6)
        inside = u / 2.6 - panel
        kind = hashed(panel, 5, seed + 17)
        if kind > 0.8 and z < 2.1 and 0.15 < inside < 0.75:  # a door
            edge = min(inside - 0.15, 0.75 - inside)
            tone = (0.05, 0.09, 0.16) if edge > 0.02 else (0.4, 0.4, 0.38)
            if 1.2 < z < 1.7 and 0.22 < inside < 0.36:
                tone = (0.25, 0.28, 0.3)
        elif kind < 0.35 and 1.3 < z < 2.0 and 0.2 < inside < 0.2 + 0.9 * kind + 0.1:  # notices
            hue = hashed(panel, 6, seed + 17)
            tone = (0.6, 0.5 - 0.3 * hue, 0.15 + 0.4 * hue)
            k *= 1 - 0.35 * (hashed(int(u / 0.06), int(z / 0.03), seed) > 0.6)
        elif 0.45 < kind < 0.55 and z < 1.7:  # crash pads
            tone = (0.10, 0.05, 0.22) if (u / 0.9 - math.floor(u / 0.9)) > 0.03 else (0.02, 0.02, 0.03)
    return scaled(tone, k)


@compiled
def ceiling(x: float, y: float, seed: int) -> Rgb:
    """Dark sheeting, beams and rows of lamps."""
    lamp_x, lamp_y = x - 4.0 * math.floor(x / 4.0 + 0.5), y - 3.2 * math.floor(y / 3.2)
    if abs(lamp_x) < 0.16 and lamp_y < 1.5:
        return 3.2, 3.3, 3.1
    k = 0.16 * (1 + 0.12 * grain(x, y, 0.4, seed))
    if abs(y - 5.0 * math.floor(y / 5.0 + 0.5)) < 0.15:
        k *= 0.5
    return k * 0.95, k, k * 1.05


@compiled
def light(x: float, y: float, z: float) -> float:
    """How strongly the lamps light a place: brighter under their rows, dimmer by the walls."""
    pool = 0.82 + 0.13 * math.cos(2 * math.pi * (y - 0.75) / 3.2) * math.cos(math.pi * x / 4.0) ** 2
    edge = min(x - WALL_LOW_X_M, WALL_HIGH_X_M - x, y - WALL_STRIKER_M, WALL_BOWLER_M - y)
    return (pool + 0.06 * math.cos(0.4 * y)) * (0.55 + 0.45 * min(max(edge, 0.0) / 4.0, 1.0)) * (0.88 + 0.03 * z)
