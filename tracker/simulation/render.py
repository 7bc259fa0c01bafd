"""Pictures of a moving scene: exposure, rolling shutter, lens, lamps and sensor noise, one frame at a time.

A view keeps the empty hall (`hall.Plate`) and repaints only where something moved. Each frame costs little more than
its noise. Colour is kept as luma and two colour differences at half size, which is what a film stores.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from tracker.records import Bools, Floats
from tracker.simulation import optics, paint
from tracker.simulation.figures import COLOURS_RGB
from tracker.simulation.hall import GAMMA, Floats32, Hall, Plate, luma_chroma
from tracker.simulation.sightings import apparent_px
from tracker.simulation.surfaces import light
from tracker.simulation.world import Path

Bytes = NDArray[np.uint8]
BALLS_RGB = {  # skin, seam, gloss; linear reflectance
    "red": ((0.25, 0.016, 0.018), (0.46, 0.40, 0.34), 0.30),
    "scuffed red": ((0.17, 0.035, 0.030), (0.26, 0.20, 0.17), 0.05),
    "white": ((0.74, 0.73, 0.68), (0.30, 0.34, 0.28), 0.25),
    "scuffed white": ((0.48, 0.45, 0.40), (0.25, 0.24, 0.20), 0.05),
    "pink": ((0.72, 0.12, 0.24), (0.05, 0.05, 0.05), 0.25),
    "yellow": ((0.62, 0.55, 0.05), (0.55, 0.50, 0.10), 0.10),
}


POSE_GRID_S = 0.004  # people are drawn between instants this far apart


class Figure(Protocol):
    """Someone in the picture: capsules (n, 9) at an instant, see `figures`."""

    def limbs(self, time_s: float) -> Floats:
        """Capsules at a time."""


@dataclass(frozen=True, eq=False)
class BallShown:
    """A ball in the picture. `number` is its delivery, 0 for one that is none; seam_axis (3,) is square to the seam."""

    path: Path
    radius_m: float = 0.036
    colour: str = "red"
    number: int = 0
    seam_axis: tuple[float, float, float] = (0.94, 0.30, 0.15)


@dataclass(frozen=True)
class Look:
    """Sensor and lamps.

    full_well_e, read_e  electrons at white and of read-out noise: shot noise is the root of the electrons
    psf_px        sd of the lens's blur
    flicker, flicker_hz, flicker_turn  the lamps' modulation (amplitude over mean), frequency and phase (turns)
    brightness    exposure; steps (time, factor) change it from then on
    sway_m        how far the nets swing at the floor
    shading       whether balls are lit from above (false: flat, for tests)
    """

    full_well_e: float = 5000.0
    read_e: float = 5.0
    psf_px: float = 0.55
    flicker: float = 0.0
    flicker_hz: float = 100.0
    flicker_turn: float = 0.0
    brightness: float = 1.0
    steps: tuple[tuple[float, float], ...] = ()
    sway_m: float = 0.0
    shading: bool = True


@dataclass(frozen=True, eq=False)
class Action:
    """What moves: balls and people."""

    balls: tuple[BallShown, ...] = ()
    figures: tuple[Figure, ...] = ()


@dataclass(frozen=True, eq=False)
class Picture:
    """A frame: luma (h, w) and colour differences (h/2, w/2), bytes; which balls could be seen (n,)."""

    y: Bytes
    cb: Bytes
    cr: Bytes
    visible: Bools


@dataclass(frozen=True, eq=False)
class _Limb:
    away_m: float
    ends: Floats
    look: Floats


@dataclass(eq=False)
class View:
    """One camera's pictures of an action. Call `picture` with rising times."""

    camera: Camera
    plate: Plate
    hall: Hall
    action: Action
    look: Look
    rng: np.random.Generator
    _poses: dict[tuple[int, int], Floats] = field(default_factory=dict)
    _dirty: list[tuple[int, int, int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._turn, self._centre = optics.turn(self.camera), optics.centre_m(self.camera)
        self._up = self._turn[:, 2].copy()
        self._base = _blurred(self.plate.L, self.look.psf_px)
        self._clear = np.ones_like(self._base)
        self._weave(self._base, 0.0, self.look.sway_m > 0)
        self._luma, self._cb, self._cr = self._base.copy(), self.plate.cb.copy(), self.plate.cr.copy()
        if self.look.sway_m > 0:
            self._still = _blurred(self.plate.L, self.look.psf_px)
        tints = luma_chroma(COLOURS_RGB)
        self._cloth = np.stack(tints, axis=1).astype(float)
        size = 1 << 21
        unit = self.rng.normal(0.0, 32.0, size + self._base.shape[1])
        self._noise = np.clip(np.rint(unit), -127, 127).astype(np.int8)
        level = np.arange(1025) / 1024
        electrons = level * self.look.full_well_e
        self._sd = (np.sqrt(electrons + self.look.read_e**2) / self.look.full_well_e).astype(np.float32)
        tone = 16.5 + 219 * (np.arange(4097) / 4096) ** (1 / GAMMA)  # ITU-R BT.709 limited range
        self._tone = np.clip(tone, 0, 255).astype(np.uint8)

    def picture(self, start_s: float) -> Picture:
        """The frame whose first row begins its exposure at start_s (clip's clock)."""
        self._clean(start_s)
        items: list[tuple[float, _Limb | int]] = []
        middle = start_s + self.camera.lens.image_size_px[1] / 2 * self.camera.row_time_s
        for figure in self.action.figures:
            items += [(limb.away_m, limb) for limb in self._limbs(figure, start_s)]
        places = [self._place(b, start_s) for b in self.action.balls]
        items += [(away, i) for i, (away, _, _) in enumerate(places) if away > 0]
        self._shadows(middle)
        visible = np.zeros(len(self.action.balls), bool)
        for _, item in sorted(items, key=lambda pair: -pair[0]):
            if isinstance(item, _Limb):
                self._draw_limb(item)
                for i in np.flatnonzero(visible):
                    visible[i] = not _inside(item, places[i][1])
            else:
                visible[item] = self._draw_ball(self.action.balls[item], start_s, places[item][2])
        return self._develop(start_s, visible)

    def still(self, lay: Callable[[Floats32], None]) -> Bytes:
        """The luma of the empty hall with something laid over its light (h, w) in place; for boards and marks."""
        self._clean(0.0)
        lay(self._luma)
        picture = self._develop(0.0, np.zeros(0, bool)).y
        self._luma[:] = self._base
        return picture

    def _clean(self, start_s: float) -> None:
        """Back to the empty hall where the last frame was painted."""
        if len(self._poses) > 200:
            self._poses.clear()
        if self.look.sway_m > 0:
            np.copyto(self._luma, self._still)
            self._weave(self._luma, start_s, True)
        for r0, r1, c0, c1 in self._dirty:
            if self.look.sway_m <= 0:
                self._luma[r0:r1, c0:c1] = self._base[r0:r1, c0:c1]
            half = slice(r0 // 2, r1 // 2 + 1), slice(c0 // 2, c1 // 2 + 1)
            self._cb[half], self._cr[half] = self.plate.cb[half], self.plate.cr[half]
        self._dirty.clear()

    def _weave(self, luma: Floats32, time_s: float, sways: bool) -> None:
        sway = self.look.sway_m if sways else 0.0
        for layer in (self.plate.behind, self.plate.front):
            if len(layer.pixel):
                cover = layer.cover(time_s, sway)
                paint.weave(luma.reshape(-1), layer.pixel, cover, layer.tone)
                if layer is self.plate.front:
                    self._clear.reshape(-1)[layer.pixel] = 1 - cover

    def _limbs(self, figure: Figure, start_s: float) -> list[_Limb]:
        """Where a figure's capsules lie in this frame, each at the time of its own rows."""
        camera, height = self.camera, self.camera.lens.image_size_px[1]
        read = height * camera.row_time_s
        times = start_s + np.array([0.0, 0.5, 1.0]) * (read + camera.exposure_s)
        poses = [self._pose(figure, float(t)) for t in times]
        if not all(len(p) == len(poses[1]) and len(p) for p in poses):
            return []
        ends = np.stack([p[:, :6].reshape(-1, 3) for p in poses])  # (3, 2n, 3)
        n = len(poses[1])
        px = optics.project(camera, ends.reshape(-1, 3)).reshape(3, 2 * n, 2)
        away = np.sqrt(((ends - self._centre) ** 2).sum(axis=2))
        shown = np.isfinite(px).all(axis=(0, 2)).reshape(n, 2).all(axis=1)
        shown &= away.min(axis=0).reshape(n, 2).min(axis=1) > 0.5
        radius_px = camera.lens.matrix[0, 0] * poses[1][:, 6:8].reshape(-1) / np.maximum(away[1], 0.1)
        out = []
        travel = np.abs(px[2] - px[0]).max(axis=1).reshape(n, 2).max(axis=1) * camera.exposure_s
        travel /= max(read + camera.exposure_s, 1e-9)
        for i in np.flatnonzero(shown):
            pair = slice(2 * i, 2 * i + 2)
            out.append(self._limb(px[:, pair], radius_px[pair], away[1, pair], float(travel[i]), poses[1][i]))
        return out

    def _pose(self, figure: Figure, time_s: float) -> Floats:
        """A figure's capsules, between instants on an even grid that are kept for the next frames."""
        i = math.floor(time_s / POSE_GRID_S)
        ends = []
        for k in (i, i + 1):
            key = (id(figure), k)
            if key not in self._poses:
                self._poses[key] = figure.limbs(k * POSE_GRID_S)
            ends.append(self._poses[key])
        if len(ends[0]) != len(ends[1]):
            return ends[0]
        return np.asarray(ends[0] + (time_s / POSE_GRID_S - i) * (ends[1] - ends[0]))

    def _limb(self, px: Floats, radius_px: Floats, away: Floats, travel: float, capsule: Floats) -> _Limb:
        """One capsule at sub-instants of the exposure of its middle row; px is (3 times, 2 ends, 2)."""
        height = self.camera.lens.image_size_px[1]
        row = min(max(float(px[1, 0, 1] + px[1, 1, 1]) / 2, 0.0), float(height))
        span = max(height * self.camera.row_time_s + self.camera.exposure_s, 1e-9)
        k0 = row * self.camera.row_time_s / span
        k1 = k0 + self.camera.exposure_s / span
        steps, far = min(max(math.ceil(travel / 3), 1), 10), float(away[0] + away[1]) / 2
        ends = paint.sweep(px, float(radius_px[0]), float(radius_px[1]), far, k0, k1, steps)
        x, y, z = ((capsule[:3] + capsule[3:6]) / 2).tolist()
        lit = light(x, y, z) * self.hall.lamps
        return _Limb(far, ends, np.array([*self._cloth[int(capsule[8])], lit]))

    def _draw_limb(self, limb: _Limb) -> None:
        e = limb.ends
        reach = max(e[0, 2], e[0, 5]) + 1
        low, high = e.min(axis=0).tolist(), e.max(axis=0).tolist()
        box = self._box(
            min(low[0], low[3]) - reach, max(high[0], high[3]) + reach,
            min(low[1], low[4]) - reach, max(high[1], high[4]) + reach,
        )  # fmt: skip
        if box is not None:
            paint.capsule(
                e, len(e), self._up, limb.look, box, self.plate.depth_m, self._clear, self._luma, self._cb, self._cr
            )

    def _box(self, u0: float, u1: float, v0: float, v1: float) -> tuple[int, int, int, int] | None:
        """The part of the picture within these bounds, marked to be cleaned; None if it lies outside."""
        width, height = self.camera.lens.image_size_px
        if not (u1 >= 0 and v1 >= 0 and u0 <= width - 1 and v0 <= height - 1):
            return None
        c0, c1 = max(math.floor(u0), 0), min(math.ceil(u1) + 1, width)
        r0, r1 = max(math.floor(v0), 0), min(math.ceil(v1) + 1, height)
        self._dirty.append((r0, r1, c0, c1))
        return r0, r1, c0, c1

    def _place(self, ball: BallShown, start_s: float) -> tuple[float, Floats, float]:
        """Distance (0: not there), pixel and row of a ball in this frame."""
        row = self.camera.lens.image_size_px[1] / 2
        px, at = np.full(2, np.nan), np.full(3, np.nan)
        for _ in range(4 if self.camera.row_time_s else 1):
            at = ball.path.position_m(np.array([start_s + row * self.camera.row_time_s + self.camera.exposure_s / 2]))[
                0
            ]
            if not np.isfinite(at).all():
                return 0.0, px, 0.0
            px = optics.project(self.camera, at[None])[0]
            if not np.isfinite(px).all():
                return 0.0, px, 0.0
            row = float(px[1])
        return float(np.linalg.norm(at - self._centre)), px, row

    def _draw_ball(self, ball: BallShown, start_s: float, row: float) -> bool:
        """Paint a ball; whether more than a third of it shows."""
        camera, look = self.camera, self.look
        begin = start_s + row * camera.row_time_s
        at = ball.path.position_m(np.array([begin + camera.exposure_s / 2]))
        size = float(apparent_px(camera, at, ball.radius_m)[0])
        pad = (size + 12) * abs(camera.row_time_s) * 1.5
        grid = np.linspace(begin - pad, begin + camera.exposure_s + pad, 33)
        centres = ball.path.position_m(np.clip(grid, ball.path.start_s, ball.path.end_s))
        px = optics.project(camera, centres)
        if not np.isfinite(px).all():
            return False
        reach = size / 2 * 1.15 + 2 + 3 * look.psf_px
        (u0, v0), (u1, v1) = px.min(axis=0) - reach, px.max(axis=0) + reach
        box = self._box(u0, u1, v0, v1)
        if box is None:
            return False
        streak = float(np.linalg.norm(px[-1] - px[0]))
        steps = int(np.clip(math.ceil(streak * 2), 1, 32))
        ss = 5 if size < 8 else 4 if size < 16 else 3 if size < 40 else 2
        shape = (box[1] - box[0], box[3] - box[2])
        cover, bright = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        first = start_s + box[0] * camera.row_time_s - float(grid[0])
        paint.ball(
            self.plate.xy, self._turn, self._centre, centres, ball.radius_m, box, first, camera.row_time_s,
            float(grid[1] - grid[0]), steps, camera.exposure_s, ss, self._skin(ball, at[0]), self.plate.depth_m,
            cover, bright,
        )  # fmt: skip
        cover, bright = _blurred(cover, look.psf_px), _blurred(bright, look.psf_px)
        skin, _, _ = BALLS_RGB[ball.colour]
        _, cb, cr = luma_chroma(np.array(skin))
        paint.blend(cover, bright, (float(cb), float(cr)), box[0], box[2], self._clear, self._luma, self._cb, self._cr)
        return bool(cover.sum() > math.pi * size**2 / 4 / 3)

    def _skin(self, ball: BallShown, at_m: Floats) -> Floats:
        skin, seam, gloss = BALLS_RGB[ball.colour]
        albedo, seam_albedo = (float(luma_chroma(np.array(c))[0]) for c in (skin, seam))
        axis = np.array(ball.seam_axis) / np.linalg.norm(ball.seam_axis)
        lit = light(float(at_m[0]), float(at_m[1]), float(at_m[2])) * self.hall.lamps
        return np.array([albedo, gloss, *axis, seam_albedo, lit, 1.0 if self.look.shading else 0.0])

    def _shadows(self, time_s: float) -> None:
        """Soft shadows on the floor under balls and feet."""
        spots = []
        for ball in self.action.balls:
            x, y, z = ball.path.position_m(np.array([time_s]))[0]
            if np.isfinite(z) and 0 < z < 1.2:
                spots.append((x, y, ball.radius_m * (0.8 + 2.5 * z), 0.45 * math.exp(-z / 0.25)))
        for figure in self.action.figures:
            capsules = self._pose(figure, time_s)
            if len(capsules) > 14:  # a body
                hip = capsules[14, 3:5]
                spots.append((float(hip[0]), float(hip[1]), 0.30, 0.35))
        for x, y, wide, strength in spots:
            if self.look.shading and strength > 0.02:
                self._shade(x, y, wide, strength)

    def _shade(self, x: float, y: float, wide: float, strength: float) -> None:
        turn = np.linspace(0, 2 * np.pi, 12, endpoint=False)
        ring = np.column_stack([x + 3 * wide * np.cos(turn), y + 3 * wide * np.sin(turn), np.zeros(12)])
        px = optics.project(self.camera, ring)
        if np.isfinite(px).all():
            box = self._box(px[:, 0].min(), px[:, 0].max(), px[:, 1].min(), px[:, 1].max())
            if box is not None:
                paint.shadow(
                    self.plate.xy, self._turn, self._centre, (x, y), wide, strength, box, self.plate.depth_m, self._luma
                )

    def _develop(self, start_s: float, visible: Bools) -> Picture:
        """Lamps, noise, tone curve."""
        look, height = self.look, self._luma.shape[0]
        gain = np.full(height, look.brightness)
        for when, factor in look.steps:
            gain = gain * (factor if start_s >= when else 1.0)
        if look.flicker:
            middle = start_s + np.arange(height) * self.camera.row_time_s + self.camera.exposure_s / 2
            kept = look.flicker * np.sinc(look.flicker_hz * self.camera.exposure_s)
            gain = gain * (1 + kept * np.sin(2 * np.pi * (look.flicker_hz * middle + look.flicker_turn)))
        y = np.empty(self._luma.shape, np.uint8)
        cb, cr = np.empty(self._cb.shape, np.uint8), np.empty(self._cr.shape, np.uint8)
        a, b, c = (int(v) for v in self.rng.integers(0, len(self._noise) - self._luma.shape[1], 3))
        paint.develop(self._luma, gain.astype(np.float32), self._noise, a, self._sd, self._tone, y)
        colour_sd = 0.6 * 255 / math.sqrt(look.full_well_e)
        paint.quantise(self._cb, self._noise, b, colour_sd, cb)
        paint.quantise(self._cr, self._noise, c, colour_sd, cr)
        return Picture(y, cb, cr, visible)


def _blurred(plane: Floats32, sd_px: float) -> Floats32:
    if sd_px <= 0:
        return plane.copy()
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sd_px, borderType=cv2.BORDER_REPLICATE), np.float32)


def _inside(limb: _Limb, px: Floats) -> bool:
    """Whether a pixel lies within a limb's outline, at the middle of the exposure."""
    x0, y0, w0, x1, y1, w1, _ = limb.ends[len(limb.ends) // 2].tolist()
    u, v, across, down = float(px[0]) - x0, float(px[1]) - y0, x1 - x0, y1 - y0
    k = min(max((u * across + v * down) / (across**2 + down**2 + 1e-9), 0.0), 1.0)
    return bool(math.hypot(u - k * across, v - k * down) < w0 + k * (w1 - w0))
