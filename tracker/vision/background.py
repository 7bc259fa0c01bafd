"""A frame made small, steady and comparable: box averages, lamp flicker taken out, and how restless each box is.

Everything here is int16 in sixteenths of a grey level, one number a box of `box` x `box` pixels. Lamps at 100 or
120 Hz brighten whole frames (global shutter) or bands of rows (rolling shutter), so each band of rows is scaled to
the background's brightness by a mean ratio from which what moves is clipped away.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.vision.compiled import compiled
from tracker.vision.video import Frame

Boxes = NDArray[np.int16]
UNIT = 16  # box values a grey level
BAND_BOXES = 10  # rows of boxes in a flicker band
SAMPLE = 8  # every so many columns of boxes are looked at for the gain, in every other row
LEVEL_S = 4.0
BLACK = 16  # grey level at which limited-range film is black; flicker scales what is above it


def box_size(height_px: int) -> int:
    """How many pixels a box is wide: small pictures hold small balls.

    >>> [box_size(h) for h in (480, 720, 1080, 2160)]
    [2, 3, 4, 4]
    """
    return int(np.clip(round(height_px / 270), 2, 4))


@compiled
def box_sums(plane: NDArray[np.uint8], width: int, box: int, out: NDArray[np.uint16]) -> None:
    """Sums over boxes of 2 to 4 pixels of a plane (height, stride) into `out` (height // box, width // box).

    Every size has loops of its own, with steps known beforehand, that run on whole registers.
    """
    rows, columns = out.shape
    stride = plane.shape[1]
    tall = np.empty(stride, np.uint16)
    for r in range(rows):
        first, second, line = plane[r * box], plane[r * box + 1], out[r]
        third, fourth = plane[r * box + min(2, box - 1)], plane[r * box + box - 1]
        if box == 2:
            for c in range(stride):
                tall[c] = np.uint16(first[c]) + np.uint16(second[c])
            for c in range(columns):
                line[c] = tall[2 * c] + tall[2 * c + 1]
        elif box == 3:
            for c in range(stride):
                tall[c] = np.uint16(first[c]) + np.uint16(second[c]) + np.uint16(third[c])
            for c in range(columns):
                line[c] = tall[3 * c] + tall[3 * c + 1] + tall[3 * c + 2]
        else:
            for c in range(stride):
                tall[c] = np.uint16(first[c]) + np.uint16(second[c]) + np.uint16(third[c]) + np.uint16(fourth[c])
            for c in range(columns):
                line[c] = tall[4 * c] + tall[4 * c + 1] + tall[4 * c + 2] + tall[4 * c + 3]


@compiled
def band_gains(sums: NDArray[np.uint16], scale: float, ground: Boxes, black: float, gain: NDArray[np.float32]) -> None:
    """Brightness of each band of rows over the background's: a mean ratio, twice clipped, into `gain` (bands,)."""
    rows, columns = sums.shape
    some = (BAND_BOXES + 1) // 2 * (columns // SAMPLE + 1)
    seen, usual = np.empty(some, np.int32), np.empty(some, np.int32)
    for b in range(len(gain)):
        top, n = min(b * BAND_BOXES, max(rows - BAND_BOXES, 0)), 0
        for r in range(top, min(top + BAND_BOXES, rows), 2):
            for c in range((r * 3 // 2) % SAMPLE, columns, SAMPLE):
                seen[n], usual[n] = sums[r, c], ground[r, c]
                n += 1
        ratio, near = 1.0, np.inf
        for _ in range(3):
            above, below, count = 0, 0, 0  # whole numbers are added up several at a time
            for i in range(n):
                now, was = scale * seen[i] - black, usual[i] - black
                close = abs(now - ratio * was) <= near * (was + 160)
                above += seen[i] if close else 0
                below += usual[i] if close else 0
                count += close
            ratio = max((scale * above - count * black) / (below - count * black + 1.0), 0.05)
            near = 0.2 if near > 1 else 0.1
        gain[b] = ratio


@compiled
def steadied(sums: NDArray[np.uint16], scale: float, gain: NDArray[np.float32], black: float, out: Boxes) -> None:
    """Box sums brought to the background's brightness, in sixteenths of a grey level, into `out`."""
    rows, columns = sums.shape
    for r in range(rows):
        at = min(max((r - (BAND_BOXES - 1) / 2) / BAND_BOXES, 0.0), len(gain) - 1.0)
        b = min(int(at), len(gain) - 2)
        g = gain[b] + (at - b) * (gain[b + 1] - gain[b])
        factor = np.int32(4096 * scale / g)
        offset = np.int32(4096 * (black - black / g))
        for c in range(columns):
            out[r, c] = np.int16((np.int32(sums[r, c]) * factor + offset) >> 12)


@compiled
def steadied_frame(
    plane: NDArray[np.uint8],
    width: int,
    box: int,
    black: float,
    memory: float,
    ground: Boxes,
    level: NDArray[np.float32],
    gain: NDArray[np.float32],
    out: Boxes,
) -> None:
    """Boxes of a frame's plane brought to the background's brightness, into `out`, and the gains that took, of bands.

    The usual gain `level` follows them.
    """
    sums, scale = np.empty(out.shape, np.uint16), UNIT / box**2
    box_sums(plane, width, box, sums)
    band_gains(sums, scale, ground, black, gain)
    for b in range(len(gain)):
        level[b] += np.float32(memory) * (gain[b] - level[b])
    steadied(sums, scale, gain, black, out)


@compiled
def learn(
    now: Boxes, before: Boxes, level: NDArray[np.float32], ground: Boxes, unrest: Boxes, start: int, step: int
) -> None:
    """Move background and restlessness of every `step`-th row a sixteenth of the way to what is seen, in place.

    `level` (bands,) is the usual gain, which the background takes over, so that neither wanders off with the other.
    """
    rows, columns = now.shape
    for r in range(start, rows, step):
        usual = np.int32(4096 * level[min(r // BAND_BOXES, len(level) - 1)])
        for c in range(columns):
            seen = (np.int32(now[r, c]) * usual) >> 12
            ground[r, c] += np.int16((seen - ground[r, c] + 8) >> 4)
            change = np.int16(abs(now[r, c] - before[r, c]))
            unrest[r, c] += np.int16((change * 4 - unrest[r, c] + 8) >> 4)


@compiled
def change_noise(now: Boxes, before: Boxes) -> float:
    """Standard deviation of a box from one frame to another, from a sample, what moves clipped away."""
    rows, columns = now.shape
    change, n = np.empty((rows // 9 + 1) * (columns // 5 + 1), np.int32), 0
    for r in range(1, rows, 9):
        for c in range(r % 5, columns, 5):
            change[n] = np.int32(now[r, c]) - np.int32(before[r, c])
            n += 1
    near, sd = 1_000_000, 0.0
    for _ in range(4):
        total, count = 0, 1
        for i in range(n):
            close = abs(change[i]) <= near
            total += change[i] * change[i] if close else 0
            count += close
        sd = np.sqrt(total / count)
        near = int(3 * sd + 1)
    return sd


@compiled
def moved(now: Boxes, before: Boxes, least: int) -> int:
    """How many boxes of a sample change by more than `least` from one frame to another."""
    rows, columns = now.shape
    count = 0
    for r in range(1, rows, 3):
        for c in range(columns):
            count += int(abs(np.int32(now[r, c]) - np.int32(before[r, c])) > least)
    return count


@dataclass(eq=False)
class Ground:
    """The still picture behind everything, learnt as the film goes on.

    ground   (rows, columns)  slow mean of each box
    unrest   (rows, columns)  four times the slow mean of how much a box changes from one frame to another
    level    (bands,)  slow mean of the gain of each band of rows, over LEVEL_S; memory: share that a frame adds to it
    """

    box: int
    black: float
    step: int
    ground: Boxes
    unrest: Boxes
    level: NDArray[np.float32]
    memory: float
    frames: int = 0

    @classmethod
    def begin(cls, frame: Frame, fps: float, black: float) -> "Ground":
        """From a film's first frame."""
        box = box_size(frame.plane.shape[0])
        sums = _sums(frame, box)
        ground = (sums.astype(np.float32) * (UNIT / box**2)).astype(np.int16)
        step, level = int(np.clip(round(fps / 30), 1, 8)), np.ones(_bands(ground), np.float32)
        return cls(box, black * UNIT, step, ground, np.zeros_like(ground), level, 1 / max(LEVEL_S * fps, 1.0))

    def steady(self, frame: Frame) -> tuple[Boxes, NDArray[np.float32]]:
        """The frame as boxes with flicker taken out, and the gain of each band of rows that was."""
        gain, boxes = np.empty(len(self.level), np.float32), np.empty(self.ground.shape, np.int16)
        shape = frame.width, self.box, self.black, self.memory
        steadied_frame(frame.plane, *shape, self.ground, self.level, gain, boxes)
        return boxes, gain

    def learn(self, now: Boxes, before: Boxes) -> None:
        """Let background and restlessness follow what is seen, some rows a frame."""
        learn(now, before, self.level, self.ground, self.unrest, self.frames % self.step, self.step)
        self.frames += 1


def _bands(boxes: NDArray[Any]) -> int:
    return max(2, -(-int(boxes.shape[0]) // BAND_BOXES))


def _sums(frame: Frame, box: int) -> NDArray[np.uint16]:
    sums = np.empty((frame.plane.shape[0] // box, frame.width // box), np.uint16)
    box_sums(frame.plane, frame.width, box, sums)
    return sums
