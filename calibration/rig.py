"""The calibrated pair: two cameras on one frame and clock, with the joint covariance of what was adjusted.

rig.toml in and out. Format: docs/files.md.
"""

import datetime as dt
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from calibration.camera import LENSES, Camera, Floats, Lens
from calibration.errors import InputError, nearest
from calibration.lane import PITCH_LENGTH_M

FORMAT = "lanepair-rig"
FARTHEST_M = 500.0  # of a camera from the stumps; farther off it is a mistake of units
VERSION = 1
VIEWS = ("left", "right")
_TOP_KEYS = ("format", "version", "calibrated", "pitch_length_m", "left", "right", "covariance", "notes")
_CAMERA_KEYS = (
    "image_size_px",
    "matrix",
    "distortion",
    "rotation_vector",
    "translation_m",
    "time_offset_s",
    "row_time_s",
    "exposure_s",
)
_POSE = ("rx", "ry", "rz", "tx", "ty", "tz")


@dataclass(frozen=True, eq=False)
class Rig:
    """Two cameras and how well they are known.

    cameras  (left, right)
    names    what was adjusted, e.g. "left.fx", "right.tz", "left.time_offset_s"; empty: taken as exact
    cov      (k, k) covariance of the named numbers, in their own units
    notes    whatever calibration keeps: marks used, reference pictures (paths relative to the rig's file), verdict
    """

    left: Camera
    right: Camera
    pitch_length_m: float = PITCH_LENGTH_M
    calibrated: dt.datetime | None = None
    names: tuple[str, ...] = ()
    cov: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    notes: Mapping[str, Any] = field(default_factory=dict)

    @property
    def cameras(self) -> tuple[Camera, Camera]:
        """The left and the right camera."""
        return self.left, self.right

    @property
    def exact(self) -> bool:
        """Whether the rig comes without a covariance."""
        return not self.names

    @property
    def junior_stumps(self) -> bool:
        """Whether the wickets were calibrated as junior ones."""
        return self.notes.get("junior_stumps") is True

    def shifted(self, names: tuple[str, ...], step: Floats) -> "Rig":
        """The rig with `step` (k,) added to the named numbers."""
        cameras = list(self.cameras)
        for i, view in enumerate(VIEWS):
            mine = {n.split(".", 1)[1]: float(s) for n, s in zip(names, step, strict=True) if n.startswith(view + ".")}
            if mine:
                cameras[i] = shifted_camera(cameras[i], mine)
        return replace(self, left=cameras[0], right=cameras[1])


def shifted_camera(camera: Camera, step: Mapping[str, float]) -> Camera:
    """The camera with `step` added to the numbers it names (fx, cy, k1, rx, tz, time_offset_s ...)."""
    terms = LENSES[len(camera.lens.distortion)]
    matrix, distortion = camera.lens.matrix.copy(), camera.lens.distortion.copy()
    rotation, translation = np.array(camera.rotation_vector, float), np.array(camera.translation_m, float)
    offset = camera.time_offset_s
    for name, value in step.items():
        if name in _POSE:
            (rotation if name[0] == "r" else translation)["xyz".index(name[1])] += value
        elif name in ("fx", "fy"):
            matrix["xy".index(name[1]), "xy".index(name[1])] += value
        elif name in ("cx", "cy"):
            matrix["xy".index(name[1]), 2] += value
        elif name in terms:
            distortion[terms.index(name)] += value
        elif name == "time_offset_s":
            offset = (offset or 0.0) + value
        else:
            raise ValueError(f"no number {name} in a camera with {len(terms)} lens terms")
    return replace(
        camera,
        lens=replace(camera.lens, matrix=matrix, distortion=distortion),
        rotation_vector=rotation,
        translation_m=translation,
        time_offset_s=offset,
    )


def parameter_names(view: str, camera: Camera) -> tuple[str, ...]:
    """Every number of a camera that calibration may adjust, in the file's order."""
    own = ("fx", "fy", "cx", "cy", *LENSES[len(camera.lens.distortion)], *_POSE, "time_offset_s")
    return tuple(f"{view}.{name}" for name in own)


def read_rig(path: Path) -> Rig:
    """Read rig.toml. Raises InputError, naming the key, for anything that is not as the format says."""
    return parse_rig(path, read_toml(path))


def parse_rig(path: Path, table: Mapping[str, Any]) -> Rig:
    """Rig from a parsed rig.toml; `path` names it in refusals."""
    _only(path, table, _TOP_KEYS, "")
    if table.get("format") != FORMAT:
        raise InputError(path, f"format is {table.get('format')!r}", f'a rig file has format = "{FORMAT}"')
    if table.get("version") != VERSION:
        raise InputError(path, f"version is {table.get('version')!r}", f"this program reads version {VERSION}")
    left, right = (_camera(path, table, view) for view in VIEWS)
    names, cov = _covariance(path, table.get("covariance"), left, right)
    length = _number(path, table, "pitch_length_m", PITCH_LENGTH_M)
    if not 5 < length < 30:
        raise InputError(path, f"pitch_length_m is {length:g}", "it is in metres, bowling crease to bowling crease")
    if not isinstance(table.get("notes", {}), dict):
        raise InputError(path, f"notes is {table['notes']!r}", "it is a table: [notes]")
    calibrated = table.get("calibrated")
    if calibrated is not None and not isinstance(calibrated, dt.datetime):
        raise InputError(path, "calibrated is not a date with a time", "write it as 2026-11-12T09:30:00Z")
    return Rig(left, right, length, calibrated, names, cov, table.get("notes", {}))


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file. Raises InputError with the line at fault."""
    try:
        return tomllib.loads(Path(path).read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise InputError(path, "no such file") from None
    except OSError as e:
        raise InputError(path, f"cannot be read ({e.strerror})") from None
    except UnicodeDecodeError:
        raise InputError(
            path, "is not a text file in UTF-8", "save it as plain text, UTF-8 (PowerShell's > may not)"
        ) from None
    except tomllib.TOMLDecodeError as e:
        raise InputError(path, f"is not valid TOML: {e}", _mended(str(e), Path(path))) from None


def _mended(fault: str, path: Path) -> str:
    """How to mend a line that is no TOML: what people who never saw any write."""
    if "\\" in fault:
        return "in paths write / for \\"
    told = re.search(r"at line (\d+)", fault)
    line = path.read_text(encoding="utf-8-sig").splitlines()[int(told[1]) - 1] if told else ""
    key, _, value = (part.strip() for part in line.partition("="))
    if key == "date":
        return "write a date as 2026-11-12"
    if re.match(r"-?\d+,\d", value):
        return "write a decimal point"
    return "put a text in double quotes" if re.match(r"[^\W\d]|'|“|„", value) else "mend that line"


def _only(path: Path, table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise InputError(path, f'unknown key "{where}{key}"', nearest(key, known))


def _number(path: Path, table: Mapping[str, Any], key: str, default: float | None = None, where: str = "") -> float:
    value = table.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise InputError(path, f"{where}{key} is {value!r}", "a number is needed")
    return float(value)


def _numbers(path: Path, table: Mapping[str, Any], key: str, view: str, shape: tuple[int, ...] | None) -> Floats:
    if key not in table:
        raise InputError(path, f"{view}.{key} is missing")
    try:
        value = np.array(table[key], float)
    except (TypeError, ValueError):
        value = np.array(np.nan)
    if value.ndim == 0 or not np.isfinite(value).all() or (shape is not None and value.shape != shape):
        wanted = "numbers" if shape is None else " x ".join(map(str, shape)) + " numbers"
        raise InputError(path, f"{view}.{key} is {table[key]!r}", f"{wanted} are needed")
    return value


def _camera(path: Path, table: Mapping[str, Any], view: str) -> Camera:
    if not isinstance(table.get(view), dict):
        raise InputError(path, f"the table [{view}] is missing")
    own = table[view]
    _only(path, own, _CAMERA_KEYS, f"{view}.")
    size = _numbers(path, own, "image_size_px", view, (2,))
    if (size < 1).any() or (size != np.round(size)).any():
        raise InputError(path, f"{view}.image_size_px is {own['image_size_px']}", "width and height in whole pixels")
    matrix = _numbers(path, own, "matrix", view, (3, 3))
    if matrix[0, 0] <= 0 or matrix[1, 1] <= 0 or not np.allclose(matrix[2], [0, 0, 1]) or matrix[1, 0] != 0:
        raise InputError(path, f"{view}.matrix is not a camera matrix", "rows are [fx, 0, cx], [0, fy, cy], [0, 0, 1]")
    if matrix[0, 1] != 0:
        raise InputError(path, f"{view}.matrix has skew {matrix[0, 1]:g}", "set it to 0")
    distortion = _numbers(path, own, "distortion", view, None)
    if distortion.ndim != 1 or len(distortion) not in LENSES:
        raise InputError(path, f"{view}.distortion has {distortion.size} terms", "4, 5, 8 or 12 are known")
    rotation = _numbers(path, own, "rotation_vector", view, (3,))
    if np.linalg.norm(rotation) > 2 * np.pi + 1e-6:
        raise InputError(
            path,
            f"{view}.rotation_vector is {np.linalg.norm(rotation):.3g} long, which is no rotation",
            "it is in radians",
        )
    row, exposure = (_number(path, own, key, 0.0, f"{view}.") for key in ("row_time_s", "exposure_s"))
    if not 0 <= exposure < 1 or not abs(row) < 1e-3:
        raise InputError(path, f"{view}: exposure_s {exposure:g} or row_time_s {row:g} is out of range", "use seconds")
    offset = _number(path, own, "time_offset_s", None, f"{view}.") if "time_offset_s" in own else None
    lens = Lens((int(size[0]), int(size[1])), matrix, distortion)
    translation = _numbers(path, own, "translation_m", view, (3,))
    away = float(np.linalg.norm(translation))
    if away > FARTHEST_M:
        told = f"{view}: the camera stands {away:.4g} m from the striker's stumps; did you mean mm?"
        raise InputError(path, told, "translation_m is in metres")
    return Camera(lens, rotation, translation, offset, row, exposure)


def _covariance(path: Path, table: Any, left: Camera, right: Camera) -> tuple[tuple[str, ...], Floats]:
    if table is None:
        return (), np.zeros((0, 0))
    if not isinstance(table, dict) or not isinstance(table.get("names", []), list):
        raise InputError(path, "covariance is not a table with names and values", "write [covariance], names = [...]")
    _only(path, table, ("names", "values"), "covariance.")
    names = tuple(table.get("names", ()))
    known = (*parameter_names("left", left), *parameter_names("right", right))
    for name in names:
        if name not in known:
            raise InputError(path, f'covariance.names has "{name}"', nearest(str(name), known))
    if len(set(names)) != len(names):
        raise InputError(path, "covariance.names has a name twice")
    values = _numbers(path, table, "values", "covariance", (len(names) * (len(names) + 1) // 2,))
    cov = np.zeros((len(names), len(names)))
    cov[np.tril_indices(len(names))] = values
    cov = cov + np.tril(cov, -1).T
    scale = np.sqrt(np.where(cov.diagonal() > 0, cov.diagonal(), 1.0))
    if len(names) and np.linalg.eigvalsh(cov / np.outer(scale, scale))[0] < -1e-6:
        raise InputError(path, "covariance.values is not a covariance", "it is the lower triangle, row by row")
    return names, cov


def write_rig(path: Path, rig: Rig) -> None:
    """Write rig.toml, atomically."""
    aside = Path(path).with_name(Path(path).name + ".part")
    aside.write_text(rig_text(rig), encoding="utf-8")
    aside.replace(path)


def rig_text(rig: Rig) -> str:
    """Text of a rig.toml."""
    import tomlkit

    doc = tomlkit.document()
    doc["format"], doc["version"] = FORMAT, VERSION
    if rig.calibrated is not None:
        doc["calibrated"] = rig.calibrated
    doc["pitch_length_m"] = rig.pitch_length_m
    for view, camera in zip(VIEWS, rig.cameras, strict=True):
        own = tomlkit.table()
        own["image_size_px"] = list(camera.lens.image_size_px)
        own["matrix"] = camera.lens.matrix.tolist()
        own["distortion"] = camera.lens.distortion.tolist()
        own["rotation_vector"] = np.asarray(camera.rotation_vector, float).tolist()
        own["translation_m"] = np.asarray(camera.translation_m, float).tolist()
        if camera.time_offset_s is not None:
            own["time_offset_s"] = float(camera.time_offset_s)
        own["row_time_s"], own["exposure_s"] = float(camera.row_time_s), float(camera.exposure_s)
        doc[view] = own
    if rig.names:
        cov = tomlkit.table()
        cov["names"] = list(rig.names)
        cov["values"] = rig.cov[np.tril_indices(len(rig.names))].tolist()
        doc["covariance"] = cov
    if rig.notes:
        doc["notes"] = dict(rig.notes)
    return tomlkit.dumps(doc)
