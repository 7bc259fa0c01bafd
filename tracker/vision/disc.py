"""What a blurred ball does to a picture, and the ball that explains a patch best.

A disc of diameter `size`, moved along `streak` during the exposure and softened by lens and pixel, covers each pixel
by a share; there the ball's own light stands in place of what is behind:

    patch = behind x (1 - cover) + level x (cover + shade . leans)

`level` is the ball's brightness; `shade` says how it varies over the disc, as a polynomial of second degree in the
place on it (x to the right, y down, -1 to 1): balls are lit from above and darker at the rim. `leans` are its terms
blurred like the disc. What is not smooth, such as a seam, loses its weight as a pixel that does not fit. A ball off
the picture's axis is an ellipse, and a rolling shutter shears and stretches it: `shape` takes pixels back to the round
ball.

A blurred disc reaches as far as a straight edge at the root of radius^2 - soft^2 from its middle, the `rim`: so its
area, pi (rim^2 + soft^2), stays what it is. What a soft edge mixes in comes from inside the rim only, from places whose
mean and spread along the radius are those of a normal distribution cut off there (by the inverse Mills ratio; Johnson,
Kotz and Balakrishnan 1994, Continuous Univariate Distributions, from memory).

All of it is fitted by weighted least squares, so covariances follow from the noise of the patch itself
(Gauss-Newton; van den Bos 2007, Parameter Estimation for Scientists and Engineers, from memory).
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from tracker.vision.compiled import compiled
from tracker.vision.order import middle

Patch = NDArray[np.float32]
Array = NDArray[np.float64]
Disc = tuple[float, float, int, float, float]  # radius, softness px; sub-instants of the exposure; blur x, y px
CX, CY, LEVEL, SIZE, SOFT = range(5)  # what a fit finds; size and softness as logarithms; then the shades
FIXED = 5
SHADES = 5  # x, y, x squared, x y, y squared over the disc
FAR2 = 12.0  # squared residual, in sd, at which a pixel has a quarter of its weight
_TABLE = 1024
_REACH = 4.5  # of the soft edge, in its sd


def _soft_edge() -> Array:
    """The normal distribution from -4.5 to 4.5."""
    from scipy.special import ndtr

    return np.asarray(ndtr(np.linspace(-_REACH, _REACH, _TABLE + 1)), float)


EDGE = _soft_edge()


class Pixel(NamedTuple):
    """A pixel's share of the ball: cover and light (over level), their slopes by u, v, ln size and ln softness."""

    cover: float
    cover_u: float
    cover_v: float
    cover_size: float
    cover_soft: float
    light: float
    light_u: float
    light_v: float
    light_size: float
    light_soft: float


@compiled
def _ball(u: float, v: float, disc: Disc, q: Array, edge: Array, leans: Array) -> Pixel:
    """One pixel at (u, v) px from the centre of the round ball; q and leans: shades and their terms, if any."""
    radius, soft, steps, along_x, along_y = disc
    scale, sharp, shaded = _TABLE / (2 * _REACH), 1 / soft, len(q) > 0
    rim, spread = np.sqrt(max(radius**2 - soft**2, (0.25 * radius) ** 2)), (soft / radius) ** 2
    outer2, inner2 = (rim + _REACH * soft) ** 2, max(rim - _REACH * soft, 0.0) ** 2
    cover, cover_u, cover_v, cover_size, cover_soft = 0.0, 0.0, 0.0, 0.0, 0.0
    light, light_u, light_v, light_size, light_soft = 0.0, 0.0, 0.0, 0.0, 0.0
    for m in range(len(leans)):
        leans[m] = 0.0
    for k in range(steps):
        s = (k + 0.5) / steps - 0.5
        x, y = u - s * along_x, v - s * along_y
        square = x * x + y * y
        if square >= outer2:
            continue
        share, d, g, gu, gv, gs, go, z = 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        if square > inner2:
            d = np.sqrt(square) + 1e-12
            z = (rim - d) * sharp
            at = (z + _REACH) * scale
            i = min(max(int(at), 0), _TABLE - 1)
            rise = edge[i + 1] - edge[i]
            share, g = edge[i] + (at - i) * rise, rise * scale * sharp
            outward = g / d
            gu, gv = -outward * x, -outward * y
            gs, go = g * radius * radius / rim, -g * soft * (z + soft / rim)
            cover_u += gu
            cover_v += gv
            cover_size += gs
            cover_soft += go
        cover += share
        if shaded:
            mills = g * soft / share
            inward = 1.0 - soft * mills / d
            narrow = -spread * mills * (z + mills) / (d * d)
            a, b = inward * x / radius, inward * y / radius
            ab = a * b + narrow * x * y
            aa, bb = (
                a * a + spread + narrow * x * x - 0.25,
                b * b + spread + narrow * y * y - 0.25,
            )  # nought over the disc
            here = 1.0 + q[0] * a + q[1] * b + q[2] * aa + q[3] * ab + q[4] * bb
            da, db = q[0] + 2 * q[2] * a + q[3] * b, q[1] + q[3] * a + 2 * q[4] * b
            leans[0] += share * a
            leans[1] += share * b
            leans[2] += share * aa
            leans[3] += share * ab
            leans[4] += share * bb
            light += share * here
            light_u += share * da / radius + gu * here
            light_v += share * db / radius + gv * here
            light_size += gs * here - share * (da * a + db * b)
            light_soft += go * here
    n = 1.0 / steps
    for m in range(len(leans)):
        leans[m] *= n
    if not shaded:
        light, light_u, light_v, light_size, light_soft = cover, cover_u, cover_v, cover_size, cover_soft
    whole = cover * n, cover_u * n, cover_v * n, cover_size * n, cover_soft * n
    return Pixel(*whole, light * n, light_u * n, light_v * n, light_size * n, light_soft * n)


@compiled
def _span(centre: float, reach: float, size: int) -> tuple[int, int]:
    return max(0, int(centre - reach)), min(size, int(centre + reach) + 2)


@compiled
def window(p: Array, streak: Array, shape: tuple[int, int]) -> tuple[int, int, int, int]:
    """Rows and columns of a patch that the ball touches."""
    reach = 0.55 * np.exp(p[SIZE]) + 4 * np.exp(p[SOFT])
    i0, i1 = _span(p[CY], reach + abs(streak[1]) / 2, shape[0])
    j0, j1 = _span(p[CX], reach + abs(streak[0]) / 2, shape[1])
    return i0, i1, j0, j1


@compiled
def _clear(H: Array, b: Array) -> None:
    for a in range(len(b)):
        b[a] = 0.0
        for c in range(len(b)):
            H[a, c] = 0.0


@compiled
def normal(
    p: Array,
    images: tuple[Patch, Patch, Patch],
    M: Array,
    streak: Array,
    edge: Array,
    scale: float,
    stride: int,
    H: Array,
    b: Array,
) -> tuple[float, float]:
    """Fill the normal equations at `p`, variances times `scale`, far pixels (a seam, a twig) losing their weight.

    Only every `stride`-th row and column is looked at, its weight that of all. Returns the scale that the residuals
    themselves tell (their median square over that of a normal distribution) and the number of pixels trusted.
    """
    patch, behind, variance = images
    n = len(p)
    row, leans, q = np.zeros(n), np.empty(n - FIXED), p[FIXED:]
    along = M[0, 0] * streak[0] + M[0, 1] * streak[1], M[1, 0] * streak[0] + M[1, 1] * streak[1]
    soft, level = np.exp(p[SOFT]), p[LEVEL]
    steps = max(1, int(np.ceil(np.sqrt(along[0] ** 2 + along[1] ** 2) / (1.2 * soft))))
    disc = (0.5 * np.exp(p[SIZE]), soft, steps, along[0], along[1])
    i0, i1, j0, j1 = window(p, streak, patch.shape)
    squares = np.empty(max((i1 - i0) * (j1 - j0), 1))
    seen, pixels = 0, 0.0
    _clear(H, b)
    for i in range(i0, i1, stride):
        for j in range(j0, j1, stride):
            dx, dy, rear = j - p[CX], i - p[CY], float(behind[i, j])
            here = _ball(M[0, 0] * dx + M[0, 1] * dy, M[1, 0] * dx + M[1, 1] * dy, disc, q, edge, leans)
            if here.cover == 0.0:
                continue
            miss = patch[i, j] - rear - (level * here.light - rear * here.cover)
            squares[seen] = miss * miss / variance[i, j]
            trust = 1.0 / (1.0 + squares[seen] / (scale * FAR2)) ** 2
            weight = trust * stride * stride / (variance[i, j] * scale)
            seen += 1
            pixels += trust
            by_u, by_v = level * here.light_u - rear * here.cover_u, level * here.light_v - rear * here.cover_v
            row[CX], row[CY] = -(M[0, 0] * by_u + M[1, 0] * by_v), -(M[0, 1] * by_u + M[1, 1] * by_v)
            row[LEVEL], row[SIZE] = here.light, level * here.light_size - rear * here.cover_size
            row[SOFT] = level * here.light_soft - rear * here.cover_soft
            for m in range(n - FIXED):
                row[FIXED + m] = level * leans[m]
            for a in range(n):
                part = weight * row[a]
                b[a] += part * miss
                for c in range(a + 1):
                    H[a, c] += part * row[c]
    for a in range(n):
        for c in range(a):
            H[c, a] = H[a, c]
    if seen < 8:
        return 1.0, pixels
    return middle(squares[:seen]) / 0.4549, pixels


@compiled
def believe(H: Array, b: Array, p: Array, start: Array, prior: Array) -> None:
    """Hold or steady parameters as their priors (sd about `start`; 0 holds, inf leaves free) say, in place."""
    for a in range(len(p)):
        if prior[a] == 0.0:
            for c in range(len(p)):
                H[a, c], H[c, a] = 0.0, 0.0
            H[a, a], b[a] = 1.0, 0.0
        elif np.isfinite(prior[a]):
            H[a, a] += 1 / prior[a] ** 2
            b[a] += (start[a] - p[a]) / prior[a] ** 2
        H[a, a] = H[a, a] * (1.0 + 1e-9) + 1e-12


@compiled
def inverse(H: Array) -> Array:
    """Of a symmetric positive definite matrix (n, n): Gauss and Jordan's elimination, which needs no pivots there."""
    A, n = H.copy(), len(H)
    for k in range(n):
        pivot = 1.0 / A[k, k]
        A[k, k] = 1.0
        for j in range(n):
            A[k, j] *= pivot
        for i in range(n):
            share = A[i, k]
            if i != k and share != 0.0:
                A[i, k] = 0.0
                for j in range(n):
                    A[i, j] -= share * A[k, j]
    return A


@compiled
def fit(
    images: tuple[Patch, Patch, Patch],
    start: Array,
    prior: Array,
    M: Array,
    streak: Array,
    effort: tuple[float, float],
    edge: Array,
    near: tuple[float, float],
) -> tuple[Array, Array, float, float]:
    """The ball behind a patch.

    Parameters
    ----------
    images : patch, behind, variance, each (h, w): grey levels; without the ball; squared sd of their difference where
        there is none
    start : (5 + shades,) centre in the patch, level, ln size, ln softness, shades
    prior : sd of each about `start`; 0 holds it, inf leaves it free
    M : (2, 2) pixels to the round ball's
    streak : (2,) px
    effort : rounds of Gauss and Newton's method, at most; about how many pixels to look at (of a larger ball every
        second, third ... row and column serves)
    near : px; how far from its start the centre may go before the fit is given up, and the last step that counts

    Returns
    -------
    found, cov (zero where held), by how much variances were scaled up, and the number of pixels trusted. No pixel is
    trusted where the fit was given up.
    """
    p = start.copy()
    n = len(p)
    H, b, step = np.empty((n, n)), np.empty(n), np.empty(n)
    h, w = images[0].shape
    last, turn, scale = False, 0, 1e3
    i0, i1, j0, j1 = window(p, streak, images[0].shape)
    stride = max(1, int(np.sqrt((i1 - i0) * (j1 - j0) / effort[1])))
    while True:
        wide, used = normal(p, images, M, streak, edge, scale, stride, H, b)
        scale = max(1.0, wide) if turn else max(scale, wide)
        believe(H, b, p, start, prior)
        cov = inverse(H)
        turn += 1
        if last or turn >= effort[0]:
            break
        for a in range(n):
            step[a] = 0.0
            for c in range(n):
                step[a] += cov[a, c] * b[c]
        size = np.exp(p[SIZE])
        far = max(abs(step[CX]), abs(step[CY]), 0.5 * size * abs(step[SIZE]))
        for a in range(n):
            p[a] += step[a] * min(1.0, (0.35 * size + 0.3) / max(far, 1e-12))
        p[SIZE] = min(max(p[SIZE], 0.4), 4.4)
        p[CX], p[CY] = min(max(p[CX], 0.0), w - 1.0), min(max(p[CY], 0.0), h - 1.0)
        last = far < near[1]
        if abs(p[CX] - start[CX]) > near[0] or abs(p[CY] - start[CY]) > near[0]:
            used = 0.0
            break
    for a in range(n):
        if prior[a] == 0.0:
            cov[a, a] = 0.0
    return p, cov, scale, used


def _upright(up: Array) -> Array:
    """Turns (n, 2, 2) that take directions (n, 2, 1) to that of -y; none where there is no direction."""
    length = np.maximum(np.hypot(up[:, 0, 0], up[:, 1, 0]), 1e-300)
    sure = length > 1e-9
    c, s = np.where(sure, -up[:, 1, 0] / length, 1.0), np.where(sure, -up[:, 0, 0] / length, 0.0)
    return np.array([[c, -s], [s, c]]).transpose(2, 0, 1)


def round_shapes(px: Array, velocity_px_s: Array, camera: Camera) -> Array:
    """What takes pixels about a ball's centre back to a round ball of the same size, (n, 2, 2).

    px, velocity_px_s : (n, 2), (n, 2) where the ball is seen and how its picture moves

    A small sphere shows as an ellipse: longer along the picture's radius than across it by the obliqueness of the view,
    and squeezed as the lens squeezes there. To first order in its angular size that is the slope S of pixels by place
    (S takes what lies along the ray to nothing); back to a circle of the mean size leads the symmetric root of S S'.
    The round ball stands upright: what points upward on the lane has y upward there (-1), as light from above needs,
    wherever in the picture and however the camera is turned.
    Under a rolling shutter the row `dy` below the centre sees the ball `dy` x row time later.
    """
    ray = camera.ray(px)
    seen = np.asarray(np.isfinite(ray).all(axis=1))
    _, slope = camera.project_with_slope(np.where(seen[:, None], camera.centre_m + ray, camera.centre_m + camera.R[2]))
    square = slope @ slope.transpose(0, 2, 1)
    mean = np.sqrt(np.trace(square, axis1=1, axis2=2) / 2)[:, None, None]
    det = np.sqrt(np.linalg.det(square))[:, None, None]
    root = (square + det * np.eye(2)) / np.sqrt(2 * mean**2 + 2 * det)  # Cayley and Hamilton
    seen = seen & np.asarray(np.isfinite(root).all(axis=(1, 2)))
    M = np.where(seen[:, None, None], mean * np.linalg.inv(np.where(seen[:, None, None], root, np.eye(2))), np.eye(2))
    M = _upright(M @ slope[:, :, 2:]) @ M
    late = np.tile(np.eye(2), (len(px), 1, 1))
    late[:, :, 1] -= velocity_px_s * camera.row_time_s
    shapes: Array = M @ late
    return shapes
