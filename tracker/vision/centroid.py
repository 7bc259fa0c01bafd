"""Where the ball is in its patch: first from the spot alone, then again once its size and blur are known."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracker.records import Floats, Sightings
from tracker.settings import VisionSettings
from tracker.vision.background import Ground
from tracker.vision.detect import BREADTH, Spots
from tracker.vision.disc import CX, CY, EDGE, LEVEL, SIZE, fit
from tracker.vision.link import Member
from tracker.vision.looks import Look, Shot, Shots, look_at


@dataclass(frozen=True, eq=False)
class Measured:
    """One sighting, before it is put into the table."""

    frame: int
    stamp_s: float
    chain: int
    centre_px: Floats
    cov_px2: Floats
    size_px: float
    streak_px: Floats
    score: float
    look: Look


def first_measure(
    member: Member, spot: Spots, now: Shot, others: Shots, ground: Ground, exposure_s: float, settings: VisionSettings
) -> Measured | None:
    """Measure a spot of a chain in the full-size frame; None where no ball can be made of it."""
    size = float(np.clip(np.sqrt(max(spot[BREADTH] ** 2 - 1.33 * ground.box**2, 9.0)), 3.0, settings.largest_px))
    streak = member.velocity_px_s * exposure_s
    look = look_at(member.centre_px, member.velocity_px_s, size, streak, now, others, ground)
    if look is None:
        return None
    patch, behind, variance = look.patch.astype(np.float32), look.behind(), look.variance()
    at = member.centre_px - look.corner
    i, j = (int(np.clip(round(at[k]), 0, patch.shape[1 - k] - 1)) for k in (1, 0))
    start = np.array([at[0], at[1], float(patch[i, j]), size, 0.0, 0.0])
    prior = np.array([np.inf, np.inf, np.inf, 0.5 * size, 0.0, 0.0])
    found, cov, chi2, used = fit((patch, behind, variance), start, prior, streak, settings.soft_px, 7, EDGE)
    off = np.hypot(found[CX] - at[0], found[CY] - at[1])
    if not np.isfinite(found).all() or off > 1.5 * size + 4 or not 1.6 < found[SIZE] < 1.5 * settings.largest_px:
        return None
    centre = found[[CX, CY]] + look.corner
    score = abs(found[LEVEL] - float(behind[i, j])) / np.sqrt(float(np.median(variance)))
    worse = max(1.0, chi2 / max(used - 4, 1.0))
    return Measured(
        now.frame.index,
        now.frame.stamp_s,
        member.chain,
        centre,
        cov[:2, :2] * worse,
        float(found[SIZE]),
        streak,
        float(score),
        look,
    )


def measure_again(
    looks: Sequence[Look],
    old: Sightings,
    centre_px: Floats,
    size_px: Floats,
    streak_px: Floats,
    settings: VisionSettings,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Centre, covariance, size and score of looks with size and blur given."""
    centre, cov, size, score = old.centre_px.copy(), old.cov_px2.copy(), old.size_px.copy(), old.score.copy()
    for k, look in enumerate(looks):
        patch, behind, variance = look.patch.astype(np.float32), look.behind(), look.variance()
        at = centre_px[k] - look.corner
        i, j = (int(np.clip(round(at[m]), 0, patch.shape[1 - m] - 1)) for m in (1, 0))
        start = np.array([at[0], at[1], float(patch[i, j]), size_px[k], 0.0, 0.0])
        prior = np.array([np.inf, np.inf, np.inf, 0.0, 0.0, 0.0])
        found, own, chi2, used = fit((patch, behind, variance), start, prior, streak_px[k], settings.soft_px, 7, EDGE)
        if np.isfinite(found).all() and np.hypot(found[CX] - at[0], found[CY] - at[1]) < size_px[k] + 3:
            centre[k] = found[[CX, CY]] + look.corner
            cov[k] = own[:2, :2] * max(1.0, chi2 / max(used - 3, 1.0))
            size[k] = size_px[k]
            score[k] = abs(found[LEVEL] - float(behind[i, j])) / np.sqrt(float(np.median(variance)))
    return centre, cov, size, score
