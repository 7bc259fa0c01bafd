"""Bringing two clocks together by what moves: how much must be added to the right view's times.

Coarse: every fast piece of chain of one view is held against those of the other, up to ten seconds apart; where the two
meet on the epipolar lines, with velocities that belong together, they vote for an offset. The offsets with most votes
are tried by following balls there. Fine: the filter carries the offset in its state, so every ball followed tells it,
with its sd; they are averaged over the clip, with a drift where the balls show one.

The sign is that of rig.toml's time_offset_s: right minus left, added to the right view's times.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Floats
from calibration.rig import Rig
from tracker.records import Ball, Ints, Sightings
from tracker.settings import TrackingSettings
from tracker.tracking.follow import Followed, follow_with_offsets
from tracker.tracking.match import Pieces, cut_pieces, fundamental, join_pieces
from tracker.tracking.views import View, make_views

LONGEST_S = 10.0  # films started further apart are not brought together
_MOST_PIECES = 1500  # the fastest, in each view
_BIN_S = 0.02  # votes this close are for one offset
_CANDIDATES = 10
_CHI2_1_DOF = 12.1  # 0.9995 of chi-squared with 1 degree of freedom
_SLOWEST_MPS, _FASTEST_MPS, _FAR_M = 6.0, 55.0, 4.0  # what is believed to be a ball
_CLEAR = 0.5  # a candidate with fewer votes than this share of the best one's is not tried once a ball is found
_LOOKS, _LOOK_S = 4, 0.8  # a candidate is tried at so many places, each so long before and after
_COARSE_SD_S = 0.01
_COARSE_NOISE_PX = 0.4  # what sightings are off by, each axis, while the clocks are
_DRIFT_SD_PPM = 150.0  # quartz clocks differ by tens of parts in a million, phones by up to two hundred
_SPANS_S = (30.0, 100.0, 300.0, np.inf)  # the drift is followed outward from where the offset was found
_LEAST_BALLS, _DRIFT_SIGMAS = 4, 4.0


@dataclass(frozen=True, eq=False)
class Offset:
    """What is added to the right view's times: right_minus_left_s + drift_ppm 1e-6 x time.

    sd_s     of the offset at told_s, the middle of the balls that told it; ten seconds where nothing told it
    balls    how many balls told it
    """

    right_minus_left_s: float
    sd_s: float
    drift_ppm: float = 0.0
    drift_ppm_sd: float = 0.0
    balls: int = 0
    told_s: float = 0.0

    def at(self, time_s: Floats) -> Floats:
        """The offset at right times (n,)."""
        return np.asarray(self.right_minus_left_s + self.drift_ppm * 1e-6 * time_s, float)


UNKNOWN = Offset(0.0, LONGEST_S)


def estimate_offset(
    left: Sightings, right: Sightings, rig: Rig, settings: TrackingSettings, ball: Ball | None = None
) -> Offset:
    """The offset between the views' clocks, searched up to ten seconds either way.

    Returns an offset of 0 with an sd of ten seconds where no ball was found in both views.
    """
    ball = ball or Ball()
    settings = replace(settings, view_noise_px=max(settings.view_noise_px, _COARSE_NOISE_PX))
    votes = cast_votes(left, right, rig, settings, ball)
    best: tuple[float, float, list[Followed]] = (0.0, 0.0, [])
    for offset_s, places, share in candidates(votes):
        if best[2] and share < _CLEAR:
            break
        found = tried(left, right, rig, ball, settings, offset_s, places)
        support = sum(support_of(one) for one in found)
        if support > best[0]:
            best = support, offset_s, found
    if not best[2]:
        return UNKNOWN
    return _refined(left, right, rig, ball, settings, _line(best[1], best[2]), _middle_s(best[2]))


@dataclass(frozen=True, eq=False)
class Votes:
    """Offsets (n,) that pairs of pieces vote for, and when in the left view (n,)."""

    offset_s: Floats
    left_time_s: Floats


def cast_votes(left: Sightings, right: Sightings, rig: Rig, settings: TrackingSettings, ball: Ball) -> Votes:
    """Hold the fastest pieces of both views against each other."""
    views = make_views(left, right, rig, ball.radius_m)
    width_s = max(settings.window_s, 5 * max(v.period_s for v in views))
    step_s = width_s / 2
    pieces = [_fastest(cut_pieces(view, width_s, step_s)) for view in views]
    offset, when = [np.empty(0)], [np.empty(0)]
    for i, j in _pairs(pieces[0], pieces[1], LONGEST_S / step_s):
        i, j, shift_s = _meeting(views, pieces, i, j, step_s)
        shifted = replace(pieces[1], point=pieces[1].point.copy())
        moved = Pieces(shifted.tick[j], shifted.rows[j], shifted.chain[j], shifted.point[j], shifted.cov[j])
        moved.point[:, :2] += moved.point[:, 2:] * shift_s[:, None]
        state, chi2 = join_pieces(views, pieces[0], moved, i, np.arange(len(j)), 0.0)
        speed = np.linalg.norm(state[:, 3:], axis=1)
        with np.errstate(invalid="ignore"):
            good = (chi2 < _CHI2_1_DOF) & (speed > _SLOWEST_MPS) & (speed < _FASTEST_MPS) & (state[:, 2] > -0.5)
        offset.append((pieces[0].tick[i] - pieces[1].tick[j])[good] * step_s - shift_s[good])
        when.append(pieces[0].tick[i][good] * step_s)
    return Votes(np.concatenate(offset), np.concatenate(when))


def _fastest(pieces: Pieces) -> Pieces:
    """The fastest pieces of a view."""
    keep = np.argsort(-np.linalg.norm(pieces.point[:, 2:], axis=1))[:_MOST_PIECES]
    return Pieces(pieces.tick[keep], pieces.rows[keep], pieces.chain[keep], pieces.point[keep], pieces.cov[keep])


def _pairs(left: Pieces, right: Pieces, most_ticks: float, block: int = 100) -> Iterator[tuple[Ints, Ints]]:
    """All pairs of pieces at most so many grid steps apart, in blocks."""
    for start in range(0, len(left.tick), block):
        near = np.abs(left.tick[start : start + block, None] - right.tick[None]) <= most_ticks
        i, j = np.nonzero(near)
        yield i + start, j


def _meeting(
    views: tuple[View, View], pieces: list[Pieces], i: Ints, j: Ints, step_s: float
) -> tuple[Ints, Ints, Floats]:
    """Those pairs that meet on their epipolar lines within half a grid step and a bit, and by when (n,) they do."""
    F = fundamental(views[0].eye.P, views[1].eye.P)
    a = np.column_stack([pieces[0].point[:, :2], np.ones(len(pieces[0].tick))]) @ F.T
    b, rate = pieces[1].point[:, :2], pieces[1].point[:, 2:]
    line = a[i] / np.linalg.norm(a[i, :2], axis=1, keepdims=True)
    miss_px = np.einsum("ni,ni->n", line[:, :2], b[j]) + line[:, 2]
    closing = np.einsum("ni,ni->n", line[:, :2], rate[j])
    shift_s = np.clip(-miss_px / np.where(np.abs(closing) > 1.0, closing, np.inf), -step_s * 0.6, step_s * 0.6)
    near = np.abs(miss_px + closing * shift_s) < 6.0
    return i[near], j[near], shift_s[near]


def candidates(votes: Votes, most: int = _CANDIDATES) -> list[tuple[float, Floats, float]]:
    """Offsets with most votes, the left view's times (k,) where their voters are thickest, votes over the most."""
    order = np.argsort(votes.offset_s)
    offset, when = votes.offset_s[order], votes.left_time_s[order]
    low = np.searchsorted(offset, offset - _BIN_S / 2)
    high = np.searchsorted(offset, offset + _BIN_S / 2, side="right")
    count = (high - low).astype(float)
    highest = count.max(initial=1.0)
    out: list[tuple[float, Floats, float]] = []
    while len(out) < most and count.max(initial=0.0) > 0:
        k = int(np.argmax(count))
        middle = float(np.median(offset[low[k] : high[k]]))
        out.append((middle, _thickest(when[low[k] : high[k]]), float(count[k] / highest)))
        count[np.abs(offset - middle) < _BIN_S] = 0
    return out


def _thickest(when: Floats) -> Floats:
    """The few times around which most of `when` lie."""
    places: list[float] = []
    while len(when) and len(places) < _LOOKS:
        near = np.abs(when[:, None] - when[None]) < _LOOK_S / 2
        k = int(np.argmax(near.sum(axis=1)))
        places.append(float(np.median(when[near[k]])))
        when = when[np.abs(when - places[-1]) > _LOOK_S]
    return np.array(places)


def tried(
    left: Sightings,
    right: Sightings,
    rig: Rig,
    ball: Ball,
    settings: TrackingSettings,
    offset_s: float,
    places_s: Floats,
) -> list[Followed]:
    """Balls followed around some instants under an offset; what they tell of it is added to it."""
    right = replace(right, time_s=right.time_s + offset_s)
    near = []
    for seen in (left, right):
        close = np.abs(seen.time_s[:, None] - places_s[None]) < _LOOK_S
        near.append(seen.take(np.flatnonzero(close.any(axis=1))))
    found = follow_with_offsets(near[0], near[1], rig, ball, settings, _COARSE_SD_S)
    return [replace(one, offset_s=one.offset_s + offset_s) for one in found if support_of(one) > 0]


def support_of(one: Followed) -> float:
    """What a track counts as support: its sightings in the view that has fewer, if it flies fast and far enough."""
    state = one.track.state
    speed_mps = float(np.median(np.linalg.norm(state[:, 3:6], axis=1)))
    far_m = float(np.linalg.norm(state[-1, :3] - state[0, :3]))
    fewer = min(int((one.track.view == v).sum()) for v in (0, 1))
    return float(fewer) if speed_mps > _SLOWEST_MPS and far_m > _FAR_M else 0.0


def _middle_s(found: list[Followed]) -> float:
    return float(np.median([np.median(one.track.time_s) for one in found]))


def _line(about_s: float, found: list[Followed]) -> Offset:
    """Weighted mean of what the balls tell, with a drift where enough of them show one; gross errors left out."""
    value = np.array([one.offset_s for one in found])
    var = np.array([one.offset_sd_s**2 for one in found])
    when = np.array([float(np.median(one.track.time_s)) for one in found])
    design = np.column_stack([np.ones_like(when), when * 1e-6])
    middle = float(np.average(when, weights=1 / var))
    prior = np.diag([0.0, 1 / _DRIFT_SD_PPM**2])
    keep = np.ones(len(found), bool)
    for _ in range(3):
        centred = design - [0.0, middle * 1e-6]
        weight = keep / var
        cov = np.linalg.inv((centred.T * weight) @ centred + prior)
        level, slope = cov @ (centred.T @ (weight * (value - about_s)))
        off = value - about_s - centred @ [level, slope]
        spread = max(1.48 * float(np.median(np.abs(off))), 1e-5)
        keep = np.abs(off) < 4 * np.hypot(np.sqrt(var), spread)
    scale = max(1.0, float((off**2 / var)[keep].sum() / max(keep.sum() - 2, 1)))
    slope_sd = float(np.sqrt(cov[1, 1] * scale))
    if keep.sum() < _LEAST_BALLS or abs(slope) < _DRIFT_SIGMAS * slope_sd:
        slope = 0.0
    at_zero = about_s + float(level) - float(slope) * 1e-6 * middle
    return Offset(at_zero, float(np.sqrt(cov[0, 0] * scale)), float(slope), slope_sd, int(keep.sum()), middle)


def _refined(
    left: Sightings,
    right: Sightings,
    rig: Rig,
    ball: Ball,
    settings: TrackingSettings,
    offset: Offset,
    middle_s: float,
) -> Offset:
    """The offset told by all balls, working outward from where it was found, so that a drift is not lost."""
    longest_s = float(max(left.time_s.max() - middle_s, middle_s - left.time_s.min()))
    for span_s in _SPANS_S:
        shift = offset.at(right.time_s)
        moved = replace(right, time_s=right.time_s + shift)
        near = [s.take(np.abs(s.time_s - middle_s) < span_s) for s in (left, moved)]
        doubt_s = float(np.hypot(3 * offset.sd_s + 1e-3, offset.drift_ppm_sd * 1e-6 * min(span_s, longest_s)))
        found = follow_with_offsets(near[0], near[1], rig, ball, settings, doubt_s)
        told = [
            replace(one, offset_s=one.offset_s + float(offset.at(one.track.time_s).mean()))
            for one in found
            if support_of(one) > 0
        ]
        if told:
            offset = _line(float(np.median([one.offset_s for one in told])), told)
        if span_s >= longest_s:
            break
    return offset
