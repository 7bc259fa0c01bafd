"""Which balls are deliveries: every sort of ball that a net sees, and pieces of one flight."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from calibration.lane import PITCH_LENGTH_M
from tests.seen_balls import FIRST_S, belongs, scene, shares, thrown
from tracker.clip import Found
from tracker.outcome import start_s
from tracker.records import TRACK_COLUMNS, Ball, Track
from tracker.settings import TrackingSettings
from tracker.simulation.bowling import BOWLERS, draw
from tracker.simulation.rigs import pair
from tracker.simulation.sightings import Seeing
from tracker.simulation.truth import deliver
from tracker.simulation.world import Path
from tracker.tracking.deliveries import Verdict, join_pieces, pick_deliveries
from tracker.tracking.follow import follow
from tracker.tracking.kalman import motion_of

SETTINGS = TrackingSettings()
RIG = pair("end_on")


def track_of(path: Path, from_s: float = 0.0, to_s: float = 0.7, fps: float = 120.0) -> Track:
    """A perfectly followed path between two times after its start, sampled by both views in turn."""
    time_s = path.start_s + np.arange(from_s, min(to_s, path.end_s - path.start_s), 0.5 / fps)
    n = len(time_s)
    bounce = path.first("bounce")
    seen = bounce is not None and time_s[0] < bounce.time_s < time_s[-1]
    return Track(
        np.arange(n) % 2,
        np.arange(n),
        time_s,
        np.zeros((n, 2)),
        np.tile(np.eye(2), (n, 1, 1)),
        np.full(n, 8.0),
        np.zeros((n, 2)),
        np.zeros(n),
        np.zeros((n, 2)),
        np.zeros(n),
        path.state(time_s),
        np.tile(np.diag([1e-5] * 3 + [1e-3] * 3), (n, 1, 1)),
        bounce.time_s if bounce is not None and seen else np.nan,
        "lost",
        np.empty((0, 3), int),
    )


def bowled(bowler: str = "pace", seed: int = 1, length_m: float | None = None, pitch_m: float = PITCH_LENGTH_M) -> Path:
    one = draw(BOWLERS[bowler], np.random.default_rng(seed), length_m=length_m, pitch_length_m=pitch_m)
    return deliver(one.throw, one.forces, one.ground, pitch_length_m=pitch_m).path


def verdict(path: Path, from_s: float = 0.0, to_s: float = 0.7) -> Verdict:
    return pick_deliveries([track_of(path, from_s, to_s)], RIG, SETTINGS)[0]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("bowler", BOWLERS)
def test_what_is_bowled_is_a_delivery(bowler: str, seed: int) -> None:
    found = verdict(bowled(bowler, seed))
    assert (found.is_delivery, found.reason) == (True, "")


THROWN = {  # start, velocity: deliveries that nobody bowled
    "side-arm from the crease": ((0.3, 18.5, 2.3), (0.0, -36.0, -2.5)),
    "machine": ((0.0, 18.9, 2.1), (0.0, -30.0, -1.0)),
    "overarm throw by the coach, closer in": ((0.2, 15.0, 1.9), (0.0, -20.0, 0.0)),
    "full toss": ((0.2, 18.5, 2.1), (-0.3, -30.0, 1.3)),
    "slow leg-break": ((0.3, 18.6, 2.0), (0.0, -16.0, 3.8)),
    "wide": ((0.6, 18.6, 2.1), (-2.6, -33.0, -1.5)),
    "wide off the pitch": ((0.8, 18.6, 2.3), (-2.8, -17.0, -1.0)),
    "bouncer": ((0.4, 18.5, 2.2), (-0.2, -38.0, -6.0)),
}


@pytest.mark.parametrize("name", THROWN)
def test_thrown_and_machine_fed_balls_are_deliveries(name: str) -> None:
    assert verdict(thrown(0.0, *THROWN[name])).is_delivery, verdict(thrown(0.0, *THROWN[name])).reason


OTHERS = {  # start, velocity, what the reason speaks of
    "throw-back": ((0.3, 1.0, 1.8), (0.1, 18.0, 3.0), "away"),
    "hit back": ((0.0, 1.5, 0.6), (2.0, 30.0, 6.0), "away"),
    "rolled to the striker": ((0.2, 17.0, 0.04), (0.0, -9.0, 0.0), "roll"),
    "rolled slowly": ((0.2, 17.0, 0.3), (0.0, -5.0, 0.0), "slow"),
    "next lane, off side": ((3.7, 18.5, 2.1), (0.0, -30.0, -1.5), "lane"),
    "next lane, leg side": ((-3.5, 18.5, 2.1), (0.1, -22.0, 0.5), "lane"),
    "next lane, wide of its stumps": ((2.6, 18.5, 2.1), (-0.5, -30.0, -1.5), "lane"),
    "across the nets": ((2.0, 10.0, 1.5), (-20.0, -3.0, 2.0), ""),
    "underarm lob down the lane": ((0.2, 18.0, 1.0), (0.0, -9.0, 8.0), "lobbed"),
    "dropped at the crease": ((0.2, 18.5, 1.0), (0.1, -0.5, 0.0), "slow"),
    "flicked up from mid-lane": ((0.2, 9.0, 0.3), (0.0, -12.0, 9.0), ""),
}


@pytest.mark.parametrize("name", OTHERS)
def test_other_balls_are_not(name: str) -> None:
    *flight, word = OTHERS[name]
    found = verdict(thrown(0.0, *flight))
    assert not found.is_delivery
    assert word in found.reason


def test_a_ball_hit_back_down_the_lane_and_followed_for_long_was_bowled() -> None:
    """Followed for 0.4 s to the striker and 0.8 s back over the bowler: the first part is the delivery."""
    down = track_of(bowled(), 0.0, 0.4)
    back = track_of(thrown(down.time_s[-1] + 0.005, (0.0, 1.8, 0.5), (1.0, 20.0, 5.0)), 0.0, 0.8)
    both = {name: np.concatenate([getattr(down, name), getattr(back, name)]) for name in TRACK_COLUMNS}
    (found,) = pick_deliveries([replace(down, **both)], RIG, SETTINGS)
    assert found.is_delivery, found.reason
    assert (len(found.track), found.track.end, found.track.bounce_s) == (len(down), "deviated", down.bounce_s)


@pytest.mark.parametrize("from_s", [0.0, 0.3, 0.7])
def test_a_lob_seen_late_is_not(from_s: float) -> None:
    """Thrown up before the crease, then seen rising, near the top, or falling: it came up steeply."""
    found = verdict(thrown(0.0, (0.2, 16.5, 0.6), (0.0, -9.0, 7.0)), from_s, from_s + 0.8)
    assert not found.is_delivery


def test_an_arm_is_not() -> None:
    """A hand's arc about the release: short, fast, where the bowler is."""
    path = bowled()
    assert not verdict(path, 0.0, 0.06).is_delivery


def test_a_delivery_of_which_little_was_seen_stays_one_and_says_so() -> None:
    found = verdict(bowled(), 0.2, 0.3)
    assert found.is_delivery
    assert "of its flight was seen" in found.reason


def test_only_seen_after_the_bounce() -> None:
    """The bounce is at 0.37 s: from 0.4 s on there are 5 m and more of a ball that rises from the ground."""
    found = verdict(bowled(), 0.4, 0.62)
    assert found.is_delivery


@pytest.mark.parametrize("late", ["on its way down", "risen"])
@pytest.mark.parametrize("bowler", BOWLERS)
def test_a_ball_without_a_flight_began_about_when_it_was_bowled(bowler: str, late: str) -> None:
    """To a tenth of a second, by which it finds its place among the others and its row in the log."""
    path = bowled(bowler)
    bounce = path.first("bounce")
    assert bounce is not None
    from_s = (0.6 if late == "on its way down" else 1.05) * (bounce.time_s - path.start_s)
    track = track_of(path, from_s, from_s + 0.2)
    assert start_s(Found(track, None, "too little was seen"), PITCH_LENGTH_M) == pytest.approx(path.start_s, abs=0.1)


def test_a_short_pitch() -> None:
    rig = pair("end_on", pitch_length_m=13.716)
    track = track_of(bowled("spin", 3, length_m=3.5, pitch_m=13.716))
    assert pick_deliveries([track], rig, SETTINGS)[0].is_delivery


def test_pieces_of_one_flight_become_one_track() -> None:
    """Lost for 0.25 s over the bounce: joined, with the time of the bounce between them to a few milliseconds."""
    path = bowled()
    bounce = path.first("bounce")
    assert bounce is not None
    pieces = [track_of(path, 0.0, 0.27), track_of(path, 0.52, 0.62)]
    found = pick_deliveries(pieces, RIG, SETTINGS)
    assert len(found) == 1
    assert found[0].is_delivery
    assert len(found[0].track) == len(pieces[0]) + len(pieces[1])
    assert abs(found[0].track.bounce_s - bounce.time_s) < 0.01


def test_pieces_that_overlap_raggedly_are_joined() -> None:
    path = bowled()
    joined = join_pieces([track_of(path, 0.0, 0.36), track_of(path, 0.35, 0.62)], motion_of(Ball(), SETTINGS))
    assert len(joined) == 1
    assert (np.diff(joined[0].time_s) >= 0).all()


def test_a_ball_hit_on_is_not_joined() -> None:
    """The batter glances it: the piece after the hit goes another way."""
    path = bowled()
    first = track_of(path, 0.0, 0.5)
    at = first.state[-1]
    second = track_of(thrown(first.time_s[-1] + 0.03, at[:3] + 0.03 * at[3:], [-14.0, -12.0, 3.0]), 0.0, 0.4)
    found = pick_deliveries([first, second], RIG, SETTINGS)
    assert [v.is_delivery for v in found] == [True, False]


def test_of_two_balls_at_once_the_one_seen_along_more_of_the_lane_stays() -> None:
    whole, part = track_of(bowled(seed=1)), track_of(thrown(0.1, [0.2, 18.0, 2.0], [0.0, -25.0, 0.5]), 0.0, 0.3)
    for tracks in ([whole, part], [part, whole]):
        found = pick_deliveries(tracks, RIG, SETTINGS)
        assert sum(v.is_delivery for v in found) == 1
        assert next(v for v in found if v.is_delivery).track is whole
        assert any("beside another ball" in v.reason for v in found)


def test_a_slow_arm_of_the_batter_during_a_flight_is_no_second_delivery() -> None:
    """At 8.7 m/s a straight line back from the striker's crease leaves the other end two seconds before the ball."""
    ball = track_of(bowled(seed=1))
    some = track_of(bowled(seed=2), 0.1, 0.42)
    since_s = some.time_s - some.time_s[0]
    state = np.tile([0.5, 1.5, 1.15, 0.0, -8.65, 0.0], (len(some), 1))
    state[:, 1] += -8.65 * since_s
    arm = replace(some, state=state, bounce_s=np.nan)
    alone = pick_deliveries([arm], RIG, SETTINGS)[0]
    assert alone.is_delivery and alone.reason
    assert [v.is_delivery for v in pick_deliveries([ball, arm], RIG, SETTINGS)] == [True, False]


def test_deliveries_four_seconds_apart_are_two() -> None:
    first = track_of(bowled(seed=1))
    second = replace(track_of(bowled(seed=2)), time_s=track_of(bowled(seed=2)).time_s + 4.0)
    assert [v.is_delivery for v in pick_deliveries([first, second], RIG, SETTINGS)] == [True, True]


def test_verdicts_come_in_order_of_time() -> None:
    later = replace(track_of(bowled(seed=1)), time_s=track_of(bowled(seed=1)).time_s + 4.0)
    found = pick_deliveries([later, track_of(bowled(seed=2))], RIG, SETTINGS)
    assert found[0].track.time_s[0] < found[1].track.time_s[0]


def others(seed: int) -> Sequence[Path]:
    """Everything else that happens in a net within a few seconds."""
    return [
        thrown(FIRST_S + 0.15, [0.4, 0.5, 1.7], [0.0, 17.0, 4.0]),
        thrown(FIRST_S + 0.05 * seed, [3.6, 18.3, 2.1], [0.0, -31.0, -2.0]),
        thrown(FIRST_S + 2.0, [0.2, 17.0, 0.04], [0.05, -9.0, 0.0]),
        thrown(FIRST_S + 3.0, [0.1, 16.0, 1.1], [0.0, -6.5, 7.0]),
    ]


@pytest.mark.parametrize("rig", ["end_on", "side", "crossing"])
def test_a_busy_net_gives_its_two_deliveries_and_nothing_else(rig: str) -> None:
    seeing = Seeing(miss=0.05, outlier=0.03, clutter_per_s=10, lone_per_frame=0.3)
    made = scene(rig, balls=2, others=others(2), seeing=seeing, seed=4)
    tracks = follow(made.seen[0].sightings, made.seen[1].sightings, made.rig, Ball(), SETTINGS)
    found = [v.track for v in pick_deliveries(tracks, made.rig, SETTINGS) if v.is_delivery]
    assert len(found) == 2
    for number, track in enumerate(found):
        assert belongs(made, number, track)
        assert shares(made, number, track).kept > 0.9


def test_nobody_bowls() -> None:
    """Ten seconds of clutter, a ball rolled and one thrown back."""
    seeing = Seeing(clutter_per_s=15, lone_per_frame=0.5)
    made = scene("end_on", balls=0, others=others(1)[::2], seeing=seeing, lasting_s=10.0, seed=5)
    tracks = follow(made.seen[0].sightings, made.seen[1].sightings, made.rig, Ball(), SETTINGS)
    assert not any(v.is_delivery for v in pick_deliveries(tracks, made.rig, SETTINGS))
