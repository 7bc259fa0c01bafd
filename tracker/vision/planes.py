"""A decoded picture's planes as bytes: luma at full size, and the film's redness (Cr) at half of it.

A view of the decoder's own memory where a film stores them so (8 bits, colour at half the size: 4:2:0), else a copy:
telephones write 10 bits, cameras of whole pictures (MJPEG) and editing programs keep colour at every row (4:2:2).
Pictures of a folder are brought to the same two planes.
"""

import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
HIGH = ("p0", "p2", "p4")  # formats that keep their bits at the upper end of sixteen


def luma_plane(picture: Any) -> Bytes:
    """The luma of a decoded picture, (height, stride): a view where it is stored as bytes, else a copy."""
    layout = picture.format
    first = layout.components[0]
    if layout.is_rgb or not first.is_luma or not (layout.is_planar or layout.name in ("gray", "gray16le", "gray16be")):
        return np.ascontiguousarray(picture.reformat(format="gray").to_ndarray())
    return _shallow(picture.planes[0], first.bits, layout.name)


def redness_plane(picture: Any) -> Bytes | None:
    """Cr (height / 2, stride), every sample midway between four of luma's or between two rows; None without colour."""
    layout = picture.format
    if layout.name == "nv12":
        both = picture.planes[1]
        return np.frombuffer(both, np.uint8).reshape(both.height, both.line_size)[:, 1::2]
    if layout.is_rgb or not layout.is_planar or len(layout.components) < 3 or len(picture.planes) < 3:
        return None
    told = layout.components[2]
    red = _shallow(picture.planes[2], told.bits, layout.name)
    share = [(n + 1) // 2 / own for n, own in ((picture.width, told.width), (picture.height, told.height))]
    if share == [1.0, 1.0]:
        return red
    size = [math.ceil(n * part) for n, part in zip(red.shape[::-1], share, strict=True)]
    return np.asarray(cv2.resize(red, size, interpolation=cv2.INTER_AREA), np.uint8)


def _shallow(plane: Any, bits: int, name: str) -> Bytes:
    """A plane (height, stride) in 8 bits."""
    if bits == 8:
        return np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
    deep = np.frombuffer(plane, ">u2" if name.endswith("be") else "<u2").reshape(plane.height, plane.line_size // 2)
    return (deep >> (8 if name.startswith(HIGH) else bits - 8)).astype(np.uint8)


def stored_picture(file: Path) -> NDArray[Any] | None:
    """A picture file as stored, (height, width) or with colours, of 8 or 16 bits; None where it cannot be read."""
    picture = cv2.imread(str(file), cv2.IMREAD_UNCHANGED)
    return None if picture is None or picture.dtype not in (np.uint8, np.uint16) else np.asarray(picture)


def picture_planes(picture: Bytes) -> tuple[Bytes, Bytes | None]:
    """Luma (height, width) and Cr (height / 2, width / 2) of a picture file, by ITU-T T.871; Cr None if it is grey.

    Parameters
    ----------
    picture : (height, width), or (height, width, 3 or 4) in OpenCV's order blue, green, red

    A sample of Cr is made of four of the picture, so weighted that it lies where `tint.mixed_patch` takes a film's to
    lie: midway between two rows, a quarter of a pixel after every other column.
    """
    if picture.ndim == 2:
        return np.ascontiguousarray(picture), None
    colour = np.ascontiguousarray(picture[:, :, :3])
    luma = np.asarray(cv2.cvtColor(colour, cv2.COLOR_BGR2GRAY), np.uint8)
    red = cv2.extractChannel(cv2.cvtColor(colour, cv2.COLOR_BGR2YCrCb), 1)
    high, wide = luma.shape
    red = cv2.copyMakeBorder(red, 0, high % 2, 0, wide % 2, cv2.BORDER_REPLICATE)
    rows = red[0::2].astype(np.uint16) + red[1::2]
    return luma, ((3 * rows[:, 0::2] + rows[:, 1::2] + 4) >> 3).astype(np.uint8)
