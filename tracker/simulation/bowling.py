"""Bowlers to draw deliveries from, and the arm that carries the ball up to the release. All invented."""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from calibration.lane import PITCH_LENGTH_M
from tracker.records import Air, Ball, Floats
from tracker.simulation.world import Forces, Ground, Path, Throw, fly

ARM_M = 0.85  # shoulder to ball
CARRY_S = 0.30  # how long before release the arm is drawn and the ball in the hand is followed


@dataclass(frozen=True)
class Bowler:
    """How someone bowls: means with ball-to-ball scatter (sd).

    speed_mps, release_m (x for a right arm over the wicket; z), spin_radps: mean and sd
    side_sd, late  size of the side force, and how often it acts late
    kick_sd_deg    seam kick; length_m, line_m: where the ball should pitch (mean, sd)
    """

    name: str
    arm: str = "right"
    style: str = "pace"
    speed_mps: tuple[float, float] = (33.0, 1.0)
    release_x_m: tuple[float, float] = (0.55, 0.06)
    before_crease_m: tuple[float, float] = (1.55, 0.15)
    release_z_m: tuple[float, float] = (2.15, 0.04)
    spin_radps: tuple[tuple[float, float, float], float] = ((-90.0, 0.0, 0.0), 20.0)
    side_sd: float = 0.10
    late: float = 0.5
    kick_sd_deg: float = 0.8
    length_m: tuple[float, float] = (5.5, 1.2)
    line_m: tuple[float, float] = (0.12, 0.15)
    slower_to_left_mps: float = 0.0
    run_mps: float = 5.5


BOWLERS = {
    "pace": Bowler("Invented A"),
    "left_pace": Bowler("Invented B", arm="left", speed_mps=(31.0, 1.0), slower_to_left_mps=0.0),
    "spin": Bowler(
        "Invented C",
        style="spin",
        speed_mps=(22.0, 0.8),
        release_x_m=(0.45, 0.06),
        spin_radps=((100.0, -90.0, 60.0), 15.0),
        side_sd=0.03,
        kick_sd_deg=0.5,
        length_m=(4.6, 0.9),
        line_m=(0.2, 0.15),
        run_mps=3.0,
    ),
}


@dataclass(frozen=True, eq=False)
class Bowled:
    """What a drawn delivery needs to fly: see `truth.deliver`."""

    throw: Throw
    forces: Forces
    ground: Ground


def draw(
    bowler: Bowler,
    rng: np.random.Generator,
    *,
    release_s: float = 0.0,
    hand: str = "right",
    side: str = "over",
    ball: Ball | None = None,
    air: Air | None = None,
    pitch_length_m: float = PITCH_LENGTH_M,
    length_m: float | None = None,
    speed_mps: float | None = None,
    kick_deg: float | None = None,
) -> Bowled:
    """One delivery; what is given is taken, the rest is drawn. Aimed so that it pitches on the drawn spot."""
    mirror = -1.0 if bowler.arm == "left" else 1.0  # a left-armer's world is a mirror
    x = mirror * (1.0 if side == "over" else -1.0) * rng.normal(*bowler.release_x_m)
    release = np.array([x, pitch_length_m - rng.normal(*bowler.before_crease_m), rng.normal(*bowler.release_z_m)])
    speed = rng.normal(*bowler.speed_mps) - (bowler.slower_to_left_mps if hand == "left" else 0.0)
    speed = speed if speed_mps is None else speed_mps
    mean, sd = bowler.spin_radps
    spin = (np.array(mean) + rng.normal(0.0, sd, 3)) * np.array([1.0, mirror, mirror])
    late = rng.random() < bowler.late
    forces = Forces(
        drag=rng.uniform(0.40, 0.48),
        drag_fast=rng.uniform(0.33, 0.38),
        crisis_mps=rng.uniform(31.0, 36.0),
        side=float(np.clip(rng.normal(0.0, bowler.side_sd), -0.3, 0.3)),
        side_late_m=rng.uniform(4.0, 9.0) if late else -math.inf,
        side_fade_mps=14.0,
        side_waver=rng.uniform(0.0, 0.25),
        side_waver_hz=rng.uniform(3.0, 9.0),
        side_after=float(rng.normal(0.0, 0.03)),
    )
    kick = rng.normal(0.0, bowler.kick_sd_deg) if kick_deg is None else kick_deg
    ground = Ground(
        restitution=rng.uniform(0.58, 0.68),
        restitution_slope=rng.uniform(0.004, 0.012),
        friction=rng.uniform(0.22, 0.36),
        kick_rad=math.radians(kick),
    )
    length = max(rng.normal(*bowler.length_m), 1.0) if length_m is None else length_m
    off = -1.0 if hand == "left" else 1.0
    spot = np.array([off * rng.normal(*bowler.line_m), length])
    throw = aim(
        Throw(release_s, release, np.array([0.0, -speed, 0.0]), spin), forces, spot, ball or Ball(), air or Air()
    )
    return Bowled(throw, forces, ground)


def aim(throw: Throw, forces: Forces, spot_m: Floats, ball: Ball, air: Air) -> Throw:
    """The throw turned so that, at its own speed, the ball first pitches at `spot_m` (x, y)."""
    speed = float(np.linalg.norm(throw.velocity_mps))
    ground = Ground()

    def turned(angles: Floats) -> Throw:
        azimuth, elevation = (float(a) for a in angles)
        level = speed * math.cos(elevation)
        velocity = [level * math.sin(azimuth), -level * math.cos(azimuth), speed * math.sin(elevation)]
        return replace(throw, velocity_mps=np.array(velocity))

    def miss(angles: Floats) -> Floats:
        path = fly(turned(angles), forces, ground, ball, air, lasting_s=1.6, contacts_at_most=1, rtol=1e-7)
        return np.asarray(path.contacts[0].before[:2] - spot_m)

    run = throw.release_m[1] - spot_m[1]
    drop = 0.5 * 9.81 * (run / speed) ** 2
    start = [(spot_m[0] - throw.release_m[0]) / run, (drop - throw.release_m[2]) / run]
    found = least_squares(miss, start, xtol=1e-6, ftol=1e-6, gtol=1e-6, diff_step=[1e-3, 1e-3], max_nfev=5)
    return turned(found.x)


def arm_circle(throw: Throw, run_mps: float, lean_x: float) -> tuple[Floats, Floats, Floats, float]:
    """The arm at release: shoulder (3,), unit vectors shoulder to ball and of the hand's motion, turn rate rad/s."""
    swing = np.asarray(throw.velocity_mps, float) - [0.0, -run_mps, 0.0]
    rate = float(np.linalg.norm(swing)) / ARM_M
    ahead = swing / np.linalg.norm(swing)
    up = np.array([lean_x, 0.0, 1.0])
    out = up - (up @ ahead) * ahead
    out /= np.linalg.norm(out)
    return np.asarray(throw.release_m - ARM_M * out, float), out, ahead, rate


def with_arm(path: Path, throw: Throw, run_mps: float, lean_x: float = 0.15, carry_s: float = CARRY_S) -> Path:
    """The path with the ball carried by the arm before the release: a circle about a shoulder that runs along.

    Position and velocity are continuous at the release; the acceleration is not, which is what a release is.
    """
    run = np.array([0.0, -run_mps, 0.0])
    shoulder, out, ahead, rate = arm_circle(throw, run_mps, lean_x)

    def carried(time_s: Floats) -> Floats:
        tau = (np.asarray(time_s, float) - throw.release_s)[:, None]
        angle = rate * (0.3 * tau + 0.056 * np.expm1(tau / 0.08))
        speed = rate * (0.3 + 0.7 * np.exp(tau / 0.08))
        position = shoulder + run * tau + ARM_M * (np.cos(angle) * out + np.sin(angle) * ahead)
        velocity = run + ARM_M * speed * (-np.sin(angle) * out + np.cos(angle) * ahead)
        return np.hstack([position, velocity])

    return Path(throw.release_s - carry_s, (throw.release_s, *path.ends_s), (carried, *path.arcs), path.contacts)
