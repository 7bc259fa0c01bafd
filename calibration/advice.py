"""What to film or mark next: each thing that could be added, by how much it would lower the doubt on the lane.

A thing not yet done is weighed by its information alone: five board views somewhere, a board shown to both cameras,
or one more mark of the Laws, with its own unknowns projected out, added to what the rig already knows (a Bayesian
D- and A-optimal design in the small; Chaloner & Verdinelli 1995, Stat. Sci. 10(3), from memory).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.adjust import NO_MARKS, BoardView, MarkSightings, Observed, State, blocks
from calibration.camera import Camera, Floats
from calibration.doubt import doubt_at
from calibration.marks import PAINTED, USUAL_SD_M, mark_names, named_mark
from calibration.rig import VIEWS, Rig
from calibration.solve import Solution

CLICK_SD_PX = 0.4
SURVEY_SD_M = 0.001
LEAST_SPACING_PX = 10.0  # corners nearer together are not found well
WORTH = 0.93  # advice must lower the doubt to less than this share


@dataclass(frozen=True, eq=False)
class Advice:
    """Something to add, and the greatest doubt of the lane's places (mm) before and after."""

    what: str
    before_mm: float
    after_mm: float

    def sentence(self) -> str:
        """What the user reads."""
        return f"{self.what}: the largest doubt would fall from {self.before_mm:.0f} to {self.after_mm:.0f} mm"


def advise(solution: Solution, point_m: Floats, most: int = 3, junior_stumps: bool = False) -> list[Advice]:
    """The best things to add, for places (n, 3) on the lane, best first."""
    rig = solution.rig
    if not len(rig.names):
        return []
    seen = np.array([p for p in point_m if all(c.sees(p[None])[0] for c in rig.cameras)])
    if not len(seen):
        return []
    before = _worst_mm(rig, rig.cov, seen)
    offers = []
    for what, state, observed in (*_board_offers(solution), *_mark_offers(solution, junior_stumps)):
        cov = _with(rig, rig.cov, state, observed, solution)
        offers.append(Advice(what, before, _worst_mm(rig, cov, seen)))
    offers += _survey_offer(solution, seen, before)
    worth = [a for a in offers if a.after_mm < WORTH * a.before_mm]
    return sorted(worth, key=lambda a: a.after_mm)[:most]


def _worst_mm(rig: Rig, cov: Floats, point_m: Floats) -> float:
    return 1e3 * float(np.sqrt(np.max(doubt_at(replace(rig, cov=cov), point_m).diagonal())))


def _with(rig: Rig, cov: Floats, state: State, observed: Observed, solution: Solution) -> Floats:
    """The rig's covariance once the offered observations are made."""
    p, cameras = state.starts[-1], state.starts[len(state.cameras)]
    matrix = np.zeros((p, p))
    for b in blocks(state, observed):
        matrix[np.ix_(b.column, b.column)] += b.slope.T @ b.slope
    own = np.arange(cameras + 1, p)
    mine = matrix[np.ix_(own, own)]
    across = matrix[: cameras + 1, cameras + 1 :]
    gain = matrix[: cameras + 1, : cameras + 1] - across @ np.linalg.solve(mine, across.T)
    column = {name: i for i, name in enumerate(state.camera_names())}
    at = [column[name] for name in rig.names]
    scale = solution.adjusted.state.starts[2]
    s = gain[cameras, cameras] + 1 / max(solution.adjusted.cov[scale, scale], 1e-12)
    gain = gain[np.ix_(at, at)] - np.outer(gain[at, cameras], gain[at, cameras]) / s
    held = 1 / np.sqrt(cov.diagonal())
    scaled = np.linalg.inv(cov * np.outer(held, held)) + gain / np.outer(held, held)
    return np.asarray(np.linalg.inv(scaled) / np.outer(held, held), float)


def _board_offers(solution: Solution) -> Iterator[tuple[str, State, Observed]]:
    done = solution.adjusted
    if not done.observed.views:
        return
    points = max((v.points_m for v in done.observed.views), key=len)
    sds = done.observed.corner_sd_px
    for view, who in enumerate(VIEWS):
        if not solution.terms[view]:
            continue
        camera = done.state.cameras[view]
        near = float(np.median([camera.depth_m(done.state.shift_m[v.board][None])[0] for v in done.observed.views]))
        for part, (x, y) in _PARTS.items():
            for distance, word in ((near, "as far as before"), (near / 2, "at half the distance")):
                shown = _shown(camera, points, x, y, distance)
                if shown is not None:
                    views = tuple(replace(v, view=view) for v in shown[1])
                    state = replace(done.state, turn=shown[0][0], shift_m=shown[0][1], mark_m=np.zeros((0, 3)))
                    observed = Observed(views, NO_MARKS, sds)
                    yield f"5 more board views in the {part} of the {who} picture, {word}, tilted", state, observed
    yield from _pair_offer(solution, points)


_PARTS = {
    "top left": (0.2, 0.2),
    "top right": (0.8, 0.2),
    "bottom left": (0.2, 0.8),
    "bottom right": (0.8, 0.8),
    "middle": (0.5, 0.5),
}
_TILTS = ((0.8, 0.0), (-0.8, 0.0), (0.0, 0.8), (0.0, -0.8), (0.5, 0.5))  # radians about the picture's axes


def _shown(
    camera: Camera, points_m: Floats, x: float, y: float, distance_m: float, others: Sequence[Camera] = ()
) -> tuple[tuple[Floats, Floats], list[BoardView]] | None:
    """The board's poses before one camera, five tilts at a place of its picture, and the corners it would see."""
    width, height = camera.lens.image_size_px
    ray = camera.ray(np.array([[x * width, y * height]]))[0]
    if not np.isfinite(ray).all():
        return None
    turns, shifts, views = [], [], []
    for n, tilt in enumerate(_TILTS):
        turn = camera.R.T @ cv2.Rodrigues(np.array([*tilt, 0.0]))[0]
        shift = camera.centre_m + distance_m * ray - turn @ points_m.mean(axis=0)
        turns.append(turn)
        shifts.append(shift)
        at = points_m @ turn.T + shift
        for i, own in enumerate((camera, *others)):
            inside = own.sees(at)
            if inside.sum() >= 12 and _spacing_px(own, at) > LEAST_SPACING_PX:
                views.append(BoardView(i, "", n, points_m[inside], own.project(at[inside])))
    complete = {v.board for v in views if v.view == len(others)} == set(range(len(_TILTS)))
    return ((np.array(turns), np.array(shifts)), views) if complete else None


def _spacing_px(camera: Camera, corner_m: Floats) -> float:
    """The least distance in the picture between the first two rows' neighbours."""
    return float(np.linalg.norm(np.diff(camera.project(corner_m[:2]), axis=0)))


def _pair_offer(solution: Solution, points_m: Floats) -> Iterator[tuple[str, State, Observed]]:
    """Five more views of the board by both cameras at once, midway into the view they share."""
    done = solution.adjusted
    left, right = done.state.cameras
    for share, word in ((0.3, "near"), (0.7, "further off")):
        for distance in np.geomspace(1.0, 12.0, 8)[:: 1 if share < 0.5 else -1]:
            shown = _shown(left, points_m, 0.5, 0.5, float(distance), (right,))
            if shown is not None:
                state = replace(done.state, turn=shown[0][0], shift_m=shown[0][1], mark_m=np.zeros((0, 3)))
                observed = Observed(tuple(shown[1]), NO_MARKS, done.observed.corner_sd_px)
                yield f"5 more board views by both cameras at once, {word} ({distance:.0f} m)", state, observed
                break


def _mark_offers(solution: Solution, junior_stumps: bool) -> Iterator[tuple[str, State, Observed]]:
    """Each sharp mark of the Laws that is visible and not yet used."""
    done, rig = solution.adjusted, solution.rig
    used = {done.observed.marks.names[m] for m in done.observed.marks.mark.tolist()}
    length = rig.pitch_length_m
    for name in mark_names():
        if name not in used and (name[2:].startswith(PAINTED) or name.endswith("mid_top")):
            yield from _marked(solution, f"mark {name} too", [named_mark(name, length, junior_stumps)])
    for share in (0.15, 0.3, 0.5, 0.7, 0.85):
        y = round(share * length)
        two = [(np.array([x, y, 0.0]), np.full(3, USUAL_SD_M)) for x in (-1.0, 1.0)]
        yield from _marked(solution, f"tape and measure two floor marks, 1 m either side at y = {y} m", two)


def _marked(
    solution: Solution, what: str, places: Sequence[tuple[Floats, Floats]]
) -> Iterator[tuple[str, State, Observed]]:
    """Marks at places with their doubts, clicked in every camera that sees them."""
    cameras = solution.rig.cameras
    point, sd = (np.array(part) for part in zip(*places, strict=True))
    view, mark = np.nonzero([c.sees(point) for c in cameras])
    if not len(view):
        return
    px = np.array([cameras[v].project(point[m][None])[0] for v, m in zip(view, mark, strict=True)])
    cov = np.tile(np.eye(2) * CLICK_SD_PX**2, (len(view), 1, 1))
    marks = MarkSightings(view, mark, px, cov, tuple(map(str, range(len(point)))), point, sd)
    state = State(solution.adjusted.state.cameras, np.zeros((0, 3, 3)), np.zeros((0, 3)), 1.0, point)
    yield what, state, Observed((), marks, solution.adjusted.observed.corner_sd_px)


def _survey_offer(solution: Solution, point_m: Floats, before_mm: float) -> list[Advice]:
    """The marks already used, measured to SURVEY_SD_M where they are known less well."""
    done, rig = solution.adjusted, solution.rig
    state, marks = done.state, done.observed.marks
    used = np.unique(marks.mark)
    sd = marks.sd_m[used].ravel()
    better = (sd > 1.2 * SURVEY_SD_M) & (sd < 0.1)
    if not better.any():
        return []
    at = (state.starts[len(state.cameras) + 2] + 3 * used[:, None] + np.arange(3)).ravel()[better]
    column = {name: i for i, name in enumerate(state.camera_names())}
    own = np.array([column[name] for name in rig.names])
    noise = np.diag(1 / (SURVEY_SD_M**-2 - sd[better] ** -2.0))
    across = done.cov[np.ix_(own, at)]
    cov = rig.cov - across @ np.linalg.solve(done.cov[np.ix_(at, at)] + noise, across.T)
    what = f"measure the marks' own places to {1e3 * SURVEY_SD_M:.0f} mm and state it (sd_x_m, sd_y_m, sd_z_m)"
    return [Advice(what, before_mm, _worst_mm(rig, cov, point_m))]
