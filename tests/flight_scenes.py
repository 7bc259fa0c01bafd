"""Invented balls and what two views report of them, for the study of the flight fit: no pictures, no tracker.

A scene says what is out of the ordinary: the ball's flight, the films' clocks, the sightings. Its balls are drawn anew
for every number, from seeds that nothing else uses; the same number is the same ball in every rig.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from zlib import crc32

import numpy as np

from calibration.camera import Camera
from calibration.rig import Rig
from tests.flown import make_track
from tracker.records import Ball, Floats, Ints, Track
from tracker.simulation.bowling import BOWLERS, Bowled, draw
from tracker.simulation.sightings import Seeing, Seen, apparent_px, film_clock, sight
from tracker.simulation.truth import Flown, deliver
from tracker.simulation.world import Hit

FIRST_SEED = 11001  # nothing was built with seeds from here on
BEFORE_S = 0.3  # how long before a release the films begin
SHADE_M = 0.003
SIDE_SD, BAND_SD = (
    0.1,
    0.12,
)  # a ball's markings: of the slope of its light, and of the part that is alike on both sides
LEAN = -0.3  # of the diameter, how far a slope of 1 puts a dark ball off
TRAIL, TRAIL_SD, CONTRAST = 2.5, 2.0, 15.0  # how films trail, and a ball's contrast over the noise
VIEWS_PX = (0.08, 0.1)  # sds of what a view is off by along a flight, each axis: a constant; a slope, and a bend


def plain_ball(number: int, rng: np.random.Generator) -> Bowled:
    """Three invented bowlers in turn."""
    return draw(BOWLERS[("pace", "left_pace", "spin")[number % 3]], rng)


def on_floor(bowled: Bowled, **ground: float) -> Bowled:
    return replace(bowled, ground=replace(bowled.ground, **ground))


def low_skid(number: int, rng: np.random.Generator) -> Bowled:
    """Short of a length, and it hardly gets up."""
    bowled = draw(BOWLERS["pace"], rng, length_m=rng.uniform(5.0, 9.0))
    return on_floor(bowled, restitution=rng.uniform(0.25, 0.4), restitution_slope=0.0, friction=rng.uniform(0.08, 0.16))


def steep(number: int, rng: np.random.Generator) -> Bowled:
    """Short, and it climbs."""
    bowled = draw(BOWLERS["pace"], rng, length_m=rng.uniform(7.0, 10.0))
    return on_floor(bowled, restitution=rng.uniform(0.75, 0.9), restitution_slope=0.0, friction=rng.uniform(0.3, 0.45))


def full_toss(number: int, rng: np.random.Generator) -> Bowled:
    """It would pitch behind the stumps."""
    return draw(BOWLERS["pace"], rng, length_m=-rng.uniform(0.5, 2.5))


def uneven_floor(number: int, rng: np.random.Generator) -> Bowled:
    """The floor is up to 10 mm off where the ball lands."""
    return on_floor(plain_ball(number, rng), floor_m=rng.uniform(-0.01, 0.01))


def turning(number: int, rng: np.random.Generator) -> Bowled:
    """A slow bowler who spins it hard: it drifts, dips, and curves on after the bounce."""
    bowled = draw(BOWLERS["spin"], rng)
    forces = replace(bowled.forces, side_after=rng.normal(0.0, 0.06))
    return replace(bowled, throw=replace(bowled.throw, spin_radps=1.5 * bowled.throw.spin_radps), forces=forces)


@dataclass(frozen=True, eq=False)
class Scene:
    """What is out of the ordinary; by default nothing is.

    name        also starts its random numbers
    ball        draws the ball
    seeing      noise of the sightings; hidden: one view loses a third of the flight
    fps, film   rates, and faults of both films' clocks; right: of the right one's alone
    readout_s   rolling shutter of left and right
    offset      the right film starts up to so many seconds off what is stated, and nothing is known of it
    filmed_s    the balls are bowled within so many seconds of the films' start, and share one clock, as in a session
    hit_m       the bat meets the ball so far after the bounce, and is followed for 0.2 s
    white       both views see without lasting errors; otherwise each is off by a slow course, as VIEWS_PX says, and
                the ball lit from above looks too high, sd SHADE_M
    marked      its surface is uneven and its axis steady, so that it seems to lie toward its brighter parts (F23)
    trailing    the films' coder keeps something of each frame in the next (F24)
    shape_px    sd, in pixels and as a share of the diameter, of what a view's every sighting of a ball is off by
    aim         what the error may be over the limit
    """

    name: str
    ball: Callable[[int, np.random.Generator], Bowled] = plain_ball
    seeing: Seeing = field(default_factory=Seeing)
    hidden: bool = False
    fps: tuple[float, float] = (120.0, 120.0)
    film: Mapping[str, float] = field(default_factory=dict)
    right: Mapping[str, float] = field(default_factory=dict)
    readout_s: tuple[float, float] = (0.0, 0.0)
    offset_s: float = 0.0
    filmed_s: float = 0.0
    hit_m: float | None = None
    white: bool = False
    marked: bool = False
    trailing: bool = False
    shape_px: tuple[float, float] = (0.0, 0.0)
    aim: float = 1.10


_SCENES = (
    Scene("white noise alone", white=True),
    Scene("plain"),
    Scene("markings of the ball", marked=True),
    Scene("films that trail", trailing=True),
    Scene("3 % gross errors", seeing=Seeing(outlier=0.03), aim=1.15),
    Scene("12 % gross errors", seeing=Seeing(outlier=0.12), aim=1.25),
    Scene("unknown clock offset", offset_s=0.0042),
    Scene("clock drift 200 ppm", right={"drift_ppm": 200.0}, filmed_s=60.0),
    Scene("stamps jitter by 1 ms", film={"jitter_s": 0.001}),
    Scene("rolling shutter", readout_s=(0.008, 0.010)),
    Scene("5 % of frames dropped", film={"drop": 0.05}),
    Scene("120 and 240 frames/s", fps=(120.0, 240.0)),
    Scene("hidden for a third", hidden=True),
    Scene("hit 0.5 m after", hit_m=0.5),
    Scene("low skid", ball=low_skid),
    Scene("steep bounce", ball=steep),
    Scene("full toss", ball=full_toss),
    Scene("floor up to 10 mm off", ball=uneven_floor),
    Scene("spin after the bounce", ball=turning),
)
SCENES = {scene.name: scene for scene in _SCENES}


def numbers(*key: int | str) -> np.random.Generator:
    """Random numbers of their own for every key."""
    return np.random.default_rng([FIRST_SEED, *(crc32(k.encode()) if isinstance(k, str) else k for k in key)])


@cache
def flown(scene: Scene, number: int) -> tuple[Bowled, Flown]:
    """Ball `number` of a scene, released at 0."""
    bowled = scene.ball(number, numbers(scene.name, number))
    hit = None if scene.hit_m is None else Hit(np.array([6.0, 14.0, 4.0]), after_bounce_m=scene.hit_m)
    return bowled, deliver(bowled.throw, bowled.forces, bowled.ground, hit=hit, lasting_s=1.5)


@dataclass(frozen=True, eq=False)
class Case:
    """One ball as both views report it.

    track   what the fit is given
    exact   the same sightings without any error, gross errors left out
    cov_px2 (m, 2, 2) true covariances of those, with what unsteady stamps do to them
    late    whether its side force sets in late
    waited_s     how long after its films' start it was released
    offset_sd_s  what is known beforehand of the clocks' offset
    """

    ball: Flown
    track: Track
    exact: Track
    cov_px2: Floats
    late: bool
    waited_s: float
    offset_sd_s: float


def case(scene: Scene, rig: Rig, number: int) -> Case:
    """Ball `number` in a scene before a pair of cameras."""
    bowled, ball = flown(scene, number)
    rng = numbers(scene.name, number, "seen")
    late_s = rng.uniform(-1, 1) * scene.offset_s
    waited_s = BEFORE_S + rng.random() * scene.filmed_s
    ball_off = _BallOff.drawn(scene, rng)
    seeing = _seeing(scene, ball, rng)
    parts = []
    for view, camera in enumerate(rig.cameras):
        fps = scene.fps[view]
        start_s = -waited_s + rng.uniform(0, 1 / fps)
        faults = {**scene.film, **(scene.right if view else {})}
        clock = film_clock(fps, waited_s + 1.3, rng, start_s=start_s, **faults)
        first_late_s = float(np.mean(clock.number / fps - clock.stated_s))  # stamps count from the first, which jitters
        shift_s = start_s - late_s * view + first_late_s
        seen = sight([ball.path], camera, view, clock, rng, seeing[view], clip_offset_s=shift_s)
        place_m = ball.path.position_m(seen.true_s)
        speed_px = seen.sightings.streak_px / camera.exposure_s
        lean_px = LEAN * apparent_px(camera, place_m, Ball().radius_m) * scene.marked
        trail_px = trail_by_px(speed_px / fps, seen.sightings.size_px) * scene.trailing
        off_px = _view_off_px(scene, seen, ball.end_s, rng) + rng.normal() * TRAIL_SD * trail_px
        off_px += ball_off.px(camera, place_m)
        parts.append(_rows(seen, ball.end_s, 0.2 if scene.hit_m else 0.0, off_px, lean_px, trail_px, speed_px))
    view = np.repeat([0, 1], [len(part[0]) for part in parts])
    time_s, px, cov, size, exact_px, lean, trail, motion, good = (np.concatenate(p) for p in zip(*parts, strict=True))
    order = np.argsort(time_s, kind="stable")
    rest = {"size_px": size, "lean_px": lean, "trail_px": trail}

    def told(rows: Ints, centre_px: Floats) -> Track:
        track = make_track(view[rows], time_s[rows], centre_px[rows], cov[rows])
        return replace(track, **{name: values[rows] for name, values in rest.items()})

    fine = order[good[order]]
    track, exact = told(order, px), told(fine, exact_px)
    unsteady = scene.film.get("jitter_s", 0.0) * motion[fine]
    true_cov = cov[fine] + unsteady[:, :, None] * unsteady[:, None, :]
    late = bool(np.isfinite(bowled.forces.side_late_m))
    offset_sd_s = np.inf if scene.offset_s or scene.filmed_s else 0.0
    return Case(ball, track, exact, true_cov, late, waited_s, offset_sd_s)


def _seeing(scene: Scene, ball: Flown, rng: np.random.Generator) -> list[Seeing]:
    """How both views see; where a third of the flight is hidden, from one of them."""
    both = [scene.seeing, scene.seeing]
    if scene.hidden:
        begin, view = rng.uniform(0, 2 / 3) * ball.end_s, int(rng.integers(2))
        both[view] = replace(scene.seeing, hidden_s=((begin, begin + ball.end_s / 3),))
    return both


@dataclass(frozen=True, eq=False)
class _BallOff:
    """By how much the ball seems to lie off its middle: lifted by light from above, and toward its markings."""

    shade_m: float
    side: Floats
    band: Floats

    @classmethod
    def drawn(cls, scene: Scene, rng: np.random.Generator) -> "_BallOff":
        """Markings like in all directions: the diagonal has the root of two times the sd."""
        shade_m = 0.0 if scene.white else rng.normal() * SHADE_M
        band = rng.normal(size=(3, 3)) * BAND_SD
        return cls(shade_m, rng.normal(size=3) * SIDE_SD * scene.marked, (band + band.T) / np.sqrt(2) * scene.marked)

    def px(self, camera: Camera, place_m: Floats) -> Floats:
        """In a camera's pixels (n, 2), for balls at places (n, 3)."""
        d = camera.centre_m - place_m
        d /= np.linalg.norm(d, axis=1, keepdims=True)
        slope = self.side + d @ self.band
        across = slope - (slope * d).sum(axis=1, keepdims=True) * d
        moved = place_m + LEAN * 2 * Ball().radius_m * across + np.array([0, 0, self.shade_m])
        off: Floats = camera.project(moved) - camera.project(place_m)
        return off


def trail_by_px(step_px: Floats, size_px: Floats) -> Floats:
    """How far (n, 2) a ball that moves by steps (n, 2) is seen behind itself for each unit of a film's trail (F24)."""
    step = np.maximum(np.linalg.norm(step_px, axis=1), 1e-6)
    per_unit = np.exp(-1.25 * step / size_px) / (CONTRAST * step)
    behind = step * per_unit / (1 + TRAIL * per_unit) ** 2
    trail: Floats = -(behind / step)[:, None] * step_px
    return trail


def _view_off_px(scene: Scene, seen: Seen, end_s: float, rng: np.random.Generator) -> Floats:
    """What a view's sightings (n, 2) are off by together: its own slow course, and what shapes do to it."""
    bias_px, drift_px = (0.0, 0.0) if scene.white else VIEWS_PX
    size = rng.normal(size=(3, 2)) * np.array([bias_px, drift_px, drift_px])[:, None]
    along = np.clip(2 * seen.true_s / end_s - 1, -1, 1)
    shape = rng.normal(size=2) * shape_sd_px(scene, seen.sightings.size_px)[:, None]
    off: Floats = np.polynomial.legendre.legvander(along, 2) @ size + shape
    return off


def shape_sd_px(scene: Scene, size_px: Floats) -> Floats:
    """Sd (n,) of what a ball's shape puts all its sightings in a view off by, at apparent diameters (n,)."""
    return np.hypot(scene.shape_px[0], scene.shape_px[1] * size_px)


def _rows(seen: Seen, end_s: float, after_s: float, off_px: Floats, *more: Floats) -> tuple[Floats, ...]:
    """Times, places, covariances, sizes, true places, `more`, and goodness of what a tracker hands over."""
    s = seen.sightings
    mine = np.flatnonzero((seen.true_s >= 0) & (seen.true_s <= end_s + after_s))
    good = ~seen.outlier[mine] & (seen.true_s[mine] < end_s)
    values = (s.time_s, s.centre_px + off_px, s.cov_px2, s.size_px, seen.true_px, *more)
    return *(value[mine] for value in values), good
