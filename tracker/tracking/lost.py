"""Frames that a film lost without its stamps showing it, as recorders do that write an even rate over what they got.

After each such frame the film's times are one period early, so that its clock runs fast in jumps. A ball in flight
seems to leap there: the path before and the path after are one only if whole frames lie between them. That mends a
flight. What was lost between flights shows as an offset of each flight's own.
"""

from dataclasses import replace

import numpy as np

from calibration.rig import Rig
from tracker.records import Ball, Floats, Ints, Sightings
from tracker.settings import TrackingSettings
from tracker.tracking.follow import Followed
from tracker.tracking.sync import candidates, cast_votes, support_of, tried

ENDS = 8  # sightings of a chain's end that are held against another's beginning
LEAST = 6
LONGER = 0.6  # of a step: a frame lost makes it one longer
MOST_LOST = 3  # frames in a row
FASTEST_APART = 4  # frames between a chain's end and the next one's beginning
LEAST_STEP_PX = 3.0  # a frame: slower balls leap too little to tell
ON_PATH_PX, CLEARLY = 0.8, 3.0  # rms about a common path, and how much worse without the lost frames
PASSAGES = 60  # offsets that are tried
APART_S = 0.5  # between flights
SUPPORT = 8.0  # sightings that a ball must have in the view that saw less of it


def leaps(sightings: Sightings, frame_s: float) -> tuple[Ints, Ints]:
    """Frames (n,) before which a view's film lost some, rising, and how many (n,) each time."""
    order = np.lexsort((sightings.frame, sightings.chain))
    chains = [c for c in np.split(order, np.flatnonzero(np.diff(sightings.chain[order])) + 1) if len(c) >= LEAST]
    chains.sort(key=lambda c: int(sightings.frame[c[0]]))
    first = np.array([sightings.frame[c[0]] for c in chains], np.int64)
    lost = dict[int, int]()
    for chain in chains:
        for i in _long_steps(sightings, chain):
            count = _between(sightings, chain[max(i - ENDS, 0) : i], chain[i : i + ENDS], frame_s)
            if count:
                lost[int(sightings.frame[chain[i]])] = count
    for before in chains:
        last = int(sightings.frame[before[-1]])
        for k in range(*np.searchsorted(first, (last + 1, last + FASTEST_APART + 1))):
            count = _between(sightings, before[-ENDS:], chains[k][:ENDS], frame_s)
            if count:
                lost[int(first[k])] = count
    frames = np.array(sorted(lost), np.int64)
    return frames, np.array([lost[int(frame)] for frame in frames], np.int64)


def _long_steps(sightings: Sightings, chain: Ints) -> Ints:
    """Places in a chain (k,) whose step from the one before is longer than those about it, LEAST on either side."""
    from scipy.signal import medfilt  # 40 MB, for films that lost frames only

    frames = np.diff(sightings.frame[chain])
    step = np.hypot(*np.diff(sightings.centre_px[chain], axis=0).T) / np.maximum(frames, 1)
    usual = medfilt(step, min(ENDS + 1, (len(step) - 1) | 1))
    long = np.flatnonzero(step * np.maximum(frames, 1) > usual * (frames + LONGER)) + 1
    inner: Ints = long[(long >= LEAST) & (long <= len(chain) - LEAST)]
    return inner


def _between(sightings: Sightings, before: Ints, after: Ints, frame_s: float) -> int:
    """How many frames were lost between two pieces of one path; 0 where none were, or they are not of one path."""
    px = sightings.centre_px[np.concatenate([before, after])]
    step = np.hypot(*np.median(np.diff(sightings.centre_px[before], axis=0), axis=0))
    if step < LEAST_STEP_PX:
        return 0
    misses = []
    for count in range(MOST_LOST + 1):
        t = np.concatenate([sightings.time_s[before], sightings.time_s[after] + count * frame_s])
        t = (t - t.mean()) / frame_s
        design = np.vander(t, 3)
        misses.append(float(np.sqrt(np.mean((px - design @ np.linalg.lstsq(design, px, rcond=None)[0]) ** 2))))
    best = int(np.argmin(misses))
    return best if misses[best] < ON_PATH_PX and misses[0] > CLEARLY * misses[best] else 0


def retimed(sightings: Sightings, frame_s: float) -> Sightings:
    """The view's sightings with the frames put back that leaps of balls show."""
    frames, counts = leaps(sightings, frame_s)
    lost = np.concatenate([[0], np.cumsum(counts)])
    late = lost[np.searchsorted(frames, sightings.frame, side="right")]
    return _later(sightings, late * frame_s)


def by_passages(
    left: Sightings, right: Sightings, rig: Rig, ball: Ball, settings: TrackingSettings
) -> Sightings | None:
    """The right view's sightings at times that suit each flight; None where no flight tells."""
    found = list[Followed]()
    for offset_s, places, _ in candidates(cast_votes(left, right, rig, settings, ball), PASSAGES):
        found += tried(left, right, rig, ball, settings, offset_s, places)
    kept = list[Followed]()
    for one in sorted(found, key=support_of, reverse=True):
        if support_of(one) < SUPPORT:
            break
        apart = [max(one.track.time_s[0] - k.track.time_s[-1], k.track.time_s[0] - one.track.time_s[-1]) for k in kept]
        if all(gap > APART_S for gap in apart):
            kept.append(one)
    if not kept:
        return None
    # on the right film's own clock: each flight's time less what was added to it
    when = np.array([float(np.median(one.track.time_s)) - one.offset_s for one in kept])
    offset = np.array([one.offset_s for one in kept])
    order = np.argsort(when)
    middle: Floats = (when[order][1:] + when[order][:-1]) / 2
    return _later(right, offset[order][np.searchsorted(middle, right.time_s)])


def _later(sightings: Sightings, by_s: Floats) -> Sightings:
    return replace(sightings, time_s=sightings.time_s + by_s)
