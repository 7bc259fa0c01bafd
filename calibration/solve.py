"""From board views and lane marks to the calibrated pair with its covariance.

Lenses first, each from its own board views (or kept as known); then rough poses; then one joint adjustment of lenses,
poses, board views, the board's scale and the marks. The noise of corners is estimated from their residuals, that of
clicks whose sd was not stated likewise; marks that the rest contradict are left out one by one, and named.
Lenses that are kept but come with a covariance stay as they are, and their doubt is carried into the poses.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from calibration.adjust import (
    Adjusted,
    Bools,
    Observed,
    State,
    adjust,
    corner_spread,
    mark_spread,
    view_rms_px,
)
from calibration.camera import Camera, Lens
from calibration.errors import LanepairError
from calibration.lenses import SPOILT, SPOILT_PX, LensChoice, choose_lens, lens_mask
from calibration.place import Job, explained, paired, place
from calibration.rig import VIEWS, Rig, parameter_names
from calibration.start import FEWEST_MARKS, pose_from_marks
from calibration.suspect import LeftOut, leave_one_out, sighting_chi2, worst_mark

SCALE_SD = 0.005  # a printed board's doubt of scale: a choice
SCALE_LOST = 4.0  # sds from which the stated square is no longer believed
USUAL_CHI2 = 1.386  # median of chi-squared with 2 degrees of freedom
DISBELIEF = 1e-3  # chance below which stated sds of clicks are widened
CLICK_BELIEF = 6.0  # the first guess of the clicks' noise counts as much as so many residuals
MOST_SUSPECTS = 0.34  # share of the marks that may be left out


@dataclass(frozen=True, eq=False)
class Solution:
    """The calibrated pair and everything a verdict needs.

    choices   each camera's choice of lens; None: kept
    left_out  pictures (or pairs) left out: why
    suspects  marks (or single sightings) left out
    tested    every mark used, against the rest
    scale     true square over stated, and its sd (0 where nothing tells)
    click_factor  how much wider the clicks scatter than stated or first taken
    """

    rig: Rig
    adjusted: Adjusted
    job: Job
    choices: tuple[LensChoice | None, LensChoice | None]
    terms: tuple[int, int]
    left_out: dict[str, str]
    suspects: tuple[LeftOut, ...]
    tested: tuple[LeftOut, ...]
    scale: tuple[float, float]
    click_factor: float


def solve(
    job: Job,
    rng: np.random.Generator,
    say: Callable[[str], None] = lambda _: None,
    sharpen: Callable[[Sequence[Camera], Job], Job] | None = None,
) -> Solution:
    """Calibrate.

    `say` hears what is being done; `sharpen` looks for rough clicks once the cameras roughly stand, and is asked again
    when they stand better. Raises LanepairError with the likely cause where the observations contradict each other.
    """
    choices: list[LensChoice | None] = [None, None]
    lenses: list[Lens] = []
    left_out: dict[str, str] = {}
    for i, who in enumerate(VIEWS):
        known = job.lenses[i]
        if known is None:
            say(f"{who} lens: fitting, and cross-validating 4, 5 and 8 terms")
            choice = choose_lens([v for v in job.views if v.view == i], job.sizes_px[i], who)
            left_out |= {f"{who} {name}": why for name, why in choice.left_out.items()}
            choices[i], known = choice, choice.fit.lens
        lenses.append(known)
    say("placing the cameras")
    views = [v for v in job.views if f"{VIEWS[v.view]} {v.name}" not in left_out]
    placed = place(lenses, views, job, rng)
    for _ in range(2 if sharpen else 0):
        assert sharpen is not None
        say("looking for the marks in the lane pictures")
        job = sharpen(placed.state.cameras, job)
        placed = place(lenses, views, job, rng)
    left_out |= placed.undone
    sds = [c.fit.sd_px if c is not None else 0.3 for c in choices]
    terms = (choices[0].fit.terms if choices[0] else 0, choices[1].fit.terms if choices[1] else 0)
    observed = Observed(placed.views, job.marks, (sds[0], sds[1]), SCALE_SD, job.extra)
    say("adjusting lenses, poses, board views and marks together")
    done = _boards_settled(adjust(placed.state, observed, _free(placed.state, observed, terms)), terms, left_out)
    done, suspects, factor = _marks_settled(done, terms, job, rng)
    at = done.state.starts[2]
    scale = (done.state.scale, float(np.sqrt(done.cov[at, at])))
    tested = tuple(leave_one_out(done))
    rig = _rig(done, job)
    return Solution(rig, done, job, (choices[0], choices[1]), terms, left_out, tuple(suspects), tested, scale, factor)


def _free(state: State, observed: Observed, terms: Sequence[int]) -> Bools:
    """Free columns: poses, lenses that are not kept, boards, marks, and the board's scale where pairs tell it."""
    free, at = lens_mask(state, terms), state.starts
    for i in range(2):
        free[at[i] : at[i] + 6] = True
    free[at[2]] = bool(paired(observed.views))
    shown = np.isin(np.arange(len(state.turn)), [v.board for v in observed.views])
    free[at[3] : at[4]] = np.repeat(shown, 6)
    used = np.isin(np.arange(len(state.mark_m)), observed.marks.mark)
    free[at[4] :] = np.repeat(used, 3)
    return free


def again(done: Adjusted, observed: Observed, terms: Sequence[int]) -> Adjusted:
    """The adjustment from where it stands with other observations."""
    return adjust(done.state, observed, _free(done.state, observed, terms))


def _boards_settled(done: Adjusted, terms: tuple[int, int], left_out: dict[str, str]) -> Adjusted:
    """Corner noise from the residuals, pairs that are not of one instant undone, a wrong square size let go."""
    for _ in range(3):
        observed = done.observed
        at = done.state.starts[2]
        if abs(done.state.scale - 1) > SCALE_LOST * float(np.hypot(SCALE_SD, np.sqrt(done.cov[at, at]))):
            observed = replace(observed, scale_sd=10.0)
        undone = _not_one_instant(done)
        left_out |= undone
        observed = replace(observed, views=tuple(v for v in observed.views if f"pair {v.name}" not in undone))
        done = again(done, observed, terms)
        sds = [_corner_sd(done, i) for i in range(2)]
        done = again(done, replace(done.observed, corner_sd_px=(sds[0], sds[1])), terms)
    return done


def _corner_sd(done: Adjusted, view: int) -> float:
    total, share = corner_spread(done, view)
    sd = done.observed.corner_sd_px[view]
    return sd * float(np.sqrt(total / share)) if share > 10 else sd


def _not_one_instant(done: Adjusted) -> dict[str, str]:
    """Pairs whose corners fit much worse than the others' when the cameras must agree."""
    pairs = set(paired(done.observed.views))
    views = [v for v in done.observed.views if v.board in pairs]
    rms = np.array([view_rms_px(done.state, v) for v in views])
    if not len(rms):
        return {}
    usual = float(np.median(rms))
    bad = rms > max(SPOILT * usual, usual + SPOILT_PX)
    return {
        f"pair {v.name}": f"{r:.2f} px rms where the others have {usual:.2f}: the board or a camera moved in between"
        for v, r, is_bad in zip(views, rms, bad, strict=True)
        if is_bad
    }


def _marks_settled(
    done: Adjusted, terms: tuple[int, int], job: Job, rng: np.random.Generator
) -> tuple[Adjusted, list[LeftOut], float]:
    """Marks the rest contradicts left out, the worst first; then the clicks' noise from what remains."""
    suspects: list[LeftOut] = []
    row, wide = np.arange(len(job.marks)), np.ones(len(job.marks))  # sightings still there; how much wider each is

    def settle() -> Adjusted:
        marks = job.marks.take(row)
        marks = replace(marks, cov_px2=marks.cov_px2 * wide[row, None, None] ** 2)
        return again(done, replace(done.observed, marks=marks), terms)

    chi2 = sighting_chi2(done)[~job.stated]
    if len(chi2):
        wide[~job.stated] = np.sqrt(np.clip(np.median(chi2) / USUAL_CHI2, 1.0, 100.0))
        done = settle()
    most = MOST_SUSPECTS * len(set(job.marks.mark.tolist()))
    while (worst := worst_mark(done)) is not None:
        suspects.append(worst)
        if len(suspects) > most:
            raise LanepairError(_contradiction(job, done, suspects, rng))
        row = np.delete(row, worst.rows)
        done = settle()
    for _ in range(2):
        total, share = mark_spread(done)
        if not job.stated[row].any():
            wide *= np.sqrt((CLICK_BELIEF + total) / (CLICK_BELIEF + max(share, 0.0)))
        elif share > 1 and stats.chi2.sf(total, share) < DISBELIEF:
            wide *= np.sqrt(total / share)
        done = settle()
    return done, suspects, float(wide.max(initial=0.0))


def _contradiction(job: Job, done: Adjusted, suspects: Sequence[LeftOut], rng: np.random.Generator) -> str:
    """What to say where too many marks are contradicted by the rest."""
    for view, who in enumerate(VIEWS):
        lens, mine = done.state.cameras[view].lens, job.marks.take(job.marks.view == view)
        if len(mine) < FEWEST_MARKS:
            continue
        found = pose_from_marks(lens, mine.px, mine.point_m[mine.mark], np.full(len(mine), 2.0), rng)
        better = explained(lens, job, view, found.misfit if found else np.inf, rng)
        if better is not None:
            return f"the marks contradict each other; the {who} camera's fit to {better[0]:.1f} px {better[1]}"
    named = "; ".join(s.sentence() for s in suspects[:3])
    return f"the marks contradict each other ({named}): measure and mark them again, and check the pitch length"


def _rig(done: Adjusted, job: Job) -> Rig:
    """The pair, its covariance in the file's order of names; kept lenses' own doubt is carried into the rest."""
    left, right = done.state.cameras
    cov, adjusted = done.cov.copy(), done.free.copy()
    column = {name: i for i, name in enumerate(done.state.camera_names())}
    kept = [i for i, name in enumerate(job.lens_names) if name in column and not done.free[column[name]]]
    if kept:
        at, doubt = [column[job.lens_names[i]] for i in kept], job.lens_cov[np.ix_(kept, kept)]
        slope = -done.cov @ done.normal[:, at]  # how the rest follows a lens: consider parameters, Schmidt 1966
        slope[at] = np.eye(len(at))
        cov += slope @ doubt @ slope.T
        adjusted[at] = True
    names = [
        name
        for view, camera in zip(VIEWS, (left, right), strict=True)
        for name in parameter_names(view, camera)
        if name in column and adjusted[column[name]]
    ]
    at = [column[name] for name in names]
    return Rig(left, right, job.pitch_length_m, None, tuple(names), cov[np.ix_(at, at)])
