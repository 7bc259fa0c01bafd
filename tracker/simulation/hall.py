"""The empty hall as one camera sees it, by casting rays: floor, mats, creases, stumps, walls, ceiling, furniture.

Cast once for each view and then kept: what moves is painted on it frame by frame (`paint`).
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.lane import PITCH_LENGTH_M, STUMP_HEIGHT_M
from tracker.records import Floats
from tracker.simulation import netting, optics
from tracker.simulation.compiled import compiled
from tracker.simulation.surfaces import (
    CEILING_M,
    LANE_SPACING_M,
    WALL_BOWLER_M,
    WALL_HIGH_X_M,
    WALL_LOW_X_M,
    WALL_STRIKER_M,
    Rgb,
    ceiling,
    grain,
    ground,
    hashed,
    light,
    scaled,
    wall,
)

GAMMA = 2.2
STUMP_RADIUS_M, STUMP_SPREAD_M = 0.01905, 0.09525
_HEIGHT, _BAIL_M = STUMP_HEIGHT_M, 0.1095  # Law 8.3: bails 4 5/16 in
Floats32 = NDArray[np.float32]


@dataclass(frozen=True)
class Hall:
    """Colours (linear reflectance) and light of an invented hall.

    lamps  overall brightness; busy  contrast of the walls: 0 plain, 1 a real sports hall
    sheet  whether a plain canvas hangs behind the striker, and its reflectance
    """

    mat_rgb: Rgb = (0.075, 0.155, 0.075)
    floor_rgb: Rgb = (0.36, 0.23, 0.13)
    wall_rgb: Rgb = (0.52, 0.48, 0.38)
    net_tone: float = 0.05
    sheet: float = 0.0
    lamps: float = 1.25
    busy: float = 1.0
    seed: int = 1
    pitch_length_m: float = PITCH_LENGTH_M


@dataclass(frozen=True, eq=False)
class Plate:
    """The empty hall in one view.

    L        (h, w)      luma before gamma (display luma to the power GAMMA), about 0 to 1
    cb, cr   (h/2, w/2)  colour differences, -0.5 to 0.5
    depth_m  (h, w)      along the ray to the first solid surface
    xy       (h, w, 2)   undistorted normalised coordinates of the pixel centres
    front, behind        the nets before and behind the lane
    """

    L: Floats32
    cb: Floats32
    cr: Floats32
    depth_m: Floats32
    xy: Floats32
    front: netting.NetLayer
    behind: netting.NetLayer


def plate(camera: Camera, hall: Hall, supersampling: int = 2) -> Plate:
    """Cast the hall for a camera."""
    width, height = camera.lens.image_size_px
    grid = np.stack(np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float)), axis=-1)
    xy = optics.undistort(camera, grid.reshape(-1, 2)).reshape(height, width, 2)
    xy = np.nan_to_num(xy, nan=3.0)
    turn, centre = optics.rotation(camera.rotation_vector), optics.centre_m(camera)
    rgb, depth = np.empty((height, width, 3), np.float32), np.empty((height, width), np.float32)
    colours = np.array([*hall.mat_rgb, *hall.floor_rgb, *hall.wall_rgb, hall.busy, hall.pitch_length_m, hall.sheet])
    _cast(xy.astype(np.float32), turn, centre, colours, _boxes(hall), hall.seed, supersampling, rgb, depth)
    luma, cb, cr = luma_chroma(rgb * hall.lamps)
    ray = np.concatenate([xy, np.ones((height, width, 1))], axis=2) @ turn
    ray /= np.linalg.norm(ray, axis=2, keepdims=True)
    front, behind = netting.layers(centre, ray, depth, hall.net_tone * hall.lamps)
    small = (width // 2, height // 2)
    return Plate(
        luma,
        np.asarray(cv2.resize(cb, small, interpolation=cv2.INTER_AREA), np.float32),
        np.asarray(cv2.resize(cr, small, interpolation=cv2.INTER_AREA), np.float32),
        depth,
        xy.astype(np.float32),
        front,
        behind,
    )


def luma_chroma(rgb: Floats32 | Floats) -> tuple[Floats32, Floats32, Floats32]:
    """L, cb and cr (...) of linear red, green, blue (..., 3): ITU-R BT.709's luma of the gamma-corrected colours."""
    r, g, b = (np.power(np.maximum(rgb[..., i], 0.0), 1 / GAMMA) for i in range(3))
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    bright = np.maximum(luma, 1e-6) ** GAMMA
    limit = np.minimum(1.0, 1.0 / np.maximum(luma, 1e-6))  # a saturated lamp is white
    cb, cr = (b - luma) / 1.8556 * limit, (r - luma) / 1.5748 * limit
    return bright.astype(np.float32), cb.astype(np.float32), cr.astype(np.float32)


def _boxes(hall: Hall) -> Floats:
    """Furniture, as rows x0 x1 y0 y1 z0 z1 r g b: benches, bags, stump bases, mats against the wall."""
    length = hall.pitch_length_m
    rows = [
        (-9.4, -9.0, 6.0, 12.0, 0.38, 0.45, 0.35, 0.22, 0.10),
        (-9.4, -9.0, 6.1, 6.2, 0.0, 0.38, 0.1, 0.1, 0.1),
        (-9.4, -9.0, 11.8, 11.9, 0.0, 0.38, 0.1, 0.1, 0.1),
        (4.0, 6.2, 29.5, 29.9, 0.38, 0.46, 0.35, 0.22, 0.10),
        (-6.0, -5.1, 30.5, 31.0, 0.0, 0.38, 0.03, 0.05, 0.20),
        (-4.6, -3.9, 30.9, 31.3, 0.0, 0.32, 0.25, 0.03, 0.03),
        (3.0, 3.8, -6.6, -6.1, 0.0, 0.36, 0.03, 0.10, 0.05),
        (-4.4, -3.5, -6.9, -6.4, 0.0, 0.40, 0.02, 0.02, 0.03),
        (-9.9, -9.2, 18.0, 21.0, 0.0, 1.2, 0.06, 0.08, 0.30),
        (6.6, 7.6, -7.3, -6.8, 0.0, 1.9, 0.12, 0.12, 0.13),
    ]
    for lane in (0, -1):
        for y in (0.0, length):
            x = lane * LANE_SPACING_M
            rows.append((x - 0.14, x + 0.14, y - 0.05, y + 0.05, 0.0, 0.025, 0.03, 0.03, 0.03))
    return np.array(rows)


@compiled
def _box(o: Floats, d: tuple[float, float, float], b: Floats) -> float:
    """Distance to an axis-parallel box; infinite where the ray misses it."""
    near, far = 0.0, 1e9
    for k in range(3):
        inverse = 1.0 / d[k] if abs(d[k]) > 1e-12 else 1e12
        t0, t1 = (b[2 * k] - o[k]) * inverse, (b[2 * k + 1] - o[k]) * inverse
        near, far = max(near, min(t0, t1)), min(far, max(t0, t1))
    return near if near < far and near > 0 else 1e9


@compiled
def _wicket(o: Floats, d: tuple[float, float, float], x: float, y: float) -> tuple[float, float]:
    """Distance to the nearest stump or bail of a wicket at (x, y), and how far across it the ray meets it, -1 to 1."""
    best, across = 1e9, 0.0
    level = d[0] * d[0] + d[1] * d[1]
    ahead = -((o[0] - x) * d[0] + (o[1] - y) * d[1]) / level
    if abs((o[0] - x) * d[1] - (o[1] - y) * d[0]) / math.sqrt(level) > 0.2 or ahead < 0:
        return best, across
    for k in range(-1, 2):
        px, py = o[0] - x - k * STUMP_SPREAD_M, o[1] - y
        b, c = px * d[0] + py * d[1], px * px + py * py - STUMP_RADIUS_M**2
        root = b * b - level * c
        if root > 0:
            t = (-b - math.sqrt(root)) / level
            z = o[2] + t * d[2]
            if 0 < t < best and 0 <= z <= _HEIGHT:
                best, across = t, (px * d[1] - py * d[0]) / math.sqrt(level) / STUMP_RADIUS_M
    t = (y - o[1]) / d[1] if abs(d[1]) > 1e-9 else -1.0
    if 0 < t < best:
        z, dx = o[2] + t * d[2] - _HEIGHT, abs(o[0] + t * d[0] - x)
        if 0 <= z < 0.0127 and dx < _BAIL_M:
            best, across = t, 0.3
    return best, across


@compiled
def _shell(o: Floats, d: tuple[float, float, float]) -> tuple[float, int]:
    """Distance to floor, ceiling or wall, and which: 1 floor, 2 ceiling, 3 to 6 walls."""
    t, what = 1e9, 0
    for k in range(6):
        axis = 2 if k < 2 else (1 if k < 4 else 0)
        at = (0.0, CEILING_M, WALL_STRIKER_M, WALL_BOWLER_M, WALL_LOW_X_M, WALL_HIGH_X_M)[k]
        if abs(d[axis]) > 1e-9:
            hit = (at - o[axis]) / d[axis]
            if 1e-6 < hit < t:
                t, what = hit, k + 1
    return t, what


@compiled
def _look(
    o: Floats, d: tuple[float, float, float], colours: Floats, boxes: Floats, seed: int
) -> tuple[float, float, float, float]:
    """Linear red, green, blue and distance of what a ray meets first."""
    t, what = _shell(o, d)
    if colours[11] > 0 and abs(d[1]) > 1e-9:  # the sheet behind the striker
        hit = (-3.0 - o[1]) / d[1]
        if 1e-6 < hit < t and abs(o[0] + hit * d[0]) < 1.95 and o[2] + hit * d[2] < 2.9:
            t, what = hit, 7
    for i in range(len(boxes)):
        hit = _box(o, d, boxes[i])
        if hit < t:
            t, what = hit, 10 + i
    across = 0.0
    for k in range(4):
        hit, side = _wicket(o, d, -(k // 2) * LANE_SPACING_M, (k % 2) * colours[10])
        if hit < t:
            t, what, across = hit, 8, side
    x, y, z = o[0] + t * d[0], o[1] + t * d[1], o[2] + t * d[2]
    rgb = _colour(what, x, y, z, across, colours, boxes, seed)
    lit = 1.0 if what == 2 else light(x, y, z)
    return rgb[0] * lit, rgb[1] * lit, rgb[2] * lit, t


@compiled
def _colour(
    what: int, x: float, y: float, z: float, across: float, colours: Floats, boxes: Floats, seed: int
) -> tuple[float, float, float]:
    mat_rgb, floor_rgb = (colours[0], colours[1], colours[2]), (colours[3], colours[4], colours[5])
    wall_rgb, busy = (colours[6], colours[7], colours[8]), colours[9]
    if what == 1:
        return ground(x, y, colours[10], mat_rgb, floor_rgb, seed)
    if what == 2:
        return ceiling(x, y, seed)
    if what == 3 or what == 4:
        return wall(x, z, wall_rgb, busy, seed + what)
    if what == 5 or what == 6:
        return wall(y, z, wall_rgb, busy, seed + what)
    if what == 7:
        fold = 1 + 0.05 * math.sin(9 * x + 2 * grain(x, z, 1.0, seed)) + 0.03 * grain(x, z, 0.3, seed)
        return colours[11] * fold, colours[11] * fold, colours[11] * fold
    if what == 8:
        ring = 0.7 + 0.3 * math.sqrt(max(1 - across * across, 0.0)) - 0.15 * across
        k = ring * (1 + 0.12 * grain(x * 6, z, 0.05, seed))
        return 0.58 * k, 0.40 * k, 0.20 * k
    row = boxes[what - 10]
    k = 0.75 + 0.25 * hashed(math.floor(20 * y), math.floor(20 * z), seed) * busy
    if abs(z - row[5]) < 1e-6:
        k *= 1.3
    return scaled((row[6], row[7], row[8]), k)


@compiled
def _cast(
    xy: Floats32,
    turn: Floats,
    centre: Floats,
    colours: Floats,
    boxes: Floats,
    seed: int,
    ss: int,
    rgb: Floats32,
    depth: Floats32,
) -> None:
    height, width = xy.shape[:2]
    for r in range(height):
        for c in range(width):
            red, green, blue, far = 0.0, 0.0, 0.0, 1e9
            c1, r1 = min(c + 1, width - 1), min(r + 1, height - 1)
            ax, ay = xy[r, c1, 0] - xy[r, c1 - 1, 0], xy[r, c1, 1] - xy[r, c1 - 1, 1]
            bx, by = xy[r1, c, 0] - xy[r1 - 1, c, 0], xy[r1, c, 1] - xy[r1 - 1, c, 1]
            for i in range(ss):
                for j in range(ss):
                    a, b = (j + 0.5) / ss - 0.5, (i + 0.5) / ss - 0.5
                    x, y = xy[r, c, 0] + a * ax + b * bx, xy[r, c, 1] + a * ay + b * by
                    size = math.sqrt(x * x + y * y + 1)
                    d = (
                        (turn[0, 0] * x + turn[1, 0] * y + turn[2, 0]) / size,
                        (turn[0, 1] * x + turn[1, 1] * y + turn[2, 1]) / size,
                        (turn[0, 2] * x + turn[1, 2] * y + turn[2, 2]) / size,
                    )
                    p, q, s, t = _look(centre, d, colours, boxes, seed)
                    red, green, blue, far = red + p, green + q, blue + s, min(far, t)
            n = ss * ss
            rgb[r, c, 0], rgb[r, c, 1], rgb[r, c, 2] = red / n, green / n, blue / n
            depth[r, c] = far
