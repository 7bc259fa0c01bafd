"""Flights of the fit's own family, and sightings of them, for tests: invented balls past ready pairs of cameras."""

from dataclasses import dataclass

import numpy as np

from calibration.rig import Rig
from tracker.flight import physics
from tracker.flight.milestones import Course, places
from tracker.flight.model import CLOCK, SHADE, SIZE, make_model
from tracker.records import Air, Ball, Floats, Track
from tracker.simulation import bowling, sightings, truth


@dataclass(frozen=True, eq=False)
class Flown:
    """A ball of the fit's own family: parameters, model, instants of bounce and of the stumps (release at 0)."""

    params: Floats
    model: Floats
    bounce_s: float
    stumps_s: float

    def states(self, time_s: Floats) -> Floats:
        """States (n, 6) at rising times (n,)."""
        return physics.trace(self.params[: physics.COUNT], self.model, time_s, 0.004)[0]


def bowl(rng: np.random.Generator, **fixed: float) -> Flown:
    """A ball drawn from the fit's priors, but for `fixed` parameters by name, that pitches 3 to 8 m from the stumps."""
    theta = np.zeros(SIZE)
    theta[:3] = rng.normal([0.5, 18.4, 2.15], [0.1, 0.15, 0.05])
    speed, aside, length = rng.uniform(20, 38), rng.uniform(-3, 0), rng.uniform(3, 8)
    theta[3:6] = speed * np.array([np.tan(np.radians(aside)), -1.0, 0.0])
    theta[physics.DRAG], theta[physics.SLOPE] = rng.normal(0.42, 0.05), rng.normal(-0.1, 0.08)
    theta[physics.SIDE], theta[physics.LIFT] = rng.normal(0, 0.08), rng.normal(0, 0.1)
    theta[physics.SIDE + 1 : physics.SIDE + 5] = rng.normal(0, 0.001 + 0.04 * abs(theta[physics.SIDE]), 4)
    theta[physics.LIFT_LATE], theta[physics.FLOOR] = rng.normal(0, 0.01), rng.normal(0, 0.004)
    theta[physics.SIDE_AFTER], theta[physics.LIFT_AFTER] = rng.normal(0, 0.04), rng.normal(-0.15, 0.08)
    theta[SHADE] = rng.normal(0, 0.001)
    for name, value in fixed.items():
        theta[physics.PATH_NAMES.index(name)] = value
    model = make_model(Ball(), Air(), 0.0, (0.0, 0.4), speed, True)
    for _ in range(6):  # aim
        contact = Course(theta, model).before
        assert contact is not None
        seconds = model[physics.ARC_END] = contact.time_s
        theta[5] += (contact.state[1] - length) / seconds * contact.state[5] / contact.state[4]
    contact = Course(theta, model).before
    assert contact is not None
    turn, kept = rng.normal(0, 0.015), rng.normal(0.86, 0.03)
    c, s = np.cos(turn), np.sin(turn)
    vx, vy, vz = contact.state[3:]
    theta[physics.AFTER : physics.AFTER + 3] = [kept * (c * vx - s * vy), kept * (s * vx + c * vy), -0.55 * vz]
    times = places(Course(theta, model), 20.1168, 0.0)[0]
    return Flown(theta, model, contact.time_s, float(times[4]))


def see(
    ball: Flown,
    rig: Rig,
    rng: np.random.Generator,
    fps: float = 120.0,
    sd_px: float = 0.2,
    outliers: float = 0.0,
    from_s: float = 0.0,
    until_s: float | None = None,
) -> Track:
    """A track of a ball with noise of sd_px; a share of outliers is 5 px off; no states."""
    until = ball.stumps_s if until_s is None else until_s
    time_s, view, px = [], [], []
    for v, camera in enumerate(rig.cameras):
        t = np.arange(rng.uniform(0, 1 / fps) + from_s, until, 1 / fps)
        place = ball.states(t + ball.params[CLOCK] * v)[:, :3] + [0, 0, ball.params[SHADE]]
        seen = np.array(camera.sees(place))
        time_s.append(t[seen])
        view.append(np.full(seen.sum(), v))
        px.append(camera.project(place)[seen])
    order = np.argsort(np.concatenate(time_s), kind="stable")
    t, v, exact = (np.concatenate(part)[order] for part in (time_s, view, px))
    noisy = exact + rng.normal(0, sd_px, exact.shape)
    gross = rng.random(len(t)) < outliers
    angle = rng.uniform(0, 2 * np.pi, gross.sum())
    noisy[gross] += 5.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    return make_track(v, t, noisy, np.tile(np.eye(2) * sd_px**2, (len(t), 1, 1)))


def make_track(view: Floats, time_s: Floats, px: Floats, cov_px2: Floats, end: str = "lost") -> Track:
    """A track without states: the fit starts from the rays alone."""
    n = len(time_s)
    nothing = np.full(n, np.nan)
    return Track(
        view=view.astype(np.int64),
        row=np.arange(n),
        time_s=time_s,
        centre_px=px,
        cov_px2=cov_px2,
        size_px=nothing,
        streak_px=np.full((n, 2), np.nan),
        lean_px=np.zeros(n),
        trail_px=np.zeros((n, 2)),
        aside=np.zeros(n),
        state=np.full((n, 6), np.nan),
        state_cov=np.full((n, 6, 6), np.nan),
        bounce_s=np.nan,
        end=end,
        refused=np.zeros((0, 3), np.int64),
    )


@dataclass(frozen=True, eq=False)
class Simulated:
    """A ball of the simulator, whose physics is wider than the fit's, as both views report it."""

    ball: truth.Flown
    views: tuple[sightings.Seen, sightings.Seen]
    frame_s: float

    def track(self, before_s: float = 0.0, after_s: float = 0.0) -> Track:
        """What a tracker might hand over: from `before_s` ahead of release to `after_s` past the free flight's end."""
        parts = []
        for view, seen in enumerate(self.views):
            s = seen.sightings
            begin, end = self.ball.throw.release_s - before_s, self.ball.end_s + after_s
            rows = np.flatnonzero((seen.true_s >= begin) & (seen.true_s <= end) & (seen.path == 0))
            parts.append((np.full(len(rows), view), s.time_s[rows], s.centre_px[rows], s.cov_px2[rows]))
        view, time_s, px, cov = (np.concatenate(part) for part in zip(*parts, strict=True))
        order = np.argsort(time_s, kind="stable")
        return make_track(view[order], time_s[order], px[order], cov[order])


def simulate(
    rig: Rig,
    rng: np.random.Generator,
    fps: float = 120.0,
    style: str = "pace",
    *,
    seeing: sightings.Seeing | None = None,
    late_s: float = 0.0,
    arm: bool = False,
    drawn: bowling.Bowled | None = None,
    **how: object,
) -> Simulated:
    """A ball of the simulator, released at 0; the right film's clock is late by `late_s`; `how` goes to `deliver`."""
    bowled = drawn or bowling.draw(bowling.BOWLERS[style], rng)
    ball = truth.deliver(bowled.throw, bowled.forces, bowled.ground, **how)
    path = bowling.with_arm(ball.path, bowled.throw, 5.5) if arm else ball.path
    views = []
    for view, camera in enumerate(rig.cameras):
        start_s = -0.3 + rng.uniform(0, 1 / fps)
        clock = sightings.film_clock(fps, 1.3, rng, start_s=start_s)
        shift_s = start_s - late_s * view
        views.append(sightings.sight([path], camera, view, clock, rng, seeing, clip_offset_s=shift_s))
    return Simulated(ball, (views[0], views[1]), 1 / fps)
