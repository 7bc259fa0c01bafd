"""When no ball is found: whether the films are exchanged, mirrored or turned.

Every way of reading the two films is tried on what was seen: the chains of each view must meet those of the other at
their own times and fall freely, downward, inside the hall. Rays alone are not enough: on a pair that stands
symmetrically behind the bowler they meet within a pixel or two whichever way the films are read.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from calibration.lane import STANDARD_GRAVITY_MPS2
from calibration.rig import Rig
from calibration.triangulate import epipolar_miss_px
from tracker.records import Floats, Ints, Sightings
from tracker.trust.chains import LEAST_CHAIN, chains
from tracker.trust.timebase import falls

BEST_SHARE = 0.2  # of the left chains: those that meet something best
GOOD_PX = 3.0  # a way of reading is believed when its chains meet this well
LEAST_FALLS = 3  # and so many pieces of them fall freely
OWN_WEIGHT = 0.5, 1.7  # over gravity: what pulls a ball down, lift and topspin with it
MORE = 4  # times as many as the given way has
ALIKE = 0.6  # share of the most falls from which on a way is as good


@dataclass(frozen=True, eq=False)
class Reading:
    """A way of reading the films, in words: how well its chains meet (pixels; inf: nothing to tell by), free falls."""

    words: str
    miss_px: float
    falls: int


def readings(left: Sightings, right: Sightings, rig: Rig, radius_m: float) -> list[Reading]:
    """Every way, as given first. In others what falls must fall as balls do: limbs of walkers may meet by chance."""
    out = list[Reading]()
    for words, a, b in _ways(left, right, rig):
        least, most = OWN_WEIGHT if out else (0.0, np.inf)
        fall = [one.gravity_mps2 / STANDARD_GRAVITY_MPS2 for one in falls(a, b, rig, radius_m)]
        out.append(Reading(words, chain_miss_px(a, b, rig), sum(least < share < most for share in fall)))
    return out


def better_reading(left: Sightings, right: Sightings, rig: Rig, radius_m: float) -> tuple[Reading, Reading] | None:
    """The given reading and a much better one (its words name any other as good); None where there is none."""
    given, *others = readings(left, right, rig, radius_m)
    most = max(way.falls for way in others)
    if most < LEAST_FALLS or most < MORE * given.falls:
        return None
    good = [way for way in others if way.falls >= ALIKE * most and way.miss_px < GOOD_PX]
    if not good:
        return None
    best = min(good, key=lambda way: way.miss_px)
    also = [way.words for way in good if way is not best]
    words = f"{best.words} (or {' or '.join(also)})" if also else best.words
    return given, replace(best, words=words)


def _ways(left: Sightings, right: Sightings, rig: Rig) -> Iterator[tuple[str, Sightings, Sightings]]:
    (wl, hl), (wr, hr) = (camera.lens.image_size_px for camera in rig.cameras)
    yield "as given", left, right
    if (wl, hl) == (wr, hr):
        yield "with left and right exchanged", right, left
    yield "with the left film mirrored", _flipped(left, wl, None), right
    yield "with the right film mirrored", left, _flipped(right, wr, None)
    yield "with both films mirrored", _flipped(left, wl, None), _flipped(right, wr, None)
    yield "with the left film turned by 180 degrees", _flipped(left, wl, hl), right
    yield "with the right film turned by 180 degrees", left, _flipped(right, wr, hr)
    yield "with both films turned by 180 degrees", _flipped(left, wl, hl), _flipped(right, wr, hr)


def _flipped(seen: Sightings, width: int, height: int | None) -> Sightings:
    """Columns reversed, and rows too where a height is given."""
    px = seen.centre_px.copy()
    px[:, 0] = width - 1 - px[:, 0]
    if height is not None:
        px[:, 1] = height - 1 - px[:, 1]
    return replace(seen, centre_px=px)


def chain_miss_px(left: Sightings, right: Sightings, rig: Rig) -> float:
    """How well the views' chains meet: for the left chains that meet some right chain best, the rms miss, median."""
    ours, theirs = ([_path(seen, rows) for rows in chains(seen)] for seen in (left, right))
    best = []
    for time_s, px in ours:
        misses = []
        for other_s, other_px in theirs:
            inside = (time_s >= other_s[0]) & (time_s <= other_s[-1])
            if inside.sum() < LEAST_CHAIN:
                continue
            at = np.column_stack([np.interp(time_s[inside], other_s, c) for c in other_px.T])
            miss = epipolar_miss_px(rig.left, rig.right, px[inside], at)
            if np.isfinite(miss).mean() > 0.8:
                misses.append(float(np.sqrt(np.nanmean(miss**2))))
        if misses:
            best.append(min(misses))
    if len(best) < 3:
        return float("inf")
    return float(np.median(np.sort(best)[: max(3, int(BEST_SHARE * len(best)))]))


def _path(seen: Sightings, rows: Ints) -> tuple[Floats, Floats]:
    return seen.time_s[rows], seen.centre_px[rows]
