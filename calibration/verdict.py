"""How good is this rig: doubt and cross-validated error in millimetres on the lane, and what the board covered.

The stated doubt of a place is the rig's covariance carried through triangulation of perfect sightings. Against it
stands a delete-a-group jackknife (a tenth of the board instants and marks left out at a time), which also feels what
the adjustment does not model: a bent board, a lens that is too simple, pictures that were not of one instant.
Source: Shao & Tu 1995, The Jackknife and Bootstrap (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.adjust import Observed
from calibration.camera import Camera, Floats
from calibration.doubt import doubt_at
from calibration.errors import LanepairError
from calibration.refine import Refined
from calibration.rig import VIEWS
from calibration.solve import Solution, again
from calibration.suspect import LEAST_M
from calibration.triangulate import triangulate

GROUPS = 10
CELLS = (8, 6)  # across and down each picture, for coverage
PACE_MPS = 33.0  # a quick ball, for people
WAYS = ("across", "along", "above")
GOOD_M = (0.010, 0.030, 0.010)  # doubt across, along, above the lane that counts as good
TOO_MUCH = 5.0  # times that: fail
GOOD_PACE_MPS = 0.10
MORE_THAN_STATED = 2.5  # cross-validated over stated error from which something unmodelled is suspected
SCALE_LIMIT = 0.01  # a square wrong by more than this is told
LEAST_DEPTH_RATIO = 2.0
LEAST_TILT_DEG = 25.0
FEW_PICTURES = 8
MOST_WITHOUT = 0.4  # share of the pictures
MOST_LEFT_OUT = 0.15  # share of the views


@dataclass(frozen=True, eq=False)
class Check:
    """One thing looked at: pass, doubtful or fail; the figure, the limit, and what to do."""

    name: str
    verdict: str
    value: float
    limit: float
    unit: str
    advice: str


@dataclass(frozen=True, eq=False)
class PlaceDoubt:
    """How well a place on the lane is known from the rig alone.

    sd_m        (3,) stated: across, along, above
    validated_m (3,) by cross-validation; NaN where too little is left to leave anything out
    """

    name: str
    point_m: Floats
    sd_m: Floats
    validated_m: Floats


@dataclass(frozen=True, eq=False)
class Coverage:
    """How the board was shown to one camera.

    counts  (rows, columns) corners in each cell of the picture
    """

    view: int
    pictures: int
    counts: Floats
    depth_m: tuple[float, float]
    tilt_deg: float

    @property
    def bare(self) -> list[str]:
        """Corners and edges of the picture that no board reached."""
        rows, columns = self.counts.shape
        parts = {"top": slice(0, 2), "": slice(2, rows - 2), "bottom": slice(rows - 2, rows)}
        sides = {"left": slice(0, 2), "": slice(2, columns - 2), "right": slice(columns - 2, columns)}
        return [
            "-".join(filter(None, (part, side))) or "middle"
            for part, down in parts.items()
            for side, over in sides.items()
            if self.counts[down, over].sum() == 0
        ]


@dataclass(frozen=True, eq=False)
class Verdict:
    """The whole judgement."""

    places: tuple[PlaceDoubt, ...]
    pace_sd_mps: float
    coverage: tuple[Coverage, ...]
    checks: tuple[Check, ...]

    @property
    def worst(self) -> str:
        """The worst of the checks."""
        found = {c.verdict for c in self.checks}
        return next((v for v in ("fail", "doubtful") if v in found), "pass")


def lane_places(pitch_length_m: float) -> dict[str, Floats]:
    """Where the verdict is given: a release, a good-length bounce, the striker's stumps."""
    return {
        "release": np.array([0.3, pitch_length_m - 1.8, 2.1]),
        "bounce": np.array([0.0, 5.0, 0.036]),
        "stumps": np.array([0.0, 0.0, 0.5]),
    }


def judge(solution: Solution, fates: Sequence[Refined], rng: np.random.Generator, without: int = 0) -> Verdict:
    """Everything that can be said of a calibration.

    `fates` are those of rough clicks, `without` the number of pictures in which no board was found.
    """
    rig = solution.rig
    places = lane_places(rig.pitch_length_m)
    point = np.array(list(places.values()))
    cov = doubt_at(rig, point)
    sd = np.sqrt(cov.diagonal()).reshape(-1, 3)
    validated = jackknife(solution, point, rng)
    doubts = tuple(PlaceDoubt(name, *rest) for name, *rest in zip(places, point, sd, validated, strict=True))
    pace = _pace_sd(point[0], point[1], cov[:6, :6])
    coverage = tuple(_coverage(solution, i) for i in range(2) if any(v.view == i for v in solution.job.views))
    checks = [
        *(_place_check(d) for d in doubts),
        _graded("pace of a quick ball", pace, GOOD_PACE_MPS, "m/s", "see what to film next"),
        *_unmodelled(doubts),
        *_square(solution),
        *_marks(solution, fates),
        *(check for c in coverage for check in _filmed(c)),
        *_found(len(solution.job.views), without),
        *_lenses(solution),
    ]
    return Verdict(doubts, pace, coverage, tuple(checks))


def jackknife(solution: Solution, point_m: Floats, rng: np.random.Generator) -> Floats:
    """Error (n, 3) of places (n, 3) by leaving out a tenth of the boards and marks at a time; NaN where too few."""
    done, observed = solution.adjusted, solution.adjusted.observed
    px = [camera.project(point_m) for camera in done.state.cameras]
    boards, marks = sorted({v.board for v in observed.views}), sorted(set(observed.marks.mark.tolist()))
    group = {("board", b): int(g) for b, g in zip(boards, rng.permutation(len(boards)) % GROUPS, strict=True)}
    group |= {("mark", m): int(g) for m, g in zip(marks, rng.permutation(len(marks)) % GROUPS, strict=True)}
    found = []
    for g in range(min(GROUPS, max(len(boards), len(marks)))):
        part = replace(
            observed,
            views=tuple(v for v in observed.views if group["board", v.board] != g),
            marks=observed.marks.take(np.array([group["mark", m] != g for m in observed.marks.mark.tolist()], bool)),
        )
        if not _enough(part, observed):
            return np.full(point_m.shape, np.nan)
        try:
            cameras = again(done, part, solution.terms).state.cameras
        except LanepairError:
            return np.full(point_m.shape, np.nan)
        found.append([_met(cameras, np.array(two)) for two in zip(*px, strict=True)])
    at = np.array(found)
    return np.asarray(np.sqrt((len(at) - 1) / len(at) * np.sum((at - at.mean(axis=0)) ** 2, axis=0)), float)


def _enough(part: Observed, whole: Observed) -> bool:
    """Whether each camera keeps four marks, if it had any."""
    return all(np.sum(part.marks.view == i) >= min(4, np.sum(whole.marks.view == i)) for i in range(2))


def _met(cameras: Sequence[Camera], px: Floats) -> Floats:
    if not np.isfinite(px).all():
        return np.full(3, np.nan)
    return triangulate(cameras, px, np.tile(np.eye(2), (2, 1, 1)))[0]


def _pace_sd(release_m: Floats, bounce_m: Floats, cov: Floats) -> float:
    """Doubt in m/s of a quick ball's pace that the rig's doubt of the distance flown brings."""
    way = release_m - bounce_m
    length = float(np.linalg.norm(way))
    slope = np.r_[way, -way] / length
    return PACE_MPS * float(np.sqrt(slope @ cov @ slope)) / length


def _graded(name: str, value: float, limit: float, unit: str, advice: str) -> Check:
    """Pass up to the limit, fail beyond TOO_MUCH times it."""
    if not np.isfinite(value):
        return Check(
            name, "doubtful", float("nan"), limit, unit, "the two cameras do not both see it: turn or move one"
        )
    grade = "pass" if value <= limit else "doubtful" if value <= TOO_MUCH * limit else "fail"
    return Check(name, grade, value, limit, unit, "" if grade == "pass" else advice)


def _place_check(doubt: PlaceDoubt) -> Check:
    error = np.fmax(doubt.sd_m, doubt.validated_m)
    over = error / GOOD_M
    way = int(np.argmax(over)) if np.isfinite(over).all() else 1
    name = f"{doubt.name}: {WAYS[way]} the lane"
    return _graded(name, float(error[way]) * 1e3, GOOD_M[way] * 1e3, "mm", "see what to film next")


def _unmodelled(doubts: Sequence[PlaceDoubt]) -> list[Check]:
    ratio = np.array([d.validated_m / d.sd_m for d in doubts])
    if not np.isfinite(ratio).any():
        advice = "mark more points of the lane, so that some can be left out"
        return [Check("cross-validation", "doubtful", float("nan"), MORE_THAN_STATED, "times the stated error", advice)]
    worst = float(np.nanmax(ratio))
    advice = (
        "leaving out parts moves the result more than noise should: is the board flat, was it still, are both "
        "pictures of a pair of one instant, did a camera move between board and marks?"
    )
    grade = "pass" if worst <= MORE_THAN_STATED else "doubtful"
    shown = "" if grade == "pass" else advice
    return [Check("cross-validation", grade, worst, MORE_THAN_STATED, "times the stated error", shown)]


def _square(solution: Solution) -> list[Check]:
    scale, sd = solution.scale
    if sd == 0:
        return []
    over = 100 * (1 / scale - 1)  # distances by the board, over those by the marks
    limit = 100 * max(SCALE_LIMIT, 4 * sd)
    word = "long" if over > 0 else "short"
    advice = (
        f"distances by the board are {abs(over):.1f} % too {word} against your lane marks (the marks were believed): "
        "measure across ten squares again"
    )
    grade = "pass" if abs(over) <= limit else "fail"
    return [Check("square size", grade, over, limit, "%", "" if grade == "pass" else advice)]


def _marks(solution: Solution, fates: Sequence[Refined]) -> list[Check]:
    checks = [
        Check(f"mark {s.mark}", "fail", s.error_mm, LEAST_M * 1e3, "mm", f"{s.sentence()}; it was left out")
        for s in solution.suspects
    ]
    checks += [
        Check(f"mark {f.mark} ({VIEWS[f.view]})", "doubtful", f.explained, 0.5, "explained", f"not found: {f.problem}")
        for f in fates
        if f.problem
    ]
    used = solution.adjusted.observed.marks
    raised = int(np.sum(used.point_m[np.unique(used.mark), 2] > 0.1))
    flat = "all marks lie on the ground: mark stump tops too, they fix height and focal length"
    fewest = min(int(np.sum(used.view == i)) for i in range(2))
    few = "mark at least 8 points in each picture, at both ends"
    return [
        *checks,
        _told("marks off the ground", raised >= 1, raised, 1, "marks", flat),
        _told("marks in each picture", fewest >= 8, fewest, 8, "marks", few),
    ]


def _told(name: str, fine: bool, value: float, limit: float, unit: str, advice: str) -> Check:
    return Check(name, "pass" if fine else "doubtful", value, limit, unit, "" if fine else advice)


def _coverage(solution: Solution, view: int) -> Coverage:
    width, height = solution.job.sizes_px[view]
    seen = [v for v in solution.adjusted.observed.views if v.view == view]
    state = solution.adjusted.state
    camera = state.cameras[view]
    px = np.vstack([v.px for v in seen]) if seen else np.zeros((0, 2))
    counts = np.histogram2d(px[:, 1], px[:, 0], (CELLS[1], CELLS[0]), ((-0.5, height - 0.5), (-0.5, width - 0.5)))[0]
    depth = [float(camera.depth_m(state.shift_m[v.board][None])[0]) for v in seen]
    tilt = [float(np.degrees(np.arccos(min(1.0, abs(float((camera.R @ state.turn[v.board])[2, 2])))))) for v in seen]
    return Coverage(view, len(seen), counts, (min(depth), max(depth)), float(np.percentile(tilt, 80)))


def _found(views: int, without: int) -> list[Check]:
    """Whether the board was mostly found."""
    if not views + without:
        return []
    share, few = (
        without / (views + without),
        "no board was found in many pictures: show it larger, sharper, wholly in view",
    )
    return [
        _told("pictures without a board", share <= MOST_WITHOUT, without, MOST_WITHOUT * (views + without), "", few)
    ]


def _filmed(c: Coverage) -> list[Check]:
    who, ratio = VIEWS[c.view], c.depth_m[1] / max(c.depth_m[0], 1e-6)
    near = f"the board was always {c.depth_m[0]:.1f} to {c.depth_m[1]:.1f} m away: film it nearer and further too"
    few = "so few views can hide a lens that is more bent than the fit: film 20"
    flat = "the board hardly ever leaned: tilt it about 45 degrees, in every direction"
    bare = f"no board view in the {', '.join(c.bare)} of the {who} picture: film 5 more there"
    return [
        _told(f"{who} board: pictures", c.pictures >= FEW_PICTURES, c.pictures, FEW_PICTURES, "", few),
        _told(f"{who} board: distances", ratio >= LEAST_DEPTH_RATIO, ratio, LEAST_DEPTH_RATIO, "far over near", near),
        _told(f"{who} board: tilt", c.tilt_deg >= LEAST_TILT_DEG, c.tilt_deg, LEAST_TILT_DEG, "deg", flat),
        _told(f"{who} board: bare parts", not c.bare, len(c.bare), 0, "of 9", bare),
    ]


def _lenses(solution: Solution) -> list[Check]:
    left, right = solution.rig.cameras
    checks = []
    if float(left.R[2] @ right.R[2]) > 0.3:  # they look the same way, so one of them is on the left
        aside = float((left.R @ right.centre_m + left.translation_m)[0])
        advice = "seen from behind the pair the left camera stands on the right: exchange the names, or leave it so"
        checks.append(_told("left and right", aside > -0.05, aside, 0.0, "m", advice))
    for i, who in enumerate(VIEWS):
        if solution.job.lenses[i] is not None and not any(n.startswith(f"{who}.f") for n in solution.rig.names):
            advice = "the kept lens came without a covariance and was taken as exact: the stated errors leave it out"
            checks.append(Check(f"{who} lens", "doubtful", 0.0, 0.0, "", advice))
    total, dropped = len(solution.job.views), len(solution.left_out)
    if total:
        advice = "views left out: " + "; ".join(f"{name} ({why})" for name, why in list(solution.left_out.items())[:4])
        most = MOST_LEFT_OUT * total
        checks.append(_told("views left out", dropped <= most, dropped, most, "views", advice))
    return checks
