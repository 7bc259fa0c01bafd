"""The soft disc, and light that varies over it, against a disc of fine squares blurred by scipy."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tracker.records import Floats
from tracker.vision.disc import EDGE, _ball

FINE, REACH, SOFT, OFF = 16, 12, 0.7, (0.23, 0.31)


def model(radius: float) -> Floats:
    """Cover and the five terms of light of every pixel, (6, h, w)."""
    leans, axis = np.empty(5), range(-REACH, REACH + 1)
    out = np.empty((6, len(axis), len(axis)))
    for i, v in enumerate(axis):
        for j, u in enumerate(axis):
            pixel = _ball(u - OFF[0], v - OFF[1], (radius, SOFT, 1, 0.0, 0.0), np.zeros(5), EDGE, leans)
            out[:, i, j] = (pixel.cover, *leans)
    return out


def blurred(radius: float) -> Floats:
    """The same by brute force; a square pixel blurs by 1/12 px^2 of its own."""
    axis = (np.arange((2 * REACH + 1) * FINE) + 0.5) / FINE - REACH - 0.5
    x, y = np.meshgrid((axis - OFF[0]) / radius, (axis - OFF[1]) / radius)
    inside = x**2 + y**2 < 1
    sd = np.sqrt(SOFT**2 - 1 / 12) * FINE
    terms = (np.ones_like(x), x, y, x**2 - 0.25, x * y, y**2 - 0.25)
    n = 2 * REACH + 1
    return np.array([gaussian_filter(inside * t, sd).reshape(n, FINE, n, FINE).mean(axis=(1, 3)) for t in terms])


@pytest.mark.parametrize(("radius", "most"), [(2.0, 0.022), (3.0, 0.008), (6.0, 0.004)])
def test_cover_and_light_are_those_of_a_blurred_disc(radius: float, most: float) -> None:
    assert model(radius) == pytest.approx(blurred(radius), abs=most)


@pytest.mark.parametrize("radius", [2.0, 3.0, 6.0])
def test_area_and_first_moment_are_kept(radius: float) -> None:
    """Blurring changes neither; by them a shaded ball's size and middle are found."""
    found, true = model(radius), blurred(radius)
    at = np.arange(-REACH, REACH + 1) - OFF[1]
    assert found[0].sum() == pytest.approx(np.pi * radius**2, rel=0.01)
    assert (found[2].sum(axis=1) * at).sum() == pytest.approx((true[2].sum(axis=1) * at).sum(), rel=0.04)
