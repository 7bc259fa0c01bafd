"""Which tracks are deliveries: balls in free flight down this lane to the striker.

A delivery crosses the lane from the bowler's end at a bowler's pace, from a hand's height, within the lane's width.
Thrown, side-arm and machine-fed balls are deliveries too. Not deliveries: balls thrown or hit back, rolled balls, lobs,
other lanes' balls, arms and bats, and a second ball beside a better one. Pieces of one flight, parted by a spell
unseen, are joined first. A delivery of which too little was seen to measure stays a delivery, with the reason.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Floats
from calibration.lane import STANDARD_GRAVITY_MPS2, gate_y_m, release_plane_y_m
from calibration.rig import Rig
from tracker.records import TRACK_COLUMNS, Ball, Ints, Track
from tracker.settings import TrackingSettings
from tracker.tracking import kalman
from tracker.tracking.kalman import STATES, Motion, motion_of

_PIECES_APART_S, _PIECES_OVERLAP_S = 0.7, 0.03  # a longer spell unseen is not bridged; views end and begin raggedly
_PIECES_CHI2 = 33.1  # chi-squared, 6 degrees of freedom, 0.99999
_PIECES_SLACK = np.diag(np.square([0.1, 0.1, 0.1, 1.0, 1.0, 1.0]))  # m, m/s: what neither piece's covariance knows
_CLEAR_OF_ARM_M = 3.0  # past the release plane the bowler's arm is left behind
_WIDEST_M = 3.0  # at the stumps
_AS_BOWLED = 80.0  # per cent of a ball's speeds along the lane that are less than as it was bowled: it slows down
_FLAT_DEG = 25.0  # azimuth beyond which a ball does not go down the lane


@dataclass(frozen=True, eq=False)
class Verdict:
    """A track (pieces joined) and whether it is a delivery; the reason says why not, or why it cannot be measured."""

    track: Track
    is_delivery: bool
    reason: str


def pick_deliveries(
    tracks: Sequence[Track], rig: Rig, settings: TrackingSettings, ball: Ball | None = None
) -> list[Verdict]:
    """A verdict for every track, in order of time."""
    motion = motion_of(ball or Ball(), settings)
    joined = join_pieces(sorted(tracks, key=lambda t: float(t.time_s[0])), motion)
    verdicts = [_judge(_until_hit_back(track), rig, motion, settings) for track in joined]
    return _one_at_a_time(verdicts, rig, settings)


def may_be_delivery(state: Floats, rig: Rig, settings: TrackingSettings) -> bool:
    """Whether a state (position, velocity ...) could be of a delivery: flying down the lane, in or near it.

    Wide enough for any part of a delivery before a bat meets it; limbs, lobs and balls going back fall out.
    """
    x, y, z, vx, vy = (float(value) for value in state[:5])
    down = -vy > 0.7 * settings.delivery_slowest_mps and abs(vx) < -vy  # 0.7: slowed by air and bounce
    near = abs(x) < settings.delivery_half_width_m + 1.0 and z < settings.delivery_highest_m + 1.0
    return down and near and -3.0 < y < rig.pitch_length_m + 1.0


def join_pieces(tracks: Sequence[Track], motion: Motion) -> list[Track]:
    """Tracks in order of time, those joined that the motion model carries into each other."""
    out: list[Track] = []
    for track in tracks:
        before = next((i for i in reversed(range(len(out))) if _continues(out[i], track, motion)), None)
        if before is None:
            out.append(track)
        else:
            out[before] = _joined(out[before], track, motion)
    return out


def _ahead(track: Track, row: int, time_s: float, motion: Motion) -> tuple[Floats, Floats, float]:
    """State (6,), covariance (6, 6) of a track carried on from a row, and the time of a bounce on the way (NaN)."""
    state, cov = np.zeros(STATES), np.eye(STATES) * 1e-12
    state[:6], cov[:6, :6] = track.state[row], track.state_cov[row]
    step = kalman.advance(state, time_s - float(track.time_s[row]), motion)
    cov = step.F @ cov @ step.F.T + step.Q
    return step.state[:6], cov[:6, :6], float(track.time_s[row]) + step.bounce_after_s


def _last_before(track: Track, later: Track) -> int:
    """The last row of a track before another begins; -1 where that is none, or they overlap by more than a little."""
    row = int(np.searchsorted(track.time_s, later.time_s[0])) - 1
    return row if row >= 0 and track.time_s[-1] - later.time_s[0] < _PIECES_OVERLAP_S else -1


def _continues(track: Track, later: Track, motion: Motion) -> bool:
    """Whether the later track is where the earlier one would be."""
    row = _last_before(track, later)
    if row < 0 or later.time_s[0] - track.time_s[row] > _PIECES_APART_S:
        return False
    state, cov, _ = _ahead(track, row, float(later.time_s[0]), motion)
    off = later.state[0] - state
    return bool(off @ np.linalg.solve(cov + later.state_cov[0] + _PIECES_SLACK, off) < _PIECES_CHI2)


def _joined(track: Track, later: Track, motion: Motion) -> Track:
    """Two pieces as one track."""
    _, _, between_s = _ahead(track, _last_before(track, later), float(later.time_s[0]), motion)
    bounces = [b for b in (track.bounce_s, between_s, later.bounce_s) if np.isfinite(b)]
    order = np.argsort(np.concatenate([track.time_s, later.time_s]), kind="stable")
    both = {name: np.concatenate([getattr(track, name), getattr(later, name)])[order] for name in TRACK_COLUMNS}
    refused = np.unique(np.concatenate([track.refused, later.refused]), axis=0)
    taken = {(int(v), int(r)) for t in (track, later) for v, r in zip(t.view, t.row, strict=True)}
    refused = refused[[(int(v), int(r)) not in taken for v, r, _ in refused]] if len(refused) else refused
    bounce_s = bounces[0] if bounces else np.nan
    return replace(track, **both, bounce_s=bounce_s, end=later.end, refused=refused)


def _until_hit_back(track: Track) -> Track:
    """A track that goes toward the striker first and then back is a ball bowled and hit: the first part of it."""
    toward = track.state[:, 4] < 0
    way = np.concatenate([[0], np.cumsum(np.where(toward, 1, -1))])
    turn = int(np.argmax(way))
    if not 0 < turn < len(track):
        return track
    cut_s = float(track.time_s[turn])
    bounce_s = track.bounce_s if track.bounce_s < cut_s else np.nan
    return replace(track.take(np.arange(turn)), bounce_s=bounce_s, end="deviated")


def _judge(track: Track, rig: Rig, motion: Motion, settings: TrackingSettings) -> Verdict:
    """The verdict on a track by itself."""
    toward = track.state[:, 4] < 0
    if toward.mean() < 0.5:
        return Verdict(track, False, "moves away from the striker: thrown or hit back")
    rows = np.flatnonzero(toward)
    part = track.state[rows[0] : rows[-1] + 1]
    first = part[0]
    along_mps, length_m = float(np.percentile(-part[:, 4], _AS_BOWLED)), float(first[1] - part[-1, 1])
    if along_mps < settings.delivery_slowest_mps:
        return Verdict(track, False, f"too slow along the lane: {along_mps:.1f} m/s")
    if along_mps > settings.delivery_fastest_mps:
        return Verdict(track, False, f"too fast along the lane: {along_mps:.1f} m/s")
    if abs(np.degrees(np.arctan2(np.median(part[:, 3]), along_mps))) > _FLAT_DEG:
        return Verdict(track, False, "does not go down the lane")
    if part[:, 2].max() < settings.delivery_lowest_m:
        return Verdict(track, False, "rolls")
    if part[:, 1].min() > rig.pitch_length_m - 1.0 or part[:, 1].max() < 1.0:
        return Verdict(track, False, "not between the wickets")
    begins_m, ends_m = (_x_at(part, y) for y in (gate_y_m(rig.pitch_length_m), 0.0))
    if max(abs(begins_m), abs(begins_m + ends_m) / 2) > settings.delivery_half_width_m or abs(ends_m) > _WIDEST_M:
        off_m = max(abs(begins_m), abs(ends_m))
        return Verdict(track, False, f"another lane's ball: {off_m:.1f} m off the line of the stumps")
    reason = _origin(track, rows, rig, motion, settings)
    if reason:
        return Verdict(track, False, reason)
    return _enough(track, part, length_m, rig, settings)


def _x_at(part: Floats, y_m: float) -> float:
    """Where in x the track, or the straight line that continues it, crosses a plane across the lane."""
    i = int(np.argmin(np.abs(part[:, 1] - y_m)))
    return float(part[i, 0] + (y_m - part[i, 1]) * part[i, 3] / min(part[i, 4], -1e-6))


def _came_off_the_ground(track: Track, rows: Ints, rig: Rig, motion: Motion) -> tuple[bool, Floats]:
    """Whether the path carried back from its first sighting meets the ground before the release plane; its state."""
    state = np.zeros(STATES)
    state[:6] = track.state[int(rows[0])]
    back_m = release_plane_y_m(rig.pitch_length_m) - state[1]
    dt_s = min(0.0, back_m / min(float(state[4]), -1e-6))
    for _ in range(3):
        step = kalman.advance(state, dt_s, motion)
        if np.isfinite(step.bounce_after_s):
            return True, step.state
        left_m = release_plane_y_m(rig.pitch_length_m) - step.state[1]
        dt_s = min(0.0, dt_s + left_m / min(float(step.state[4]), -1e-6))
    return False, step.state


def _origin(track: Track, rows: Ints, rig: Rig, motion: Motion, settings: TrackingSettings) -> str:
    """What speaks against a hand at the bowler's end; empty: nothing."""
    grounded, release = _came_off_the_ground(track, rows, rig, motion)
    if grounded:  # its first part was not seen: judged by how it rose from the ground
        release = track.state[int(rows[0])].copy()
        release[5] = np.sqrt(release[5] ** 2 + 2 * STANDARD_GRAVITY_MPS2 * max(float(release[2]), 0.0))
    elif not settings.delivery_lowest_m < release[2] < settings.delivery_highest_m:
        return f"at the release plane it would be {release[2]:.1f} m high"
    steep_deg = float(np.degrees(np.arctan2(release[5], np.hypot(release[3], release[4]))))
    return f"lobbed: {steep_deg:.0f} degrees upward" if steep_deg > settings.delivery_steepest_deg else ""


def _enough(track: Track, part: Floats, length_m: float, rig: Rig, settings: TrackingSettings) -> Verdict:
    """A delivery; whether enough of it was seen."""
    clear_y_m = release_plane_y_m(rig.pitch_length_m) - _CLEAR_OF_ARM_M
    if part[-1, 1] > clear_y_m:
        return Verdict(track, False, "ends where the bowler's arm is")
    if length_m < settings.delivery_shortest_m / 2:
        return Verdict(track, False, f"too short to be told from clutter: {length_m:.1f} m")
    if length_m < settings.delivery_shortest_m:
        return Verdict(track, True, f"only {length_m:.1f} m of its flight was seen")
    return Verdict(track, True, "")


def _one_at_a_time(verdicts: list[Verdict], rig: Rig, settings: TrackingSettings) -> list[Verdict]:
    """Of deliveries released too close together, or seen at once, only the one seen along more of the lane stays."""
    crossing = [_gate_time_s(v.track, rig) for v in verdicts]
    out = list(verdicts)
    order = sorted((i for i, v in enumerate(verdicts) if v.is_delivery), key=lambda i: -_length_m(verdicts[i].track))
    kept: list[int] = []
    for i in order:
        beside = any(
            abs(crossing[i] - crossing[k]) < settings.delivery_apart_s or _overlap(verdicts[i].track, verdicts[k].track)
            for k in kept
        )
        if beside:
            out[i] = Verdict(verdicts[i].track, False, "beside another ball that was seen along more of the lane")
        else:
            kept.append(i)
    return out


def _overlap(a: Track, b: Track) -> bool:
    """Whether two tracks were seen at once; a batter's slow arm may seem to have been released long before the ball."""
    return bool(a.time_s[0] <= b.time_s[-1] and b.time_s[0] <= a.time_s[-1])


def _length_m(track: Track) -> float:
    toward = track.state[track.state[:, 4] < 0, 1]
    return float(np.ptp(toward))


def _gate_time_s(track: Track, rig: Rig) -> float:
    """When the track, or the straight line that continues it, crosses the gate plane."""
    y_m = gate_y_m(rig.pitch_length_m)
    i = int(np.argmin(np.abs(track.state[:, 1] - y_m)))
    return float(track.time_s[i] + (y_m - track.state[i, 1]) / min(track.state[i, 4], -1e-6))
