"""The release: when the ball goes from being driven by the hand to flying free.

Before release the hand holds the ball on a curve. Place and velocity are continuous at the release, acceleration is
not, so that the held ball lies off the free path carried back by (equation F18)

    d(tau) = A (1 - cos w tau) / w^2 + B (w tau - sin w tau) / w^3,    tau = time before release,

the ends of a circle for an arm that turns at w; A is of the order of speed^2 over the arm's length, toward the
shoulder. For each possible instant the likeliest A and B under these priors give a likelihood; its mean and spread over
the instants are the release and its doubt. It counts as seen only where the ball is sighted off the free path just
before and on it just after, in frames that follow each other; or where the free path, in view, shows no ball just
before and a ball just after, so that the instant between is known to half a frame.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calibration.lane import RELEASE_PLANE_SD_M, release_plane_y_m
from calibration.rig import VIEWS, Rig
from tracker.flight import physics
from tracker.flight.milestones import course, places
from tracker.flight.model import Prediction, Rows, make_rows, predict
from tracker.flight.physics import compiled
from tracker.flight.rigterms import flight_rig
from tracker.flight.solve import absorb
from tracker.flight.stamps import loosened
from tracker.records import Flight, Floats, Ints, Sightings
from tracker.settings import FlightSettings

ARM_PER_M = (0.0, 0.0, -0.7)  # the hand's acceleration over speed^2: toward the shoulder, below, an arm's length away
ARM_SD_PER_M = (0.4, 0.3, 0.25)  # its spread: arms lean aside and slow down or speed up
BEND_PER_M2 = 0.8  # sd of its rate of change over speed^3, each axis, beyond the turning of the arm
TURN_PER_M = 0.8  # the arm's rate of turning over speed: an arm with its hand is about 0.85 m, its shoulder moves too
CURVE_DOUBT = 0.03  # how far the held ball may lie off such a curve, as a share of its distance from the free path
LOOK_BACK_S = 0.06  # how long before the first sighting of the fit the hand is looked for
OFF_PATH = 20.0  # chi-squared, 2 degrees of freedom: a sighting of the free path is beyond once in 20,000
CAP = 20.0  # cost of a sighting that is neither
HAND_M, HAND_SD_M = -0.09, 0.03  # of a hand from the ball it holds, toward the shoulder: half a hand and a radius
HAND_ODDS = 0.5  # how likely beforehand, over that it is the ball, that a hand was seen instead
FRAMES = 2.5  # within how many frames of the release the ball must be seen, on either side
GAIN = 8.0  # how much likelier (twice the log) a release must make the sightings
SIZE_ALIKE, SIZE_NEAR_PX = 1.6, 1.0  # how unlike the ball's a sighting's size may be: a head is no ball in a hand
LARGE = 1.3  # and off the free path how much larger: what is seen there is a hand and the ball in one
WHOLE = 0.9  # of a ball's size is seen of one that nothing covers
FRAME_DOUBT = 0.25  # of a frame: what hands that do not let go at once, and pictures of them, add to the instant, sd
HELD = 120.0  # chi-squared off the free path by a usual arm: one with far less pull would still show off it
LEANS = 6.0  # chi-squared, 2 degrees of freedom: a sighting of the free path is beyond once in 20
FAINT = 0.3  # of the flying ball's contrast: a sighting off its path that stands out less is no ball in a hand
GONE = 0.8  # diameters off the free path from which on a held ball leaves nothing there
BARE_ODDS = 0.01  # chance that the free path shows nothing though the ball is there: a post, a rope of the net
PATH_DOUBT = 0.25  # diameters: sd of the free path's place up to which it tells whether a ball is there
USUAL = 4.0  # sds from the usual release plane within which a bare path is a sign of a hand
HALF = 0.5  # of a frame: sd of an instant that is seen by a bare path before it
RULED_OUT = 4.0  # chi-squared by which bare places contradict a release 1.5 frames earlier
GAP = 1.15  # frames, at most, from the last sighting off the free path to the next on it: rows are read in turn
STEP_S = 2.5e-4


@dataclass(frozen=True, eq=False)
class _Near:
    """The sighting nearest to the free path in each frame around the release, both views, latest first.

    time_s   (n,)
    miss     (n, 2)    measured minus free path, whitened by the sighting's and the path's covariance
    by_place (n, 2, 3) its derivative by the ball's place
    frame_s  (n,)      frame interval of its view
    """

    time_s: Floats
    miss: Floats
    by_place: Floats
    frame_s: Floats


@dataclass(frozen=True, eq=False)
class _Bare:
    """Instants at which the free path, well known, shows no ball.

    time_s   (n,)
    by_place (n, 2, 3)  diameters in the picture a metre
    """

    time_s: Floats
    by_place: Floats

    def cost(self, release_s: Floats, speed: float) -> Floats:
        """-2 log likelihood (k,) of that for releases at instants (k,): the ball was far enough off, or hidden."""
        before = np.maximum(release_s[:, None] - self.time_s, 1e-6)
        turn = TURN_PER_M * speed
        bow = speed**2 * (1 - np.cos(turn * before)) / turn**2
        mean = self.by_place @ np.array(ARM_PER_M)  # (n, 2), of the displacement over the bow
        spread = np.einsum("nik,k,njk->nij", self.by_place, np.square(ARM_SD_PER_M), self.by_place)
        far = np.linalg.norm(mean, axis=1)
        sd = np.sqrt(np.einsum("ni,nij,nj->n", mean, spread, mean)) / np.maximum(far, 1e-9)
        gone = special.ndtr((bow * far - GONE) / np.maximum(bow * sd, 1e-9))
        cost: Floats = -2 * np.log(BARE_ODDS + (1 - BARE_ODDS) * gone).sum(axis=1)
        return cost


def find_release(
    flight: Flight,
    left: Sightings,
    right: Sightings,
    rig: Rig,
    settings: FlightSettings,
    refit: Callable[[float], Flight | None] | None = None,
    bare_s: Sequence[Floats] = (),
) -> Flight:
    """The flight with its release: instant, doubt, and whether it was seen.

    Where it was not seen, the release is where the path carried back crosses the usual release plane.

    Parameters
    ----------
    left, right : all sightings of the views, those outside the track too
    refit : the flight fitted again without sightings before an instant (None: too few are left); used where the fit
        has some from before the release
    bare_s : by view, when the path carried back showed no ball where it would stand out; of other flights too
    """
    path = course(flight)
    speed = float(np.linalg.norm(path.at(flight.start_s).state[3:]))
    near = _nearest(flight, (left, right), rig, speed, settings)
    found = _change(near, _bare_near(flight, bare_s, rig, settings), flight.start_s, speed)
    if found is not None and refit is not None and flight.start_s < found[0] - found[1]:
        fresh = refit(found[0])
        if fresh is not None:
            return find_release(fresh, left, right, rig, settings, None, bare_s)
    if found is not None:
        return replace(flight, release_s=found[0], release_s_sd=found[1], release_seen=True)
    time_s, state, _ = places(path, rig.pitch_length_m, None)
    sd = RELEASE_PLANE_SD_M / max(abs(float(state[0, 4])), 1.0)
    return replace(flight, release_s=float(time_s[0]), release_s_sd=sd, release_seen=False)


def carried_m(state: Floats, before_s: Floats) -> Floats:
    """Where an arm usually holds the ball (n, 3) so long before its release (n,), by the free path's states (n, 6)."""
    speed = np.linalg.norm(state[:, 3:], axis=1)
    bow = (1 - np.cos(TURN_PER_M * speed * before_s)) / (TURN_PER_M * speed) ** 2
    place: Floats = state[:, :3] + np.array(ARM_PER_M) * (speed**2 * bow)[:, None]
    return place


def _nearest(
    flight: Flight, both: tuple[Sightings, Sightings], rig: Rig, speed: float, settings: FlightSettings
) -> _Near:
    """The sightings nearest to the free path carried back, one a frame, none farther than an arm could hold it."""
    own, parts = flight_rig(flight, rig), []
    for sightings in both:
        frame_s = _frame_s(sightings)
        window = (sightings.time_s > flight.start_s - LOOK_BACK_S) & (sightings.time_s < flight.start_s + 3.5 * frame_s)
        some = sightings.take(window)
        if not len(some):
            continue
        some = some.take(np.argsort(some.time_s, kind="stable"))
        seen, odd, large = _against_path(flight, some, own, settings)
        spread = np.eye(2) + seen.slope @ (flight.cov + flight.rig_cov) @ seen.slope.transpose(0, 2, 1)
        whiten = np.linalg.inv(np.linalg.cholesky(spread))
        miss = np.einsum("nij,nj->ni", whiten, seen.residual)
        before_s = np.maximum(flight.start_s + 2 * frame_s - some.time_s, 0.0)
        reach = (0.03 + speed**2 * before_s**2) * np.linalg.norm(seen.by_place, axis=(1, 2)) / np.sqrt(2) + 3
        chi2 = (miss**2).sum(axis=1)
        within = np.linalg.norm(seen.residual, axis=1) < reach
        chi2[~within | odd | (large & (chi2 >= OFF_PATH)) | _faint(some, chi2)] = np.inf
        best = np.array([i for i in _least_by_frame(chi2, some.frame) if np.isfinite(chi2[i])], int)
        parts.append((some.time_s[best], miss[best], (whiten @ seen.by_place)[best], np.full(len(best), frame_s)))
    if not parts:
        return _Near(np.empty(0), np.empty((0, 2)), np.empty((0, 2, 3)), np.empty(0))
    time_s, miss, by_place, frames = (np.concatenate([p[i] for p in parts]) for i in range(4))
    latest = np.argsort(-time_s, kind="stable")
    return _Near(time_s[latest], miss[latest], by_place[latest], frames[latest])


def _frame_s(sightings: Sightings) -> float:
    """A view's frame interval; rows are read in turn, so that sightings of one frame have times of their own."""
    frame, first = np.unique(sightings.frame, return_index=True)
    steps = np.diff(sightings.time_s[first]) / np.diff(frame)
    return float(np.median(steps)) if len(steps) else 0.01


def _against_path(
    flight: Flight, some: Sightings, own: Rig, settings: FlightSettings
) -> tuple[Prediction, NDArray[np.bool_], NDArray[np.bool_]]:
    """A view's sightings (n,) against the free path, which are no ball by their size, which too large for a held one.

    A ball that looks too small is partly covered, by fingers, one that looks too large has part of the hand about it:
    the middle of what is seen lies off by half of that.
    """
    model = np.array([flight.model[name] for name in physics.MODEL_NAMES])
    view = np.full(len(some), some.view)

    def seen_by(rows: Rows) -> Prediction:
        return predict(flight.params, model, rows, own.cameras, settings.step_s)

    rows = make_rows(view, some.time_s, some.centre_px, some.cov_px2)
    px_by_place = np.linalg.solve(rows.whiten, seen_by(rows).by_place)
    size = 2 * flight.model["radius_m"] * np.linalg.norm(px_by_place, axis=(1, 2)) / np.sqrt(2)
    hand_px = np.nan_to_num(np.maximum(np.maximum(WHOLE * size - some.size_px, some.size_px - size / WHOLE), 0.0)) / 2
    rows = make_rows(view, some.time_s, some.centre_px, some.cov_px2 + hand_px[:, None, None] ** 2 * np.eye(2))
    stamps_s = np.array([flight.model.get(f"{name}_stamp_sd_s", 0.0) for name in VIEWS])
    if stamps_s.any():
        rows = loosened(rows, seen_by(rows), stamps_s)
    odd = (some.size_px > SIZE_ALIKE * size + SIZE_NEAR_PX) | (some.size_px < size / SIZE_ALIKE - SIZE_NEAR_PX)
    return seen_by(rows), odd, some.size_px > LARGE * size + SIZE_NEAR_PX


def _bare_near(flight: Flight, bare_s: Sequence[Floats], rig: Rig, settings: FlightSettings) -> _Bare:
    """The bare instants near the flight's start at which its path is known well enough, and near the usual release.

    Farther down the lane it is a post that hides a ball.
    """
    own, parts = flight_rig(flight, rig), [_Bare(np.empty(0), np.empty((0, 2, 3)))]
    model = np.array([flight.model[name] for name in physics.MODEL_NAMES])
    for view, times in enumerate(bare_s):
        some = times[np.abs(times - flight.start_s) < 1.5 * LOOK_BACK_S]
        if not len(some):
            continue
        rows = make_rows(
            np.full(len(some), view), some, np.zeros((len(some), 2)), np.tile(np.eye(2), (len(some), 1, 1))
        )
        seen = predict(flight.params, model, rows, own.cameras, settings.step_s)
        size = 2 * flight.model["radius_m"] * np.linalg.norm(seen.by_place, axis=(1, 2)) / np.sqrt(2)
        doubt = seen.slope @ (flight.cov + flight.rig_cov) @ seen.slope.transpose(0, 2, 1)
        known = np.sqrt(np.trace(doubt, axis1=1, axis2=2) / 2) < PATH_DOUBT * size
        known &= np.abs(seen.state[:, 1] - release_plane_y_m(rig.pitch_length_m)) < USUAL * RELEASE_PLANE_SD_M
        parts.append(_Bare(some[known], (seen.by_place / size[:, None, None])[known]))
    return _Bare(np.concatenate([p.time_s for p in parts]), np.concatenate([p.by_place for p in parts]))


def _faint(some: Sightings, chi2: Floats) -> NDArray[np.bool_]:
    """Which of a view's sightings (n,) off the free path stand out far less than those on it, as sleeves do."""
    flying = some.score[chi2 < OFF_PATH]
    if not len(flying):
        return np.zeros(len(some), bool)
    return np.asarray((chi2 >= OFF_PATH) & (some.score < FAINT * np.median(flying)))


def _least_by_frame(chi2: Floats, frame: Ints) -> list[int]:
    rows = [np.flatnonzero(frame == k) for k in np.unique(frame)]
    return [int(own[np.argmin(chi2[own])]) for own in rows]


def _change(near: _Near, bare: _Bare, start_s: float, speed: float) -> tuple[float, float] | None:
    """Instant of release and its doubt; None where the sightings and bare places do not show it."""
    if len(near.time_s) < 3:
        return None
    frame_s = float(near.frame_s.max())
    instants = np.arange(start_s - LOOK_BACK_S, start_s + 2.5 * frame_s, STEP_S)
    hidden = bare.cost(instants, speed)
    cost, of_hand = (
        hidden + [_surprise(t, speed, near.time_s, near.miss, near.by_place, hand)[0] for t in instants]
        for hand in (False, True)
    )
    never = float(np.minimum((near.miss**2).sum(axis=1), CAP).sum()) - 2 * np.log(BARE_ODDS) * len(bare.time_s)
    if never - cost.min() < GAIN:
        return None
    weight = np.exp(-0.5 * (cost - cost.min()))
    located = _located(near, float(weight @ instants / weight.sum()), speed)
    weight += HAND_ODDS * np.exp(-0.5 * (of_hand - cost.min()))
    weight /= weight.sum()
    release_s = float(weight @ instants)
    spread_s = float(np.sqrt(weight @ (instants - release_s) ** 2 + STEP_S**2 / 12))
    seen = located or _between(near, bare, release_s, spread_s, speed)
    return (release_s, float(np.hypot(spread_s, FRAME_DOUBT * frame_s))) if seen else None


def _between(near: _Near, bare: _Bare, release_s: float, spread_s: float, speed: float) -> bool:
    """Whether a bare path just before and the ball on it just after leave no more than half a frame of doubt."""
    frame_s = float(near.frame_s.max())
    earlier, here = bare.cost(np.array([release_s - 1.5 * frame_s, release_s]), speed)
    free = near.time_s[(near.miss**2).sum(axis=1) < OFF_PATH]
    followed = ((free >= release_s) & (free < release_s + FRAMES * frame_s)).any()
    return bool(earlier - here > RULED_OUT and followed and spread_s < HALF * frame_s)


def _located(near: _Near, release_s: float, speed: float) -> bool:
    """Whether the ball is seen driven just before a release, and free just after, with no frame lost between.

    A wrist goes along an arm's curve too, a hand nearer to the shoulder than the ball. Only where the curve meets the
    free path do they differ: a frame before, the ball is hardly off that path and a wrist is; two before, both are.
    """
    chi2 = (near.miss**2).sum(axis=1)
    _, share = _surprise(release_s, speed, near.time_s, near.miss, near.by_place, False)
    if (_held_chi2(near, release_s, speed)[chi2 < LEANS] > HELD).any():
        return False  # it flew freely before: what is off its path is something else
    close = np.abs(near.time_s - release_s) < FRAMES * near.frame_s
    held = close & (near.time_s < release_s) & (share < CAP)
    driven = near.time_s[held & (chi2 > LEANS)]
    free = near.time_s[close & (chi2 < OFF_PATH)]
    if not (chi2[held].sum() > OFF_PATH and len(driven) and (free >= release_s).any()):
        return False
    gap_s = free[free > driven.max()].min() - driven.max()
    return bool(gap_s < GAP * near.frame_s.max())


def _held_chi2(near: _Near, release_s: float, speed: float) -> Floats:
    """How far off the free path, in chi-squared, a usual arm would hold the ball at each sighting's time (n,)."""
    before_s = np.maximum(release_s - near.time_s, 0.0)
    bow = (1 - np.cos(TURN_PER_M * speed * before_s)) / TURN_PER_M**2
    held: Floats = near.by_place @ np.array(ARM_PER_M) * bow[:, None]
    return np.asarray((held**2).sum(axis=1))


@compiled
def _surprise(
    release_s: float, speed: float, time_s: Floats, miss: Floats, by_place: Floats, hand: bool
) -> tuple[float, Floats]:
    """-2 log likelihood of the sightings (latest first) for a release at an instant, and each one's own share (n,).

    With `hand`, what was seen before the release is the hand below the ball, not the ball.
    """
    cov, mean, d = np.zeros((9, 9)), np.zeros(9), np.zeros((2, 9))
    if hand:
        mean[8] = HAND_M
    for i in range(3):
        if hand:
            cov[6 + i, 6 + i] = HAND_SD_M**2
        cov[i, i] = (ARM_SD_PER_M[i] * speed**2) ** 2
        cov[3 + i, 3 + i] = (BEND_PER_M2 * speed**3) ** 2
        mean[i] = ARM_PER_M[i] * speed**2
    turn, total = TURN_PER_M * speed, 0.0
    share = np.empty(len(time_s))
    for k in range(len(time_s)):
        tau = max(release_s - time_s[k], 0.0)
        bow, bend = (1 - np.cos(turn * tau)) / turn**2, (turn * tau - np.sin(turn * tau)) / turn**3
        doubt = (CURVE_DOUBT * ARM_PER_M[2] * speed**2 * bow) ** 2
        n00, n01, n11 = 1.0, 0.0, 1.0
        for i in range(3):
            across, down = by_place[k, 0, i], by_place[k, 1, i]
            n00, n01, n11 = n00 + doubt * across**2, n01 + doubt * across * down, n11 + doubt * down**2
            d[0, i], d[0, 3 + i], d[0, 6 + i] = across * bow, across * bend, across if tau > 0 else 0.0
            d[1, i], d[1, 3 + i], d[1, 6 + i] = down * bow, down * bend, down if tau > 0 else 0.0
        chi2, det = absorb(mean, cov, d, miss[k], (n00, n01, n11), CAP if tau > 0 else -1.0)
        share[k] = min(chi2 + np.log(det), CAP)
        total += share[k]
    return total, share
