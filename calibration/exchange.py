"""Lenses and poses in the forms people have: OpenCV's FileStorage (YAML or XML), plain camera YAML, Kalibr's YAML.

OpenCV: M1 D1 M2 D2 R T (also under their longer names), or one camera's camera_matrix and distortion_coefficients.
Kalibr: cam0 and cam1 with intrinsics, distortion_coeffs (radtan) and T_cn_cnm1. R and T take the left camera's
coordinates to the right one's. Where each camera stands in the lane is kept beside, under names of our own.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import yaml

from calibration.camera import LENSES, Camera, Floats, Lens
from calibration.errors import InputError, LanepairError
from calibration.rig import FORMAT, Rig, read_rig, read_toml

_MATRIX = {
    0: ("M1", "K1", "cameraMatrix1", "camera_matrix1", "camera_matrix_left"),
    1: ("M2", "K2", "cameraMatrix2", "camera_matrix2", "camera_matrix_right"),
}
_TERMS = {
    0: ("D1", "distCoeffs1", "dist_coeffs1", "distortion_coefficients1", "dist_coeffs_left"),
    1: ("D2", "distCoeffs2", "dist_coeffs2", "distortion_coefficients2", "dist_coeffs_right"),
}
_ONE_MATRIX = ("camera_matrix", "cameraMatrix", "Camera_Matrix", "K", "M")
_ONE_TERMS = ("distortion_coefficients", "distCoeffs", "Distortion_Coefficients", "dist_coeffs", "D")
_SIZES = (("image_width", "image_height"), ("image_Width", "image_Height"), ("width", "height"))
Size = tuple[int, int]


@dataclass(frozen=True, eq=False)
class Exchanged:
    """What a file tells: one lens or two, left-to-right pose, places in the lane, and a rig.toml's own covariance."""

    lenses: tuple[Lens | None, Lens | None]
    turn: Floats | None = None
    shift_m: Floats | None = None
    rig: Rig | None = None


def read_exchange(path: Path, sizes_px: tuple[Size | None, Size | None] = (None, None)) -> Exchanged:
    """Read rig.toml, OpenCV's or Kalibr's form; `sizes_px` helps out where the file does not tell the picture's size.

    A file of one lens gives it as the left one. Raises InputError where the file tells no lens.
    """
    if path.suffix.lower() == ".toml":
        if read_toml(path).get("format") != FORMAT:
            raise InputError(path, "is no rig file", f'it should have format = "{FORMAT}"')
        rig = read_rig(path)
        return Exchanged((rig.left.lens, rig.right.lens), rig=rig)
    table = _table(path)
    if any(isinstance(v, dict) and "intrinsics" in v for v in table.values()):
        return _from_kalibr(path, table)
    lenses = [_lens(path, table, _MATRIX[i], _TERMS[i], sizes_px[i]) for i in (0, 1)]
    if lenses == [None, None]:
        lenses[0] = _lens(path, table, _ONE_MATRIX, _ONE_TERMS, sizes_px[0])
    if lenses[0] is None:
        raise InputError(path, "tells no lens", "OpenCV's M1 D1 M2 D2 or camera_matrix, or Kalibr's cam0 are known")
    turn, shift = _first(table, ("R",)), _first(table, ("T",))
    return Exchanged(
        (lenses[0], lenses[1]),
        None if turn is None else turn.reshape(3, 3),
        None if shift is None else shift.ravel(),
        _placed(table, lenses),
    )


def _table(path: Path) -> dict[str, Any]:
    """Every top entry of the file; matrices as arrays."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(path, "no such file") from None
    except OSError as e:
        raise InputError(path, f"cannot be read ({e.strerror})") from None
    except UnicodeDecodeError:
        raise InputError(path, "is not a text file") from None
    try:
        if text.lstrip().startswith(("%YAML", "<?xml", "<opencv_storage")):
            store = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
            root = store.root()
            return {key: _node(root.getNode(key)) for key in root.keys()}  # noqa: SIM118 (a FileNode is no dict)
        table = yaml.safe_load(text)
    except (cv2.error, SystemError, yaml.YAMLError) as e:
        raise InputError(path, f"cannot be read as OpenCV's or as plain YAML ({type(e).__name__})") from None
    if not isinstance(table, dict):
        raise InputError(path, "is not a table of names and values")
    return table


def _node(node: Any) -> Any:
    if node.isMap():
        matrix = node.mat()
        return np.asarray(matrix, float) if matrix is not None and matrix.size else {}
    if node.isSeq():
        items = [node.at(i) for i in range(node.size())]
        return [i.real() if i.isReal() or i.isInt() else i.string() for i in items]
    return node.real() if node.isReal() or node.isInt() else node.string()


def _first(table: Mapping[str, Any], names: tuple[str, ...]) -> Floats | None:
    """The first of the names that holds numbers: an array, nested lists, or rows, cols and data."""
    for name in names:
        value = table.get(name)
        if isinstance(value, dict) and "data" in value:
            rows, cols = int(value.get("rows", 1)), int(value.get("cols", len(value["data"])))
            return np.asarray(value["data"], float).reshape(rows, cols)
        if isinstance(value, list | np.ndarray) and np.size(value):
            return np.asarray(value, float)
    return None


def _lens(
    path: Path, table: Mapping[str, Any], matrix_names: tuple[str, ...], term_names: tuple[str, ...], size: Size | None
) -> Lens | None:
    matrix, terms = _first(table, matrix_names), _first(table, term_names)
    if matrix is None:
        return None
    told = next(((int(table[w]), int(table[h])) for w, h in _SIZES if w in table and h in table), None)
    both = _first(table, ("image_size", "imageSize", "image_size_px", "resolution"))
    told = told or (None if both is None else (int(both.ravel()[0]), int(both.ravel()[1])))
    if told is None and size is None:
        raise InputError(path, "does not tell the picture's size", "add image_width and image_height")
    if told is not None and size is not None and told != size:
        raise InputError(path, *other_size(told, size))
    return _checked(path, told or size or (0, 0), matrix.reshape(3, 3), np.zeros(5) if terms is None else terms.ravel())


def other_size(lens: Size, pictures: Size) -> tuple[str, str]:
    """Problem and remedy where a lens was calibrated in another video mode than the pictures are of."""
    return (
        f"the lens is for {lens[0]}x{lens[1]} pictures, these are {pictures[0]}x{pictures[1]}",
        "film the board in the same video mode as the balls",
    )


def _checked(path: Path, size: Size, matrix: Floats, terms: Floats) -> Lens:
    if len(terms) == 14 and not terms[12:].any():
        terms = terms[:12]
    try:
        return Lens(size, matrix, terms)
    except ValueError as e:
        raise InputError(path, str(e), f"lenses of {', '.join(map(str, LENSES))} terms are known") from None


def _from_kalibr(path: Path, table: Mapping[str, Any]) -> Exchanged:
    names = sorted(k for k, v in table.items() if isinstance(v, dict) and "intrinsics" in v)[:2]
    lenses: list[Lens | None] = [None, None]
    for i, name in enumerate(names):
        own = table[name]
        model, bent = own.get("camera_model", "pinhole"), own.get("distortion_model", "none")
        if model != "pinhole" or bent not in ("radtan", "none"):
            raise InputError(path, f"{name} is {model} with {bent}", "pinhole with radtan is known")
        if "resolution" not in own:
            raise InputError(path, f"{name} has no resolution", "add resolution: [width, height]")
        fx, fy, cx, cy = map(float, own["intrinsics"])
        size = (int(own["resolution"][0]), int(own["resolution"][1]))
        terms = np.r_[np.asarray(own.get("distortion_coeffs", [0, 0, 0, 0]), float)[:4], 0.0]
        lenses[i] = _checked(path, size, np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1]]), terms)
    step = _first(table[names[-1]], ("T_cn_cnm1",)) if len(names) == 2 else None
    if step is None:
        return Exchanged((lenses[0], lenses[1]))
    return Exchanged((lenses[0], lenses[1]), step[:3, :3], step[:3, 3])


def _placed(table: Mapping[str, Any], lenses: list[Lens | None]) -> Rig | None:
    """The rig, where the file was written by us and tells both places in the lane."""
    poses = [_first(table, (f"lane_to_{view}_{part}",)) for view in ("left", "right") for part in ("rvec", "tvec")]
    left, right = lenses
    if left is None or right is None or any(p is None for p in poses):
        return None
    a, b, c, d = (p.ravel() for p in poses if p is not None)
    length = float(table.get("pitch_length_m", Rig.pitch_length_m))
    return Rig(Camera(left, a, b, None), Camera(right, c, d, None), length)


def between(rig: Rig) -> tuple[Floats, Floats]:
    """R and T that take the left camera's coordinates to the right one's."""
    turn = rig.right.R @ rig.left.R.T
    return turn, np.asarray(rig.right.translation_m) - turn @ np.asarray(rig.left.translation_m)


def write_opencv(path: Path, rig: Rig) -> None:
    """Write OpenCV's FileStorage, YAML or XML by the file's ending."""
    if path.suffix.lower() not in (".yml", ".yaml", ".xml"):
        raise LanepairError(f"{path}: OpenCV's form ends in .yml, .yaml or .xml")
    turn, shift = between(rig)
    entries: dict[str, Any] = {"image_width": rig.left.lens.image_size_px[0]}
    entries["image_height"] = rig.left.lens.image_size_px[1]
    if rig.left.lens.image_size_px != rig.right.lens.image_size_px:
        raise LanepairError("the two cameras' pictures differ in size; OpenCV's form has room for one size")
    for i, (view, camera) in enumerate(zip(("left", "right"), rig.cameras, strict=True), start=1):
        entries[f"M{i}"], entries[f"D{i}"] = camera.lens.matrix, camera.lens.distortion[None]
        entries[f"lane_to_{view}_rvec"] = np.asarray(camera.rotation_vector, float)[:, None]
        entries[f"lane_to_{view}_tvec"] = np.asarray(camera.translation_m, float)[:, None]
    entries |= {"R": turn, "T": shift[:, None], "pitch_length_m": rig.pitch_length_m}
    aside = path.with_name(f".part{path.suffix}")
    store = cv2.FileStorage(str(aside), cv2.FILE_STORAGE_WRITE)
    for key, value in entries.items():
        store.write(key, value)
    store.release()
    aside.replace(path)


def write_kalibr(path: Path, rig: Rig) -> None:
    """Write Kalibr's YAML. Raises LanepairError where a lens has more than its four terms."""
    turn, shift = between(rig)
    step = np.vstack([np.column_stack([turn, shift]), [0, 0, 0, 1]])
    table: dict[str, Any] = {}
    for i, camera in enumerate(rig.cameras):
        k = camera.lens.distortion
        if len(k) > 4 and np.any(k[4:]):
            raise LanepairError(
                "Kalibr's radtan lens has four terms (k1 k2 p1 p2), this rig's has more: use OpenCV's form"
            )
        m = camera.lens.matrix
        table[f"cam{i}"] = {
            "camera_model": "pinhole",
            "intrinsics": [float(m[0, 0]), float(m[1, 1]), float(m[0, 2]), float(m[1, 2])],
            "distortion_model": "radtan",
            "distortion_coeffs": k[:4].tolist(),
            "resolution": list(camera.lens.image_size_px),
        } | ({"T_cn_cnm1": step.tolist()} if i else {})
    aside = path.with_name(f"{path.name}.part")
    aside.write_text(yaml.safe_dump(table, sort_keys=False), encoding="utf-8")
    aside.replace(path)
