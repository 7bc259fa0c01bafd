"""A proposal for a rig: where two cameras could stand, with which lens, rate and shutter (TOML, docs/plan.md).

A calibrated rig.toml serves as well; what it does not hold (frame rate, aperture) is then asked for.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib.resources import files
from math import isfinite, radians, tan
from pathlib import Path
from typing import Any

import numpy as np

from calibration.camera import Camera, Floats, Lens
from calibration.errors import InputError, nearest
from calibration.lane import PITCH_LENGTH_M
from calibration.rig import VIEWS, Rig, read_rig, read_toml
from tracker.simulation.optics import looking

READY = ("end_on", "side", "crossing", "end_and_side")
BITS_A_PIXEL = 0.24  # of H.264 as phones write it: 60 Mb/s at 1080p and 120 frames/s
_KEYS = (
    *("name", "note", "pitch_length_m", "frames_per_second", "exposure_s", "synchronised", "noise_px"),
    *("f_number", "iso", "megabits_per_second", "left", "right"),
)
_CAMERA_KEYS = (
    *("position_m", "looks_at_m", "image_size_px", "field_deg", "focal_length_mm", "sensor_width_mm"),
    *("row_time_s", "distortion"),
)
RANGES = {  # key: what is believable
    "pitch_length_m": (5.0, 30.0),
    "frames_per_second": (10.0, 2000.0),
    "exposure_s": (1e-6, 0.1),
    "noise_px": (0.01, 10.0),
    "f_number": (0.7, 32.0),
    "iso": (25.0, 409600.0),
    "megabits_per_second": (0.1, 10000.0),
}


@dataclass(frozen=True, eq=False)
class Proposal:
    """Two cameras and how they would film.

    rig          poses and lenses; with a covariance where it comes from a calibration
    calibrated   whether the rig is one that exists
    noise_px     scatter of a sighting, each axis, before the ball's shading
    f_number, iso  NaN where not known
    megabits_per_second  of one camera's film
    """

    name: str
    note: str
    rig: Rig
    calibrated: bool
    frames_per_second: float
    synchronised: bool
    noise_px: float
    f_number: float
    iso: float
    megabits_per_second: float

    @property
    def exposure_s(self) -> float:
        """The longer of the two exposures."""
        return max(camera.exposure_s for camera in self.rig.cameras)


def ready_path(name: str) -> Path:
    """A ready proposal's file."""
    return Path(str(files("tracker.trust"))) / "proposals" / f"{name}.toml"


def read_proposal(path: Path, asked: Mapping[str, float] | None = None) -> Proposal:
    """A proposal, or a calibrated rig, from a file or a ready proposal's name.

    Parameters
    ----------
    path : a file, or one of READY
    asked : numbers that replace the file's, or supply what a rig.toml lacks: frames_per_second, exposure_s, noise_px,
        f_number, iso, megabits_per_second

    Raises
    ------
    InputError
        For what is missing, unknown or out of range.
    """
    if str(path) in READY and not path.exists():
        path = ready_path(str(path))
    if not path.exists():
        raise InputError(path, "no such file", f"the ready proposals are {', '.join(READY)}")
    table = {k: v for k, v in (asked or {}).items()}
    given = read_toml(path)
    if "format" in given:
        return _of_rig(path, read_rig(path), table)
    for key in given:
        if key not in _KEYS:
            raise InputError(path, f'unknown key "{key}"', nearest(key, _KEYS))
    given = {**given, **table}
    numbers = {key: _number(path, given, key) for key in RANGES}
    exposure_s = numbers["exposure_s"]
    for key in ("frames_per_second", "exposure_s"):
        if not isfinite(numbers[key]):
            raise InputError(path, f"{key} is missing", "a proposal states its frame rate and exposure")
    length_m = numbers["pitch_length_m"] if isfinite(numbers["pitch_length_m"]) else PITCH_LENGTH_M
    left, right = (_camera(path, given.get(view), view, exposure_s) for view in VIEWS)
    synchronised = given.get("synchronised", False)
    if not isinstance(synchronised, bool):
        raise InputError(path, f"synchronised is {synchronised!r}", "true or false is needed")
    rig = Rig(left, right, length_m)
    return _proposal(str(given.get("name", path.stem)), str(given.get("note", "")), rig, False, synchronised, numbers)


def _of_rig(path: Path, rig: Rig, asked: Mapping[str, float]) -> Proposal:
    numbers = {key: _number(path, asked, key) for key in RANGES}
    if not isfinite(numbers["frames_per_second"]):
        raise InputError(path, "a rig file does not say the frame rate", "give it with --fps")
    if isfinite(numbers["exposure_s"]):
        left, right = (replace(c, exposure_s=numbers["exposure_s"]) for c in rig.cameras)
        rig = replace(rig, left=left, right=right)
    known = all(camera.time_offset_s is not None for camera in rig.cameras)
    return _proposal(path.stem, "", rig, not rig.exact, known, numbers)


def _proposal(
    name: str, note: str, rig: Rig, calibrated: bool, synchronised: bool, numbers: Mapping[str, float]
) -> Proposal:
    fps, noise, megabits = (numbers[k] for k in ("frames_per_second", "noise_px", "megabits_per_second"))
    width, height = rig.left.lens.image_size_px
    if rig.left.exposure_s >= 1 / fps or rig.right.exposure_s >= 1 / fps:
        raise InputError(name, "exposure_s is as long as a frame or longer", "shorten it, or lower frames_per_second")
    return Proposal(
        name=name,
        note=note,
        rig=rig,
        calibrated=calibrated,
        frames_per_second=fps,
        synchronised=synchronised,
        noise_px=noise if isfinite(noise) else 0.2,
        f_number=numbers["f_number"],
        iso=numbers["iso"],
        megabits_per_second=megabits if isfinite(megabits) else BITS_A_PIXEL * width * height * fps / 1e6,
    )


def _number(path: Path, table: Mapping[str, Any], key: str) -> float:
    """A number in its range; NaN where it is not given."""
    if key not in table:
        return float("nan")
    value, (low, high) = table[key], RANGES[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise InputError(path, f"{key} is {value!r}", f"a number from {low:g} to {high:g} is needed")
    return float(value)


def _camera(path: Path, table: Any, view: str, exposure_s: float) -> Camera:
    if not isinstance(table, dict):
        raise InputError(path, f"the table [{view}] is missing")
    for key in table:
        if key not in _CAMERA_KEYS:
            raise InputError(path, f'unknown key "{view}.{key}"', nearest(key, _CAMERA_KEYS))
    centre = _numbers(path, table, view, "position_m", 3)
    at = _numbers(path, table, view, "looks_at_m", 3)
    size = _numbers(path, table, view, "image_size_px", 2)
    if np.hypot(*(at - centre)[:2]) < 0.1:
        raise InputError(path, f"{view} looks straight down or at itself", "move looks_at_m along the lane")
    if size.min() < 100 or size.max() > 20000 or not np.allclose(size, size.round()):
        raise InputError(path, f"{view}.image_size_px is {table['image_size_px']!r}", "use whole pixels, width first")
    distortion = _numbers(path, table, view, "distortion", 5) if "distortion" in table else np.zeros(5)
    row_time_s = float(_numbers(path, {"row_time_s": [table.get("row_time_s", 0.0)]}, view, "row_time_s", 1)[0])
    if not 0 <= row_time_s < 1e-3:
        raise InputError(path, f"{view}.row_time_s is {row_time_s:g}", "seconds from one row to the next are needed")
    lens = Lens((int(size[0]), int(size[1])), np.eye(3), distortion)
    blank = Camera(lens, np.zeros(3), np.zeros(3), 0.0, row_time_s, exposure_s)
    return posed(blank, centre, at, _field_deg(path, table, view))


def posed(camera: Camera, centre_m: Floats, at_m: Floats, horizontal_field_deg: float) -> Camera:
    """The camera at a place, upright, looking at a spot, with a lens of this field centred on the picture."""
    width, height = camera.lens.image_size_px
    focal = width / 2 / tan(radians(horizontal_field_deg) / 2)
    matrix = np.array([[focal, 0.0, (width - 1) / 2], [0.0, focal, (height - 1) / 2], [0.0, 0.0, 1.0]])
    turn, move = looking(centre_m, at_m)
    lens = replace(camera.lens, matrix=matrix)
    return replace(camera, lens=lens, rotation_vector=turn, translation_m=move)


def field_deg(camera: Camera) -> float:
    """A camera's horizontal field of view, distortion left out."""
    return float(np.degrees(2 * np.arctan2(camera.lens.image_size_px[0] / 2, camera.lens.matrix[0, 0])))


def _field_deg(path: Path, table: Mapping[str, Any], view: str) -> float:
    """Horizontal field of view: as given, or from focal length and sensor."""
    if "field_deg" in table:
        field = float(_numbers(path, {"field_deg": [table["field_deg"]]}, view, "field_deg", 1)[0])
    elif "focal_length_mm" in table and "sensor_width_mm" in table:
        both = {key: [table[key]] for key in ("focal_length_mm", "sensor_width_mm")}
        focal, width = (float(_numbers(path, both, view, key, 1)[0]) for key in both)
        field = float(np.degrees(2 * np.arctan2(width / 2, focal))) if focal > 0 and width > 0 else -1.0
    else:
        raise InputError(path, f"[{view}] has no field_deg", "give it, or focal_length_mm and sensor_width_mm")
    if not 1 <= field <= 150:
        raise InputError(path, f"{view}: a horizontal field of {field:.3g} degrees", "1 to 150 degrees are needed")
    return field


def _numbers(path: Path, table: Mapping[str, Any], view: str, key: str, count: int) -> Floats:
    value = table.get(key)
    good = isinstance(value, list) and len(value) == count
    if not good or not all(isinstance(v, int | float) and not isinstance(v, bool) and isfinite(v) for v in value or ()):
        raise InputError(path, f"{view}.{key} is {value!r}", f"{count} numbers are needed")
    return np.array(value, float)
