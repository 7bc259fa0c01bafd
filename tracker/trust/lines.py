"""The lane's painted lines and its wickets in a camera's picture, each shifted how far from where the rig puts it.

The lines of the Laws (bowling, popping and return creases at both ends) are cut into short pieces. Across each piece
the picture's brightness, averaged along it, is compared with a painted band as a soft lens shows it: by correlation,
first for every scale of the rig within reach (`support`), then to sub-pixel around where the piece should be
(`measured`). Wickets are found as calibration finds them (calibration/refine.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from scipy.special import ndtr

from calibration import lane
from calibration.camera import Camera
from calibration.refine import Refined, Scene, refine_click
from tracker.records import Floats, Ints
from tracker.vision.planes import Bytes

SCALES = np.exp(np.linspace(-0.06, 0.06, 81))  # that are looked for
PIECE_M, SAMPLES = 0.42, 24
HALF_WIDTH_M = 0.026  # of the paint: 1.5 to 3 inches wide by common practice
BLUR_PX = 0.8
ALIKE = 0.6  # least correlation of a piece with a painted band
LEAST_CONTRAST = 2.5  # grey levels of a band's middle over its sides
NEAR_PX = 2  # a piece may lie so far from where a scale puts it, while scales are compared
MOST_PX = 250.0  # a piece that a scale moves farther is too near to be looked for
LEAST_LONG_PX, MOST_HALF_PX = 3.0, 40.0
STEP_PX = 0.25
FLOOR_SD_PX = 0.1
RELATED = 3.0  # neighbouring errors go together
CLICK_SD_PX = 2.0  # of a wicket, from where the creases' scale puts it
WICKETS = 100  # number of the first wicket among lines


@dataclass(frozen=True, eq=False)
class Shown:
    """A camera (0 left, 1 right) as the rig has it, and its picture of the lane (h, w)."""

    view: int
    camera: Camera
    picture: Bytes


@dataclass(frozen=True, eq=False)
class Pieces:
    """Pieces of the lane's lines.

    point_m  (k, SAMPLES, 3)  along each piece's middle, the paint's width being usual
    wide     (k, 3)           unit vector across, away from the edge that the Laws fix
    line     (k,)             which line it belongs to
    """

    point_m: Floats
    wide: Floats
    line: Ints


@dataclass(frozen=True, eq=False)
class Rows:
    """Measured shifts of some pieces or wickets in one view, one number each.

    off_px, sd_px  (n,)     from where the rig, taken as so many times too large, puts them, along `normal`; sd inf: in
                            view and not found
    normal         (n, 2)
    point_m        (n, 3)   of the true lane
    wide           (n, 3)   as in Pieces; 0 for wickets
    own            (n,)     which line or wicket; wickets from WICKETS on
    piece          (n,)     which of the pieces; -1 for wickets
    """

    view: int
    off_px: Floats
    sd_px: Floats
    normal: Floats
    point_m: Floats
    wide: Floats
    own: Ints
    piece: Ints


def pieces(pitch_length_m: float) -> Pieces:
    """The Laws' lines at both ends, cut up; where stumps stand and lines meet is left out."""
    x_in, pop, h = lane.RETURN_CREASE_X_M, lane.POPPING_CREASE_M, HALF_WIDTH_M
    across = [(-x_in + 0.06, x_in - 0.06)]
    beside = [(-x_in + 0.06, -0.2), (0.2, x_in - 0.06)]
    point, wide, line = list[Floats](), list[Floats](), list[int]()
    for end, (y0, inward) in enumerate(((0.0, 1.0), (pitch_length_m, -1.0))):
        for number, (y, spans) in enumerate(((h, beside), (pop + h, across))):
            for a, b in _cut(spans):
                s = np.linspace(a, b, SAMPLES)
                point.append(np.column_stack([s, np.full(SAMPLES, y0 + inward * y), np.zeros(SAMPLES)]))
                wide.append(np.array([0.0, inward, 0.0]))
                line.append(4 * end + number)
        for number, side in enumerate((-1.0, 1.0), start=2):
            for a, b in _cut([(-1.0, -0.06), (0.12, pop - 0.06)]):
                s = y0 + inward * np.linspace(a, b, SAMPLES)
                point.append(np.column_stack([np.full(SAMPLES, side * (x_in + h)), s, np.zeros(SAMPLES)]))
                wide.append(np.array([side, 0.0, 0.0]))
                line.append(4 * end + number)
    return Pieces(np.array(point), np.array(wide), np.array(line))


def _cut(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    out = []
    for a, b in spans:
        edges = np.linspace(a, b, max(1, round((b - a) / PIECE_M)) + 1)
        out += list(pairwise(edges.tolist()))
    return out


@dataclass(frozen=True, eq=False)
class _Laid:
    """Pieces as a camera should see them: samples (k, SAMPLES, 2), normals (k, 2), half widths (k,), all in pixels."""

    px: Floats
    normal: Floats
    half_px: Floats


def _laid(camera: Camera, what: Pieces, scale: float) -> _Laid:
    """Where the rig, believed to be `scale` times too large, puts the pieces."""
    k = len(what.line)
    px = camera.project(scale * what.point_m.reshape(-1, 3)).reshape(k, SAMPLES, 2)
    middle = scale * what.point_m[:, SAMPLES // 2]
    _, slope = camera.project_with_slope(middle)
    along = px[:, -1] - px[:, 0]
    length = np.linalg.norm(along, axis=1)
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.where(length > 0, length, 1.0)[:, None]
    by_wide = np.einsum("ki,kij,kj->k", normal, slope, what.wide)
    normal *= np.sign(by_wide)[:, None]
    half = HALF_WIDTH_M * scale * np.abs(by_wide)
    half[(length < LEAST_LONG_PX) | ~np.isfinite(length)] = np.nan
    return _Laid(px, normal, half)


def _profiles(picture: Bytes, laid: _Laid, reach_px: float, step_px: float) -> Floats:
    """Brightness (k, d) across each piece, averaged along it, out to `reach_px` each way; NaN out of the picture."""
    n = round(reach_px / step_px)
    d = np.arange(-n, n + 1) * step_px
    at = laid.px[:, :, None] + d[None, None, :, None] * laid.normal[:, None, None]
    height, width = picture.shape
    inside = (at >= 1).all(axis=-1) & (at[..., 0] <= width - 2) & (at[..., 1] <= height - 2)
    flat = np.nan_to_num(at, nan=-1.0).astype(np.float32).reshape(len(at), -1, 2)  # a row a piece
    seen = cv2.remap(picture, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR).astype(float).reshape(inside.shape)
    out: Floats = np.where(inside.all(axis=1), seen.mean(axis=1), np.nan)
    return out


def _likeness(profile: Floats, half_px: float, step_px: float) -> tuple[Floats, Floats, Floats]:
    """Correlation (d,) of a profile with a painted band at every place, the band's contrast there, and its noise."""
    n = int(np.ceil(_side(half_px) / step_px)) if np.isfinite(half_px) else 0
    out = (np.full(len(profile), np.nan), np.zeros(len(profile)), np.full(len(profile), np.inf))
    if not 0 < 2 * n < len(profile):
        return out
    band = _band(np.linspace(-n, n, 2 * n + 1) * step_px, half_px)
    height = band.max() - band.min()
    band = band - band.mean()
    windows = np.lib.stride_tricks.sliding_window_view(profile, 2 * n + 1)
    rest = windows - windows.mean(axis=1, keepdims=True)
    level = rest @ band / (band @ band)
    spread = np.sqrt((rest**2).sum(axis=1))
    own = slice(n, len(profile) - n)
    out[0][own] = level * np.sqrt(band @ band) / np.maximum(spread, 1e-6)
    out[1][own] = level * height
    left = ((rest - level[:, None] * band) ** 2).mean(axis=1)
    slope = np.gradient(band, step_px)
    out[2][own] = np.sqrt(left * RELATED / step_px / np.maximum(level**2 * (slope @ slope), 1e-9))
    return out


def _side(half_px: Floats | float) -> Floats:
    """How far from a band's middle it is compared with what lies beside it, pixels."""
    side: Floats = half_px + np.maximum(3.0, half_px)
    return side


def _band(d_px: Floats, half_px: float) -> Floats:
    """A painted band as a soft lens shows it."""
    band: Floats = ndtr((d_px + half_px) / BLUR_PX) - ndtr((d_px - half_px) / BLUR_PX)
    return band


def support(shown: Shown, what: Pieces) -> Floats:
    """For each of SCALES, how much the pieces in view look like paint where it puts them, summed (len(SCALES),)."""
    camera, picture = shown.camera, shown.picture
    laid = _laid(camera, what, 1.0)
    total = np.zeros(len(SCALES))
    middle = what.point_m[:, SAMPLES // 2]
    put = np.stack([camera.project(s * middle) for s in SCALES], axis=1)  # (k, scales, 2)
    shift = np.einsum("ksi,ki->ks", put - laid.px[:, None, SAMPLES // 2], laid.normal)
    for k in np.flatnonzero(np.isfinite(shift).all(axis=1) & np.isfinite(laid.half_px)):
        reach = float(np.ceil(np.abs(shift[k]).max() + 2 * laid.half_px[k] + 8.0))
        if reach > MOST_PX:
            continue
        one = _Laid(laid.px[k : k + 1], laid.normal[k : k + 1], laid.half_px[k : k + 1])
        profile = _profiles(picture, one, reach, 1.0)[0]
        alike, contrast, _ = _likeness(profile, float(laid.half_px[k]), 1.0)
        alike = np.where((contrast > LEAST_CONTRAST) & (alike > 0), alike, 0.0)
        near = cv2.dilate(alike[None].astype(np.float32), np.ones((1, 2 * NEAR_PX + 1), np.uint8))[0]
        at = np.rint(shift[k] + reach).astype(int).clip(0, len(near) - 1)
        total += np.maximum(near[at] - ALIKE / 2, 0.0)
    return total


def measured(shown: Shown, what: Pieces, scale: float, offset_px: Floats, reach_px: float) -> Rows:
    """Every piece's shift, looked for within `reach_px` of where it should be by now (`offset_px`, (k,))."""
    laid, step = _laid(shown.camera, what, scale), STEP_PX
    centred = replace(laid, px=laid.px + offset_px[:, None, None] * laid.normal[:, None])
    usable = np.isfinite(laid.half_px) & (laid.half_px < MOST_HALF_PX)
    reach = reach_px + float(_side(laid.half_px[usable]).max(initial=0.0)) + step
    profile = _profiles(shown.picture, centred, reach, step)
    off, sd = np.full(len(usable), np.nan), np.full(len(usable), np.inf)
    for k in np.flatnonzero(usable):
        alike, contrast, noise = _likeness(profile[k], float(laid.half_px[k]), step)
        d = (np.arange(len(alike)) - (len(alike) - 1) / 2) * step
        good = np.isfinite(alike) & (np.abs(d) <= reach_px)
        if not good.any():
            continue
        off[k] = 0.0  # in view, and not found as yet
        best = int(np.argmax(np.where(good, alike, -1.0)))
        if alike[best] > ALIKE and contrast[best] > LEAST_CONTRAST and good[best - 1] and good[(best + 1) % len(good)]:
            a, b, c = alike[best - 1 : best + 2]
            off[k] = offset_px[k] + d[best] + step * 0.5 * (a - c) / min(a - 2 * b + c, -1e-9)
            sd[k] = float(np.hypot(noise[best], FLOOR_SD_PX))
    own = np.isfinite(off)
    middle = what.point_m[:, SAMPLES // 2]
    piece = np.flatnonzero(own)
    return Rows(shown.view, off[own], sd[own], laid.normal[own], middle[own], what.wide[own], what.line[own], piece)


def wickets(shown: Shown, scene: Scene, scale: float) -> Rows:
    """Where the middle stumps' tops of a scene are, two numbers each; those that are not found are left out."""
    as_large = replace(shown.camera, translation_m=shown.camera.translation_m / scale)
    off, sd, point, own = list[float](), list[float](), list[Floats](), list[int]()
    for end, y in enumerate((0.0, scene.pitch_length_m)):
        top = np.array([0.0, y, scene.stump[1]])
        if not as_large.sees(top[None])[0]:
            continue
        px = as_large.project(top[None])[0]
        click = Refined("S_stump_mid_top", shown.view, px, px, CLICK_SD_PX**2 * np.eye(2), 0.0, "")
        found = refine_click(click, top, as_large, shown.picture, scene, blurs_px=(BLUR_PX,))
        if not found.problem:
            off += list(found.px - px)
            sd += list(np.sqrt(found.cov_px2.diagonal()))
            point += [top, top]
            own += [WICKETS + end] * 2
    n = len(off)
    normal = np.tile(np.eye(2), (n // 2, 1))
    at, none = np.array(point).reshape(n, 3), np.full(n, -1, np.int64)
    return Rows(shown.view, np.array(off), np.array(sd), normal, at, np.zeros((n, 3)), np.array(own, np.int64), none)
