"""Painting what moves on the empty hall, and turning light into a noisy picture. Compiled loops over small regions.

Balls are cast exactly: every sub-pixel ray of the distorted lens is met with the sphere where it is at that row's
sub-instants of exposure. People are shaded capsules in the picture plane: they are scenery, not measured.
"""

import math

import numpy as np
from numpy.typing import NDArray

from tracker.records import Floats
from tracker.simulation.compiled import compiled

Floats32 = NDArray[np.float32]
AMBIENT, FROM_ABOVE, FROM_FLOOR = 0.38, 0.62, 0.10  # shares of the light on a matt ball; our choice, a hall's lamps


@compiled
def ball(
    xy: Floats32,
    turn: Floats,
    centre: Floats,
    at_m: Floats,
    radius_m: float,
    box: tuple[int, int, int, int],
    row0_s: float,
    row_s: float,
    grid_s: float,
    substeps: int,
    exposure_s: float,
    ss: int,
    look: Floats,
    depth: Floats32,
    cover: Floats32,
    bright: Floats32,
) -> None:
    """Coverage and light of a moving ball in the region box (r0, r1, c0, c1).

    xy : (h, w, 2) undistorted coordinates; turn, centre : the camera's pose
    at_m : (n, 3) the ball's centre every grid_s from the start of exposure of row 0 of the region on
    row0_s, row_s : start of exposure of the region's first row after the grid's start, and from row to row
    look : albedo, gloss, seam axis (3), seam brightness, light on the place, shading 0 or 1
    depth : (h, w) what hides it; cover, bright : (r1 - r0, c1 - c0) outputs, bright premultiplied by coverage
    """
    r0, r1, c0, c1 = box
    height, width = xy.shape[:2]
    n = at_m.shape[0]
    for r in range(r0, r1):
        for c in range(c0, c1):
            k1, j1 = min(c + 1, width - 1), min(r + 1, height - 1)
            ax, ay = xy[r, k1, 0] - xy[r, k1 - 1, 0], xy[r, k1, 1] - xy[r, k1 - 1, 1]
            bx, by = xy[j1, c, 0] - xy[j1 - 1, c, 0], xy[j1, c, 1] - xy[j1 - 1, c, 1]
            hits, light = 0, 0.0
            for s in range(substeps):
                t = (row0_s + (r - r0) * row_s + (s + 0.5) / substeps * exposure_s) / grid_s
                i = min(max(int(t), 0), n - 2)
                f = t - i
                px = at_m[i, 0] + f * (at_m[i + 1, 0] - at_m[i, 0]) - centre[0]
                py = at_m[i, 1] + f * (at_m[i + 1, 1] - at_m[i, 1]) - centre[1]
                pz = at_m[i, 2] + f * (at_m[i + 1, 2] - at_m[i, 2]) - centre[2]
                away2 = px * px + py * py + pz * pz
                for u in range(ss):
                    for v in range(ss):
                        a, b = (v + 0.5) / ss - 0.5, (u + 0.5) / ss - 0.5
                        x, y = xy[r, c, 0] + a * ax + b * bx, xy[r, c, 1] + a * ay + b * by
                        dx = turn[0, 0] * x + turn[1, 0] * y + turn[2, 0]
                        dy = turn[0, 1] * x + turn[1, 1] * y + turn[2, 1]
                        dz = turn[0, 2] * x + turn[1, 2] * y + turn[2, 2]
                        size2 = dx * dx + dy * dy + dz * dz
                        along = (px * dx + py * dy + pz * dz) / size2
                        miss2 = away2 - along * along * size2
                        if miss2 >= radius_m * radius_m:
                            continue
                        back = math.sqrt((radius_m * radius_m - miss2) / size2)
                        q = along - back
                        if q * math.sqrt(size2) > depth[r, c]:
                            continue
                        nx, ny, nz = (q * dx - px) / radius_m, (q * dy - py) / radius_m, (q * dz - pz) / radius_m
                        hits += 1
                        light += _shade(nx, ny, nz, look)
            total = substeps * ss * ss
            cover[r - r0, c - c0] = hits / total
            bright[r - r0, c - c0] = light / total


@compiled
def _shade(nx: float, ny: float, nz: float, look: Floats) -> float:
    """Light from a point of the ball with outward normal n."""
    albedo = look[0]
    seam = abs(nx * look[2] + ny * look[3] + nz * look[4])
    if seam < 0.10:
        albedo += (look[5] - albedo) * (0.6 if seam < 0.07 else 0.3)
    if look[7] < 0.5:
        return float(albedo * look[6])
    lit = AMBIENT + FROM_ABOVE * max(nz, 0.0) + FROM_FLOOR * max(-nz, 0.0)
    gloss = look[1] * max(nz - 0.75, 0.0) * 4
    return float((albedo * lit + gloss * gloss) * look[6])


@compiled
def board(
    xy: Floats32,
    turn: Floats,
    centre: Floats,
    corner: Floats,
    right: Floats,
    down: Floats,
    pattern: Floats32,
    size_m: Floats,
    box: tuple[int, int, int, int],
    ss: int,
    cover: Floats32,
    bright: Floats32,
) -> None:
    """Coverage and light of a flat print whose top left corner is at `corner`, as `ball`."""
    r0, r1, c0, c1 = box
    height, width = xy.shape[:2]
    normal = np.array(
        [
            right[1] * down[2] - right[2] * down[1],
            right[2] * down[0] - right[0] * down[2],
            right[0] * down[1] - right[1] * down[0],
        ]
    )
    away = corner - centre
    rise = away[0] * normal[0] + away[1] * normal[1] + away[2] * normal[2]
    rows, columns = pattern.shape
    for r in range(r0, r1):
        for c in range(c0, c1):
            k1, j1 = min(c + 1, width - 1), min(r + 1, height - 1)
            ax, ay = xy[r, k1, 0] - xy[r, k1 - 1, 0], xy[r, k1, 1] - xy[r, k1 - 1, 1]
            bx, by = xy[j1, c, 0] - xy[j1 - 1, c, 0], xy[j1, c, 1] - xy[j1 - 1, c, 1]
            hits, light = 0, 0.0
            for u in range(ss):
                for v in range(ss):
                    a, b = (v + 0.5) / ss - 0.5, (u + 0.5) / ss - 0.5
                    x, y = xy[r, c, 0] + a * ax + b * bx, xy[r, c, 1] + a * ay + b * by
                    dx = turn[0, 0] * x + turn[1, 0] * y + turn[2, 0]
                    dy = turn[0, 1] * x + turn[1, 1] * y + turn[2, 1]
                    dz = turn[0, 2] * x + turn[1, 2] * y + turn[2, 2]
                    t = rise / (dx * normal[0] + dy * normal[1] + dz * normal[2])
                    px, py, pz = t * dx - away[0], t * dy - away[1], t * dz - away[2]
                    across = (px * right[0] + py * right[1] + pz * right[2]) / size_m[0]
                    along = (px * down[0] + py * down[1] + pz * down[2]) / size_m[1]
                    if t > 0 and 0 <= across < 1 and 0 <= along < 1:
                        hits += 1
                        light += pattern[int(along * rows), int(across * columns)]
            cover[r - r0, c - c0] = hits / (ss * ss)
            bright[r - r0, c - c0] = light / (ss * ss)


@compiled
def shadow(
    xy: Floats32,
    turn: Floats,
    centre: Floats,
    at: tuple[float, float],
    width_m: float,
    strength: float,
    box: tuple[int, int, int, int],
    depth: Floats32,
    luma: Floats32,
) -> None:
    """Darken the floor softly about a point (x, y): what stands or flies above it."""
    r0, r1, c0, c1 = box
    for r in range(r0, r1):
        for c in range(c0, c1):
            x, y = xy[r, c, 0], xy[r, c, 1]
            dz = turn[0, 2] * x + turn[1, 2] * y + turn[2, 2]
            if dz > -1e-6:
                continue
            t = -centre[2] / dz
            fx = centre[0] + t * (turn[0, 0] * x + turn[1, 0] * y + turn[2, 0]) - at[0]
            fy = centre[1] + t * (turn[0, 1] * x + turn[1, 1] * y + turn[2, 1]) - at[1]
            if t * math.sqrt(x * x + y * y + 1) > 1.01 * depth[r, c] + 0.02:
                continue
            luma[r, c] *= 1 - strength * math.exp(-(fx * fx + fy * fy) / (2 * width_m * width_m))


@compiled
def sweep(px: Floats, radius0: float, radius1: float, away: float, k0: float, k1: float, steps: int) -> Floats:
    """Ends of a limb (steps, 7), as `capsule` takes them, from k0 to k1 of the span of three instants; px (3, 2, 2)."""
    ends = np.empty((steps, 7))
    for s in range(steps):
        k = k0 + (s + 0.5) / steps * (k1 - k0)
        a, b, c = (1 - k) * (1 - 2 * k), 4 * k * (1 - k), k * (2 * k - 1)  # the parabola through them
        for e in range(2):
            for j in range(2):
                ends[s, 3 * e + j] = a * px[0, e, j] + b * px[1, e, j] + c * px[2, e, j]
        ends[s, 2], ends[s, 5], ends[s, 6] = radius0, radius1, away
    return ends


@compiled
def capsule(
    ends: Floats,
    steps: int,
    up: Floats,
    look: Floats,
    box: tuple[int, int, int, int],
    depth: Floats32,
    clear: Floats32,
    luma: Floats32,
    cb: Floats32,
    cr: Floats32,
) -> None:
    """Blend a limb into the picture.

    ends : (steps, 7) u0 v0 radius0 u1 v1 radius1 distance, pixels and m, at the sub-instants of the exposure
    up : (3,) the lane's z in camera axes; look : L, cb, cr, light
    clear : (h, w) how much the nets before the lane let through
    """
    r0, r1, c0, c1 = box
    for r in range(r0, r1):
        for c in range(c0, c1):
            total, light = 0.0, 0.0
            for s in range(steps):
                x0, y0, w0, x1, y1, w1, away = ends[s]
                if away > depth[r, c]:
                    continue
                ex, ey = x1 - x0, y1 - y0
                size2 = ex * ex + ey * ey + 1e-9
                k = min(max(((c - x0) * ex + (r - y0) * ey) / size2, 0.0), 1.0)
                w = w0 + k * (w1 - w0)
                ox, oy = c - x0 - k * ex, r - y0 - k * ey
                d = math.sqrt(ox * ox + oy * oy)
                a = min(max(w - d + 0.5, 0.0), 1.0)
                if a <= 0:
                    continue
                nx, ny = ox / max(w, 0.5), oy / max(w, 0.5)
                n2 = min(nx * nx + ny * ny, 1.0)
                lit = nx * up[0] + ny * up[1] - math.sqrt(1 - n2) * up[2]
                total += a
                light += a * (0.42 + 0.58 * max(lit, 0.0) + 0.12 * max(-lit, 0.0))
            if total > 0:
                a = total / steps * clear[r, c]
                shade = light / total * look[3]
                luma[r, c] += a * (look[0] * shade - luma[r, c])
                if r % 2 == 0 and c % 2 == 0 and r // 2 < cb.shape[0] and c // 2 < cb.shape[1]:
                    tint = shade**0.4545
                    cb[r // 2, c // 2] += a * (look[1] * tint - cb[r // 2, c // 2])
                    cr[r // 2, c // 2] += a * (look[2] * tint - cr[r // 2, c // 2])


@compiled
def blend(
    cover: Floats32,
    bright: Floats32,
    tint: tuple[float, float],
    row: int,
    column: int,
    clear: Floats32,
    luma: Floats32,
    cb: Floats32,
    cr: Floats32,
) -> None:
    """Lay a painted region over the picture at (row, column)."""
    for i in range(cover.shape[0]):
        for j in range(cover.shape[1]):
            a = cover[i, j]
            r, c = row + i, column + j
            if a > 0:
                luma[r, c] += clear[r, c] * (bright[i, j] - a * luma[r, c])
            if r % 2 == 0 and c % 2 == 0 and r // 2 < cb.shape[0] and c // 2 < cb.shape[1]:
                # a film's colour samples lie on every other column, midway between two rows
                below = cover[i + 1, j] * clear[r + 1, c] if i + 1 < cover.shape[0] else 0.0
                k = (a * clear[r, c] + below) / 2
                cb[r // 2, c // 2] += k * (tint[0] - cb[r // 2, c // 2])
                cr[r // 2, c // 2] += k * (tint[1] - cr[r // 2, c // 2])


@compiled
def develop(
    luma: Floats32,
    gain: Floats32,
    noise: NDArray[np.int8],
    start: int,
    sd: Floats32,
    tone: NDArray[np.uint8],
    out: NDArray[np.uint8],
) -> None:
    """The 8-bit picture: light times the gain of its row, plus noise that grows with light, through the tone curve.

    noise : (m,) unit normal times 32, read from `start` on; sd : (1025,) of light in 1/1024; tone : (4097,)
    """
    height, width = luma.shape
    m = noise.shape[0] - width
    for r in range(height):
        at = (start + r * 7919 * 13) % m
        g = gain[r]
        for c in range(width):
            light = luma[r, c] * g
            level = min(max(int(light * 1024), 0), 1024)
            light += noise[at + c] * sd[level] * 0.03125
            out[r, c] = tone[min(max(int(light * 4096 + 0.5), 0), 4096)]


@compiled
def weave(luma: Floats32, pixel: NDArray[np.int64], cover: Floats32, tone: float) -> None:
    """Lay a net's twine (n,) over a flat picture."""
    for i in range(pixel.shape[0]):
        luma[pixel[i]] += cover[i] * (tone - luma[pixel[i]])


@compiled
def quantise(plane: Floats32, noise: NDArray[np.int8], start: int, sd: float, out: NDArray[np.uint8]) -> None:
    """A colour-difference plane to bytes (128 is none), with noise."""
    height, width = plane.shape
    m = noise.shape[0] - width
    for r in range(height):
        at = (start + r * 5413 * 11) % m
        for c in range(width):
            out[r, c] = int(min(max(128.5 + 224 * plane[r, c] + noise[at + c] * sd * 0.03125, 0.0), 255.0))
