"""One ball, many looks: what all pictures of a ball share is found from all of them together.

Lighting from above shifts the middle of what stands out by up to a tenth of the ball's diameter, and one small picture
cannot tell such a shift from a shifted ball. All pictures of one flight together can: they share how the light varies
over the ball, how soft edges are, and by how much the apparent size
differs from the one expected. Each look keeps its own centre and brightness; these are eliminated from its normal
equations, the shared numbers are solved for, and the looks follow (a bundle adjustment; Triggs et al. 2000, Bundle
Adjustment - A Modern Synthesis, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracker.records import Floats
from tracker.vision.disc import EDGE, FIXED, SHADES, SIZE, Patch, fit, normal

LOCAL = 3  # centre x, centre y and level are a look's own
PER_LOOK = 2 + SHADES  # what a look takes from the shared numbers: ln size, ln softness, shades
SHARED = 3 + SHADES  # ln size ratio, size excess px, ln softness, shades
BELIEF = 0.01  # share of the looks' information on what they share that is believed: their faults are alike
_PRIOR = np.array([0.0, 0.0, 0.0, 0.0, -0.15, 0.0, 0.0, 0.0])  # lamps hang above: a ball is darker below
_PRIOR_SD = np.array([0.01, 0.3, 0.35, np.inf, 0.2, 0.3, 0.1, 0.3])
_ASIDE = 3  # lamps in rows light a ball evenly from both sides, the sun or windows by far not: Cauchy's prior of this
_ASIDE_SCALE = 0.07  # half width, as a normal one whose variance follows what is found
_ASIDE_FIRST, _FIRST = 0.3, 3  # so wide for the first rounds: a ball held as evenly lit would not show that it is not
_ROUNDS = 7


@dataclass(frozen=True, eq=False)
class Sample:
    """A look made ready.

    images  patch, behind, variance;  start (3,) centre in the patch and level
    M, streak, size_px  shape, blur, expected diameter
    """

    images: tuple[Patch, Patch, Patch]
    start: Floats
    M: Floats
    streak: Floats
    size_px: float


@dataclass(frozen=True, eq=False)
class Fitted:
    """What all looks together say.

    p      (k, 5 + SHADES) of each look;  cov (k, 2, 2) of its centre;  scale (k,) of its variances
    lean   (k,) px by which its centre would be off if its light sloped by 1 more than is known, as Sightings.lean_px
    shared, shared_cov  what all looks share
    """

    p: Floats
    cov: Floats
    lean: Floats
    scale: Floats
    shared: Floats
    shared_cov: Floats


def fit_together(samples: Sequence[Sample], soft_px: float) -> Fitted:
    """Fit all looks of one ball."""
    many, n = len(samples), FIXED + SHADES
    shared = _PRIOR.copy()
    shared[2] = np.log(soft_px)
    mean = shared.copy()
    information = np.diag(1 / _PRIOR_SD**2)
    designs = [design(s.size_px) for s in samples]
    p = np.array([_alone(s, d @ shared) for s, d in zip(samples, designs, strict=True)])
    H, b, scale = np.empty((many, n, n)), np.empty((many, n)), np.full(many, 1e3)
    for turn in range(_ROUNDS):
        narrow = 2 / (_ASIDE_SCALE**2 + shared[_ASIDE] ** 2)
        information[_ASIDE, _ASIDE] = 1 / _ASIDE_FIRST**2 if turn < _FIRST else narrow
        for k, s in enumerate(samples):
            p[k, LOCAL:] = designs[k] @ shared
            p[k, SIZE] += np.log(s.size_px)
            wide, _ = normal(p[k], s.images, s.M, s.streak, EDGE, scale[k], 1, H[k], b[k])
            scale[k] = max(1.0, wide) if turn else 4 * max(1.0, wide)
        local, step, cov, shared_cov = _solve(H, b, designs, information, mean - shared)
        if turn < _ROUNDS - 1:
            p[:, :LOCAL] += local
            shared = shared + step
    return Fitted(p, cov, _leans(H, np.array([s.M for s in samples])), scale, shared, shared_cov)


def design(size_px: float) -> Floats:
    """What a look takes (PER_LOOK,) from the shared numbers, as a matrix."""
    D = np.zeros((PER_LOOK, SHARED))
    D[0, :2], D[1, 2] = (1.0, 1 / size_px), 1.0
    D[2:, 3:] = np.eye(SHADES)
    return D


def _alone(s: Sample, taken: Floats) -> Floats:
    """A look by itself, everything shared as given."""
    start = np.concatenate([s.start, taken])
    start[SIZE] += np.log(s.size_px)
    prior = np.concatenate([np.full(LOCAL, np.inf), np.zeros(PER_LOOK)])
    return fit(s.images, start, prior, s.M, s.streak, (8.0, 400.0), EDGE, (np.inf, 0.005))[0]


def _own_cov(H: Floats) -> Floats:
    """Covariance (k, 3, 3) of what is each look's own, all else known."""
    return np.asarray(np.linalg.inv(H[:, :LOCAL, :LOCAL] + 1e-9 * np.eye(LOCAL)), float)


def _leans(H: Floats, M: Floats) -> Floats:
    """By how much a slope of light, right or down, moves the centre right or down: the mean of the two, (k,)."""
    moved = (_own_cov(H) @ H[:, :LOCAL, FIXED : FIXED + 2])[:, :2]
    turn, across = M[:, 0, 0] + M[:, 1, 1], M[:, 1, 0] - M[:, 0, 1]  # of the round ball against the picture
    along, aside = moved[:, 0, 0] + moved[:, 1, 1], moved[:, 0, 1] - moved[:, 1, 0]
    return np.asarray((along * turn + aside * across) / (2 * np.hypot(turn, across)))


def _solve(
    H: Floats, b: Floats, designs: Sequence[Floats], information: Floats, off_mean: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """One step of the looks (k, 3) and of the shared numbers; covariance of centres (k, 2, 2) and of the shared.

    The centres' is that of each look by itself: what errors of the shared numbers do to all of them alike belongs to
    the view, not to its sightings (FlightSettings.view_bias_px).
    """
    total, pull = information.copy(), information @ off_mean
    inner = _own_cov(H)
    gains = []
    for k, D in enumerate(designs):
        across = H[k, :LOCAL, LOCAL:] @ D
        gain = inner[k] @ across
        total += BELIEF * (D.T @ H[k, LOCAL:, LOCAL:] @ D - across.T @ gain)
        pull += BELIEF * (D.T @ b[k, LOCAL:] - gain.T @ b[k, :LOCAL])
        gains.append(gain)
    shared_cov = np.asarray(np.linalg.inv(total), float)
    shared = shared_cov @ pull
    local = np.array([inner[k] @ b[k, :LOCAL] - gains[k] @ shared for k in range(len(designs))])
    return local, shared, inner[:, :2, :2], shared_cov
