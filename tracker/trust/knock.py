"""Has a camera been knocked, refocused or zoomed since calibration: fixed detail against the reference picture.

Corners of the reference picture are followed into the present one (Lucas-Kanade on locally normalised pictures, there
and back), brought to undistorted rays, and explained by one small turn of the camera and one change of scale, robustly:
what people and nets did in between are outliers. A turn too large to be followed is found first by matching features
(SIFT: Lowe 2004, IJCV 60(2), from memory) and taken out of the picture. A turn moves far and near alike; a shift of
the camera's place by some millimetres looks like a turn too and is mended alike to first order.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.camera import Camera, Floats
from calibration.rig import VIEWS, Rig
from calibration.triangulate import triangulate_many
from tracker.vision.planes import Bytes

CORNERS, SPACING_PX, WINDOW_PX = 600, 16, 25
LEAST_CORNERS = 12
LEAST_AGREE = 0.4  # share of the followed corners that one turn must explain; else a larger turn is looked for
FEATURES, ALIKE, NEAR_PX = 1500, 0.75, 6.0  # features a picture, best over second-best match, inliers of a large turn
SMALL_DEG = 0.3  # a larger turn is taken out of the picture first
SURE_PX = 0.025  # what following a corner may be wrong by, in the mean of many: interpolation, compression
ARM_M = 0.15  # a turned camera turned about something so far from its centre
LANE_POINTS_M = {"release": (0.3, 18.5, 2.1), "bounce": (0.0, 6.0, 0.036), "stumps": (0.0, 0.0, 0.5)}


@dataclass(frozen=True, eq=False)
class Move:
    """How a camera moved between two pictures.

    turn_rad   (3,) rotation vector in the camera's axes (right, down, ahead); x_now = turn x_then
    turn_sd    (3,)
    growth     change of scale: 0.01 is a picture 1 % larger
    growth_sd
    shift_px   how far the picture's middle moved
    corners    corners that agree; of `followed`
    """

    turn_rad: Floats
    turn_sd: Floats
    growth: float
    growth_sd: float
    shift_px: float
    corners: int
    followed: int

    @property
    def degrees(self) -> float:
        """Size of the turn."""
        return float(np.degrees(np.linalg.norm(self.turn_rad)))


def camera_move(reference: Bytes, now: Bytes, camera: Camera) -> Move | None:
    """The move of `camera` from the reference picture to the present one; None where too little detail is followed."""
    small = _small_move(reference, now, camera)
    followed = _agreed(small)
    if small is not None and followed and small.degrees < SMALL_DEG:
        return small
    turn = cv2.Rodrigues(small.turn_rad)[0] if small is not None and followed else _large_turn(reference, now, camera)
    if turn is None:
        return None
    rest = _small_move(reference, _turned_back(now, camera, turn), camera)
    if rest is None or not _agreed(rest):
        return None
    whole = cv2.Rodrigues(turn @ cv2.Rodrigues(rest.turn_rad)[0])[0][:, 0]
    return replace(rest, turn_rad=whole, shift_px=_shift_px(camera, whole))


def _agreed(move: Move | None) -> bool:
    """Whether one turn explains most of what was followed."""
    return move is not None and move.corners >= LEAST_AGREE * move.followed


def _small_move(reference: Bytes, now: Bytes, camera: Camera) -> Move | None:
    even = _normalised(reference)
    then_px, now_px = _followed(even, _normalised(now))
    if len(then_px) < LEAST_CORNERS:
        return None
    then, present = camera.lens.undistort(then_px), camera.lens.undistort(now_px)
    good = np.isfinite(then).all(axis=1) & np.isfinite(present).all(axis=1)
    return _turn_and_growth(then[good], present[good], _sharpness(even, then_px[good]), camera)


def _large_turn(reference: Bytes, now: Bytes, camera: Camera) -> Floats | None:
    """A rotation (3, 3) of any size between two pictures, within a pixel or so; None where none is found."""
    finder = cv2.SIFT.create(FEATURES)
    (a, da), (b, db) = (finder.detectAndCompute(_normalised(p), None) for p in (reference, now))
    if da is None or db is None or min(len(a), len(b)) < LEAST_CORNERS:
        return None
    pairs = [m for m in cv2.BFMatcher(cv2.NORM_L2).knnMatch(da, db, k=2) if len(m) == 2]
    kept = [m[0] for m in pairs if m[0].distance < ALIKE * m[1].distance]
    if len(kept) < LEAST_CORNERS:
        return None
    px = np.array([a[m.queryIdx].pt for m in kept]), np.array([b[m.trainIdx].pt for m in kept])
    rays = [_rays(camera, p) for p in px]
    good = np.isfinite(rays[0]).all(axis=1) & np.isfinite(rays[1]).all(axis=1)
    then, present = rays[0][good], rays[1][good]
    near, best = NEAR_PX / float(camera.lens.matrix[0, 0]), np.zeros(len(then), bool)
    rng = np.random.default_rng(len(then))  # the same pictures give the same answer
    for _ in range(300):
        two = rng.choice(len(then), 2, replace=False)
        agree = np.linalg.norm(present - then @ _rotation(then[two], present[two]).T, axis=1) < near
        best = agree if agree.sum() > best.sum() else best
    if best.sum() < LEAST_CORNERS:
        return None
    return _rotation(then[best], present[best])


def _rays(camera: Camera, px: Floats) -> Floats:
    """Unit vectors (n, 3) in the camera's own axes."""
    xy = camera.lens.undistort(px)
    ahead = np.column_stack([xy, np.ones(len(xy))])
    unit: Floats = ahead / np.linalg.norm(ahead, axis=1, keepdims=True)
    return unit


def _rotation(then: Floats, now: Floats) -> Floats:
    """The rotation (3, 3) that takes unit vectors (n, 3) nearest to others (Kabsch 1976, from memory)."""
    u, _, vt = np.linalg.svd(now.T @ then)
    turn: Floats = u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return turn


def _turned_back(now: Bytes, camera: Camera, turn: Floats) -> Bytes:
    """The present picture as it would be without the turn; grey where it does not reach."""
    height, width = now.shape
    step = 8
    x, y = np.meshgrid(np.arange(0, width + step, step, dtype=float), np.arange(0, height + step, step, dtype=float))
    rays = _rays(camera, np.column_stack([x.ravel(), y.ravel()])) @ turn.T
    px = replace(camera, rotation_vector=np.zeros(3), translation_m=np.zeros(3)).project(np.nan_to_num(rays))
    coarse = np.nan_to_num(px, nan=-1e4).reshape(*x.shape, 2).astype(np.float32)
    size = (x.shape[1] * step, x.shape[0] * step)
    # cv2.resize puts the first coarse value in the middle of its block
    fine = cv2.warpAffine(
        coarse,
        np.array([[step, 0.0, 0.0], [0.0, step, 0.0]]),
        size,
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )[:height, :width]
    back: Bytes = cv2.remap(now, fine, None, cv2.INTER_LINEAR, borderValue=128)
    return back


def _shift_px(camera: Camera, turn_rad: Floats) -> float:
    """How far a turn moves the picture's middle."""
    ahead = cv2.Rodrigues(np.asarray(turn_rad, float))[0] @ np.array([0.0, 0.0, 1.0])
    return float(camera.lens.matrix[0, 0]) * float(np.hypot(ahead[0], ahead[1]))


def _normalised(picture: Bytes) -> Bytes:
    rest = picture.astype(np.float32)
    rest -= cv2.GaussianBlur(rest, (0, 0), 12)
    spread = cv2.GaussianBlur(rest * rest, (0, 0), 24)
    np.sqrt(spread, out=spread)  # in place, as what follows: pictures of floats are large
    spread += 3.0
    rest *= 40
    rest /= spread
    rest += 128
    even: Bytes = np.clip(rest, 0, 255, out=rest).astype(np.uint8)
    return even


def _followed(then: Bytes, now: Bytes) -> tuple[Floats, Floats]:
    corners = cv2.goodFeaturesToTrack(then, CORNERS, 0.01, SPACING_PX, blockSize=7)
    if corners is None:
        return np.empty((0, 2)), np.empty((0, 2))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-3)
    guess = corners.copy()
    there, found, _ = cv2.calcOpticalFlowPyrLK(
        then, now, corners, guess, winSize=(WINDOW_PX, WINDOW_PX), maxLevel=4, criteria=stop
    )
    guess = there.copy()
    back, found_back, _ = cv2.calcOpticalFlowPyrLK(
        now, then, there, guess, winSize=(WINDOW_PX, WINDOW_PX), maxLevel=4, criteria=stop
    )
    good = (found[:, 0] == 1) & (found_back[:, 0] == 1) & (np.abs(back - corners)[:, 0].max(axis=1) < 0.3)
    return corners[good, 0].astype(float), there[good, 0].astype(float)


def _sharpness(picture: Bytes, px: Floats) -> Floats:
    """How sharply each corner (n, 2) is placed, which way: its structure tensor (n, 2, 2), largest eigenvalue 1.

    What is an edge rather than a corner slides along itself (the aperture problem); it counts across only.
    """
    gx, gy = cv2.Sobel(picture, cv2.CV_32F, 1, 0), cv2.Sobel(picture, cv2.CV_32F, 0, 1)
    at = np.rint(px).astype(int).clip(0, np.array(picture.shape[::-1]) - 1)
    products = ((gx, gx), (gx, gy), (gy, gy))
    parts = [cv2.boxFilter(a * b, -1, (WINDOW_PX, WINDOW_PX))[at[:, 1], at[:, 0]] for a, b in products]
    xx, xy, yy = (p.astype(float) for p in parts)
    largest = (xx + yy) / 2 + np.hypot((xx - yy) / 2, xy) + 1e-9
    tensor: Floats = np.stack([np.stack([xx, xy], 1), np.stack([xy, yy], 1)], axis=1) / largest[:, None, None]
    return tensor


def _turn_and_growth(then: Floats, now: Floats, sharp: Floats, camera: Camera) -> Move | None:
    """Least squares with Tukey's weights for (turn 3, growth) from undistorted points (n, 2) and their sharpness."""
    focal_px = float(camera.lens.matrix[0, 0])
    x, y = then.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    # a ray (x, y, 1) turned by w: dx = wy (1 + x^2) - wx x y - wz y;  dy = -wx (1 + y^2) + wy x y + wz x
    slope = np.stack(
        [np.stack([-x * y, 1 + x * x, -y, x], 1), np.stack([-(one + y * y), x * y, x, y + zero], 1)], axis=1
    )
    step = now - then
    value = np.r_[np.array([-np.median(step[:, 1]), np.median(step[:, 0])]), 0.0, 0.0]
    scale = 4.0 / focal_px
    for round_ in range(30):
        miss = step - slope @ value
        size = np.sqrt(np.einsum("ni,nij,nj->n", miss, sharp, miss))
        if round_:
            scale = max(1.48 * float(np.median(size)), 0.03 / focal_px)
        weight = np.clip(1 - (size / (4.5 * scale)) ** 2, 0, None) ** 2
        normal = np.einsum("n,nia,nij,njb->ab", weight, slope, sharp, slope)
        if np.linalg.matrix_rank(normal) < 4:
            return None
        value = np.linalg.solve(normal, np.einsum("n,nia,nij,nj->a", weight, slope, sharp, step))
    used = weight > 0.1
    if used.sum() < LEAST_CORNERS:
        return None
    spread = float((weight * size**2).sum() / max(2 * weight.sum() - 4, 1))
    sure = SURE_PX / focal_px / np.array([1.0, 1.0, 0.4, 0.4])  # a roll and a growth act on an arm, not on the whole
    sd = np.hypot(np.sqrt(np.linalg.inv(normal).diagonal() * spread), sure)
    shift = _shift_px(camera, value[:3])
    return Move(value[:3], sd[:3], float(value[3]), float(sd[3]), shift, int(used.sum()), len(then))


def turned(camera: Camera, turn_rad: Floats) -> Camera:
    """The camera after a move: turned about its centre by `turn_rad` (3,), in its own axes."""
    turn = cv2.Rodrigues(np.asarray(turn_rad, float))[0]
    vector = cv2.Rodrigues(turn @ camera.R)[0][:, 0]
    other = vector * (
        1 - 2 * np.pi / max(float(np.linalg.norm(vector)), 1e-12)
    )  # the same rotation the other way about
    old = np.asarray(camera.rotation_vector, float)
    near = min(vector, other, key=lambda v: float(np.linalg.norm(v - old)))
    return replace(camera, rotation_vector=near, translation_m=turn @ np.asarray(camera.translation_m, float))


def healed_rig(rig: Rig, moves: Mapping[str, Move]) -> Rig:
    """The rig with the named views' cameras turned by their moves; what is not known of the turns is in its covariance.

    The covariance of a turned camera's place turns with it; the turn's own doubt is added, and that of where the
    camera turned about. A rig that was taken as exact has a covariance afterwards.
    """
    for view, move in moves.items():
        camera = rig.cameras[VIEWS.index(view)]
        now = turned(camera, move.turn_rad)
        pose = tuple(f"{view}.{name}" for name in ("rx", "ry", "rz", "tx", "ty", "tz"))
        names = rig.names + tuple(name for name in pose if name not in rig.names)
        cov = np.zeros((len(names), len(names)))
        cov[: len(rig.names), : len(rig.names)] = rig.cov
        pick = [names.index(name) for name in pose]
        carry = np.eye(len(names))
        turn = cv2.Rodrigues(np.asarray(move.turn_rad, float))[0]
        before, after = (_left_jacobian(np.asarray(c.rotation_vector, float)) for c in (camera, now))
        carry[np.ix_(pick[:3], pick[:3])] = np.linalg.solve(after, turn @ before)
        carry[np.ix_(pick[3:], pick[3:])] = turn
        by_turn = np.vstack([np.linalg.inv(after), -_cross(np.asarray(now.translation_m, float))])
        added = by_turn @ np.diag(move.turn_sd**2) @ by_turn.T
        added[3:, 3:] += (ARM_M * float(np.linalg.norm(move.turn_rad))) ** 2 * np.eye(3)
        cov = carry @ cov @ carry.T
        cov[np.ix_(pick, pick)] += added
        left, right = (now, rig.right) if view == "left" else (rig.left, now)
        rig = replace(rig, left=left, right=right, names=names, cov=(cov + cov.T) / 2)
    return rig


def _cross(v: Floats) -> Floats:
    """The matrix (3, 3) that takes w to v x w."""
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def _left_jacobian(vector: Floats) -> Floats:
    """d(turn from the left) / d(rotation vector), (3, 3) (Barfoot 2017, State Estimation for Robotics, from memory)."""
    angle, K = float(np.linalg.norm(vector)), _cross(vector)
    if angle < 1e-6:
        return np.eye(3) + K / 2
    out: Floats = np.eye(3) + (1 - np.cos(angle)) / angle**2 * K + (angle - np.sin(angle)) / angle**3 * K @ K
    return out


def way_back(move: Move) -> str:
    """How to turn the camera by hand so that the picture comes back.

    What lies ahead moved the other way than the camera turned.
    """
    ahead = cv2.Rodrigues(np.asarray(move.turn_rad, float))[0] @ np.array([0.0, 0.0, 1.0])
    parts = []
    if abs(ahead[0]) > 3 * move.turn_sd[1]:
        parts.append(f"{np.degrees(abs(ahead[0])):.2f} degrees to the {'right' if ahead[0] > 0 else 'left'}")
    if abs(ahead[1]) > 3 * move.turn_sd[0]:
        parts.append(f"{np.degrees(abs(ahead[1])):.2f} degrees {'down' if ahead[1] > 0 else 'up'}")
    if abs(move.turn_rad[2]) > 3 * move.turn_sd[2]:
        way = "clockwise" if move.turn_rad[2] > 0 else "counter-clockwise"
        parts.append(f"{np.degrees(abs(move.turn_rad[2])):.2f} degrees {way} as seen from behind it")
    return "turn it " + ", ".join(parts) if parts else "it moved too little to be turned back by hand"


def lane_shift_mm(rig: Rig, turns: Iterable[Floats]) -> dict[str, Floats]:
    """What ignoring the moves does to measured places: {place: (across, along, above) in mm}."""
    moved = [turned(camera, turn) for camera, turn in zip(rig.cameras, turns, strict=True)]
    point = np.array(list(LANE_POINTS_M.values()))
    found, _ = triangulate_many(rig.left, rig.right, moved[0].project(point), moved[1].project(point))
    return {name: 1000 * miss for name, miss in zip(LANE_POINTS_M, found - point, strict=True)}
