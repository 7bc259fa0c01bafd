"""Which passages of a film must be read, told by its key frames alone: those with somebody where balls are let go.

A key frame decodes without its neighbours, and comes once or twice a second. A bowler is near the bowling crease for
longer than that, before and after he lets go. So where no key frame shows a change there, nobody bowled; with a
margin, the rest is read in full. Balls from a machine, or thrown from elsewhere, do not show in this way.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from tracker.records import Floats
from tracker.vision.background import UNIT, Boxes, Ground, box_size, change_noise
from tracker.vision.packets import Passages
from tracker.vision.video import Film

FASTEST_MPS, STOPS_M = 7.0, 10.0  # a bowler at the crease, and where he stands still; common practice, no source
AFTER_S = 2.0  # read after the last key frame that shows somebody, and at the film's two ends
ASIDE_M, BEFORE_M, BEHIND_M, TALL_M = 1.8, 8.0, 1.5, 2.3  # the place looked at, about the middle of the bowling crease
SEEN_SHARE = 0.5  # of a cross-section of that place must be in the picture for a bowler to be seen there
LEAST_WAY_M = 3.0  # of the place, along the lane, that must be seen
PERSON_M = 0.5, 1.7
PERSON_SHARE = 0.12  # of a person's picture that changes where one moves
LEAST_CHANGE, NOISES = 3.0, 5.0  # grey levels, and sds of a box, that are a change


@dataclass(frozen=True, eq=False)
class Place:
    """Where balls are let go, as a camera sees it.

    boxes (rows, columns) that show it; person: one's size there, in boxes; stay_s: how long a bowler is there at least
    """

    boxes: NDArray[np.bool_]
    person: float
    stay_s: float


def release_place(camera: Camera, pitch_length_m: float) -> Place | None:
    """The neighbourhood of the bowling crease in a camera's picture; None where it does not see enough of it."""
    along = np.linspace(pitch_length_m - BEFORE_M, pitch_length_m + BEHIND_M, 20)
    across, up = np.linspace(-ASIDE_M, ASIDE_M, 5), np.linspace(0, TALL_M, 5)
    grid = np.array([(x, y, z) for y in along for x in across for z in up])
    sees = camera.sees(grid).reshape(len(along), -1)
    shown, step_m = sees.mean(axis=1) >= SEEN_SHARE, float(along[1] - along[0])
    if shown.sum() * step_m < LEAST_WAY_M:
        return None
    pace_mps = FASTEST_MPS * np.sqrt(1 - np.maximum(pitch_length_m - along, 0.0) / STOPS_M)  # he slows evenly
    stay_s = float((step_m / pace_mps)[shown].sum())
    seen = grid[sees.ravel()]
    width, height = camera.lens.image_size_px
    box = box_size(height)
    hull = cv2.convexHull(np.rint(camera.project(seen) / box).astype(np.int32))
    mask = np.zeros((height // box, width // box), np.uint8)
    cv2.fillConvexPoly(mask, hull, 1)
    _, slope = camera.project_with_slope(np.array([[0.0, pitch_length_m - 2.0, 1.0]]))
    px_per_m2 = float((slope**2).sum() / 2)
    return Place(mask > 0, PERSON_M[0] * PERSON_M[1] * px_per_m2 / box**2, stay_s)


def busy(film: Film, place: Place, black_level: float) -> Floats | None:
    """Spans (n, 2), in stamps, in which somebody moved at the place; None where that cannot be told.

    Each goes from the key frame before the two that differ, in case the first of him was too faint for a change, to
    AFTER_S behind them. Changes of light are taken out first.
    """
    stamps, moved = list[float](), list[bool]()
    ground: Ground | None = None
    last: Boxes | None = None
    for frame in film.key_frames():
        ground = ground or Ground.begin(frame, 30.0, black_level)
        boxes = ground.steady(frame)[0]
        if last is not None:
            moved.append(_change(last, boxes, place) > PERSON_SHARE * place.person)
            ground.learn(boxes, last)
        last = boxes
        stamps.append(frame.stamp_s)
    end_s = float(film.stamps()[-1]) if len(stamps) else 0.0
    if len(stamps) < 2 or max(np.diff(stamps).max(), end_s - stamps[-1]) > place.stay_s:
        return None
    pairs = np.flatnonzero(moved)
    keys: Floats = np.array(stamps)
    return np.column_stack([keys[np.maximum(pairs - 1, 0)], keys[pairs + 1] + AFTER_S])


def _change(before: Boxes, now: Boxes, place: Place) -> int:
    """Boxes of the place that changed from one key frame to another."""
    rows, columns = min(len(now), len(place.boxes)), min(now.shape[1], place.boxes.shape[1])
    least = max(LEAST_CHANGE * UNIT, NOISES * change_noise(now, before))
    change = np.abs(now[:rows, :columns].astype(np.int32) - before[:rows, :columns]) > least
    return int((change & place.boxes[:rows, :columns]).sum())


def passages(spans_s: Floats, end_s: float) -> Passages:
    """What to read, in order and apart: the busy spans (n, 2), and the film's two ends."""
    found = list[tuple[float, float]]()
    for start, end in sorted([(-AFTER_S, AFTER_S), *map(tuple, spans_s.tolist()), (end_s - AFTER_S, end_s + AFTER_S)]):
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end)
        else:
            found.append((start, end))
    return found
