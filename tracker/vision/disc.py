"""What a blurred ball does to a picture, and the ball that explains a patch best.

A disc of diameter `size`, moved along `streak` during the exposure and softened by lens and pixel, covers each pixel
by a share; there the ball's own light stands in place of what is behind:

    patch = behind x (1 - cover) + level x cover + slope . lean

`level` is the ball's brightness, `slope` how it brightens from left to right and from top to bottom (a ball lit from
above is darker below), `lean` the cover times the position in the ball (-1 to 1). Centre, level and, where asked, size
and slope are found by weighted least squares, so their covariance follows from the noise of the patch itself.
"""

import numpy as np
from numpy.typing import NDArray

from tracker.vision.compiled import compiled

Patch = NDArray[np.float32]
CX, CY, LEVEL, SIZE, SLOPE_X, SLOPE_Y = range(6)  # what a fit finds
PARAMETERS = 6
_TABLE = 1024
_REACH = 4.5  # of the soft edge, in its sd


def _soft_edge() -> NDArray[np.float64]:
    """The normal distribution from -4.5 to 4.5."""
    from scipy.special import ndtr

    return np.asarray(ndtr(np.linspace(-_REACH, _REACH, _TABLE + 1)), float)


EDGE = _soft_edge()


@compiled
def cover(
    dx: float,
    dy: float,
    radius: float,
    streak: NDArray[np.float64],
    soft: float,
    edge: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Cover at (dx, dy) from the centre, its slopes by centre x, centre y and radius, and the two leans: `out` (6,)."""
    steps = max(1, int(np.ceil(np.hypot(streak[0], streak[1]) / 0.9)))
    scale = _TABLE / (2 * _REACH)
    out[:] = 0.0
    for k in range(steps):
        s = (k + 0.5) / steps - 0.5
        x, y = dx - s * streak[0], dy - s * streak[1]
        d = np.sqrt(x * x + y * y)
        at = ((radius - d) / soft + _REACH) * scale
        if at <= 0.0:
            continue
        share = 1.0
        if at < _TABLE:
            i = int(at)
            rise = edge[i + 1] - edge[i]
            share = edge[i] + (at - i) * rise
            g = rise * scale / soft
            out[3] += g
            if d > 1e-9:
                out[1] += g * x / d
                out[2] += g * y / d
        out[0] += share
        out[4] += share * x
        out[5] += share * y
    out[:4] /= steps
    out[4:] /= steps * radius


@compiled
def _span(centre: float, reach: float, size: int) -> tuple[int, int]:
    return max(0, int(centre - reach)), min(size, int(centre + reach) + 2)


@compiled
def _normal(
    p: NDArray[np.float64],
    images: tuple[Patch, Patch, Patch],
    streak: NDArray[np.float64],
    soft: float,
    edge: NDArray[np.float64],
    H: NDArray[np.float64],
    b: NDArray[np.float64],
) -> tuple[float, float]:
    """Fill the normal equations at `p`; chi2 and the number of pixels the ball touches."""
    patch, behind, variance = images
    out, row = np.empty(PARAMETERS), np.empty(PARAMETERS)
    radius = p[SIZE] / 2
    i0, i1 = _span(p[CY], radius + abs(streak[1]) / 2 + 4 * soft, patch.shape[0])
    j0, j1 = _span(p[CX], radius + abs(streak[0]) / 2 + 4 * soft, patch.shape[1])
    chi2 = 0.0
    for i in range(i0, i1):
        for j in range(j0, j1):
            cover(j - p[CX], i - p[CY], radius, streak, soft, edge, out)
            stand = p[LEVEL] - behind[i, j]
            miss = patch[i, j] - behind[i, j] - out[0] * stand - p[SLOPE_X] * out[4] - p[SLOPE_Y] * out[5]
            weight = 1.0 / variance[i, j]
            row[CX] = stand * out[1] - p[SLOPE_X] * out[0] / radius
            row[CY] = stand * out[2] - p[SLOPE_Y] * out[0] / radius
            row[LEVEL], row[SIZE] = out[0], stand * out[3] / 2
            row[SLOPE_X], row[SLOPE_Y] = out[4], out[5]
            chi2 += weight * miss * miss
            if out[0] == 0.0:
                continue
            for a in range(PARAMETERS):
                part = weight * row[a]
                b[a] += part * miss
                for c in range(a + 1):
                    H[a, c] += part * row[c]
    for a in range(PARAMETERS):
        for c in range(a):
            H[c, a] = H[a, c]
    return chi2, float((i1 - i0) * (j1 - j0))


@compiled
def _believe(
    H: NDArray[np.float64],
    b: NDArray[np.float64],
    p: NDArray[np.float64],
    start: NDArray[np.float64],
    prior: NDArray[np.float64],
) -> None:
    """Hold or steady parameters as their priors say, in place."""
    for a in range(PARAMETERS):
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
    start: NDArray[np.float64],
    prior: NDArray[np.float64],
    streak: NDArray[np.float64],
    soft: float,
    rounds: int,
    edge: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], float, float]:
    """The ball behind a patch.

    Parameters
    ----------
    images : patch, behind, variance, each (h, w): grey levels; without the ball; squared sd of their difference where
        there is none
    start : (6,) centre in the patch, level, size, slope x, slope y
    prior : (6,) sd of each parameter about `start`; 0 holds it, inf leaves it free
    streak : (2,) px
    soft : sd of the edge's softness, px
    rounds : of Gauss and Newton's method, at most

    Returns
    -------
    found : (6,), cov : (6, 6) zero where held, chi2 over the ball's pixels, and their number
    """
    p = start.copy()
    h, w = images[0].shape
    last = False
    turn = 0
    while True:
        H, b = np.zeros((PARAMETERS, PARAMETERS)), np.zeros(PARAMETERS)
        chi2, used = _normal(p, images, streak, soft, edge, H, b)
        _believe(H, b, p, start, prior)
        cov: NDArray[np.float64] = np.linalg.inv(H).astype(np.float64)
        turn += 1
        if last or turn >= rounds:
            break
        step = cov @ b
        far = max(abs(step[CX]), abs(step[CY]), 0.5 * abs(step[SIZE]))
        p += step * min(1.0, (0.35 * p[SIZE] + 0.3) / max(far, 1e-12))
        p[SIZE] = min(max(p[SIZE], 1.5), 80.0)
        p[CX], p[CY] = min(max(p[CX], 0.0), w - 1.0), min(max(p[CY], 0.0), h - 1.0)
        last = far < 0.002
    for a in range(PARAMETERS):
        if prior[a] == 0.0:
            cov[a, a] = 0.0
    return p, cov, chi2, used
