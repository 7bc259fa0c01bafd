"""Looks: the small patches around sightings, with what was behind the ball and how noisy it is, for measuring again.

What was behind is taken from frames a little earlier and later, in which the ball is elsewhere, each brought to this
frame's brightness; where they disagree (a bat swinging through) the patch counts for less.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, hypot
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from tracker.records import Floats
from tracker.vision.background import BAND_BOXES, UNIT, Boxes, Ground
from tracker.vision.compiled import compiled
from tracker.vision.order import nth, usual
from tracker.vision.tint import mixed_patch
from tracker.vision.video import Frame

Patch = NDArray[np.float32]
MARGIN = 5.0  # px kept around the ball
EACH_SIDE = 4  # frames before and after that show what is behind
MIN_SD = 0.4  # grey levels: below this film is quantised, not quiet


@dataclass(frozen=True, eq=False)
class Look:
    """A patch of one frame.

    corner     (x, y) of its top left pixel
    patch      (h, w) as filmed
    behind16   (h, w) sixteenths of a grey level: the same place without the ball
    spread16   (h, w) sixteenths of a grey level: sd of the difference between the two where there is no ball
    weight     of redness in all of them
    """

    corner: tuple[int, int]
    patch: NDArray[np.uint8]
    behind16: NDArray[np.uint16]
    spread16: NDArray[np.uint16]
    weight: int = 0

    def behind(self) -> Patch:
        """What was behind the ball, grey levels."""
        behind: Patch = self.behind16.astype(np.float32) / np.float32(16)
        return behind

    def variance(self) -> Patch:
        """Squared sd of patch minus behind where there is no ball."""
        spread: Patch = self.spread16.astype(np.float32) / np.float32(16)
        return spread * spread


@dataclass(frozen=True, eq=False)
class Cut:
    """What a look is made of: patches (k + 1, h, w), the frame's own last, and what the others are scaled by."""

    corner: tuple[int, int]
    stack: NDArray[np.uint8]
    ratio: Floats
    black: float
    weight: int

    def look(self) -> Look:
        """The patch and what is behind."""
        behind16, spread16 = blend(self.stack[:-1], self.ratio, self.black)
        return Look(self.corner, self.stack[-1].copy(), behind16, spread16, self.weight)


@compiled
def blend(
    stack: NDArray[np.uint8], ratio: NDArray[np.float64], black: float
) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """What is behind, and the sd of a patch against it, from k patches without the ball (k, h, w), in sixteenths.

    Each patch is brought to the frame's brightness: black + ratio x (value - black). The middle of the k values is
    averaged (the outer quarters are left out); the sd has the patches' common noise and, added, how far the k disagree
    at a pixel beyond that.
    """
    k, h, w = stack.shape
    pixels, cut = h * w, k // 4
    values = _rising(stack, ratio, black)
    behind, spread = np.zeros(pixels, np.float32), np.zeros(pixels, np.float32)
    for m in range(cut, k - cut):
        for i in range(pixels):
            behind[i] += values[m, i]
    for i in range(pixels):
        behind[i] /= np.float32(k - 2 * cut)
    for m in range(k):
        for i in range(pixels):
            spread[i] += (values[m, i] - behind[i]) ** 2
    for i in range(pixels):
        spread[i] /= np.float32(max(k - 1, 1))
    common = np.float32(max(_typical(spread, k), MIN_SD**2))
    share = common * np.float32(1 + 1.1 / (k - 2 * cut))
    behind16, spread16 = np.empty(pixels, np.uint16), np.empty(pixels, np.uint16)
    for i in range(pixels):
        more = spread[i] - 3 * common if spread[i] > 4 * common else np.float32(0.0)
        behind16[i] = np.uint16(min(max(16 * behind[i] + np.float32(0.5), np.float32(0.0)), np.float32(65535.0)))
        spread16[i] = np.uint16(16 * np.sqrt(share + 2 * more) + np.float32(0.5))
    return behind16.reshape(h, w), spread16.reshape(h, w)


@compiled
def _rising(stack: NDArray[np.uint8], ratio: NDArray[np.float64], black: float) -> Patch:
    """The patches (k, h, w) brought to one brightness and sorted pixel by pixel, all pixels at once: (k, h x w)."""
    k, h, w = stack.shape
    values = np.empty((k, h * w), np.float32)
    for m in range(k):
        patch, share = stack[m].reshape(-1), np.float32(ratio[m])
        offset = np.float32(black - black * ratio[m])
        for i in range(h * w):
            values[m, i] = offset + share * np.float32(patch[i])
    for last in range(k - 1, 0, -1):
        for m in range(last):
            for i in range(h * w):
                a, b = values[m, i], values[m + 1, i]
                values[m, i], values[m + 1, i] = min(a, b), max(a, b)
    return values


@compiled
def _typical(spread: Patch, k: int) -> float:
    """The common variance behind estimates (n,) from k values each: their median, as that of a chi-squared."""
    return float(usual(spread)) / (1 - 2 / (9.0 * max(k - 1, 1))) ** 3


@dataclass(eq=False, slots=True)
class Shot:
    """A frame on its way through: the full picture, its boxes, the same with redness mixed in, bands' flicker gain.

    step     counts frames as read, so that a dropped frame leaves no hole
    taken_s  the frame's stamp, brought to the even grid under the film's stamps where there is one
    """

    step: int
    taken_s: float
    frame: Frame
    boxes: Boxes
    mixed: Boxes
    gain: Sequence[float]

    def gain_at(self, band: int, share: float) -> float:
        """Brightness over the background's, so far between a band of rows and the next."""
        here = self.gain[band]
        return here + share * (self.gain[band + 1] - here)


Shots = Sequence[Shot]
stamp_of = attrgetter("frame.stamp_s")


def cut_at(
    centre_px: Floats,
    velocity_px_s: Floats,
    size_px: float,
    streak_px: Floats,
    now: Shot,
    others: Shots,
    ground: Ground,
    reach_px: float = 0.0,
    weight: int = 0,
) -> Cut | None:
    """The patch about a ball, `reach_px` wider than it needs, and as much of frames with the ball elsewhere.

    None where it lies outside the picture or no frame shows the place without the ball.
    """
    frame = now.frame
    (x, y), (along_x, along_y) = centre_px.tolist(), streak_px.tolist()
    reach = 0.65 * size_px + MARGIN + reach_px
    left, right = _span(x, reach + 0.5 * abs(along_x), frame.width)
    top, bottom = _span(y, reach + 0.5 * abs(along_y), len(frame.plane))
    if right - left < 6 or bottom - top < 6:
        return None
    clear_s = (1.1 * size_px + hypot(along_x, along_y) + 4.0) / max(hypot(*velocity_px_s.tolist()), 1.0)
    chosen = _without_ball(now, others, clear_s)
    if not chosen:
        return None
    place = min(max((y / ground.box - (BAND_BOXES - 1) / 2) / BAND_BOXES, 0.0), len(now.gain) - 1.001)
    band, share = int(place), place % 1.0
    own = now.gain_at(band, share)
    ratio = np.array([own / shot.gain_at(band, share) for shot in chosen])
    weight = weight if frame.redness is not None else 0
    stack = np.empty((len(chosen) + 1, bottom - top, right - left), np.uint8)
    for patch, shot in zip(stack, (*chosen, now), strict=True):
        _cut(shot.frame, (left, top), weight, patch)
    return Cut((left, top), stack, ratio, ground.black / UNIT, weight)


def _span(centre: float, reach: float, size: int) -> tuple[int, int]:
    """First pixel and one past the last of so far about a place, within the picture."""
    return max(0, floor(centre - reach)), min(size, ceil(centre + reach) + 1)


def _cut(frame: Frame, corner: tuple[int, int], weight: int, out: NDArray[np.uint8]) -> None:
    """What is looked at of a frame from its corner (x, y) on, into `out` (h, w)."""
    if weight and frame.redness is not None:
        mixed_patch(frame.plane, frame.redness, corner, weight, out)
    else:
        (x, y), (high, wide) = corner, out.shape
        out[:] = frame.plane[y : y + high, x : x + wide]


def middle_height(look: Look, centre_px: Floats, size_px: float) -> float:
    """By how many grey levels the middle of a ball stands out, signed: the median over its inner half."""
    x, y = centre_px.tolist()
    at = x - look.corner[0], y - look.corner[1]
    return middle16(look.patch, look.behind16, at, 0.35 * size_px + 0.5) / 16.0


@compiled
def middle16(patch: NDArray[np.uint8], behind16: NDArray[np.uint16], at: tuple[float, float], reach: float) -> float:
    """The median of patch minus behind nearer than `reach` to a place (x, y), in sixteenths; 0 where there is none."""
    heights, n = np.empty(patch.size, np.int32), 0
    for i in range(max(int(at[1] - reach), 0), min(int(at[1] + reach) + 2, patch.shape[0])):
        for j in range(max(int(at[0] - reach), 0), min(int(at[0] + reach) + 2, patch.shape[1])):
            if (j - at[0]) ** 2 + (i - at[1]) ** 2 < reach * reach:
                heights[n] = 16 * np.int32(patch[i, j]) - np.int32(behind16[i, j])
                n += 1
    if n == 0:
        return 0.0
    upper = nth(heights[:n], n // 2)
    lower = heights[0] if n > 1 else upper
    for i in range(n // 2):
        lower = max(lower, heights[i])
    lower = upper if n % 2 else lower
    return float(lower + upper) / 2


def _without_ball(now: Shot, others: Shots, clear_s: float) -> list[Shot]:
    """Up to EACH_SIDE of the nearest earlier and later frames at least `clear_s` away, the farthest if none is."""
    t = now.frame.stamp_s
    past = bisect_right(others, t - clear_s, key=stamp_of)
    future = bisect_left(others, t + clear_s, key=stamp_of)
    earlier, later = list(others[max(past - EACH_SIDE, 0) : past]), list(others[future : future + EACH_SIDE])
    if not earlier and not later:
        ends = [s for s in (others[0], others[-1]) if s.step != now.step]
        return [max(ends, key=lambda s: abs(s.frame.stamp_s - t))] if ends else []
    return earlier + later
