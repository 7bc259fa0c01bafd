"""Pictures of the lane for the study of the creases' check: the simulator's halls, and lanes painted otherwise.

The halls are those of the simulator (worn paint, nets, other lanes); the lanes painted otherwise are drawn here, ray
by ray. All are invented.
"""

import argparse
from collections.abc import Callable

import cv2
import numpy as np

from calibration import lane
from calibration.camera import Camera
from calibration.rig import Rig
from tests.drawn import finish, on_stump, paint
from tests.trust_calibrations import FIRST_SEED, Rows
from tracker.records import Bools, Floats
from tracker.simulation.boards import empty_view
from tracker.simulation.hall import Hall
from tracker.simulation.render import Look
from tracker.simulation.rigdoubt import doubted
from tracker.simulation.rigs import pair
from tracker.trust.creases import creases_check
from tracker.vision.planes import Bytes

Painted = Callable[[Floats, Floats], Bools]
PAIRS = ("end_on", "behind_striker", "side", "crossing")
FINE, COARSE_PX = 2, 8  # rays to a pixel each way; the lens is interpolated in between
STUMPS_M = tuple((x, y) for y in (0.0, lane.PITCH_LENGTH_M) for x in (-0.09525, 0.0, 0.09525))


def hall_pictures(true: Rig, seed: int) -> list[Bytes]:
    """The empty hall before both cameras, light and lenses by the seed."""
    rng = np.random.default_rng([seed, 77])
    hall = Hall(seed=seed, lamps=rng.uniform(0.8, 1.5), busy=rng.uniform(0.3, 1.0), net_tone=rng.uniform(0.03, 0.12))
    look = Look(psf_px=rng.uniform(0.5, 0.9))
    return [empty_view(camera, hall, look, rng).still(lambda luma: None) for camera in true.cameras]


def lane_painted(camera: Camera, rng: np.random.Generator, painted: Painted, stumps: bool = True) -> Bytes:
    """A mottled floor with paint where `painted` says of places x, y, wickets at both ends, a dim far wall."""
    width, height = camera.lens.image_size_px
    coarse = np.meshgrid(np.arange(-8.0, width + 16, COARSE_PX), np.arange(-8.0, height + 16, COARSE_PX))
    rays = camera.ray(np.stack(coarse, axis=-1).reshape(-1, 2)).reshape(*coarse[0].shape, 3).astype(np.float32)
    u, v = ((np.arange(FINE * size) + 0.5) / FINE - 0.5 for size in (width, height))
    at = np.meshgrid(((u + 8) / COARSE_PX).astype(np.float32), ((v + 8) / COARSE_PX).astype(np.float32))
    rays = cv2.remap(np.nan_to_num(rays), *at, cv2.INTER_CUBIC)
    centre = camera.centre_m.astype(np.float32)
    with np.errstate(divide="ignore", invalid="ignore"):
        far = -centre[2] / rays[..., 2]
    ground = (far > 0) & (far < 60)
    x, y = (centre[i] + np.where(ground, far, 0) * rays[..., i] for i in (0, 1))
    fine = np.where(ground, 100 + 6 * np.sin(7 * x + 3 * y) + 4 * np.sin(23 * x - 11 * y), 70).astype(np.float32)
    fine[ground & painted(x, y)] = 215
    for place in STUMPS_M if stumps else ():
        ends = camera.project(np.array([(*place, 0.0), (*place, lane.STUMP_HEIGHT_M)]))
        if np.isfinite(ends).all():
            low, high = (FINE * (ends.min(axis=0) - 30)).clip(0), (FINE * (ends.max(axis=0) + 30)).clip(0)
            box = np.s_[int(low[1]) : int(high[1]), int(low[0]) : int(high[0])]
            fine[box][on_stump(camera, rays[box], *place)] = 190
    return finish(cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA), 2.0, rng)


def foreign_lines(rng: np.random.Generator, count: int = 24) -> Painted:
    """Lines of other games along and across the lane, some ending on it."""
    lengthwise = rng.random(count) < 0.5
    at = np.where(lengthwise, rng.uniform(-2, 2, count), rng.uniform(-2, 22, count))
    first, wide = rng.uniform(-2, 20, count), rng.uniform(0.03, 0.08, count)
    last = first + rng.uniform(1, 15, count)

    def painted(x: Floats, y: Floats) -> Bools:
        out = np.zeros(x.shape, bool)
        for i in range(count):
            u, v = (x, y) if lengthwise[i] else (y, x)
            out |= (np.abs(u - at[i]) < wide[i] / 2) & ((v > first[i]) & (v < last[i]) if lengthwise[i] else True)
        return out

    return painted


def inward(x: Floats, y: Floats) -> Bools:
    """Creases of the Laws, but the return creases' paint lies inward: 3.8 % too narrow."""
    x_in, pop, wide = lane.RETURN_CREASE_X_M, lane.POPPING_CREASE_M, lane.LINE_WIDTH_M
    out = np.zeros(x.shape, bool)
    for from_crease in (y, lane.PITCH_LENGTH_M - y):
        out |= (from_crease >= 0) & (from_crease <= wide) & (np.abs(x) <= x_in)
        out |= (from_crease >= pop) & (from_crease <= pop + wide) & (np.abs(x) <= x_in + 0.5)
        side = (np.abs(x) >= x_in - wide) & (np.abs(x) <= x_in)
        out |= side & (from_crease >= -pop) & (from_crease <= pop + wide)
    return out


def shorter(x: Floats, y: Floats) -> Bools:
    """Creases of the Laws on a lane 4 % shorter than the rig believes."""
    return np.asarray(paint(x, y, length_m=0.96 * lane.PITCH_LENGTH_M), bool)


LANES: dict[str, Callable[[np.random.Generator], Painted]] = {
    "nothing": lambda rng: lambda x, y: np.zeros(x.shape, bool),
    "lines of other games": foreign_lines,
    "return creases 50 mm inward": lambda rng: inward,
    "a lane 4 % too short": lambda rng: shorter,
}


def foreign_rows(args: argparse.Namespace) -> Rows:
    """Right rigs before lanes that are painted otherwise than in the Laws, or not at all."""
    for words, make in LANES.items():
        wrongly, silent, count = 0, 0, 0
        for seed in range(FIRST_SEED, FIRST_SEED + args.films):
            for name in PAIRS:
                rng = np.random.default_rng([seed, 78])
                true = pair(name, rows=720)
                painted = make(rng)
                pictures = [lane_painted(camera, rng, painted) for camera in true.cameras]
                (check,) = creases_check(doubted(true, rng), pictures, kept=True)
                wrongly += check.verdict != "pass"
                silent += not np.isfinite(check.value)
                count += 1
        yield words, f"{wrongly} of {count}", f"{silent} of {count}"
