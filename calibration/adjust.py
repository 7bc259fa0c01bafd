"""One joint least-squares adjustment of lenses, poses, board views and lane marks, with exact derivatives.

The unknowns, in this order: for each camera rotation_vector, translation, fx, fy, cx, cy and its lens terms (the order
of OpenCV's projectPoints, whose derivatives are used); the scale of the board; for each board pose a turn and a shift
in the lane frame; for each mark its lane coordinates, which carry their survey's doubt as a prior. The normal matrix is
summed block by block and solved by Levenberg-Marquardt with Huber's weights. Its inverse is the covariance.
Sources: Triggs et al. 2000, Bundle adjustment: a modern synthesis (LNCS 1883); Huber 1964, Ann. Math. Stat. 35(1);
variance components: Foerstner 1979 (all from memory).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import LENSES, Camera, Floats
from calibration.errors import LanepairError
from calibration.rig import VIEWS

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
HUBER = 3.0  # whitened length of a residual from which its pull no longer grows; costs 1 % where all is normal
POSE_NAMES = ("rx", "ry", "rz", "tx", "ty", "tz")


@dataclass(frozen=True, eq=False)
class BoardView:
    """Corners found in one picture of the board.

    view      0 left, 1 right
    name      the picture's file name
    board     number of the board's pose it belongs to: pictures of one instant share it
    points_m  (n, 3) corners on the board
    px        (n, 2)
    """

    view: int
    name: str
    board: int
    points_m: Floats
    px: Floats


@dataclass(frozen=True, eq=False)
class MarkSightings:
    """Lane marks as seen and as surveyed.

    view, mark  (n,)      which camera saw which mark
    px          (n, 2)
    cov_px2     (n, 2, 2)
    names       (m,)      the marks
    point_m     (m, 3)    where they should be
    sd_m        (m, 3)    how far that is to be trusted
    """

    view: Ints
    mark: Ints
    px: Floats
    cov_px2: Floats
    names: tuple[str, ...]
    point_m: Floats
    sd_m: Floats

    def __len__(self) -> int:
        return len(self.view)

    def take(self, rows: Ints | Bools) -> "MarkSightings":
        """The chosen sightings; every mark keeps its number."""
        return replace(self, view=self.view[rows], mark=self.mark[rows], px=self.px[rows], cov_px2=self.cov_px2[rows])


NO_MARKS = MarkSightings(
    np.zeros(0, int), np.zeros(0, int), np.zeros((0, 2)), np.zeros((0, 2, 2)), (), np.zeros((0, 3)), np.zeros((0, 3))
)
Extra = Callable[[Sequence[Camera]], tuple[Floats, Floats]]  # cameras -> whitened residuals (k,), slopes (k, cameras')


@dataclass(frozen=True, eq=False)
class Observed:
    """Everything that was measured: board corners with one sd for each camera, marks, the board's own scale."""

    views: tuple[BoardView, ...] = ()
    marks: MarkSightings = NO_MARKS
    corner_sd_px: tuple[float, float] = (0.2, 0.2)
    scale_sd: float = 1.0
    extra: Extra | None = None  # further residuals, e.g. of flights, their own unknowns already projected out


@dataclass(frozen=True, eq=False)
class State:
    """Values of the unknowns.

    turn     (b, 3, 3) board to lane
    shift_m  (b, 3)
    scale    true square size over the stated one
    mark_m   (m, 3)
    """

    cameras: tuple[Camera, ...]
    turn: Floats
    shift_m: Floats
    scale: float = 1.0
    mark_m: Floats = field(default_factory=lambda: np.zeros((0, 3)))

    @property
    def starts(self) -> tuple[int, ...]:
        """First column of each camera, of the scale, of the boards, of the marks, and the number of columns."""
        widths = [*(10 + len(c.lens.distortion) for c in self.cameras), 1, 6 * len(self.turn), 3 * len(self.mark_m)]
        return (0, *np.cumsum(widths).tolist())

    def camera_names(self) -> tuple[str, ...]:
        """The cameras' columns by the names of rig.toml."""
        names: list[str] = []
        for view, camera in zip(VIEWS, self.cameras, strict=False):
            own = (*POSE_NAMES, "fx", "fy", "cx", "cy", *LENSES[len(camera.lens.distortion)])
            names += [f"{view}.{name}" for name in own]
        return tuple(names)

    def moved(self, step: Floats) -> "State":
        """The state with `step`, over all columns, taken."""
        at, cameras = self.starts, list(self.cameras)
        for i, camera in enumerate(cameras):
            s = step[at[i] : at[i + 1]]
            matrix = camera.lens.matrix + np.array([[s[6], 0, s[8]], [0, s[7], s[9]], [0, 0, 0]])
            lens = replace(camera.lens, matrix=matrix, distortion=camera.lens.distortion + s[10:])
            pose = (np.asarray(camera.rotation_vector) + s[:3], np.asarray(camera.translation_m) + s[3:6])
            cameras[i] = replace(camera, lens=lens, rotation_vector=pose[0], translation_m=pose[1])
        n = len(self.cameras)
        boards = step[at[n + 1] : at[n + 2]].reshape(-1, 6)
        turns = [cv2.Rodrigues(b[:3])[0] @ r for b, r in zip(boards, self.turn, strict=True)]
        return State(
            tuple(cameras),
            np.array(turns).reshape(-1, 3, 3),
            self.shift_m + boards[:, 3:],
            self.scale + float(step[at[n]]),
            self.mark_m + step[at[n + 2] :].reshape(-1, 3),
        )


@dataclass(frozen=True, eq=False)
class Block:
    """Whitened residuals (k,) of one picture or mark, their slopes (k, c) and the columns (c,) these belong to."""

    residual: Floats
    slope: Floats
    column: Ints
    weight: Floats  # (k,) Huber's


def _huber(whitened: Floats) -> Floats:
    """Weights (2 n,) of residuals (n, 2) that lie further out than HUBER."""
    length = np.linalg.norm(whitened, axis=1)
    return np.repeat(np.minimum(1.0, HUBER / np.maximum(length, 1e-12)), 2)


def _skew(v: Floats) -> Floats:
    out = np.zeros((len(v), 3, 3))
    out[:, 0, 1], out[:, 0, 2], out[:, 1, 2] = -v[:, 2], v[:, 1], -v[:, 0]
    return out - out.transpose(0, 2, 1)


def view_block(state: State, view: BoardView, sd_px: float) -> Block:
    """The residuals (found minus predicted, over sd) of one picture of the board."""
    at, n, camera = state.starts, len(state.cameras), state.cameras[view.view]
    flat = view.points_m @ state.turn[view.board].T
    arm = state.scale * flat
    px, by_camera = camera.project_with_parameters(arm + state.shift_m[view.board])
    by_point = by_camera[:, :, 3:6] @ camera.R
    slope = np.concatenate([by_camera, by_point @ flat[:, :, None], by_point @ -_skew(arm), by_point], axis=2) / -sd_px
    residual = (view.px - px) / sd_px
    board = at[n + 1] + 6 * view.board
    column = np.r_[at[view.view] : at[view.view + 1], at[n], board : board + 6]
    return Block(residual.ravel(), slope.reshape(-1, slope.shape[2]), column, _huber(residual))


def view_rms_px(state: State, view: BoardView) -> float:
    """Rms over both axes of a picture's residuals, the worst corner in twenty (single mistakes) left aside."""
    squared = np.sort(np.sum(view_block(state, view, 1.0).residual.reshape(-1, 2) ** 2, axis=1))
    return float(np.sqrt(squared[: len(squared) - max(1, len(squared) // 20)].mean() / 2))


def mark_block(state: State, marks: MarkSightings, row: int) -> Block:
    """The residual of one mark in one camera."""
    at, n, view = state.starts, len(state.cameras), int(marks.view[row])
    camera, mark = state.cameras[view], int(marks.mark[row])
    px, by_camera = camera.project_with_parameters(state.mark_m[mark][None])
    whiten = np.linalg.inv(np.linalg.cholesky(marks.cov_px2[row]))
    slope = whiten @ -np.concatenate([by_camera[0], by_camera[0][:, 3:6] @ camera.R], axis=1)
    residual = whiten @ (marks.px[row] - px[0])
    first = at[n + 2] + 3 * mark
    return Block(residual, slope, np.r_[at[view] : at[view + 1], first : first + 3], _huber(residual[None]))


def blocks(state: State, observed: Observed) -> Iterator[Block]:
    """Every residual, block by block: board views, mark sightings, priors, further residuals."""
    at, n = state.starts, len(state.cameras)
    for view in observed.views:
        yield view_block(state, view, observed.corner_sd_px[view.view])
    for row in range(len(observed.marks)):
        yield mark_block(state, observed.marks, row)
    survey = observed.marks
    if len(survey.names):
        sd = survey.sd_m.ravel()
        residual = (survey.point_m - state.mark_m).ravel() / sd
        yield Block(residual, -np.diag(1 / sd), np.arange(at[n + 2], at[n + 3]), np.ones(len(sd)))
    pull = np.array([(1.0 - state.scale) / observed.scale_sd])
    yield Block(pull, np.array([[-1 / observed.scale_sd]]), np.array([at[n]]), np.ones(1))
    if observed.extra is not None:
        residual, slope = observed.extra(state.cameras)
        yield Block(residual, slope, np.arange(at[n]), _huber(np.c_[residual, 0 * residual])[::2])


def normal(state: State, observed: Observed) -> tuple[Floats, Floats, float]:
    """Normal matrix (p, p), gradient (p,) and Huber's cost; the cost is infinite where a point leaves a lens."""
    p = state.starts[-1]
    matrix, gradient, cost = np.zeros((p, p)), np.zeros(p), 0.0
    for b in blocks(state, observed):
        if not np.isfinite(b.residual).all():
            return matrix, gradient, np.inf
        weighed = b.slope * b.weight[:, None]
        matrix[np.ix_(b.column, b.column)] += b.slope.T @ weighed
        gradient[b.column] += weighed.T @ b.residual
        cost += float(np.sum((2 * b.weight - b.weight**2) * b.residual**2))  # Huber's loss, doubled, by its weights
    return matrix, gradient, cost


@dataclass(frozen=True, eq=False)
class Adjusted:
    """An adjustment's end: the state, the covariance (p, p) over all columns (zero rows where fixed), and the cost."""

    state: State
    observed: Observed
    free: Bools
    normal: Floats
    cov: Floats
    cost: float
    converged: bool


def adjust(state: State, observed: Observed, free: Bools, rounds: int = 30) -> Adjusted:
    """Move the free columns of `state` to the least cost.

    Raises LanepairError where the observations do not fix the free numbers.
    """
    damping, at = 1e-4, np.flatnonzero(free)
    matrix, gradient, cost = normal(state, observed)
    if not np.isfinite(cost):
        raise LanepairError("the starting values put a point behind a camera or outside its lens: check the marks")
    converged = False
    for _ in range(rounds):
        scale = 1 / np.sqrt(np.maximum(matrix.diagonal()[at], 1e-30))
        scaled = matrix[np.ix_(at, at)] * np.outer(scale, scale)
        step = np.zeros(len(free))
        step[at] = -scale * np.linalg.solve(scaled + damping * np.eye(len(at)), scale * gradient[at])
        trial = state.moved(step)
        new_matrix, new_gradient, new_cost = normal(trial, observed)
        gain = cost - new_cost
        if new_cost <= cost:
            state, matrix, gradient, cost, damping = trial, new_matrix, new_gradient, new_cost, max(damping / 10, 1e-12)
        else:
            damping = max(damping * 10, 1e-7)
        converged = abs(gain) <= 1e-7 + 1e-9 * cost or damping > 1e8
        if converged:
            break
    return Adjusted(state, observed, free, matrix, inverse(matrix, free), cost, converged)


def inverse(matrix: Floats, free: Bools) -> Floats:
    """The covariance (p, p) that belongs to a normal matrix: its inverse over the free columns, zero elsewhere.

    Raises LanepairError where a free column is not fixed by the observations.
    """
    at, cov = np.flatnonzero(free), np.zeros_like(matrix)
    scale = 1 / np.sqrt(np.maximum(matrix.diagonal()[at], 1e-30))
    value, vector = np.linalg.eigh(matrix[np.ix_(at, at)] * np.outer(scale, scale))
    if len(at) and value[0] < 1e-13:
        raise LanepairError(
            "the pictures and marks do not fix the cameras: film more board views, tilted and at several distances, "
            "or survey more marks, some of them off the ground"
        )
    half = scale[:, None] * vector / np.sqrt(value)
    cov[np.ix_(at, at)] = half @ half.T
    return cov


def corner_spread(adjusted: Adjusted, view: int) -> tuple[float, float]:
    """Weighted sum of squares of one camera's board residuals, and their share of the degrees of freedom."""
    chosen = [v for v in adjusted.observed.views if v.view == view]
    return _spread(adjusted, [view_block(adjusted.state, v, adjusted.observed.corner_sd_px[view]) for v in chosen])


def mark_spread(adjusted: Adjusted) -> tuple[float, float]:
    """Weighted sum of squares of the clicks' residuals, and their share of the degrees of freedom."""
    marks = adjusted.observed.marks
    return _spread(adjusted, [mark_block(adjusted.state, marks, row) for row in range(len(marks))])


def _spread(adjusted: Adjusted, chosen: Sequence[Block]) -> tuple[float, float]:
    total = share = 0.0
    for b in chosen:
        part = adjusted.cov[np.ix_(b.column, b.column)]
        total += float(np.sum(b.weight * b.residual**2))
        share += len(b.residual) - float(np.einsum("kc,cd,kd,k->", b.slope, part, b.slope, b.weight))
    return total, share
