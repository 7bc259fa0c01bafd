"""What a ball's markings do to where it seems to be, against the light of a sphere summed over its visible half."""

import numpy as np
import pytest

from tracker.flight.markings import Markings
from tracker.records import Floats

CAMERA = np.array([0.3, -0.9, 0.35])
N = 400


def sphere(d: Floats) -> tuple[Floats, Floats]:
    """Outward normals (n, 3) of the half of a ball seen from the unit direction d, and their places across d."""
    across = np.linalg.svd(d[None])[2][1:]
    grid = (np.arange(N) + 0.5) / N * 2 - 1
    x, y = (g.ravel() for g in np.meshgrid(grid, grid))
    inside = x**2 + y**2 < 1
    x, y = x[inside], y[inside]
    flat = x[:, None] * across[0] + y[:, None] * across[1]
    return flat + np.sqrt(1 - x**2 - y**2)[:, None] * d, flat


def slope_seen(d: Floats, light: Floats, flat: Floats) -> Floats:
    """The slope (3,) of light across d that has the same first moment: a disc's own is pi/4 for a slope of 1."""
    return np.asarray(4 * (light[:, None] * flat).mean(axis=0))


def pushes(d: Floats) -> Floats:
    """The terms' slopes (3, 9) across d, of a camera that sees a metre as a pixel: an orthographic one."""
    across = np.linalg.svd(d[None])[2][1:]
    px = Markings(side_sd=1.0, band_sd=1.0).push_px(across[None], d[None], np.ones(1), np.zeros(1, bool))[0]
    return np.asarray(across.T @ px[:, :9])


@pytest.mark.parametrize("seed", range(5))
def test_a_side_that_is_duller_pushes_along_its_own_axis(seed: int) -> None:
    """Light 1 + a . s over the normals s: the first moment across the line of sight, summed over the disc."""
    rng = np.random.default_rng(seed)
    a, d = rng.normal(size=3), CAMERA + rng.normal(size=3)
    d = d / np.linalg.norm(d)
    normal, flat = sphere(d)
    seen = slope_seen(d, 1 + normal @ a, flat)
    assert pushes(d)[:, :3] @ a == pytest.approx(seen, abs=0.02 * np.linalg.norm(a))


@pytest.mark.parametrize("seed", range(5))
def test_a_seam_pushes_as_the_terms_do(seed: int) -> None:
    """A thin bright band square to n: its moment is n (n . d) across d times one number, whatever the direction."""
    rng = np.random.default_rng(seed)
    n, d = rng.normal(size=3), CAMERA + rng.normal(size=3)
    n, d = n / np.linalg.norm(n), d / np.linalg.norm(d)
    normal, flat = sphere(d)
    half = 0.1
    seen = slope_seen(d, 1.0 * (np.abs(normal @ n) < half), flat)
    M = -np.outer(n, n)
    z = np.array([M[i, j] / (np.sqrt(2) if i == j else 1) for i, j in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))])
    # half a circle of width 2 half: 2 half x integral of cos^2 = half pi, over the disc's area and a slope's moment
    assert pushes(d)[:, 3:] @ z * 4 * half == pytest.approx(seen, abs=0.03 * 4 * half + 0.005)


def test_a_seam_seen_square_or_along_its_plane_pushes_nothing() -> None:
    """By symmetry."""
    n = np.array([1.0, 0.0, 0.0])
    for d in (n, np.array([0.0, 0.6, 0.8])):
        assert np.abs(pushes(d)[:, 3] * 1.0).max() == pytest.approx(0, abs=1e-12)


def test_another_spin_after_the_bounce_shows_other_markings() -> None:
    """Before it the terms of the change do nothing; after it they add to the first ones, along the same pattern."""
    push = Markings(0.1, 0.06).push_px(np.ones((2, 2, 3)), np.ones((2, 3)), np.ones(2), np.array([False, True]))
    assert not push[0, :, 9:].any()
    ratio = push[1, :, 9:] / np.where(push[1, :, :9] == 0, 1.0, push[1, :, :9])
    assert np.allclose(ratio[push[1, :, :9] != 0], ratio[push[1, :, :9] != 0][0]) and 0.3 < ratio.max() < 1


def test_an_even_ball_has_no_terms() -> None:
    assert Markings().count == 0
    assert Markings().push_px(np.ones((4, 2, 3)), np.ones((4, 3)), np.ones(4), np.ones(4, bool)).shape == (4, 2, 0)
