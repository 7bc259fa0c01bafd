"""Are distances what the rig says: the balls' apparent size, and the marks the rig was made from.

A rig that is too large in all directions sees every ray meet, every bounce on the floor and gravity only a little too
strong (lift hides it). But it puts the ball farther off than it is, so that the ball looks too large for its radius:
apparent size separates scale from time base. It is the weakest witness: of a ball under lamps before a wall of like
grey only the bright side is seen, and a share lost alike near and far looks like a scale. Small balls, and views that
disagree, are believed less; where the creases or gravity exclude what the sizes tell, the rig is not accused. The marks
noted at calibration separate a rig file that was changed, or belongs to other marks, from one that was made wrongly.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Camera
from calibration.rig import VIEWS, Rig
from tracker.flight.milestones import path_states
from tracker.records import Check, Flight, Floats, Sightings
from tracker.trust.balls import LEAST_BALLS, Balls, judged
from tracker.trust.creases import Told
from tracker.trust.timebase import TimeBase

SCALE_DOUBTFUL, SCALE_FAIL = 0.025, 0.07
SEEN_SD = 0.02  # what one ball's growth may be wrong by in one view: shading, seam, background
COMMON_SD = 0.035  # and what all may: dull sides and seams (sizes of 0.91 to 0.98 were seen), radii (Law 4: 1.1 %)
SMALL_SD, SMALL_PX = 0.25, (8.0, 12.0)  # what small balls may, all of it up to 8 px (0.73 seen), none from 12
EDGE_SD_PX = 0.8  # by how many pixels edges may lie too far out or in
ALIKE = 4.0  # sizes of one ball err alike for so many frames
LEAST_SIZES = 8
TELLING_SD = 0.06  # a scale known no better tells nothing
MARKS_DOUBTFUL_PX, MARKS_FAIL_PX = 1.5, 4.0
SIGMAS, APART_SIGMAS = 2.5, 2.0
SMALLER = "smaller than they are before this background (only their bright side stands out from it)"


@dataclass(frozen=True)
class Scale:
    """Distances over true ones, minus 1, with its sd, by so many views of balls.

    apart       how far apart the two views' answers lie (left less right), 0 where chance may make them differ so
    largest_px  the largest apparent diameter that any ball should have had
    """

    off: float
    sd: float
    told: int
    apart: float
    largest_px: float


def expected_px(flight: Flight, camera: Camera, time_s: Floats, radius_m: float) -> Floats:
    """Apparent diameter (n,) that a flight's ball should have."""
    _, slope = camera.project_with_slope(path_states(flight, time_s)[:, :3])
    # pixels a metre across the line of sight: the slope's two singular values, rms
    diameter: Floats = 2 * radius_m * np.sqrt((slope**2).sum(axis=(1, 2)) / 2)
    return diameter


def size_scale(clips: Sequence[Balls], sightings: Sequence[tuple[Sightings, Sightings]]) -> Scale | None:
    """How much too long distances are by the balls' apparent size; None where too few sizes were measured.

    `sightings` are as first measured, before the flight told which size to expect.
    """
    told, largest_px = list[tuple[int, float, float, float, float]](), 0.0
    for balls, seen in zip(clips, sightings, strict=True):
        session = balls.job.session
        for one in balls.found:
            if one.flight is None:
                continue
            for view, camera in enumerate(session.rig.cameras):
                mine = (one.track.view == view) & one.flight.kept
                size = seen[view].size_px[one.track.row[mine]]
                should = expected_px(one.flight, camera, one.track.time_s[mine], session.ball.radius_m)
                if (found := _one_ball(size, should)) is not None:
                    told.append((view, *found, _alike(float(should.max()))))
                    largest_px = max(largest_px, float(should.max()))
    return _together(np.array(told), largest_px) if len(told) >= 2 * LEAST_BALLS else None


def _alike(largest_px: float) -> float:
    """By what share all balls that come to be so large in the picture may look too small, or too large, alike (sd).

    >>> _alike(6.0) > 0.25, _alike(20.0)
    (True, 0.035)
    """
    return float(np.hypot(COMMON_SD, np.interp(largest_px, SMALL_PX, (SMALL_SD, 0.0))))


def _together(told: Floats, largest_px: float) -> Scale:
    """What balls tell together; rows (n, 5): view, off, sd, what a pixel at the edges makes, what may be off alike."""
    _, off, sd, by_edge, alike = told.T
    weight = 1 / (sd**2 + alike**2)
    weight /= weight.sum()
    mean = float(weight @ off)
    edges = EDGE_SD_PX * float(weight @ by_edge)  # all balls' edges may lie off alike
    apart = _apart(told, weight)  # by half of it the mean may be off
    total = (
        _scatter(off - mean, sd) * float(weight**2 @ sd**2) + edges**2 + float(weight @ alike) ** 2 + (apart / 2) ** 2
    )
    return Scale(mean, float(np.sqrt(total)), len(told), apart, largest_px)


def _apart(told: Floats, weight: Floats) -> float:
    """How far apart the views' answers lie, left less right; 0 where chance and edges may make them differ so."""
    answers, var = list[float](), 0.0
    for mine in (told[:, 0] == view for view in range(len(VIEWS))):
        if not mine.any():
            return 0.0
        _, off, sd, by_edge, _ = told[mine].T
        share = weight[mine] / weight[mine].sum()
        answers.append(float(share @ off))
        var += _scatter(off - answers[-1], sd) * float(share**2 @ sd**2) + (EDGE_SD_PX * float(share @ by_edge)) ** 2
    apart = answers[0] - answers[1]
    return apart if abs(apart) > APART_SIGMAS * np.sqrt(var) else 0.0


def _scatter(miss: Floats, sd: Floats) -> float:
    """By what factor answers' variances are larger than stated; 1 at least."""
    return max(1.0, float(np.sum(miss**2 / sd**2)) / max(len(miss) - 1, 1))


def _one_ball(size_px: Floats, should_px: Floats) -> tuple[float, float, float] | None:
    """How much too large a ball looks in one view as it comes or goes: size = (1 + off) should + edge.

    The answer, its sd, and by how much it would change were the edges a pixel farther out.

    Soft and shaded edges lie too far out or in by some pixels, the same near and far: only the growth tells.
    """
    good = np.isfinite(size_px) & (size_px > 0)
    if good.sum() < LEAST_SIZES:
        return None
    ratio, should = size_px[good] / should_px[good], should_px[good]
    design = np.column_stack([np.ones_like(should), 1 / should])
    prior, weight = np.diag([0.0, 1 / EDGE_SD_PX**2]), np.ones_like(ratio)
    for _ in range(8):
        miss = ratio - design @ (value := np.linalg.solve(*_normal(design, ratio, weight, prior)))
        spread = max(1.48 * float(np.median(np.abs(miss))), 0.005)
        weight = np.minimum(1.0, 2 * spread / np.maximum(np.abs(miss), 1e-12)) / spread**2
    cov = np.linalg.inv(_normal(design, ratio, weight / ALIKE, prior)[0])
    return float(value[0] - 1), float(np.hypot(np.sqrt(cov[0, 0]), SEEN_SD)), float(-cov[0, 1] / EDGE_SD_PX**2)


def _normal(design: Floats, value: Floats, weight: Floats, prior: Floats) -> tuple[Floats, Floats]:
    return (design.T * weight) @ design + prior, (design.T * weight) @ value


def size_check(clips: Sequence[Balls], sightings: Sequence[tuple[Sightings, Sightings]]) -> Check:
    """Scale by the balls' apparent size."""
    found = size_scale(clips, sightings)
    if found is None:
        words = "too few balls were measured to tell"
        return Check("scale", "doubtful", np.nan, 100 * SCALE_DOUBTFUL, "%", words)
    radius = clips[0].job.session.ball.radius_m
    off, sd = 100 * found.off, 100 * found.sd
    words = (
        f"the balls look {abs(off):.1f} % (one sd {sd:.1f}) too {'large' if off > 0 else 'small'}: distances and "
        f"speeds come out {abs(off):.1f} % too {'long' if off > 0 else 'short'} (a wrong scale: board square or marks "
        f"measured wrongly), or the ball's radius is not {radius:g} m. Measure across ten squares of the board and one "
        "known length of the lane"
    )
    if found.sd > TELLING_SD:
        return Check("scale", "doubtful", np.nan, 100 * SCALE_DOUBTFUL, "%", _why_untold(found))
    shown = abs(found.off) if abs(found.off) > SIGMAS * found.sd else 0.0
    check = judged("scale", 100 * shown, 100 * SCALE_DOUBTFUL, 100 * SCALE_FAIL, "%", words)
    limit = max(check.limit, 100 * SIGMAS * found.sd)  # below which chance alone could have made it
    return Check(check.name, check.verdict, off, limit, check.unit, check.advice)


def _why_untold(found: Scale) -> str:
    """Why sizes cannot tell a wrong scale, and what to do."""
    if abs(found.apart) / 2 > TELLING_SD and found.largest_px > SMALL_PX[0]:  # the smallest balls' answers mean nothing
        why = (
            f"by the balls' size the two views' scales differ by {100 * abs(found.apart):.0f} %: before one view's "
            "background they look smaller than they are, which hides"
        )
    elif found.largest_px < SMALL_PX[1]:
        why = (
            f"the balls are small in the pictures ({found.largest_px:.0f} px at most) and may look smaller than they "
            "are before their background: too small to tell"
        )
    else:
        why = "the balls come too little nearer to the cameras to tell"
    return f"{why} a wrong scale: check one known length of the lane"


def excused(check: Check, creases: Told | None, times: Sequence[TimeBase]) -> Check:
    """The scale by size, doubtful at most where the creases or gravity, which know better, exclude it."""
    off = check.value / 100
    witness = []
    if creases is not None and creases.excludes(off):
        witness.append("the creases lie where the rig says")
    if times and all(time.excludes(off) for time in times):
        witness.append("gravity comes out right")
    if check.verdict == "pass" or not witness:
        return check
    size, how = ("large", "larger than they are (blur, glare)") if off > 0 else ("small", SMALLER)
    words = (
        f"the balls look {abs(check.value):.0f} % too {size}, but {' and '.join(witness)}: it is not the scale. They "
        f"look {how}, or the ball's radius is not the one stated. Distances and speeds are not in doubt for it"
    )
    return replace(check, verdict="doubtful", advice=words)


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
