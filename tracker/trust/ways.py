"""When no ball is found: whether the films are exchanged, mirrored or turned.

Every way of reading the two films is tried on what was seen: the chains of each view must meet those of the other at
their own times. The way that meets best, and by how much the given one misses, is the answer.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from calibration.rig import Rig
from calibration.triangulate import epipolar_miss_px
from tracker.records import Floats, Ints, Sightings

LEAST_CHAIN, LEAST_TRAVEL_PX = 8, 40.0
MOST_CHAINS = 150  # a view; the longest
BEST_SHARE = 0.2  # of the left chains: those that meet something best
GOOD_PX = 3.0  # a way of reading is believed when its chains meet this well
WORSE = 4.0  # and the given way is that much worse


@dataclass(frozen=True, eq=False)
class Reading:
    """A way of reading the films, in words, and how well its chains meet, pixels (infinite: nothing to tell by)."""

    words: str
    miss_px: float


def readings(left: Sightings, right: Sightings, rig: Rig) -> list[Reading]:
    """Every way, as given first."""
    return [Reading(words, chain_miss_px(a, b, rig)) for words, a, b in _ways(left, right, rig)]


def better_reading(left: Sightings, right: Sightings, rig: Rig) -> tuple[Reading, Reading] | None:
    """The given reading and a much better one; None where there is none."""
    ways = readings(left, right, rig)
    best = min(ways[1:], key=lambda way: way.miss_px)
    if best.miss_px < GOOD_PX and best.miss_px * WORSE < ways[0].miss_px:
        return ways[0], best
    return None


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
    ours, theirs = ([_steady(seen, rows) for rows in chains(seen)] for seen in (left, right))
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


def _steady(seen: Sightings, rows: Ints) -> tuple[Floats, Floats]:
    return seen.time_s[rows], seen.centre_px[rows]


def chains(seen: Sightings) -> list[Ints]:
    """Rows, in order of time, of the chains that are long and move; the longest first, MOST_CHAINS at most."""
    order = np.lexsort((seen.time_s, seen.chain))
    cuts = np.flatnonzero(np.diff(seen.chain[order])) + 1
    out = []
    for rows in np.split(order, cuts):
        _, first = np.unique(seen.time_s[rows], return_index=True)
        kept = rows[first]
        if len(kept) >= LEAST_CHAIN and np.linalg.norm(np.ptp(seen.centre_px[kept], axis=0)) > LEAST_TRAVEL_PX:
            out.append(kept)
    return sorted(out, key=lambda c: -len(c))[:MOST_CHAINS]
