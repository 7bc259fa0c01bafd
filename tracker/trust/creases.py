"""Do the creases and wickets of the picture lie where the rig says: the lane's own paint as a measuring tape.

A rig that is 4 % too large sees the whole lane 4 % too near its origin. Pieces of the lane's lines are looked for in
each camera's picture for every scale within reach (tracker/trust/lines.py); where most agree, the scale is fitted
robustly together with what else may be wrong: a shift of the lane, turns of the cameras, the paint's width, each
line's own place, and the rig within its covariance. The picture is the one kept at calibration, so that a camera
knocked since changes nothing; where none was kept, the session's first.

A wrong scale is told only where at least two of the lane's directions (across, along, up) tell it alike; what is
painted otherwise than in the Laws, hidden, or not there at all tells nothing.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from calibration.refine import Scene
from calibration.rig import VIEWS, Rig
from tracker.records import Bools, Check, Floats
from tracker.trust.balls import judged
from tracker.trust.lines import SCALES, WICKETS, Rows, Shown, measured, pieces, support, wickets
from tracker.vision.planes import Bytes

CREASES_DOUBTFUL, CREASES_FAIL = 0.015, 0.03
REACHES_PX = (6.0, 3.0)  # around where pieces should be, round by round
SCALE_SD = 0.1
SHIFT_SD_M = (0.02, 0.04, 0.02)  # of the lane's origin
TURN_SD_RAD = 5e-3  # of a camera: a knock is another check's business
HALF_WIDTH_SD_M = 0.006  # of the paint
LINE_SD_M, WICKET_SD_M = 0.005, 0.007  # how truly a line is painted, a wicket stands
LINE_SD_PX = 0.15  # of what a whole line, or wicket, may seem shifted in a view: thin paint, worn edges
LEAST_SHARE, LEAST_LINES = 0.5, 3  # of the pieces in view that must agree; lines with two such pieces
TELLING_SD, TOLD_SD = 0.013, 0.008  # a direction, and the whole, that is known no better tells nothing
SIGMAS, AXIS_SIGMAS = 4.0, 3.0
EXCLUDING_SD = 0.03  # directions known so well, two at least, exclude a scale that is told otherwise,
EXCLUDING_SHARE = 0.7  # where so many of the pieces in view agree: 0.6 did by chance under scales 15 % wrong
ALIKE = 0.5  # of the whole, by which a direction that tells the same may differ
AXES = ("across", "along", "up")


@dataclass(frozen=True, eq=False)
class Told:
    """What the creases tell.

    off, sd  distances over true ones, minus 1
    axes     (3, 2) the same across, along and up, each with its sd
    agree    pieces that agree, of `seen` in view
    problem  why nothing is told, or ""
    """

    off: float
    sd: float
    axes: Floats
    agree: int
    seen: int
    problem: str = ""

    @property
    def wrong(self) -> bool:
        """Whether the whole lies off by more than its doubt."""
        return abs(self.off) > max(CREASES_DOUBTFUL, SIGMAS * self.sd)

    @property
    def agreed(self) -> bool:
        """Whether two directions each tell a wrong scale on their own, and the same, and none tells another."""
        off, sd = self.axes.T
        same = np.abs(off - self.off) < ALIKE * abs(self.off)
        telling = sd < TELLING_SD
        alone = same & telling & (np.abs(off) > AXIS_SIGMAS * sd)
        against = ~same & telling & (np.abs(off - self.off) > AXIS_SIGMAS * sd)
        return bool(alone.sum() >= 2 and not against.any())

    def excludes(self, off: float) -> bool:
        """Whether distances cannot come out `off` (a share) too long: the whole is right, all directions told say so.

        The whole alone is no witness: lines taken for others may fit a scale 20 % wrong, but few, or not every way.
        """
        value, sd = self.axes[self.axes[:, 1] < EXCLUDING_SD].T
        far = np.abs(value - off) > np.maximum(ALIKE * abs(off), SIGMAS * sd)
        most = self.agree >= EXCLUDING_SHARE * self.seen
        return bool(not self.wrong and not self.problem and most and len(far) >= 2 and far.all())


def _design(rig: Rig, rows: Sequence[Rows], scale: float) -> tuple[Floats, Floats, Floats]:
    """What every row would show: of scales across, along and up (n, 3), of what else may be wrong (n, m); sds (m,)."""
    owns = sorted({int(one) for part in rows for one in part.own})
    root = _root(rig.cov)
    scales, others = [], []
    for part in rows:
        camera, at, n = rig.cameras[part.view], scale * part.point_m, len(part.off_px)
        by_lane = np.einsum("ni,nij->nj", part.normal, camera.project_with_slope(at)[1]) if n else np.zeros((0, 3))
        scales.append(by_lane * at)
        turn = np.zeros((n, 6))
        in_camera = at @ camera.R.T + camera.translation_m
        turn[:, 3 * part.view : 3 * part.view + 3] = np.cross(in_camera, by_lane @ camera.R.T)
        width = (by_lane * part.wide).sum(axis=1)
        places, seem = np.zeros((n, len(owns), 3)), np.zeros((n, 2, len(owns)))
        which = np.arange(n), np.searchsorted(owns, part.own)
        seem[which[0], part.view, which[1]] = 1.0
        of_line = part.own < WICKETS  # a line may lie off across itself only
        places[which] = np.where(of_line[:, None], by_lane * part.wide, by_lane)
        own = (places.reshape(n, 3 * len(owns)), seem.reshape(n, 2 * len(owns)))
        others.append(np.column_stack([by_lane, turn, width, *own, _by_rig(rig, part, at) @ root]))
    places_sd = [np.full(3, LINE_SD_M if one < WICKETS else WICKET_SD_M) for one in owns]
    own_sd = [*places_sd, np.full(2 * len(owns), LINE_SD_PX)]
    sd = np.concatenate([SHIFT_SD_M, np.full(6, TURN_SD_RAD), [HALF_WIDTH_SD_M], *own_sd, np.ones(len(rig.names))])
    return np.vstack(scales), np.vstack(others), sd


def _root(cov: Floats) -> Floats:
    """A matrix (n, n) whose product with its transpose is a covariance, singular ones too."""
    sd = np.sqrt(cov.diagonal())
    unit = np.where(sd > 0, sd, 1.0)
    values, vectors = np.linalg.eigh(cov / np.outer(unit, unit))
    root: Floats = unit[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    return root


def _by_rig(rig: Rig, part: Rows, at_m: Floats) -> Floats:
    """What each of the rig's adjusted numbers does to rows of places (n, 3), by small steps: (n, len(rig.names))."""
    out = np.zeros((len(at_m), len(rig.names)))
    px = rig.cameras[part.view].project(at_m)
    for i, name in enumerate(rig.names):
        view, number = name.split(".")
        if view == VIEWS[part.view] and number != "time_offset_s":
            step = 1e-3 if number in ("fx", "fy", "cx", "cy") else 1e-6
            moved = rig.shifted((name,), np.array([step])).cameras[part.view].project(at_m)
            out[:, i] = ((moved - px) * part.normal).sum(axis=1) / step
    return out


@dataclass(frozen=True, eq=False)
class _Fit:
    """Value and covariance of the scales, shifts (n,) that every row should show, and which rows agree (n,)."""

    value: Floats
    cov: Floats
    shown: Floats
    agree: Bools


def _fitted(off: Floats, sd: Floats, scales: Floats, other: Floats, other_sd: Floats) -> _Fit:
    """Least squares with Tukey's weights for (scales, what else may be wrong), the latter within its sds."""
    q = scales.shape[1]
    design = np.column_stack([scales, other])
    prior = np.diag(np.r_[np.full(q, 1 / SCALE_SD**2), 1 / other_sd**2])
    weight = np.where(np.isfinite(sd), 1.0, 0.0)
    finite = np.where(np.isfinite(sd), sd, 1.0)
    for round_ in range(25):
        w = weight / finite**2
        normal = (design.T * w) @ design + prior
        value = np.linalg.solve(normal, (design.T * w) @ off)
        miss = np.abs(off - design @ value) / finite
        known = miss[np.isfinite(sd)]
        wide = max(1.0, 1.48 * float(np.median(known))) * (6.0 if round_ < 5 else 4.5)
        weight = np.where(np.isfinite(sd), np.clip(1 - (miss / wide) ** 2, 0, None) ** 2, 0.0)
    agree = weight > 0.1
    factor = max(1.0, float((weight * miss**2).sum()) / max(weight.sum() - q, 1.0))
    cov = np.linalg.inv(normal) * factor
    return _Fit(value[:q], cov[:q, :q], design @ value, agree)


def creases_scale(rig: Rig, pictures: Sequence[Bytes | None]) -> Told | None:
    """What the creases in the cameras' pictures of the lane tell of the rig's scale; None where there is no picture."""
    shown = [Shown(view, rig.cameras[view], picture) for view, picture in enumerate(pictures) if picture is not None]
    if not shown:
        return None
    what = pieces(rig.pitch_length_m)
    with ThreadPoolExecutor(2) as pool:
        supports = pool.map(lambda one: support(one, what), shown)
        scale = float(SCALES[int(np.argmax(np.sum(list(supports), axis=0)))])
        offset_px, rows = np.zeros((2, len(what.line))), list[Rows]()
        for reach_px in REACHES_PX:
            now, by = scale, offset_px.copy()
            rows = list(pool.map(lambda one: measured(one, what, now, by[one.view], reach_px), shown))  # noqa: B023
            if sum(np.isfinite(part.sd_px).sum() for part in rows) < 2 * LEAST_LINES:
                break
            scale = _followed(rig, rows, now, offset_px)
        told = _told(rig, rows, now)
        if not told.problem and abs(told.off) > CREASES_DOUBTFUL and not told.agreed:
            scene = Scene(rig.pitch_length_m, rig.junior_stumps)
            tops = list(pool.map(lambda one: wickets(one, scene, now), shown))
            told = _told(rig, [*rows, *tops], now)
    return told


def _followed(rig: Rig, rows: Sequence[Rows], scale: float, offset_px: Floats) -> float:
    """The scale that rows measured at another tell; where else than there the pieces should be goes to `offset_px`."""
    off, sd, scales, other, other_sd = _stacked(rig, rows, scale)
    whole = scales.sum(axis=1)
    fit = _fitted(off, sd, whole[:, None], other, other_sd)
    rest, first = fit.shown - whole * fit.value[0], 0
    for part in rows:
        offset_px[part.view, part.piece] = rest[first : first + len(part.own)]
        first += len(part.own)
    return scale * float(np.exp(fit.value[0]))


def _stacked(rig: Rig, rows: Sequence[Rows], scale: float) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """All rows' shifts and sds (n,), and _design's three."""
    off, sd = (np.concatenate([getattr(part, name) for part in rows]) for name in ("off_px", "sd_px"))
    return off, sd, *_design(rig, rows, scale)


def _told(rig: Rig, rows: Sequence[Rows], scale: float) -> Told:
    """The scale, along each of the lane's directions too, and whether it is well enough supported."""
    view = np.concatenate([np.full(len(part.own), part.view) for part in rows])
    own = np.concatenate([part.own for part in rows])
    paint, untold = own < WICKETS, np.full((3, 2), np.nan)
    found = sum(np.isfinite(part.sd_px).sum() for part in rows)
    few = Told(np.nan, np.nan, untold, 0, int(paint.sum()), "no creases of the Laws are found in the picture")
    if found < 2 * LEAST_LINES:
        return few
    off, sd, scales, other, other_sd = _stacked(rig, rows, scale)
    fit = _fitted(off, sd, scales.sum(axis=1, keepdims=True), other, other_sd)
    apart = _fitted(off, sd, scales, other, other_sd)
    axes = np.column_stack([scale * np.exp(apart.value) - 1, np.sqrt(apart.cov.diagonal())])
    good = fit.agree & paint
    lines = np.unique(2 * own[good] + view[good], return_counts=True)[1]
    if good.sum() < LEAST_SHARE * paint.sum() or (lines >= 2).sum() < LEAST_LINES:
        words = f"{good.sum()} of {paint.sum()} pieces of the creases are found where the Laws put them"
        return replace(few, agree=int(good.sum()), problem=words)
    whole, sd_whole = scale * float(np.exp(fit.value[0])) - 1, float(np.sqrt(fit.cov[0, 0]))
    told = Told(whole, sd_whole, axes, int(good.sum()), int(paint.sum()))
    if not SCALES[0] < 1 + told.off < SCALES[-1]:
        return replace(told, problem="what is found looks like other lines than the creases of the Laws")
    if told.sd > TOLD_SD:
        return replace(told, problem=f"too little of the creases is in view ({100 * told.sd:.1f} % of doubt)")
    return told


def creases_check(rig: Rig, pictures: Sequence[Bytes | None], kept: bool) -> list[Check]:
    """Scale by the creases; nothing where there is no picture. `kept`: the pictures are those of the calibration."""
    told = creases_scale(rig, pictures)
    if told is None:
        return []
    limit = 100 * CREASES_DOUBTFUL
    off, sd = 100 * told.off, 100 * told.sd
    by = [f"{name} {100 * part:+.1f}" for name, (part, own) in zip(AXES, told.axes, strict=True) if own < TELLING_SD]
    if told.problem:
        return [Check("creases", "pass", np.nan, limit, "%", f"cannot tell the scale: {told.problem}")]
    if told.wrong and not told.agreed:
        words = (
            f"cannot tell the scale: by the creases the lane comes out too large by {', '.join(by)} %, and no two "
            "directions agree; are they painted as in the Laws?"
        )
        return [Check("creases", "pass", np.nan, limit, "%", words)]
    words = (
        f"measured by the rig, the creases of the lane come out {abs(off):.1f} % (one sd {sd:.1f}) too "
        f"{'large' if off > 0 else 'small'} ({', '.join(by)} %; {told.agree} of {told.seen} pieces agree), and so do "
        f"distances and speeds (a wrong scale: board square or marks measured wrongly"
        f"{'' if kept else ', or the zoom was changed'}). Measure the creases of both ends with a tape, and the board "
        "across ten squares, and calibrate again"
    )
    check = judged("creases", abs(off) if told.wrong else 0.0, limit, 100 * CREASES_FAIL, "%", words)
    return [replace(check, value=off, limit=max(limit, SIGMAS * sd))]
