"""Pink balls: as bright as a green mat, so that luma alone hardly shows them; redness does.

Where the ball is pink, the picture that is looked at is luma plus redness: the ball grows brighter, a green mat darker,
white and grey stay as they are. Films carry colour at half the size, so edges are softer, and only pink needs it: red
and white balls differ in brightness from what they are played on.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tracker.vision.compiled import compiled
from tracker.vision.video import Frame

TINTED = ("pink",)
PLACE_SD_PX = 0.2  # of what colour shows: where its samples lie is not told, see add_redness
GREY = 128  # redness of grey


@compiled
def add_redness(plane: NDArray[np.uint8], redness: NDArray[np.uint8], out: NDArray[np.uint8]) -> None:
    """Luma (h, w) plus redness (h / 2, w / 2) less that of grey into `out` (h, w), kept within a byte.

    Colour samples lie midway between two rows; along a row on every other pixel by the standard (ITU-T H.264, clause
    6.2, from memory), midway between two as FFmpeg's scaler writes them: a quarter pixel, between both, is taken.
    """
    rows, columns = plane.shape
    high, wide = redness.shape
    for r in range(rows):
        near = min(r // 2, high - 1)
        red, other = redness[near], redness[min(max(near + (1 if r % 2 else -1), 0), high - 1)]
        for c in range(columns):
            k = min(c // 2, wide - 1)
            beside, share = (min(k + 1, wide - 1), 3) if c % 2 else (max(k - 1, 0), 1)
            here = (8 - share) * (3 * int(red[k]) + int(other[k])) + share * (3 * int(red[beside]) + int(other[beside]))
            out[r, c] = np.uint8(min(max(int(plane[r, c]) + ((here + 16) >> 5) - GREY, 0), 255))


def tinted(frame: Frame) -> Frame:
    """The frame as it is looked at for a pink ball; as it is where the film has no colour of the usual kind."""
    if frame.redness is None:
        return frame
    out = np.empty_like(frame.plane)
    add_redness(frame.plane, frame.redness, out)
    return replace(frame, plane=out)
