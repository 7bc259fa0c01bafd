"""What a blurred ball does to a picture, and the ball that explains a patch best.

A disc of diameter `size`, moved along `streak` during the exposure and softened by lens and pixel, covers each pixel
by a share; there the ball's own light stands in place of what is behind:

    patch = behind x (1 - cover) + level x (cover + shade . leans)

`level` is the ball's brightness; `shade` says how it varies over the disc, as a polynomial of second degree in the
place on it (x to the right, y down, -1 to 1): balls are lit from above and darker at the rim. `leans` are its terms
blurred like the disc. What is not smooth, such as a seam, loses its weight as a pixel that does not fit. A ball off
the picture's axis is an ellipse, and a rolling shutter shears and stretches it: `shape` takes pixels back to the round
ball. All of it is fitted by weighted least squares, so covariances follow from the noise of the patch itself
(Gauss-Newton; van den Bos 2007, Parameter Estimation for Scientists and Engineers, from memory).
"""

import numpy as np
from numpy.typing import NDArray

from tracker.vision.compiled import compiled

Patch = NDArray[np.float32]
Array = NDArray[np.float64]
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


@compiled
def _ball(u: float, v: float, disc: tuple[float, float, int], q: Array, streak: Array, edge: Array, out: Array) -> None:
    """One pixel at (u, v) px from the centre of the round ball.

    disc : radius and softness in px, sub-instants of the exposure; q : shades; streak : (2,) in the round ball's axes
    out : (10 + shades,) cover and its slopes by u, v, ln size, ln soft; light (over level) and its slopes; leans
    """
    radius, soft, steps = disc
    shaded = len(q) > 0
    scale = _TABLE / (2 * _REACH)
    out[:] = 0.0
    for k in range(steps):
        s = (k + 0.5) / steps - 0.5
        x, y = u - s * streak[0], v - s * streak[1]
        d = np.sqrt(x * x + y * y) + 1e-12
        z = (radius - d) / soft
        if z <= -_REACH:
            continue
        share, g = 1.0, 0.0
        if z < _REACH:
            at = (z + _REACH) * scale
            i = int(at)
            rise = edge[i + 1] - edge[i]
            share, g = edge[i] + (at - i) * rise, rise * scale / soft
        a, b = x / radius, y / radius
        light, da, db = 1.0, 0.0, 0.0
        if shaded:
            inward = 1.0 - soft * soft * g / (share * d)  # a soft edge mixes in light from inside the rim only
            a, b = inward * a, inward * b
            aa, bb = a * a - 0.25, b * b - 0.25  # nought over the disc
            light += q[0] * a + q[1] * b + q[2] * aa + q[3] * a * b + q[4] * bb
            da, db = q[0] + 2 * q[2] * a + q[3] * b, q[1] + q[3] * a + 2 * q[4] * b
            out[10] += share * a
            out[11] += share * b
            out[12] += share * aa
            out[13] += share * a * b
            out[14] += share * bb
        out[0] += share
        out[1] -= g * x / d
        out[2] -= g * y / d
        out[3] += g * radius
        out[4] -= g * z * soft
        out[5] += share * light
        out[6] += share * da / radius - g * light * x / d
        out[7] += share * db / radius - g * light * y / d
        out[8] += g * radius * light - share * (da * a + db * b)
        out[9] -= g * z * soft * light
    out /= steps


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
def _row(
    i: int,
    j: int,
    p: Array,
    disc: tuple[float, float, int],
    behind: float,
    M: Array,
    streak: Array,
    edge: Array,
    out: Array,
    row: Array,
) -> float:
    """The model at a pixel less what is behind, and its slopes by all parameters into `row`."""
    dx, dy = j - p[CX], i - p[CY]
    u, v = M[0, 0] * dx + M[0, 1] * dy, M[1, 0] * dx + M[1, 1] * dy
    _ball(u, v, disc, p[FIXED:], streak, edge, out)
    level = p[LEVEL]
    by_u, by_v = level * out[6] - behind * out[1], level * out[7] - behind * out[2]
    row[CX], row[CY] = -(M[0, 0] * by_u + M[1, 0] * by_v), -(M[0, 1] * by_u + M[1, 1] * by_v)
    row[LEVEL] = out[5]
    row[SIZE], row[SOFT] = level * out[8] - behind * out[3], level * out[9] - behind * out[4]
    for m in range(len(p) - FIXED):
        row[FIXED + m] = level * out[10 + m]
    return float(level * out[5] - behind * out[0])


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
    out, row = np.empty(10 + n - FIXED), np.empty(n)
    round_streak = M @ streak
    soft = np.exp(p[SOFT])
    disc = (
        0.5 * np.exp(p[SIZE]),
        soft,
        max(1, int(np.ceil(np.hypot(round_streak[0], round_streak[1]) / (1.2 * soft)))),
    )
    i0, i1, j0, j1 = window(p, streak, patch.shape)
    squares = np.empty(max((i1 - i0) * (j1 - j0), 1))
    seen, pixels = 0, 0.0
    H[:], b[:] = 0.0, 0.0
    for i in range(i0, i1, stride):
        for j in range(j0, j1, stride):
            stands = _row(i, j, p, disc, float(behind[i, j]), M, round_streak, edge, out, row)
            if out[0] == 0.0:
                continue
            miss = patch[i, j] - behind[i, j] - stands
            squares[seen] = miss * miss / variance[i, j]
            trust = 1.0 / (1.0 + squares[seen] / (scale * FAR2)) ** 2
            weight = trust * stride * stride / (variance[i, j] * scale)
            seen += 1
            pixels += trust
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
    return np.sort(squares[:seen])[seen // 2] / 0.4549, pixels


@compiled
def believe(H: Array, b: Array, p: Array, start: Array, prior: Array) -> None:
    """Hold or steady parameters as their priors (sd about `start`; 0 holds, inf leaves free) say, in place."""
    for a in range(len(p)):
        if prior[a] == 0.0:
            H[a, :] = 0.0
            H[:, a] = 0.0
            H[a, a], b[a] = 1.0, 0.0
        elif np.isfinite(prior[a]):
            H[a, a] += 1 / prior[a] ** 2
            b[a] += (start[a] - p[a]) / prior[a] ** 2
        H[a, a] = H[a, a] * (1.0 + 1e-9) + 1e-12


@compiled
def fit(
    images: tuple[Patch, Patch, Patch],
    start: Array,
    prior: Array,
    M: Array,
    streak: Array,
    rounds: int,
    pixels: float,
    edge: Array,
    near: tuple[float, float] = (np.inf, 0.005),
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
    rounds : of Gauss and Newton's method, at most
    pixels : about how many to look at; of a larger ball every second, third ... row and column serves
    near : px; how far from its start the centre may go before the fit is given up, and the last step that counts

    Returns
    -------
    found, cov (zero where held), by how much variances were scaled up, and the number of pixels trusted. No pixel is
    trusted where the fit was given up.
    """
    p = start.copy()
    n = len(p)
    H, b = np.empty((n, n)), np.empty(n)
    h, w = images[0].shape
    last, turn, scale = False, 0, 1e3
    i0, i1, j0, j1 = window(p, streak, images[0].shape)
    stride = max(1, int(np.sqrt((i1 - i0) * (j1 - j0) / pixels)))
    while True:
        wide, used = normal(p, images, M, streak, edge, scale, stride, H, b)
        scale = max(1.0, wide) if turn else max(scale, wide)
        believe(H, b, p, start, prior)
        cov = np.linalg.inv(H).astype(np.float64)
        turn += 1
        if last or turn >= rounds:
            break
        step = cov @ b
        size = np.exp(p[SIZE])
        far = max(abs(step[CX]), abs(step[CY]), 0.5 * size * abs(step[SIZE]))
        p += step * min(1.0, (0.35 * size + 0.3) / max(far, 1e-12))
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


@compiled
def round_shape(px: Array, matrix: Array, velocity_px_s: Array, row_time_s: float) -> Array:
    """What takes pixels about a ball's centre back to a round ball, (2, 2), area kept but for the rolling shutter.

    A sphere at an angle a off the axis shows as an ellipse 1 / cos a longer along the radius than across it (to first
    order in its angular size). Under a rolling shutter the row `dy` below the centre sees it `dy` x row time later.
    """
    out_x, out_y = (px[0] - matrix[0, 2]) / matrix[0, 0], (px[1] - matrix[1, 2]) / matrix[1, 1]
    off2 = out_x * out_x + out_y * out_y
    M = np.eye(2)
    if off2 > 1e-12:
        stretch = (1 + off2) ** 0.25  # root of 1 / cos a
        along = 1 / stretch - stretch
        M[0, 0], M[1, 1] = stretch + along * out_x * out_x / off2, stretch + along * out_y * out_y / off2
        M[0, 1] = M[1, 0] = along * out_x * out_y / off2
    late = np.array([[1.0, -velocity_px_s[0] * row_time_s], [0.0, 1.0 - velocity_px_s[1] * row_time_s]])
    shape: Array = M @ late
    return shape
