"""Are distances what the rig says: the balls' apparent size, and the marks the rig was made from.

A rig that is too large in all directions sees every ray meet, every bounce on the floor and gravity only a little too
strong (lift hides it). But it puts the ball farther off than it is, so that the ball looks too large for its radius:
apparent size separates scale from time base. The marks noted at calibration separate a rig file that was changed, or
belongs to other marks, from one that was made wrongly.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera
from calibration.rig import VIEWS, Rig
from tracker.flight.milestones import path_states
from tracker.records import Check, Flight, Floats
from tracker.trust.balls import LEAST_BALLS, Balls, judged

SCALE_DOUBTFUL, SCALE_FAIL = 0.025, 0.07
SEEN_SD = 0.01  # what one ball's apparent size may be wrong by in one view: shading, seam, background
COMMON_SD = 0.012  # and what all may: the Laws let a new ball's radius vary by 1.1 % (Law 4), lenses soften edges alike
SOFT_SD_PX = 0.15  # by how many pixels edges may lie too far out or in
MARKS_DOUBTFUL_PX, MARKS_FAIL_PX = 1.5, 4.0
SIGMAS = 2.0


@dataclass(frozen=True)
class Scale:
    """Distances over true ones, minus 1, with its sd."""

    off: float
    sd: float
    balls: int


def expected_px(flight: Flight, camera: Camera, time_s: Floats, radius_m: float) -> Floats:
    """Apparent diameter (n,) that a flight's ball should have."""
    _, slope = camera.project_with_slope(path_states(flight, time_s)[:, :3])
    # pixels a metre across the line of sight: the slope's two singular values, rms
    diameter: Floats = 2 * radius_m * np.sqrt((slope**2).sum(axis=(1, 2)) / 2)
    return diameter


def size_scale(clips: Sequence[Balls]) -> Scale | None:
    """How much too long distances are by the balls' apparent size; None where too few sizes were measured."""
    ratio, size, view_of, balls_seen = list[float](), list[float](), list[int](), 0
    for balls in clips:
        session = balls.job.session
        for one in balls.found:
            if one.flight is None:
                continue
            balls_seen += 1
            for view, camera in enumerate(session.rig.cameras):
                mine = (one.track.view == view) & one.flight.kept & np.isfinite(one.track.size_px)
                if mine.sum() < 5:
                    continue
                should = expected_px(one.flight, camera, one.track.time_s[mine], session.ball.radius_m)
                ratio.append(float(np.median(np.log(one.track.size_px[mine] / should))))
                size.append(float(np.median(should)))
                view_of.append(view)
    if balls_seen < LEAST_BALLS or not ratio:
        return None
    # ln ratio = off + softness of the view / size
    design = np.zeros((len(ratio), 3))
    design[:, 0] = 1.0
    design[np.arange(len(ratio)), 1 + np.array(view_of)] = 1 / np.array(size)
    spread = max(SEEN_SD, 1.48 * float(np.median(np.abs(np.array(ratio) - np.median(ratio)))))
    near = np.abs(np.array(ratio) - np.median(ratio)) < 4 * spread
    normal = design[near].T @ design[near] / spread**2 + np.diag([0.0, 1 / SOFT_SD_PX**2, 1 / SOFT_SD_PX**2])
    cov = np.linalg.inv(normal)
    value = cov @ (design[near].T @ np.array(ratio)[near]) / spread**2
    return Scale(float(np.expm1(value[0])), float(np.hypot(np.sqrt(cov[0, 0]), COMMON_SD)), balls_seen)


def size_check(clips: Sequence[Balls]) -> Check:
    """Scale by the balls' apparent size."""
    found = size_scale(clips)
    if found is None:
        words = "too few balls were measured to tell"
        return Check("scale", "doubtful", np.nan, 100 * SCALE_DOUBTFUL, "%", words)
    radius = clips[0].job.session.ball.radius_m
    off, sd = 100 * found.off, 100 * found.sd
    words = (
        f"the balls look {abs(off):.1f} +- {sd:.1f} % too {'large' if off > 0 else 'small'}: distances and speeds come "
        f"out {abs(off):.1f} % too {'long' if off > 0 else 'short'} (a wrong scale: board square or marks measured "
        f"wrongly), or the ball's radius is not {radius:g} m. Measure across ten squares of the board and one known "
        "length of the lane"
    )
    shown = abs(found.off) if abs(found.off) > SIGMAS * found.sd else 0.0
    check = judged("scale", 100 * shown, 100 * SCALE_DOUBTFUL, 100 * SCALE_FAIL, "%", words)
    return Check(check.name, check.verdict, off, check.limit, check.unit, check.advice)


def marks_check(rig: Rig) -> list[Check]:
    """Whether the rig still sees the marks it was made from where they were clicked; nothing where none are noted."""
    point, view_of, px = list[Floats](), list[int](), list[Floats]()
    for mark in rig.notes.get("marks", []):
        for view, name in enumerate(VIEWS):
            if isinstance(mark, dict) and f"{name}_px" in mark and {"x_m", "y_m", "z_m"} <= set(mark):
                point.append(np.array([mark["x_m"], mark["y_m"], mark["z_m"]], float))
                px.append(np.array(mark[f"{name}_px"], float))
                view_of.append(view)
    if len(point) < 4:
        return []
    miss, scales = list[float](), list[float]()
    for view, camera in enumerate(rig.cameras):
        mine = [i for i, v in enumerate(view_of) if v == view]
        if len(mine) >= 4:
            at, seen = np.array([point[i] for i in mine]), np.array([px[i] for i in mine])
            miss += [float(m) for m in np.linalg.norm(camera.project(at) - seen, axis=1)]
            scales.append(_larger(camera, at, seen))
    value = float(np.sqrt(np.mean(np.square(miss)))) if np.isfinite(miss).all() else np.inf
    off = 100 * (float(np.median(scales)) - 1)
    words = (
        f"the rig sees the marks it was made from {value:.1f} px off: the file was changed, or belongs to other marks; "
        f"by them distances come out {off:+.1f} % too long. Calibrate again"
    )
    return [judged("marks of the rig", value, MARKS_DOUBTFUL_PX, MARKS_FAIL_PX, "px", words)]


def _larger(camera: Camera, point_m: Floats, px: Floats) -> float:
    """By what factor the lane must be scaled about its origin for the camera to see the marks best (one number)."""
    factors = np.linspace(0.8, 1.25, 181)
    cost = [np.nansum(np.linalg.norm(camera.project(f * point_m) - px, axis=1)) for f in factors]
    return float(factors[int(np.argmin(cost))])
