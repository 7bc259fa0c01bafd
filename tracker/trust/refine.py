"""The balls of a session adjust the rig within its own covariance, all together (`lanepair track --refine-rig`).

Gauss-Newton on the joint cost of tracker/joint.py, with the rig's covariance as prior: each flight keeps its own
parameters, and what all balls of a session may have in common (drag, lift, shading, the floor's height, the clocks) is
free too, so that it is not taken for the rig's error. The refined rig carries the posterior covariance. A change that
the covariance does not allow is refused: then a camera was knocked or the covariance is wrong, and neither is mended
by believing the balls.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import chdtri

from calibration.doubt import doubt_at
from calibration.rig import VIEWS, Rig
from calibration.triangulate import triangulate_many
from tracker.joint import COMMON, Arc, gather, standard, stepped
from tracker.records import Floats
from tracker.trust.balls import Balls, session_arcs
from tracker.trust.knock import LANE_POINTS_M

LEAST_BALLS = 4
ROUNDS = 5
STILL = 1e-3  # of a prior sd: a smaller step ends the search
TELLING = 0.2  # information beside the prior's from which on a combination of the rig's numbers is told by the balls
WITHIN = 0.999  # probability that a true covariance allows a change as large
SLACK = 1.5  # and by how much more, because the errors of sightings are not quite independent


@dataclass(frozen=True, eq=False)
class Refined:
    """What the balls made of a rig.

    rig       with the posterior covariance
    prior     the rig as it was
    moved     (k,) change of the rig's numbers, in the order of rig.names
    misfit    how far the balls want the rig beyond its covariance: rms over what they tell, 1 where all is as stated
    limit     of `misfit`
    cost      before and after, chi-squared and priors
    balls     how many
    """

    rig: Rig
    prior: Rig
    moved: Floats
    misfit: float
    limit: float
    cost: tuple[float, float]
    balls: int

    @property
    def allowed(self) -> bool:
        """Whether the rig's covariance allows what the balls want."""
        return self.misfit <= self.limit


def refine_session(clips: Sequence[Balls]) -> Refined | str:
    """The rig refined by a session's balls, or why it was left as it is."""
    rig = clips[0].job.session.rig
    if rig.exact:
        return "the rig has no covariance, so the balls may not move it: calibrate it, or leave --refine-rig out"
    arcs, sds = session_arcs(clips)
    if len(arcs) < LEAST_BALLS:
        return f"{len(arcs)} balls were measured, too few to refine the rig by; {LEAST_BALLS} are needed"
    found = refine(arcs, rig, sds, clips[0].job.settings.flight.step_s)
    if not found.allowed:
        return (
            f"the balls want the rig moved {found.misfit / found.limit:.1f} times farther than its covariance allows: "
            "it was left as it is. Look for a knocked camera with `lanepair check`, or calibrate again"
        )
    return found


def told(found: Refined) -> str:
    """What the refinement did, in a sentence."""
    moved = []
    for view, before, after in zip(VIEWS, found.prior.cameras, found.rig.cameras, strict=True):
        turn = float(np.degrees(np.arccos(np.clip((np.trace(before.R.T @ after.R) - 1) / 2, -1, 1))))
        moved.append(
            f"{view} camera {turn:.3f} degrees, {1e3 * np.linalg.norm(after.centre_m - before.centre_m):.1f} mm"
        )
    before_mm, after_mm = (1e3 * row["along_sd_m"] for row in (_places(r)["bounce"] for r in (found.prior, found.rig)))
    return (
        f"the rig was refined by {found.balls} balls within its covariance: {'; '.join(moved)}; doubt of the rig along "
        f"the lane at the bounce {before_mm:.1f} -> {after_mm:.1f} mm (run.json: refined_rig)"
    )


def facts(found: Refined) -> dict[str, Any]:
    """The refinement for run.json: every number before and after with its sd, places on the lane likewise."""
    rows = []
    for i, name in enumerate(found.prior.names):
        sds = [float(np.sqrt(max(rig.cov[i, i], 0.0))) for rig in (found.prior, found.rig)]
        rows.append({"name": name, "moved": float(found.moved[i]), "sd_before": sds[0], "sd_after": sds[1]})
    shift = lane_shift_m(found.prior, found.rig)
    before, after = _places(found.prior), _places(found.rig)
    places = [
        {"place": at, "moved_m": shift[at].tolist(), "before": before[at], "after": after[at]} for at in LANE_POINTS_M
    ]
    return {
        "balls": found.balls,
        "misfit": found.misfit,
        "limit": found.limit,
        "cost_before": found.cost[0],
        "cost_after": found.cost[1],
        "numbers": rows,
        "places": places,
    }


def lane_shift_m(before: Rig, after: Rig) -> dict[str, Floats]:
    """How places (across, along, above) that one rig measured move when the other measures them."""
    point = np.array(list(LANE_POINTS_M.values()))
    now, _ = triangulate_many(*after.cameras, *(camera.project(point) for camera in before.cameras))
    return dict(zip(LANE_POINTS_M, now - point, strict=True))


def _places(rig: Rig) -> dict[str, dict[str, float]]:
    point = np.array(list(LANE_POINTS_M.values()))
    sd = np.sqrt(doubt_at(rig, point).diagonal()).reshape(-1, 3)
    names = ("across_sd_m", "along_sd_m", "above_sd_m")
    return {at: dict(zip(names, map(float, row), strict=True)) for at, row in zip(LANE_POINTS_M, sd, strict=True)}


def refine(arcs: Sequence[Arc], rig: Rig, common_sd: Floats, step_s: float) -> Refined:
    """The rig by its prior and the balls. The rig must have a covariance."""
    by = standard(rig, common_sd)
    T, count = by.T, by.count
    z, now, costs = np.zeros(T.shape[1]), rig, list[float]()
    misfit, limit = wanted(arcs, rig, common_sd, step_s)
    for _ in range(ROUNDS):
        shared, pieces = gather(arcs, now, by.names, common_sd * z[count:], step_s)
        costs.append(shared.cost + float(z @ z))
        covariance = np.linalg.inv(T.T @ shared.normal @ T + np.eye(len(z)))
        step = covariance @ (T.T @ shared.pull - z)
        arcs = stepped(arcs, pieces, T @ step)
        z = z + step
        now = rig.shifted(by.names, by.factor[by.own] @ z[:count])
        if np.abs(step).max() < STILL:
            break
    moved = np.zeros(len(rig.names))
    moved[by.own] = by.factor[by.own] @ z[:count]
    posterior = by.factor @ covariance[:count, :count] @ by.factor.T
    refined = replace(now, cov=(posterior + posterior.T) / 2)
    return Refined(refined, rig, moved, misfit, limit, (costs[0], costs[-1]), len(arcs))


def wanted(arcs: Sequence[Arc], rig: Rig, common_sd: Floats, step_s: float) -> tuple[float, float]:
    """How far the balls want a rig beyond its covariance, and the limit: rms over what they tell, 1 expected.

    The balls' common means are eliminated with their priors. Along an eigenvector of information l the balls' answer
    has variance 1 / l about the truth, and the truth 1 about 0.
    """
    by = standard(rig, common_sd)
    count = by.count
    shared, _ = gather(arcs, rig, by.names, np.zeros(len(COMMON)), step_s)
    information, pull = by.T.T @ shared.normal @ by.T, by.T.T @ shared.pull
    rest = np.linalg.inv(information[count:, count:] + np.eye(len(COMMON)))
    across = information[:count, count:]
    own = information[:count, :count] - across @ rest @ across.T
    values, vectors = np.linalg.eigh((own + own.T) / 2)
    along = vectors.T @ (pull[:count] - across @ rest @ pull[count:])
    told = values > TELLING
    if not told.any():
        return 0.0, np.inf
    score = along[told] ** 2 / (values[told] * (1 + values[told]))
    return float(np.sqrt(score.mean())), SLACK * float(np.sqrt(chdtri(told.sum(), 1 - WITHIN) / told.sum()))
