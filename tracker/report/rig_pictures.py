"""Small pictures for the page of a calibration: board pictures with their corners, marks close up."""

import base64
from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.board import Gray
from calibration.camera import Floats

THUMB_PX = 220
CLOSE_PX = 21  # half of what a close-up shows
CLOSE_SCALE = 5
Colour = NDArray[np.uint8]


def data_url(picture: NDArray[np.uint8], kind: str = ".jpg") -> str:
    """A picture as text for a page."""
    done, coded = cv2.imencode(kind, picture, [cv2.IMWRITE_JPEG_QUALITY, 80] if kind == ".jpg" else [])
    if not done:
        raise ValueError("the picture cannot be coded")
    media = "image/jpeg" if kind == ".jpg" else "image/png"
    return f"data:{media};base64,{base64.b64encode(coded.tobytes()).decode()}"


def thumb(picture: Gray, corners_px: Floats) -> str:
    """A board picture made small, its corners joined in the order they are numbered."""
    share = THUMB_PX / picture.shape[1]
    small = cv2.cvtColor(
        cv2.resize(picture, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), cv2.COLOR_GRAY2BGR
    )
    at = np.rint(((corners_px + 0.5) * share - 0.5) * 8).astype(int)
    for a, b in pairwise(at):
        cv2.line(small, a.tolist(), b.tolist(), (178, 114, 0), 1, cv2.LINE_AA, 3)
    for p in at:
        cv2.circle(small, p.tolist(), 12, (0, 94, 213), -1, cv2.LINE_AA, 3)
    return data_url(np.asarray(small, np.uint8))


def close_up(picture: Gray, px: Floats, clicked_px: Floats | None) -> Colour:
    """The surroundings of a mark, enlarged: a cross where it is used, an oblique one where it was clicked."""
    side, middle = 2 * CLOSE_PX + 1, np.rint(px).astype(int)
    framed = cv2.copyMakeBorder(picture, *(CLOSE_PX,) * 4, cv2.BORDER_CONSTANT, value=(0,))
    x, y = np.clip(middle, 0, [picture.shape[1] - 1, picture.shape[0] - 1])
    patch = framed[y : y + side, x : x + side]
    large = cv2.cvtColor(
        cv2.resize(patch, None, fx=CLOSE_SCALE, fy=CLOSE_SCALE, interpolation=cv2.INTER_NEAREST), cv2.COLOR_GRAY2BGR
    )
    for point, kind, colour in (
        (clicked_px, cv2.MARKER_TILTED_CROSS, (0, 159, 230)),
        (px, cv2.MARKER_CROSS, (178, 114, 0)),
    ):
        if point is not None:
            at = ((point - [x, y] + CLOSE_PX + 0.5) * CLOSE_SCALE - 0.5).round().astype(int)
            cv2.drawMarker(large, at.tolist(), colour, kind, 21, 1, cv2.LINE_AA)
    return np.asarray(large, np.uint8)


def sheet(pictures: Sequence[tuple[str, Gray, Floats]], most: int = 16) -> list[tuple[str, str]]:
    """Names and small pictures, evenly chosen where there are many."""
    chosen = np.unique(np.linspace(0, len(pictures) - 1, min(most, len(pictures))).round().astype(int))
    return [(pictures[i][0], thumb(pictures[i][1], pictures[i][2])) for i in chosen]
