"""Where the cameras stand, roughly, before the joint adjustment: from lane marks, and from boards both saw at once.

A pose from marks is sought over many small sets of marks, so that a wrong one cannot spoil it. The pose of one camera
in the other is the one most pairs of board views agree on; a whole chessboard may be numbered from either end, and
both ways are tried.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np

from calibration.adjust import BoardView, Ints
from calibration.camera import Camera, Floats, Lens

FEWEST_MARKS = 4
GATE = 5.0  # sds from which a mark counts as wrong while the pose is sought
SUBSETS = 60


@dataclass(frozen=True, eq=False)
class Pose:
    """Lane (or left camera) to camera: x_camera = turn x + shift.

    misfit  rms of the better marks, in pixels; of a pose from boards how far apart the pairs have it, in degrees
    """

    turn: Floats
    shift_m: Floats
    misfit: float

    def camera(self, lens: Lens) -> Camera:
        """The lens standing there."""
        return Camera(lens, cv2.Rodrigues(self.turn)[0].ravel(), self.shift_m)


def pose_from_marks(lens: Lens, px: Floats, point_m: Floats, sd_px: Floats, rng: np.random.Generator) -> Pose | None:
    """The pose that most marks (n, 2), (n, 3) with click sds (n,) agree on, above the ground; None if none is."""
    xy = lens.undistort(px)
    known = np.flatnonzero(np.isfinite(xy).all(axis=1))
    best, least = None, np.inf
    for rows in _subsets(known, rng):
        for turn, shift in _perspective(xy[rows], point_m[rows]):
            if (-turn.T @ shift)[2] <= 0:
                continue
            cost = _misfit(lens, turn, shift, px, point_m, sd_px)
            if np.sum(np.minimum(cost, GATE**2)) < least:
                best, least = (turn, shift), float(np.sum(np.minimum(cost, GATE**2)))
    if best is None:
        return None
    turn, shift = best
    for _ in range(3):
        good = known[_misfit(lens, turn, shift, px, point_m, sd_px)[known] < GATE**2]
        if len(good) < FEWEST_MARKS:
            break
        turned, moved = cv2.solvePnPRefineLM(
            point_m[good], xy[good], np.eye(3), None, cv2.Rodrigues(turn)[0], shift.reshape(3, 1).copy()
        )
        turn, shift = cv2.Rodrigues(turned)[0], moved.ravel()
    miss = np.sort(_misfit(lens, turn, shift, px, point_m, np.ones(len(px))))
    return Pose(turn, shift, float(np.sqrt(miss[: max(4, (len(miss) * 3 + 3) // 4)].mean() / 2)))


def _subsets(known: Ints, rng: np.random.Generator) -> list[Ints]:
    """All marks, and sets of five (or four) of them."""
    if len(known) < FEWEST_MARKS:
        return []
    size = min(5, max(FEWEST_MARKS, len(known) - 1))
    if len(known) <= 8:
        return [known, *(known[list(c)] for c in combinations(range(len(known)), size))]
    return [known, *(rng.choice(known, size, replace=False) for _ in range(SUBSETS))]


def _perspective(xy: Floats, point_m: Floats) -> list[tuple[Floats, Floats]]:
    """Every pose the general and (for points on the ground) the planar solver offer."""
    found: list[tuple[Floats, Floats]] = []
    methods = [cv2.SOLVEPNP_SQPNP] + ([cv2.SOLVEPNP_IPPE] if np.ptp(point_m[:, 2]) < 1e-9 else [])
    for method in methods:
        level = point_m - (point_m[:1] * [0, 0, 1] if method == cv2.SOLVEPNP_IPPE else 0)
        try:
            _, turns, shifts, _ = cv2.solvePnPGeneric(level, xy, np.eye(3), None, flags=method)
        except cv2.error:  # a set of marks in one line has no pose
            continue
        for r, t in zip(turns, shifts, strict=True):
            turn = np.asarray(cv2.Rodrigues(r)[0], float)
            found.append((turn, t.ravel() - turn @ (point_m[0] - level[0])))
    return [(r, t) for r, t in found if np.isfinite(r).all() and np.isfinite(t).all()]


def _misfit(lens: Lens, turn: Floats, shift: Floats, px: Floats, point_m: Floats, sd_px: Floats) -> Floats:
    """Squared distance (n,) of each mark from where the pose puts it, in sds; large where it would be unseen."""
    seen = Pose(turn, shift, 0.0).camera(lens).project(point_m)
    misfit: Floats = np.nan_to_num(np.sum(((seen - px) / sd_px[:, None]) ** 2, axis=1), nan=1e12)
    return misfit


def pair_cameras(
    left: Sequence[tuple[Floats, Floats]], right: Sequence[Sequence[tuple[Floats, Floats]]]
) -> Pose | None:
    """The right camera in the left one's frame, as most pairs have it; None where there is no pair.

    `left` is one board pose a pair, `right` one or two (a whole chessboard may be numbered from either end).
    """
    offered = [[_between(a, b) for b in either] for a, either in zip(left, right, strict=True)]
    best, least = None, np.inf
    for candidate in (pose for either in offered for pose in either):
        middle = float(np.median([min(apart_deg(candidate, pose) for pose in either) for either in offered]))
        if middle < least:
            best, least = candidate, middle
    return None if best is None else Pose(best[0], best[1], least)


def _between(a: tuple[Floats, Floats], b: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    turn = b[0] @ a[0].T
    return turn, b[1] - turn @ a[1]


def apart_deg(a: tuple[Floats, Floats], b: tuple[Floats, Floats]) -> float:
    """How far two relative poses differ: their turn in degrees, and their shift as an angle seen over its length."""
    turn = np.rad2deg(np.linalg.norm(cv2.Rodrigues(a[0] @ b[0].T)[0]))
    shift = float(np.linalg.norm(a[1] - b[1])) / max(float(np.linalg.norm(a[1])), 1e-6)
    return float(turn) + float(np.rad2deg(min(shift, 3.0)))


def turned_about(view: BoardView) -> BoardView:
    """A whole chessboard's view with its corners numbered from the other end."""
    return replace(view, px=view.px[::-1].copy())
