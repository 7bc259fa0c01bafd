"""Colour, where brightness alone hardly shows the ball: redness mixed into luma.

A pink ball is as bright as a green mat, a red one as a blue wall or a dark curtain. Luma plus redness makes a pink
ball bright and a mat dark; luma minus redness makes a red ball black before nearly everything. Grey stays as it is, so
that white balls need none of it. Films carry colour at half the size and do not tell where exactly: spots are looked
for in the mixture, but a red ball is measured in it where luma does not show it, or shows a large one half as well.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.vision.compiled import compiled

GREY = 128  # redness of grey
PLACE_SD_PX = 0.2  # of what colour shows: where its samples lie is not told, see mixed_patch
WEAK = 10.0  # grey levels: a ball whose middle stands out by no more is not measured in luma
SLIGHT, CLEARER = 25.0, 2.0  # nor one that stands out by no more than this, and in colour so many times as far,
COARSE_PX = 10.0  # if it is larger than this: lit above and dark below, it is as bright as a curtain in between


@dataclass(frozen=True)
class Tint:
    """How redness is mixed into luma: weight -1, 0 or 1; `always`: for measuring too, not only where luma fails."""

    weight: int = 0
    always: bool = False

    @classmethod
    def of(cls, colour: str) -> "Tint":
        """For a ball called so in session.toml."""
        return {"pink": cls(1, True), "red": cls(-1, False)}.get(colour.lower(), cls())


def mixed_boxes(
    boxes: NDArray[np.int16], redness: NDArray[np.uint8] | None, box: int, weight: int
) -> NDArray[np.int16]:
    """Boxes of `box` pixels in sixteenths of a grey level with a frame's redness mixed in; as they are without any."""
    if weight == 0 or redness is None:
        return boxes
    mixed = boxes.copy()
    _add_redness(redness, box, weight, mixed)
    return mixed


@compiled
def _add_redness(redness: NDArray[np.uint8], box: int, weight: int, boxes: NDArray[np.int16]) -> None:
    rows, columns = boxes.shape
    high, wide = redness.shape
    unit = np.int16(4 * weight)
    line = np.empty(wide + 3, np.int16)
    for r in range(rows):
        above, out = redness[min(box * r // 2, high - 1)], boxes[r]
        below = redness[min((box * r + box - 1) // 2, high - 1)]
        for c in range(wide):
            line[c] = unit * (np.int16(above[c]) + np.int16(below[c]) - np.int16(2 * GREY))
        for c in range(wide, wide + 3):
            line[c] = line[wide - 1]
        if box == 4:
            for c in range(columns):
                out[c] += line[2 * c] + line[2 * c + 1]
        elif box == 2:
            for c in range(columns):
                out[c] += np.int16(2) * line[c]
        else:  # two boxes of three pixels over three samples
            for k in range(columns // 2):
                out[2 * k] += line[3 * k] + line[3 * k + 1]
                out[2 * k + 1] += line[3 * k + 1] + line[3 * k + 2]
            if columns % 2:
                out[columns - 1] += line[3 * (columns // 2)] + line[3 * (columns // 2) + 1]


@compiled
def mixed_patch(
    plane: NDArray[np.uint8], redness: NDArray[np.uint8], corner: tuple[int, int], weight: int, out: NDArray[np.uint8]
) -> None:
    """Luma plus weight x redness of a frame from its corner (x, y) on, kept within a byte, into `out` (h, w).

    Colour samples lie midway between two rows; along a row on every other pixel by the standard (ITU-T H.264, clause
    6.2, from memory), midway between two as FFmpeg's scaler writes them: a quarter pixel, between both, is taken.
    """
    high, wide = redness.shape
    first = max(corner[0] // 2 - 1, 0)
    line = np.empty((corner[0] + out.shape[1]) // 2 + 2 - first, np.int32)
    for i in range(out.shape[0]):
        r = corner[1] + i
        near = min(r // 2, high - 1)
        red, other = redness[near], redness[min(max(near + (1 if r % 2 else -1), 0), high - 1)]
        for k in range(len(line)):
            at = min(first + k, wide - 1)
            line[k] = 3 * np.int32(red[at]) + np.int32(other[at])
        for j in range(out.shape[1]):
            c = corner[0] + j
            k = c // 2 - first
            here = 5 * line[k] + 3 * line[k + 1] if c % 2 else 7 * line[k] + line[max(k - 1, 0)]
            out[i, j] = np.uint8(min(max(int(plane[r, c]) + weight * (((here + 16) >> 5) - GREY), 0), 255))
