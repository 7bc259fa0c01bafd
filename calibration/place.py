"""Starting values for the joint adjustment, and the contradictions that are told before it.

What a job of calibration consists of, where its cameras and boards roughly stand, and the gross blunders that show at
once: cameras exchanged, off and leg exchanged, a mirrored picture, pairs that are not of one instant.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.adjust import BoardView, Bools, Extra, MarkSightings, State
from calibration.camera import Camera, Floats, Lens
from calibration.errors import LanepairError
from calibration.lane import INCH_M, PITCH_LENGTH_M
from calibration.lenses import board_poses
from calibration.rig import VIEWS
from calibration.start import FEWEST_MARKS, Pose, apart_deg, pair_cameras, pose_from_marks, turned_about

PAIR_GATE_PX = 40.0  # a pair of views that no one board pose fits better than this was not of one instant
MISFIT_PX = 8.0  # a pose that leaves its better marks further off than this is wrong
CONTRADICTION_DEG = 5.0  # poses from marks and from boards that differ by more cannot both be right


class ApartError(LanepairError):
    """Marks and boards put the cameras at different places."""


@dataclass(frozen=True, eq=False)
class Job:
    """What there is to solve from.

    views       board views; pictures of one instant share a board number
    sizes_px    both pictures' (width, height)
    stated      (n,) which mark sightings came with their own sd
    lenses      known lenses, kept as they are; None: from the board
    lens_names, lens_cov  what is known of kept lenses' doubt, by rig.toml's names
    turnable    a chessboard: its corners may be numbered from either end
    """

    sizes_px: tuple[tuple[int, int], tuple[int, int]]
    marks: MarkSightings
    stated: Bools
    views: tuple[BoardView, ...] = ()
    lenses: tuple[Lens | None, Lens | None] = (None, None)
    lens_names: tuple[str, ...] = ()
    lens_cov: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    turnable: bool = False
    pitch_length_m: float = PITCH_LENGTH_M
    extra: Extra | None = None


@dataclass(frozen=True, eq=False)
class Placed:
    """Starting values; the views with chessboards numbered alike in both cameras; pairs undone, and why."""

    state: State
    views: tuple[BoardView, ...]
    undone: dict[str, str]


def paired(views: Sequence[BoardView]) -> list[int]:
    """Board numbers seen by both cameras."""
    return sorted({v.board for v in views if v.view == 0} & {v.board for v in views if v.view == 1})


def place(lenses: Sequence[Lens], views: Sequence[BoardView], job: Job, rng: np.random.Generator) -> Placed:
    """Where everything roughly stands. Raises LanepairError where the observations contradict each other."""
    poses = _board_poses(lenses, views)
    at = {(v.view, v.board): i for i, v in enumerate(views)}
    pairs = [(at[0, b], at[1, b]) for b in paired(views)]
    right = [[poses[i]] for _, i in pairs]
    if job.turnable:
        for own, (_, i) in zip(right, pairs, strict=True):
            own += _board_poses(lenses, [turned_about(views[i])])
    between = pair_cameras([poses[i] for i, _ in pairs], right)
    try:
        cameras, scale = _cameras(lenses, job, between, rng)
        contradiction = None
    except ApartError as apart:
        contradiction = apart
    if contradiction or _gap_deg(cameras, between) > 4 * CONTRADICTION_DEG:
        mirrored = _mirrored(lenses, views, job, rng)
        if contradiction or mirrored:
            raise LanepairError(mirrored or str(contradiction))
    turn_shift, chosen, undone = _between(cameras, scale), list(views), {}
    for pair in pairs:
        i = pair[1]
        miss, numbered, both = _agreed(lenses, (views[pair[0]], views[i]), (poses[pair[0]], poses[i]), turn_shift, job)
        if miss > PAIR_GATE_PX:
            chosen[i] = replace(views[i], board=-1 - i)
            undone[f"pair {views[i].name}"] = f"the two cameras disagree by {miss:.0f} px: not of one instant"
        else:
            chosen[i], (poses[pair[0]], poses[i]) = numbered, both
    numbers = {b: n for n, b in enumerate(dict.fromkeys(v.board for v in chosen))}
    turn, shift = np.empty((len(numbers), 3, 3)), np.empty((len(numbers), 3))
    for i, v in reversed(list(enumerate(chosen))):
        camera, (r, t) = cameras[v.view], poses[i]
        turn[numbers[v.board]] = camera.R.T @ r
        shift[numbers[v.board]] = camera.R.T @ (scale * t - camera.translation_m)
    renumbered = tuple(replace(v, board=numbers[v.board]) for v in chosen)
    return Placed(State(tuple(cameras), turn, shift, scale, job.marks.point_m.copy()), renumbered, undone)


def _board_poses(lenses: Sequence[Lens], views: Sequence[BoardView]) -> list[tuple[Floats, Floats]]:
    found = (board_poses(lenses[v.view], [v]) for v in views)
    return [(turn[0], shift[0]) for turn, shift in found]


def _between(cameras: Sequence[Camera], scale: float) -> Pose:
    """Left camera to right, in the board's own scale."""
    left, right = cameras
    turn = right.R @ left.R.T
    return Pose(turn, (right.translation_m - turn @ left.translation_m) / scale, 0.0)


def _gap_deg(cameras: Sequence[Camera], between: Pose | None) -> float:
    """By how much the boards' own pose between the cameras contradicts where they stand; 0 where boards tell none."""
    if between is None:
        return 0.0
    placed = _between(cameras, 1.0)
    lengths = float(np.linalg.norm(placed.shift_m)), float(np.linalg.norm(between.shift_m))
    return apart_deg((placed.turn, placed.shift_m / lengths[0]), (between.turn, between.shift_m / lengths[1]))


def _mirrored(lenses: Sequence[Lens], views: Sequence[BoardView], job: Job, rng: np.random.Generator) -> str:
    """Which camera's board pictures are mirrored, in words, where that explains the contradiction; else nothing.

    A chessboard looks like one in a mirror too.
    """
    for view, who in enumerate(VIEWS):
        lens, width = lenses[view], lenses[view].image_size_px[0]
        matrix, terms = lens.matrix.copy(), lens.distortion.copy()
        matrix[0, 2], terms[3] = width - 1 - matrix[0, 2], -terms[3]
        own = [replace(lens, matrix=matrix, distortion=terms) if i == view else lenses[i] for i in range(2)]
        # the board is not seen through its back: its corners are numbered the other way about
        seen = [_in_mirror(v, width) if v.view == view else v for v in views]
        poses = _board_poses(own, seen)
        at = {(v.view, v.board): i for i, v in enumerate(seen)}
        pairs = [(at[0, b], at[1, b]) for b in paired(seen)]
        right = [[poses[i], *_board_poses(own, [turned_about(seen[i])])] for _, i in pairs]
        between = pair_cameras([poses[i] for i, _ in pairs], right)
        try:
            cameras, _ = _cameras(own, job, between, rng)
        except LanepairError:
            continue
        if _gap_deg(cameras, between) > 2 * CONTRADICTION_DEG:
            continue
        return (
            "the cameras' places by the marks and by the boards agree only with the "
            f"{who} camera's board pictures mirrored: switch mirroring off in that camera and film the board again"
        )
    return ""


def _in_mirror(view: BoardView, width: int) -> BoardView:
    """A view as filmed without a mirror: columns of the picture reversed, and the board's own along with them."""
    far = view.points_m[:, 0].max()
    return replace(view, px=view.px * [-1, 1] + [width - 1, 0], points_m=view.points_m * [-1, 1, 1] + [far, 0, 0])


BoardPose = tuple[Floats, Floats]


def _agreed(
    lenses: Sequence[Lens],
    two: tuple[BoardView, BoardView],
    poses: tuple[BoardPose, BoardPose],
    between: Pose,
    job: Job,
) -> tuple[float, BoardView, tuple[BoardPose, BoardPose]]:
    """How far (px) a pair is from one board pose at best, the right view as then numbered, and that pose in both.

    The pose is the left or the right camera's own: of a board seen small or askew one of them may be the wrong way.
    """
    best: tuple[float, BoardView, tuple[BoardPose, BoardPose]] | None = None
    for numbered in (two[1], turned_about(two[1])) if job.turnable else (two[1],):
        own = poses[1] if numbered is two[1] else _board_poses(lenses, [numbered])[0]
        back = between.turn.T @ own[0], between.turn.T @ (own[1] - between.shift_m)
        for left in (poses[0], back):
            right = between.turn @ left[0], between.turn @ left[1] + between.shift_m
            miss = max(_miss_px(lenses[0], two[0], left), _miss_px(lenses[1], numbered, right))
            if best is None or miss < best[0]:
                best = miss, numbered, (left, right)
    assert best is not None
    return best


def _miss_px(lens: Lens, view: BoardView, pose: BoardPose) -> float:
    px = Pose(pose[0], pose[1], 0.0).camera(lens).project(view.points_m)
    return float(np.nan_to_num(np.sqrt(np.mean((px - view.px) ** 2)), nan=np.inf))


def _cameras(
    lenses: Sequence[Lens], job: Job, between: Pose | None, rng: np.random.Generator
) -> tuple[list[Camera], float]:
    """Both cameras, and the scale of the board that the marks imply; `between` is left camera to right."""
    left, right = (_pose(lenses[i], job, i, rng) for i in (0, 1))
    if (left is None and right is None) or (between is None and (left is None or right is None)):
        counts = [int(np.sum(job.marks.view == i)) for i in (0, 1)]
        shared = "" if between else ", and no board view is shared by both"
        raise LanepairError(
            f"{counts[0]} marks in the left picture and {counts[1]} in the right{shared}: mark at least {FEWEST_MARKS} "
            "in each, better 8, at both ends and some off the ground (the stump tops)"
        )
    scale = 1.0
    if left is not None and right is not None and between is not None:
        scale = _agree(left, right, between)
    elif left is not None and between is not None:
        right = Pose(between.turn @ left.turn, between.turn @ left.shift_m + between.shift_m, 0.0)
    elif right is not None and between is not None:
        left = Pose(between.turn.T @ right.turn, between.turn.T @ (right.shift_m - between.shift_m), 0.0)
    assert left is not None and right is not None
    return [left.camera(lenses[0]), right.camera(lenses[1])], scale


def _pose(lens: Lens, job: Job, view: int, rng: np.random.Generator) -> Pose | None:
    """One camera's pose from its marks; None where they are too few."""
    marks, who = job.marks.take(job.marks.view == view), VIEWS[view]
    if len(marks) < FEWEST_MARKS:
        return None
    sd, point = np.sqrt(np.trace(marks.cov_px2, axis1=1, axis2=2) / 2) + 1.0, marks.point_m[marks.mark]
    found = pose_from_marks(lens, marks.px, point, sd, rng)
    if found is not None and found.misfit < max(MISFIT_PX, 3 * float(np.median(sd))):
        return found
    as_given = np.inf if found is None else found.misfit
    better = explained(lens, job, view, as_given, rng)
    if better is not None:
        given = "no pose above the ground" if found is None else f"{as_given:.0f} px"
        raise LanepairError(
            f"the {who} camera's marks fit its lens to {given} as given, to {better[0]:.1f} px {better[1]}: "
            "mend the marks or the pictures accordingly"
        )
    if found is None:
        raise LanepairError(f"the {who} camera's {len(marks)} marks fit no place above the ground: check their names")
    raise LanepairError(
        f"the {who} camera's marks miss by {as_given:.0f} px wherever it is placed: the lens is of another camera or "
        "video mode, the marks carry wrong names, or the pitch is not the stated length"
    )


def explained(
    lens: Lens, job: Job, view: int, as_given_px: float, rng: np.random.Generator
) -> tuple[float, str] | None:
    """The first blunder that would make one camera's marks fit far better: the misfit then, and its words."""
    marks, fits = job.marks.take(job.marks.view == view), []
    for what, (px, where) in _explanations(lens, marks, job, view).items():
        again = pose_from_marks(lens, px, where, np.full(len(px), 2.0), rng)
        if again is not None and again.misfit < min(MISFIT_PX, as_given_px / 3):
            fits.append((again.misfit, what))
    good = 2 * min((misfit for misfit, _ in fits), default=0.0)
    return next(((misfit, what) for misfit, what in fits if misfit <= max(good, 1.0)), None)


def _explanations(lens: Lens, marks: MarkSightings, job: Job, view: int) -> dict[str, tuple[Floats, Floats]]:
    """What may be wrong with marks that fit no pose: in words, and the pixels and places as they would then be."""
    px, point = marks.px, marks.point_m[marks.mark]
    tries = {
        "with the picture mirrored": (px * [-1, 1] + [lens.image_size_px[0] - 1, 0], point),
        "with off and leg exchanged": (px, point * [-1, 1, 1]),
        "with u and v exchanged": (px[:, ::-1], point),
    }
    at_bowlers = np.array([marks.names[m].startswith("B_") for m in marks.mark], float)
    named = np.array([marks.names[m].startswith(("S_", "B_")) for m in marks.mark])
    other_end = np.column_stack([point[:, 0], job.pitch_length_m - point[:, 1], point[:, 2]])
    ends = "with the striker's and the bowler's ends exchanged"
    tries[ends] = (px, np.where(named[:, None], other_end, point))
    for yards in range(14, 23):
        length = yards * 36 * INCH_M
        moved = point + np.outer(at_bowlers, [0, length - job.pitch_length_m, 0])
        tries[f"with a pitch of {yards} yards (--pitch-length {length:.4f})"] = (px, moved)
    other = job.marks.take(job.marks.view == 1 - view)
    if len(other) >= FEWEST_MARKS:
        tries["with left and right exchanged"] = (other.px, other.point_m[other.mark])
    return tries


def _agree(left: Pose, right: Pose, between: Pose) -> float:
    """Check the pose between the cameras from boards against the marks' one; the board's scale by the marks."""
    turn = right.turn @ left.turn.T
    shift = right.shift_m - turn @ left.shift_m
    lengths = float(np.linalg.norm(shift)), float(np.linalg.norm(between.shift_m))
    marks, boards = (turn, shift / lengths[0]), (between.turn, between.shift_m / lengths[1])
    inverse = (boards[0].T, -boards[0].T @ boards[1])
    given, exchanged = apart_deg(marks, boards), apart_deg(marks, inverse)
    if given > max(CONTRADICTION_DEG, between.misfit) and exchanged < min(given / 4, 3 * CONTRADICTION_DEG):
        raise LanepairError(
            f"the cameras' places by the marks and by the boards differ by {given:.0f} degrees as given, "
            f"{exchanged:.1f} with left and right exchanged: the board folders (or the cameras in the marks) are "
            "probably swapped"
        )
    if given > max(4 * CONTRADICTION_DEG, 3 * between.misfit):
        raise ApartError(
            f"the cameras' places by the marks and by the boards differ by {min(given, 180.0):.0f} degrees: a camera "
            "was moved in between, the marks carry wrong names, pictures of one name are not of one instant, or the "
            "board is bent"
        )
    return lengths[0] / lengths[1]
