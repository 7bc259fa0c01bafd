"""A rough click on a lane mark, brought to the paint's corner or the stump's edge in the picture, to sub-pixel.

The neighbourhood of the mark is drawn from the Laws' geometry with the camera as it roughly stands (ground, paint,
stumps), softened as the picture is, and slid over the picture; brightnesses are free at every place. The best place is
refined by Gauss-Newton; its covariance comes from what the drawing leaves unexplained. Least-squares matching:
Gruen 1985, S. Afr. J. Photogramm. 14(3) (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import lane
from calibration.adjust import Bools, Ints, MarkSightings
from calibration.board import Gray
from calibration.camera import Camera, Floats
from calibration.marks import PAINTED, STUMPS, mark_names
from calibration.rig import VIEWS

FINE = 5  # drawn points to a pixel
LINE_WIDTHS_M = (0.038, 0.05, 0.063, 0.076)  # paint is rarely other than 1.5 to 3 inches wide: common practice
BLURS_PX = (0.5, 0.8, 1.2)
SPAN_M = {"paint": 0.22, "stump": 0.26}  # half of what is drawn around a mark
SPAN_PX = (8, 28)
STUMP_SCALES = (1.0, 0.92)  # Law 8.2 allows 38.1 to 35.0 mm
LEAST_EXPLAINED = 0.5  # share of the brightness variance that must be explained
LEAST_CONTRAST = 4.0  # brightness step over the unexplained noise
RELATED = 8.0  # neighbouring errors go together: pixels count for so many times less
FLOOR_SD_PX = 0.08
LIKELY = 5  # drawings that are compared to sub-pixel
BASE_SD_PX = 0.3
MOST_SD_PX = 1.0


@dataclass(frozen=True, eq=False)
class Refined:
    """One rough click's fate.

    clicked_px, px  (2,)     before and after
    cov_px2         (2, 2)
    explained       share of the brightness variance that the drawing explains
    problem         why it was not found, or ""
    """

    mark: str
    view: int
    clicked_px: Floats
    px: Floats
    cov_px2: Floats
    explained: float
    problem: str


@dataclass(frozen=True)
class Scene:
    """What is drawn: the pitch's length and the wickets' size."""

    pitch_length_m: float = lane.PITCH_LENGTH_M
    junior_stumps: bool = False

    @property
    def stump(self) -> tuple[float, float, float]:
        """Radius, height, and how far the outer stumps' axes are from the middle one."""
        w, h, d = lane.wicket_m(self.junior_stumps)
        return d / 2, h, (w - d) / 2


def refine_marks(
    marks: MarkSightings,
    rough: Bools,
    cameras: Sequence[Camera],
    pictures: Sequence[Gray | None],
    scene: Scene,
) -> tuple[MarkSightings, list[Refined]]:
    """The sightings with rough clicks replaced where their mark was found, and each one's fate."""
    px, cov, fates = marks.px.copy(), marks.cov_px2.copy(), []
    for row in np.flatnonzero(rough):
        view, m = int(marks.view[row]), int(marks.mark[row])
        picture = pictures[view]
        fate = Refined(marks.names[m], view, px[row], px[row], cov[row], 0.0, "")
        if picture is None:
            fate = replace(fate, problem=f"there is no picture of the empty lane from the {VIEWS[view]} camera")
        elif marks.names[m] not in mark_names() or not marks.names[m][2:].startswith((*PAINTED, *STUMPS)):
            fate = replace(fate, problem="only paint corners and stumps of the Laws can be looked for")
        else:
            fate = refine_click(fate, marks.point_m[m], cameras[view], picture, scene)
        if not fate.problem:
            px[row], cov[row] = fate.px, fate.cov_px2
        fates.append(fate)
    return replace(marks, px=px, cov_px2=cov), fates


def refine_click(
    click: Refined,
    point_m: Floats,
    camera: Camera,
    picture: Gray,
    scene: Scene,
    blurs_px: Sequence[float] = BLURS_PX,
) -> Refined:
    """Look for one mark around its click; few blurs to try make it quicker."""
    expected = camera.project(point_m[None])[0]
    doubt = float(np.sqrt(np.trace(click.cov_px2) / 2))
    kind = "paint" if click.mark[2:].startswith(PAINTED) else "stump"
    if not np.isfinite(expected).all():
        return replace(click, problem="the camera as placed does not see it")
    half = int(np.clip(SPAN_M[kind] * camera.lens.matrix[0, 0] / camera.depth_m(point_m[None])[0], *SPAN_PX))
    reach = int(np.clip(np.ceil(3 * doubt), 4, 15))
    room = np.r_[click.clicked_px, np.array(picture.shape[::-1]) - 1 - click.clicked_px].min() - reach - 2
    half = int(min(half, room))
    if half < SPAN_PX[0] - 2:
        return replace(click, problem="it lies too near the picture's edge")
    thick = LINE_WIDTHS_M if kind == "paint" else STUMP_SCALES
    drawn = [draw(camera, expected, half, scene, kind, size) for size in thick]
    tried = [(n, blur) for n in range(len(drawn)) for blur in blurs_px]
    places = [_slide(picture, _soft(drawn[n], blur), click.clicked_px, half, reach, doubt) for n, blur in tried]
    likely = sorted(zip(places, tried, strict=True), key=lambda p: -p[0].explained)[:LIKELY]
    fits = [_finely(picture, _soft(drawn[n], blur), p, half, ()).explained for p, (n, blur) in likely]
    place, (n, blur) = likely[int(np.argmax(fits))]
    other = drawn[n - 1] if n else drawn[1]  # how the picture would differ, were paint or stumps thicker, or it softer
    loose = [_soft(own, wide) - _soft(drawn[n], blur) for own, wide in ((other, blur), (drawn[n], 1.3 * blur))]
    best = _finely(picture, _soft(drawn[n], blur), place, half, loose)
    if click.mark.endswith("_base"):  # stands and shadows hide where a stump meets the ground
        best = replace(best, cov_px2=best.cov_px2 + np.eye(2) * BASE_SD_PX**2)
    found = replace(click, px=best.px, cov_px2=best.cov_px2, explained=best.explained)
    sd = float(np.sqrt(np.linalg.eigvalsh(best.cov_px2)[-1]))
    if best.explained < LEAST_EXPLAINED or best.contrast < LEAST_CONTRAST:
        return replace(found, problem="nothing there looks like it (hidden, in shade, or clicked elsewhere)")
    if best.at_edge:
        return replace(found, problem=f"it seems to lie more than {reach} px from the click")
    return replace(found, problem="its place is not sharp enough" if sd > MOST_SD_PX else "")


def draw(camera: Camera, expected_px: Floats, half: int, scene: Scene, kind: str, thick: float) -> NDArray[np.float32]:
    """Shares (k, h, w) of paint, stump, bail and what is beyond the ground on a fine grid around `expected_px`.

    Where bails lie their brightness is their own, so that it does not matter whether they are on.

    The grid reaches `half` + 2 pixels each way, with FINE points to a pixel; its middle is the mark. `thick` is the
    width of the paint in metres, or (for a stump) the stumps' thickness over the Laws' largest.
    """
    line_width_m, stump_scale = (thick, 1.0) if kind == "paint" else (lane.LINE_WIDTH_M, thick)
    reach = half + 2
    coarse = np.arange(-reach, reach + 1.0)
    grid = np.stack(np.meshgrid(coarse, coarse), axis=-1) + expected_px
    ray = camera.ray(grid.reshape(-1, 2)).reshape(*grid.shape[:2], 3).astype(np.float32)
    n = 2 * reach * FINE + 1
    fine = np.linspace(0, 2 * reach, n, dtype=np.float32)
    ray = cv2.remap(ray, *np.meshgrid(fine, fine), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    centre = camera.centre_m
    with np.errstate(divide="ignore", invalid="ignore"):
        far = -centre[2] / ray[..., 2]
    ground = np.isfinite(far) & (far > 0) & (far < 100)
    x, y = (centre[i] + np.where(ground, far, 0) * ray[..., i] for i in (0, 1))
    stump, bail = np.zeros(ray.shape[:2], bool), np.zeros(ray.shape[:2], bool)
    radius, height, aside = scene.stump
    for y_end in (0.0, scene.pitch_length_m):
        for x_axis in (-aside, 0.0, aside):
            stump |= _on_stump(centre, ray, np.array([x_axis, y_end]), radius * stump_scale, height)
        bail |= _on_bail(centre, ray, y_end, height, aside) & ~stump
    painted = ground & ~stump & ~bail & _paint(x, y, scene.pitch_length_m, line_width_m)
    return np.stack([painted, stump, bail, ~ground & ~stump & ~bail]).astype(np.float32)


def _paint(x: Floats, y: Floats, length_m: float, width_m: float) -> Bools:
    """Where the ground is painted: creases toward the pitch's middle of their edge, return creases outward."""
    out = np.zeros(x.shape, bool)
    inside = np.abs(x) - lane.RETURN_CREASE_X_M
    for from_crease in (y, length_m - y):
        out |= (from_crease >= 0) & (from_crease <= width_m) & (inside <= width_m)
        popping = from_crease - lane.POPPING_CREASE_M
        out |= (popping >= 0) & (popping <= width_m) & (np.abs(x) <= lane.PITCH_HALF_WIDTH_M + 0.3)
        behind = popping >= -lane.RETURN_CREASE_LENGTH_M
        out |= (inside >= 0) & (inside <= width_m) & behind & (popping <= width_m)
    return out


def _on_stump(centre: Floats, ray: Floats, axis_m: Floats, radius_m: float, height_m: float) -> Bools:
    """Which rays meet an upright cylinder below its top."""
    offset, flat = centre[:2] - axis_m, ray[..., :2]
    along = np.sum(flat**2, axis=-1)
    nearest = -(flat @ offset) / along
    gap = np.sum((offset + nearest[..., None] * flat) ** 2, axis=-1)
    meet = nearest - np.sqrt(np.maximum(radius_m**2 - gap, 0) / along)
    z = centre[2] + meet * ray[..., 2]
    hit: Bools = (gap <= radius_m**2) & (nearest > 0) & (z >= 0) & (z <= height_m)
    return hit


def _on_bail(centre: Floats, ray: Floats, y_m: float, height_m: float, aside_m: float) -> Bools:
    """Which rays meet the two bails on top of a wicket, taken as a flat bar."""
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (y_m - centre[1]) / ray[..., 1]
    x, z = (centre[i] + reach * ray[..., i] for i in (0, 2))
    half = lane.BAIL_LENGTH_M * aside_m / (lane.WICKET_WIDTH_M - lane.STUMP_DIAMETER_M) * 2
    hit: Bools = (reach > 0) & (np.abs(x) <= half) & (z > height_m) & (z <= height_m + lane.BAIL_RISE_M)
    return hit


@dataclass(frozen=True, eq=False)
class _Match:
    px: Floats
    cov_px2: Floats
    explained: float
    contrast: float
    at_edge: bool


def _soft(drawn: NDArray[np.float32], blur_px: float) -> NDArray[np.float32]:
    """The drawn shares as a lens of that blur and square pixels (sd 0.29 px) show them."""
    return np.stack([cv2.GaussianBlur(d, (0, 0), float(np.hypot(blur_px, 0.29)) * FINE) for d in drawn])


@dataclass(frozen=True, eq=False)
class _Place:
    """A place to the whole pixel."""

    px: Ints
    explained: float
    at_edge: bool


def _slide(picture: Gray, soft: NDArray[np.float32], clicked: Floats, half: int, reach: int, doubt_px: float) -> _Place:
    """The drawing's best place within `reach` pixels of the click."""
    middle = np.rint(clicked).astype(int)
    low, high = middle - half - reach - 1, middle + half + reach + 2
    patch = picture[low[1] : high[1], low[0] : high[0]].astype(float)
    basis = _sampled(soft, np.zeros(2), half)
    q = np.linalg.qr(basis[:, np.r_[True, np.ptp(basis[:, 1:], axis=0) > 1e-3]])[0]
    size, wide = 2 * reach + 1, 2 * half + 1
    windows = np.lib.stride_tricks.sliding_window_view(patch, (wide, wide))[1 : size + 1, 1 : size + 1]
    seen = windows.reshape(size * size, -1)
    seen = seen - seen.mean(axis=1, keepdims=True)
    explained = np.sum((seen @ q) ** 2, axis=1) / np.maximum(np.sum(seen**2, axis=1), 1e-9)
    step = np.stack(np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1)), axis=-1).reshape(-1, 2)
    gap = np.sum((step + middle - clicked) ** 2, axis=1) / doubt_px**2
    score = -seen.shape[1] / RELATED * np.log(np.maximum(1 - explained, 1e-6)) - gap
    best = int(np.argmax(score))
    return _Place(middle + step[best], float(explained[best]), bool(np.abs(step[best]).max() == reach))


def _sampled(soft: NDArray[np.float32], shift: Floats, half: int) -> Floats:
    """Brightness basis (pixels, k): a level, a slope each way, and the drawn shares with the mark at `shift`."""
    grid = np.arange(-half, half + 1.0)
    u, v = np.meshgrid(grid, grid)
    fine = ((u - shift[0] + half + 2) * FINE).astype(np.float32), ((v - shift[1] + half + 2) * FINE).astype(np.float32)
    shares = [cv2.remap(s, *fine, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).ravel() for s in soft]
    return np.column_stack([np.ones(u.size), u.ravel() / half, v.ravel() / half, *shares])


def _finely(
    picture: Gray, soft: NDArray[np.float32], place: _Place, half: int, loose: Sequence[NDArray[np.float32]]
) -> _Match:
    """Gauss-Newton from a whole-pixel place: the shift, its covariance, and how well the drawing explains it.

    `loose` are changes of the drawing that are allowed for, to first order.
    """
    at = place.px
    seen = picture[at[1] - half : at[1] + half + 1, at[0] - half : at[0] + half + 1].astype(float).ravel()
    shift, step_px = np.zeros(2), 0.25
    for _ in range(12):
        basis = _sampled(soft, shift, half)
        level = np.linalg.lstsq(basis, seen, rcond=None)[0]
        residual = seen - basis @ level
        slope = np.column_stack(
            [
                (_sampled(soft, shift + d, half) - _sampled(soft, shift - d, half)) @ level / (2 * step_px)
                for d in np.eye(2) * step_px
            ]
        )
        change = [_sampled(own, shift, half)[:, 3:] @ level[3:] for own in loose]
        both = np.column_stack([slope, basis, *change])
        step = np.linalg.lstsq(both, residual, rcond=None)[0][:2]
        shift = shift + np.clip(step, -0.5, 0.5)
        if np.abs(step).max() < 1e-3:
            break
    noise = float(residual @ residual) / max(len(seen) - both.shape[1], 1)
    cov = noise * RELATED * np.linalg.pinv(both.T @ both)[:2, :2] + np.eye(2) * FLOOR_SD_PX**2
    spread = float(np.sum((seen - seen.mean()) ** 2))
    contrast = float(np.abs(level[3:]).max(initial=0.0)) / max(np.sqrt(noise), 0.5)
    off = bool(np.abs(shift).max() > 1.5) or place.at_edge
    return _Match(at + shift, cov, 1 - float(residual @ residual) / max(spread, 1e-9), contrast, off)
