"""A lens from pictures of a board: how many distortion terms the views support, and which views spoil it.

Each candidate is fitted to all views but a fifth and scored on the views held back (their poses alone refitted); the
simplest lens that is not worse than the best by more than one standard error of their paired difference is taken.
Sources: Zhang 2000, IEEE PAMI 22(11); the one-standard-error rule, Breiman et al. 1984 (both from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.adjust import Adjusted, BoardView, Bools, Observed, State, adjust, corner_spread, view_rms_px
from calibration.camera import Camera, Floats, Lens
from calibration.errors import LanepairError

LENS_TERMS = (4, 5, 8)  # distortion terms tried
FOLDS = 5
START_ROUNDS = 300
HOPELESS, HOPELESS_PX = 12.0, 3.0  # times the median view, pixels: views that even a first lens leaves out
FOCAL_GUESSES = np.geomspace(0.4, 4.0, 10)  # focal lengths to start from, over the picture's width
BENDING_GUESSES = (0.0, -0.15, -0.3, -0.45)  # and k1: film and wide lenses bend lines outward
OUTSIDE_PX = 1e6  # the misfit of a view that a lens cannot show
FEWEST_VIEWS = 3
SPOILT = 2.5  # a view this many times worse than the median view is left out
SPOILT_PX = 0.1  # and at least this much worse


@dataclass(frozen=True, eq=False)
class LensFit:
    """A lens with the board's poses before it.

    views       the views used
    turn, shift_m  (v, 3, 3), (v, 3) board to camera
    rms_px      (v,) over both axes
    """

    lens: Lens
    terms: int
    views: tuple[BoardView, ...]
    turn: Floats
    shift_m: Floats
    rms_px: Floats
    sd_px: float
    adjusted: Adjusted


@dataclass(frozen=True, eq=False)
class LensChoice:
    """The lens taken, the views left out (name: why), and each candidate's cross-validated rms in pixels."""

    fit: LensFit
    left_out: dict[str, str]
    scores_px: dict[int, float]


def choose_lens(views: Sequence[BoardView], image_size_px: tuple[int, int], who: str) -> LensChoice:
    """The lens the views support. Raises LanepairError where they are too few."""
    if len(views) < FEWEST_VIEWS:
        raise LanepairError(
            f"the {who} camera's board was found in {len(views)} pictures; a lens needs {FEWEST_VIEWS}, better 20: "
            "film more views, tilted about 45 degrees, near and far, out to the corners of the picture"
        )
    first = start(views, image_size_px)
    fit, left_out = _without_spoilt(first, first.terms)
    if left_out:  # or is the lens too simple for them?
        richer = _attempt(first, LENS_TERMS[-1])
        if richer is not None and len(richer[1]) < len(left_out):
            fit, left_out = richer
    used = {v.name for v in first.views}
    left_out |= {v.name: "no lens fits it: a mistaken grid" for v in views if v.name not in used}
    held = {terms: _held_back(fit, terms) for terms in LENS_TERMS if 2 * sum(map(_size, fit.views)) > 6 * terms}
    scores = {terms: score for terms, score in held.items() if score is not None}
    if not scores:
        raise LanepairError(f"the {who} camera's board views do not fix its lens: film more, tilted and near")
    best = min(scores, key=lambda terms: float(scores[terms].mean()))
    for terms in scores:
        worse = scores[terms] - scores[best]
        if terms == best or worse.mean() <= worse.std(ddof=1) / np.sqrt(len(worse)):
            break
    return LensChoice(refit(fit, terms), left_out, {t: float(np.sqrt(score.mean() / 2)) for t, score in scores.items()})


def _size(view: BoardView) -> int:
    return len(view.px)


def start(views: Sequence[BoardView], image_size_px: tuple[int, int]) -> LensFit:
    """A first lens, from the likeliest guesses in turn until one comes to rest.

    Focal length, bending and the boards' distances trade against each other along a curved valley, in which a fit from
    a poor guess gets lost. Raises LanepairError where every guess ends outside what a lens can be.
    """
    best: LensFit | None = None
    for lens, misfit_px in _guesses(views, image_size_px):
        fit = _settled(lens, misfit_px, views)
        if fit is not None and (best is None or fit.adjusted.converged or fit.sd_px < best.sd_px):
            best = fit
        if fit is not None and fit.adjusted.converged:
            break
    if best is None:
        raise LanepairError("no lens fits the board's views: check the board's columns and rows, and film it anew")
    return best


def _guesses(views: Sequence[BoardView], image_size_px: tuple[int, int]) -> list[tuple[Lens, float]]:
    """Lenses of several focal lengths and bendings with the median misfit of the views, the best of each bending."""
    width, height = image_size_px
    middle = np.array([[0, 0, (width - 1) / 2], [0, 0, (height - 1) / 2], [0, 0, 1]])
    found = []
    for k1 in BENDING_GUESSES:
        own = [
            Lens(image_size_px, middle + np.diag([f, f, 0]), np.array([k1, 0, 0, 0, 0])) for f in FOCAL_GUESSES * width
        ]
        misfit = [float(np.median(_misfits(lens, views))) for lens in own]
        found.append((own[int(np.argmin(misfit))], min(misfit)))
    return sorted(found, key=lambda guess: guess[1])


def _settled(lens: Lens, misfit_px: float, views: Sequence[BoardView]) -> LensFit | None:
    """Focal length, k1 and k2, then all, robustly at the end; None where the fit leaves what a lens can be.

    A guess may not reach as far out as the true lens: views that it cannot show come in once it has been fitted.
    """
    loose = float(np.clip(3 * misfit_px, 0.3, 3.0))
    most = 5 if len(views) >= 5 else 4
    try:
        for terms, sd_px, centre in ((2, loose, False), (most, loose, True), (most, 0.3, True), (most, 0.3, True)):
            own = [v for v, miss in zip(views, _misfits(lens, views), strict=True) if miss < OUTSIDE_PX]
            fit = fit_lens(lens, terms, own, *board_poses(lens, own), sd_px, centre=centre, rounds=START_ROUNDS)
            lens, worst = fit.lens, max(HOPELESS * float(np.median(fit.rms_px)), HOPELESS_PX)
            hopeless = {id(v) for v, rms in zip(own, fit.rms_px, strict=True) if rms >= worst}
            views = [v for v in views if id(v) not in hopeless]
            if len(own) == len(views) and terms == most and sd_px == 0.3:
                break
        return refit(fit, most, fit.rms_px < worst)
    except LanepairError:
        return None


def _misfits(lens: Lens, views: Sequence[BoardView]) -> Floats:
    """Rms (v,) in pixels of each view under a lens, the board posed as well as it allows; or OUTSIDE_PX."""
    rms = np.full(len(views), np.nan)
    for i, v in enumerate(views):
        try:
            turn, shift = board_poses(lens, [v])
        except LanepairError:
            continue
        px = Camera(lens, cv2.Rodrigues(turn[0])[0].ravel(), shift[0]).project(v.points_m)
        rms[i] = np.sqrt(np.mean((px - v.px) ** 2))
    return np.asarray(np.nan_to_num(rms, nan=OUTSIDE_PX))


def board_poses(lens: Lens, views: Sequence[BoardView]) -> tuple[Floats, Floats]:
    """Where the board stood before the camera in each view: (v, 3, 3) and (v, 3).

    Raises LanepairError where the lens cannot show a board where it was seen.
    """
    turn, shift = np.empty((len(views), 3, 3)), np.empty((len(views), 3))
    for i, v in enumerate(views):
        xy = lens.undistort(v.px)
        known = np.isfinite(xy).all(axis=1)
        known &= known.sum() >= 4
        flags = cv2.SOLVEPNP_IPPE
        poses = cv2.solvePnPGeneric(v.points_m[known], xy[known], np.eye(3), None, flags=flags) if known.any() else None
        if poses is None or not len(poses[1]):
            raise LanepairError(f"the board of {v.name} lies where the lens shows nothing")
        turn[i], shift[i] = cv2.Rodrigues(poses[1][0])[0], poses[2][0].ravel()
    return turn, shift


def fit_lens(
    lens: Lens,
    terms: int,
    views: Sequence[BoardView],
    turn: Floats,
    shift_m: Floats,
    sd_px: float,
    free: bool = True,
    centre: bool = True,
    rounds: int = 30,
) -> LensFit:
    """Adjust the lens (unless not `free`; its centre unless not `centre`) and the board's poses to the views."""
    distortion = np.zeros(8 if terms == 8 else 5)
    kept = min(terms, len(lens.distortion))
    distortion[:kept] = lens.distortion[:kept]
    camera = Camera(replace(lens, distortion=distortion), np.zeros(3), np.zeros(3))
    own = tuple(replace(v, view=0, board=i) for i, v in enumerate(views))
    state = State((camera,), turn, shift_m)
    mask = lens_mask(state, (terms if free else 0,))
    mask[8:10] &= centre
    done = adjust(state, Observed(own, corner_sd_px=(sd_px, sd_px)), mask, rounds)
    total, share = corner_spread(done, 0)
    rms = [view_rms_px(done.state, v) for v in own]
    sd = sd_px * float(np.sqrt(total / max(share, 1.0)))
    s = done.state
    return LensFit(s.cameras[0].lens, terms, tuple(views), s.turn, s.shift_m, np.array(rms), sd, done)


def lens_mask(state: State, terms: Sequence[int]) -> Bools:
    """Free columns: each camera's lens with the given number of terms (0: kept as it is), and the boards' poses."""
    free, at, n = np.zeros(state.starts[-1], bool), state.starts, len(state.cameras)
    for i, k in enumerate(terms):
        if k:
            free[at[i] + 6 : at[i] + 10 + k] = True
    free[at[n + 1] : at[n + 2]] = True
    return free


def refit(fit: LensFit, terms: int, keep: Bools | None = None) -> LensFit:
    """The fit again with another number of terms or fewer views, twice, so that the weights suit the noise."""
    at = np.arange(len(fit.views)) if keep is None else np.flatnonzero(keep)
    for _ in range(2):
        views = [fit.views[i] for i in at]
        fit = fit_lens(fit.lens, terms, views, fit.turn[at], fit.shift_m[at], max(fit.sd_px, 0.01))
        at = np.arange(len(fit.views))
        if not fit.adjusted.converged:
            break
    return fit


def _attempt(fit: LensFit, terms: int) -> tuple[LensFit, dict[str, str]] | None:
    try:
        found = _without_spoilt(fit, terms)
    except LanepairError:
        return None
    return found if found[0].adjusted.converged else None


def _without_spoilt(fit: LensFit, terms: int) -> tuple[LensFit, dict[str, str]]:
    """Leave out views that are much worse than the others, the worst first, at most a third of them."""
    left_out: dict[str, str] = {}
    most = len(fit.views) // 3
    turn, shift = board_poses(fit.lens, fit.views)  # anew: a flat board seen askew has two poses that are nearly alike
    fit = refit(replace(fit, turn=turn, shift_m=shift), terms)
    while len(left_out) < most:
        usual = float(np.median(fit.rms_px))
        worst = int(np.argmax(fit.rms_px))
        if fit.rms_px[worst] < max(SPOILT * usual, usual + SPOILT_PX):
            break
        left_out[fit.views[worst].name] = f"{fit.rms_px[worst]:.2f} px rms where the others have {usual:.2f}"
        fit = refit(fit, terms, np.arange(len(fit.views)) != worst)
    return fit, left_out


def _held_back(fit: LensFit, terms: int) -> Floats | None:
    """Mean squared error (v,) of each view, in px2 over both axes, under a lens fitted without it; None: no fit."""
    score, fold = np.empty(len(fit.views)), np.arange(len(fit.views)) % min(FOLDS, len(fit.views))
    try:
        whole = refit(fit, terms)
        if not whole.adjusted.converged:
            return None
        for f in range(int(fold.max()) + 1):
            back, rest = np.flatnonzero(fold == f), np.flatnonzero(fold != f)
            views = [fit.views[i] for i in rest]
            lens = fit_lens(whole.lens, terms, views, whole.turn[rest], whole.shift_m[rest], whole.sd_px).lens
            views = [fit.views[i] for i in back]
            own = fit_lens(lens, terms, views, whole.turn[back], whole.shift_m[back], whole.sd_px, free=False)
            score[back] = 2 * own.rms_px**2
    except LanepairError:
        return None
    return score if np.isfinite(score).all() else None
