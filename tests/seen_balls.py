"""Sightings of simulated deliveries for the tests of tracking: rigs, clocks, faults and further balls as asked."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.rig import Rig
from tracker.records import Air, Ball, Bools, Floats, Track
from tracker.simulation.bowling import BOWLERS, draw, with_arm
from tracker.simulation.rigs import pair
from tracker.simulation.sightings import Seeing, Seen, film_clock, sight
from tracker.simulation.truth import Flown, deliver
from tracker.simulation.world import Forces, Ground, Hit, Path, Throw, fly

FIRST_S = 0.6  # release of the first delivery


@dataclass(frozen=True, eq=False)
class Scene:
    """A rig, what was truly bowled, and what both views report; the deliveries come first among the paths."""

    rig: Rig
    flown: Sequence[Flown]
    seen: tuple[Seen, Seen]


def scene(
    rig: str | Rig = "end_on",
    *,
    balls: int = 1,
    apart_s: float = 4.0,
    fps: tuple[float, float] = (120.0, 120.0),
    late_s: float = 0.0,
    seeing: tuple[Seeing, Seeing] | Seeing | None = None,
    bowler: str = "pace",
    hit: Hit | None = None,
    others: Sequence[Path] = (),
    seed: int = 0,
    lasting_s: float = 0.0,
    **faults: float,
) -> Scene:
    """Deliveries `apart_s` apart; `late_s`: how much later than stated the right film starts."""
    rng = np.random.default_rng(seed)
    true = pair(rig) if isinstance(rig, str) else rig
    flown, paths = [], []
    for i in range(balls):
        bowled = draw(
            BOWLERS[bowler],
            rng,
            release_s=FIRST_S + apart_s * i,
            hand=("right", "left")[i % 2],
            pitch_length_m=true.pitch_length_m,
        )
        one = deliver(bowled.throw, bowled.forces, bowled.ground, hit=hit, pitch_length_m=true.pitch_length_m)
        flown.append(one)
        paths.append(with_arm(one.path, bowled.throw, BOWLERS[bowler].run_mps))
    lasting_s = lasting_s or FIRST_S + apart_s * max(balls - 1, 0) + 1.2
    both = seeing if isinstance(seeing, tuple) else (seeing, seeing)
    seen = []
    for view, camera in enumerate(true.cameras):
        film = film_clock(fps[view], lasting_s, rng, start_s=view * late_s, **faults)
        seen.append(sight([*paths, *others], camera, view, film, rng, both[view]))
    return Scene(true, flown, (seen[0], seen[1]))


def thrown(time_s: float, from_m: Sequence[float], velocity_mps: Sequence[float]) -> Path:
    """A further ball."""
    throw = Throw(time_s, np.array(from_m, float), np.array(velocity_mps, float))
    return fly(throw, Forces(), Ground(), Ball(), Air(), lasting_s=2.0)


@dataclass(frozen=True, eq=False)
class Shares:
    """How a track took a delivery's sightings between release and the end of its flight.

    kept   of the good ones there are, the share taken
    wrong  number taken, up to the flight's end, of anything else (clutter, another ball)
    """

    kept: float
    wrong: int


def shares(made: Scene, number: int, track: Track) -> Shares:
    """How well a track took delivery `number` of a scene."""
    flown = made.flown[number]
    release_s, end_s = flown.throw.release_s, flown.end_s
    good = taken = 0
    for seen in made.seen:
        free = (seen.path == number) & (seen.true_s > release_s) & (seen.true_s < end_s) & ~seen.outlier
        good += int(free.sum())
        mine = track.row[track.view == seen.sightings.view]
        taken += int(free[mine].sum())
    owner, when = owners(made, track)
    return Shares(taken / max(good, 1), int(((owner != number) & (when < end_s)).sum()))


def owners(made: Scene, track: Track) -> tuple[Floats, Floats]:
    """Path (n,) each sighting of a track truly belongs to, and its true time (n,)."""
    pick = [(made.seen[v].path[r], made.seen[v].true_s[r]) for v, r in zip(track.view, track.row, strict=True)]
    owner, when = np.array(pick).T
    return owner, when


def belongs(made: Scene, number: int, track: Track) -> bool:
    """Whether most of a track is delivery `number`."""
    owner, _ = owners(made, track)
    return bool((owner == number).mean() > 0.5)


def in_flight(made: Scene, number: int, track: Track) -> Bools:
    """The rows of a track that are delivery `number` in free flight, gross errors left out."""
    flown = made.flown[number]
    owner, when = owners(made, track)
    gross = np.array([made.seen[v].outlier[r] for v, r in zip(track.view, track.row, strict=True)])
    return (owner == number) & (when > flown.throw.release_s) & (when < flown.end_s) & ~gross
