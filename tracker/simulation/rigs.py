"""Ready pairs of cameras, true ones: where a school would put them.

`pair(name, ...)` gives a calibrated `Rig` without covariance. Left and right are as seen from behind the pair; for
cameras that face each other they are names only.
"""

import math
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera, Floats, Lens
from calibration.errors import LanepairError, nearest
from calibration.lane import PITCH_LENGTH_M
from calibration.rig import Rig
from tracker.simulation.optics import looking

SIZES_PX = {720: (1280, 720), 1080: (1920, 1080)}
MILD_LENS = (-0.12, 0.05, 0.0005, -0.0003, 0.0)
STRONG_LENS = (-0.35, 0.14, 0.0008, -0.0005, -0.02)


@dataclass(frozen=True)
class Placing:
    """A camera's place on a full-length lane: its centre and what it looks at, metres; horizontal field, degrees."""

    centre_m: tuple[float, float, float]
    at_m: tuple[float, float, float]
    field_deg: float


PLACINGS: dict[str, tuple[Placing, Placing]] = {  # left, right
    "end_on": (  # both behind the bowler, above the head, turned in so that both see either arm's release
        Placing((1.2, 22.5, 2.6), (-0.8, 8.0, 0.9), 40.0),
        Placing((-1.2, 22.5, 2.6), (0.8, 8.0, 0.9), 40.0),
    ),
    "end_on_wide": (
        Placing((1.2, 22.5, 2.6), (0.0, 10.0, 0.9), 60.0),
        Placing((-1.2, 22.5, 2.6), (0.0, 10.0, 0.9), 60.0),
    ),
    "side": (  # both on the off side, well beyond the net
        Placing((10.0, 7.0, 2.4), (0.0, 8.2, 1.0), 88.0),
        Placing((10.0, 12.5, 2.4), (0.0, 10.8, 1.0), 88.0),
    ),
    "crossing": (  # one behind the bowler's shoulder, one beyond the far corner: they face each other
        Placing((-2.6, 23.2, 3.0), (0.0, 9.0, 0.7), 60.0),
        Placing((3.0, -5.5, 2.9), (0.0, 8.5, 0.4), 60.0),
    ),
    "end_and_side": (
        Placing((0.9, 22.8, 2.7), (0.0, 9.0, 0.8), 60.0),
        Placing((10.0, 9.2, 2.4), (0.0, 9.4, 1.0), 90.0),
    ),
    "behind_striker": (
        Placing((-1.2, -5.5, 2.4), (0.0, 10.0, 0.5), 60.0),
        Placing((1.2, -5.5, 2.4), (0.0, 10.0, 0.5), 60.0),
    ),
}


def pair(
    name: str,
    *,
    rows: int = 1080,
    exposure_s: float = 0.001,
    readout_s: tuple[float, float] = (0.0, 0.0),
    distortion: tuple[float, ...] = MILD_LENS,
    offsets_s: tuple[float | None, float | None] = (0.0, 0.0),
    pitch_length_m: float = PITCH_LENGTH_M,
    field_deg: float | None = None,
) -> Rig:
    """A true rig.

    Parameters
    ----------
    name : of PLACINGS
    rows : 720 or 1080
    readout_s : rolling shutter, whole picture, left and right (0: global shutter)
    offsets_s : left and right time_offset_s, as the rig's file states it; None: unknown
    pitch_length_m : cameras behind the bowler move with the bowler's end
    field_deg : horizontal field of both, instead of the placing's own
    """
    if name not in PLACINGS:
        raise LanepairError(f'no rig is called "{name}"; {nearest(name, list(PLACINGS))}')
    size = SIZES_PX[rows]
    cameras = []
    for i, placing in enumerate(PLACINGS[name]):
        shift = np.array([0.0, pitch_length_m - PITCH_LENGTH_M, 0.0])
        centre, at = np.array(placing.centre_m), np.array(placing.at_m)
        turn, move = looking(centre + shift * (centre[1] / PITCH_LENGTH_M), at + shift * (at[1] / PITCH_LENGTH_M))
        focal = size[0] / 2 / math.tan(math.radians((field_deg or placing.field_deg) / 2))
        matrix = np.array([[focal, 0.0, (size[0] - 1) / 2], [0.0, focal, (size[1] - 1) / 2], [0.0, 0.0, 1.0]])
        lens = Lens(size, matrix, np.array(distortion, float))
        cameras.append(Camera(lens, turn, move, offsets_s[i], readout_s[i] / size[1], exposure_s))
    return Rig(cameras[0], cameras[1], pitch_length_m)


def turned(camera: Camera, degrees: Floats) -> Camera:
    """The camera knocked: turned about its own axes (right, down, ahead) by small angles (3,), its centre kept."""
    from dataclasses import replace

    from tracker.simulation.optics import rotation, rotation_vector

    old = rotation(camera.rotation_vector)
    new = rotation(np.radians(degrees)) @ old
    centre = -old.T @ camera.translation_m
    return replace(camera, rotation_vector=rotation_vector(new), translation_m=-new @ centre)
