"""What a rig could tell apart before it is built: doubt of each quantity, coverage, blur, and what faults would cost.

Standard balls are flown past the proposed cameras; the doubt of every quantity is the Cramer-Rao limit of the flight
fit for the sightings they would give, alone and with the doubt that a calibration from the lane's marks leaves in the
rig. A fault (a knocked camera, clocks that disagree) shifts the sightings; what the fit makes of the shift, to first
order, is its cost. Equations F8 to F17 of docs/method.md.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import fsolve

from calibration.camera import Camera
from calibration.lane import PITCH_LENGTH_M, RELEASE_PLANE_M
from calibration.rig import Rig
from tracker.flight import physics
from tracker.flight.limit import information_limit, limit
from tracker.flight.measures import evaluate
from tracker.flight.milestones import NUMBERS, PLACES, Course, Milestones, places
from tracker.flight.model import CLOCK, SIZE, Rows, make_model, make_prior, make_rows, predict, usual_rebound
from tracker.flight.rigterms import rig_terms
from tracker.flight.solve import inverse
from tracker.records import Air, Ball, Floats
from tracker.settings import FlightSettings
from tracker.trust.knock import turned
from tracker.trust.proposal import Proposal
from tracker.trust.surveyed import as_calibrated

QUANTITIES = ("release_speed_mps", "bounce_y_m", "bounce_x_m", "swing_m", "deviation_deg", "stumps_x_m", "stumps_z_m")
LEAN = -0.3  # of the ball's diameter: `Sightings.lean_px` of a dark ball before a lighter ground, as seen on films
SHADING = 0.02  # of the ball's diameter: side light moves the middle of its picture (docs/method.md)
KNOCK_DEG = 0.1
HIT_M = 1.0  # how far after the bounce a bat meets the ball
FEWEST_SIGHTINGS = 8  # of both views together: fewer make no flight
SMALLEST_BALL_PX = 4.0  # apparent diameter below which finding the ball becomes hard: common practice, no source


@dataclass(frozen=True)
class StandardBall:
    """A ball to try a rig with, on a full pitch: speed at release; length and line of the bounce; side force; turn."""

    name: str
    speed_mps: float
    length_m: float
    line_m: float = 0.1
    side: float = 0.08
    turn_deg: float = 0.8


GOOD = StandardBall("good length", 33.0, 5.5)
SLOW = StandardBall("spinner", 22.0, 4.5, 0.2, 0.03, 3.0)


@dataclass(frozen=True, eq=False)
class Flown:
    """A standard ball in flight: parameters and model of the fit, and the instants that matter (seconds)."""

    theta: Floats
    model: Floats
    release_s: float
    bounce_s: float
    stumps_s: float

    def states(self, time_s: Floats) -> Floats:
        """The ball (n, 6) at rising times."""
        return physics.trace(self.theta[: physics.COUNT], self.model, np.asarray(time_s, float), 0.008)[0]


@dataclass(frozen=True)
class Costs:
    """One sigma, or the size of an error, by quantity; empty where it cannot be had.

    alone       of one good-length ball from its sightings; `with_rig` with the rig's own doubt, as the next four
    creases     for a calibration from the creases and stumps alone, without tape marks along the lane
    late        the same ball if its side force may act late
    hit         hit a metre after the bounce
    slow        a spinner's ball
    knock       one camera turned by KNOCK_DEG unnoticed: the worst camera and axis
    half_frame  the right film half a frame late and taken as in step
    """

    alone: Mapping[str, float]
    with_rig: Mapping[str, float]
    creases: Mapping[str, float]
    late: Mapping[str, float]
    hit: Mapping[str, float]
    slow: Mapping[str, float]
    knock: Mapping[str, float]
    half_frame: Mapping[str, float]


@dataclass(frozen=True)
class Sight:
    """The ball in a camera's picture at a place: diameter and blur in pixels; NaN where it is not in the picture."""

    place: str
    view: int
    size_px: float
    blur_px: float


@dataclass(frozen=True, eq=False)
class Plan:
    """What a proposal could tell apart.

    costs       of the good-length ball, but for `slow`
    clock_sd_s  how well one ball tells the clocks' offset; 0 where they are synchronised
    seen        share of the flight from release to stumps that the left, the right and both cameras see
    lux         light needed for a mid-grey picture; NaN where aperture or ISO is not known
    gb_per_hour both films
    rig_known   whether the rig's own doubt is known or could be worked out
    """

    proposal: Proposal
    costs: Costs
    clock_sd_s: float
    seen: tuple[float, float, float]
    sights: tuple[Sight, ...]
    lux: float
    gb_per_hour: float
    rig_known: bool


def plan(proposal: Proposal, settings: FlightSettings | None = None) -> Plan:
    """Everything that is said of a proposal."""
    settings = settings or FlightSettings()
    rig = proposal.rig
    known = rig if not rig.exact else as_calibrated(rig)
    bare = as_calibrated(rig, taped=False) if rig.exact else None
    good, slow = flown(GOOD, rig, settings), flown(SLOW, rig, settings)
    used = replace(proposal, rig=known or rig)
    exact = replace(rig, names=(), cov=np.zeros((0, 0)))
    costs = Costs(
        alone=_limit(proposal, exact, good, good.stumps_s, settings),
        with_rig=_limit(proposal, known, good, good.stumps_s, settings) if known is not None else {},
        creases=_limit(proposal, bare, good, good.stumps_s, settings) if bare is not None else {},
        late=_limit(proposal, used.rig, good, good.stumps_s, settings, settings.late_sd),
        hit=_limit(proposal, used.rig, good, _hit_s(good), settings),
        slow=_limit(proposal, used.rig, slow, slow.stumps_s, settings),
        knock=knock_cost(used, good, settings),
        half_frame=clock_cost(used, good, 0.5 / proposal.frames_per_second, settings),
    )
    return Plan(
        proposal,
        costs,
        _clock_sd_s(used, good, settings),
        coverage(rig, good),
        tuple(sights(rig, good)),
        light_lux(proposal),
        2 * proposal.megabits_per_second * 3600 / 8 / 1000,
        known is not None,
    )


def flown(ball: StandardBall, rig: Rig, settings: FlightSettings) -> Flown:
    """A standard ball bowled from the usual release plane so that it bounces where it should."""
    shrink = rig.pitch_length_m / PITCH_LENGTH_M
    aim = np.array([ball.line_m, ball.length_m * shrink])
    theta = np.zeros(SIZE)
    theta[:3] = [0.5, rig.pitch_length_m - RELEASE_PLANE_M, 2.1]
    theta[physics.DRAG], theta[physics.SLOPE], theta[physics.SIDE] = settings.drag, settings.drag_slope, ball.side
    theta[physics.LIFT_AFTER] = settings.lift_after
    model = make_model(Ball(), Air(), 0.0, (0.0, 0.5), ball.speed_mps, True)

    def aimed(angles: Floats) -> Course:
        azimuth, elevation = angles
        ahead = np.array([np.sin(azimuth), -np.cos(azimuth)]) * np.cos(elevation)
        theta[3:6] = ball.speed_mps * np.array([*ahead, np.sin(elevation)])
        return Course(theta, model)

    def miss(angles: Floats) -> Floats:
        landed = aimed(angles).before
        return landed.state[:2] - aim if landed is not None else np.full(2, 99.0)

    course = aimed(fsolve(miss, np.array([-0.03, -0.06])))
    if course.before is None:
        raise ValueError(f"the standard ball {ball.name} does not come down")
    after = usual_rebound(course.before.state[3:], settings)
    turn = np.radians(ball.turn_deg)
    c, s = np.cos(turn), np.sin(turn)
    theta[physics.AFTER : physics.AFTER + 3] = [c * after[0] - s * after[1], s * after[0] + c * after[1], after[2]]
    model[physics.ARC_END] = course.before.time_s
    time_s, _, _ = places(Course(theta, model), rig.pitch_length_m, 0.0)
    when = dict(zip(PLACES, time_s, strict=True))
    return Flown(theta.copy(), model, 0.0, float(when["before"]), float(when["stumps"]))


def _hit_s(ball: Flown) -> float:
    """When the ball is a metre past its bounce."""
    time_s = np.linspace(ball.bounce_s, ball.stumps_s, 200)
    y = ball.states(time_s)[:, 1]
    return float(time_s[np.searchsorted(-y, -(y[0] - HIT_M))])


def sightings(proposal: Proposal, rig: Rig, ball: Flown, end_s: float) -> Rows:
    """What the cameras would see of a ball until `end_s`: right frames fall midway between the left ones."""
    step = 1 / proposal.frames_per_second
    times, views, px, cov, lean = [], [], [], [], []
    for view, camera in enumerate(rig.cameras):
        time_s = np.arange(ball.release_s + step * (0.25 + 0.5 * view), end_s, step)
        place = ball.states(time_s)[:, :3]
        seen = np.array(camera.sees(place))
        size = size_px(camera, place)
        sd2 = proposal.noise_px**2 + (SHADING * size) ** 2
        times.append(time_s[seen])
        views.append(np.full(seen.sum(), view))
        px.append(camera.project(place)[seen])
        cov.append(np.eye(2) * sd2[seen, None, None])
        lean.append(LEAN * size[seen])
    time_s = np.concatenate(times)
    order = np.argsort(time_s, kind="stable")
    joined = (np.concatenate(part)[order] for part in (views, times, px, cov, lean))
    view_, time_, px_, cov_, lean_ = joined
    return make_rows(view_.astype(np.int64), time_, px_, cov_, lean_)


def size_px(camera: Camera, place_m: Floats) -> Floats:
    """Apparent diameter (n,) of the ball at places (n, 3)."""
    depth = np.maximum(camera.depth_m(place_m), 1e-3)
    return np.asarray(2 * Ball().radius_m * camera.lens.matrix[0, 0] / depth)


def _offset_sd_s(proposal: Proposal) -> float:
    return 0.0 if proposal.synchronised else np.inf


def _answer(ball: Flown, rows: Rows, rig: Rig, offset_sd_s: float, settings: FlightSettings) -> Floats:
    """What the fit's parameters (SIZE, 2 n) make of shifted sightings, to first order."""
    terms = rig_terms(rig, offset_sd_s > 0)
    theta = np.concatenate([ball.theta, np.zeros(terms.count)])
    after = usual_rebound(ball.states(np.array([ball.bounce_s]))[0, 3:], settings)
    prior = make_prior(settings, after, offset_sd_s, 0.0, float(ball.theta[physics.SIDE]), terms.count)
    prediction = predict(theta, ball.model, rows, rig.cameras, settings.step_s, terms)
    slope = prediction.slope.reshape(-1, len(theta))
    cov = inverse(slope.T @ slope + np.diag(prior.weight), prior.free)
    return np.asarray((cov @ slope.T)[:SIZE])


def _effect(ball: Flown, rig: Rig, step: Floats) -> dict[str, float]:
    """The size of the change in each quantity when the parameters change by a small step (SIZE,)."""
    whole = np.zeros((NUMBERS, NUMBERS))
    whole[:SIZE, :SIZE] = np.outer(step, step)
    found = Milestones(*places(Course(ball.theta, ball.model), rig.pitch_length_m, ball.release_s), whole)
    sizes = evaluate(found, True)[1]
    return {name: sizes[name] for name in QUANTITIES}


def _enough(rows: Rows) -> bool:
    return len(rows) >= FEWEST_SIGHTINGS and bool((rows.view == 0).any() and (rows.view == 1).any())


def _limit(
    proposal: Proposal, rig: Rig, ball: Flown, end_s: float, settings: FlightSettings, late_sd: float = 0.0
) -> dict[str, float]:
    """One sigma of each quantity, the rig's doubt included where it has one; empty where no flight is to be had."""
    rows = sightings(proposal, rig, ball, end_s)
    if not _enough(rows):
        return {}
    found = limit(
        ball.theta,
        ball.model,
        rows.view,
        rows.time_s,
        _cov_px2(rows),
        rig,
        settings,
        release_s=ball.release_s,
        release_sd_s=1 / proposal.frames_per_second / np.sqrt(12),  # it lies anywhere between two frames
        offset_sd_s=_offset_sd_s(proposal),
        late_sd=late_sd,
        lean_px=rows.lean_px,
    )
    return {name: found[name] for name in QUANTITIES}


def _clock_sd_s(proposal: Proposal, ball: Flown, settings: FlightSettings) -> float:
    """How well one ball tells the clocks' offset; 0 where they are tied."""
    rows = sightings(proposal, proposal.rig, ball, ball.stumps_s)
    if proposal.synchronised or not _enough(rows):
        return 0.0 if proposal.synchronised else float("nan")
    course = Course(ball.theta, ball.model)
    cov = information_limit(course, rows, proposal.rig, settings, np.inf, 0.0)
    return float(np.sqrt(cov[CLOCK, CLOCK]))


def _cov_px2(rows: Rows) -> Floats:
    return np.linalg.inv(np.einsum("nji,njk->nik", rows.whiten, rows.whiten))


def knock_cost(
    proposal: Proposal, ball: Flown, settings: FlightSettings, knock_deg: float = KNOCK_DEG
) -> dict[str, float]:
    """The error in each quantity when one camera has turned and nobody noticed: the worst camera and axis."""
    rig = proposal.rig
    rows = sightings(proposal, rig, ball, ball.stumps_s)
    if not _enough(rows):
        return {}
    gain = _answer(ball, rows, rig, _offset_sd_s(proposal), settings)
    place = ball.states(rows.time_s)[:, :3]
    worst = dict.fromkeys(QUANTITIES, 0.0)
    for view, camera in enumerate(rig.cameras):
        for axis in np.eye(3):
            shift = np.where(
                (rows.view == view)[:, None], turned(camera, np.radians(axis * knock_deg)).project(place) - rows.px, 0.0
            )
            found = _shifted(ball, rig, rows, gain, shift)
            worst = {name: max(worst[name], found[name]) for name in QUANTITIES}
    return worst


def clock_cost(proposal: Proposal, ball: Flown, late_s: float, settings: FlightSettings) -> dict[str, float]:
    """The error in each quantity when the right film is late by `late_s` and is taken as in step."""
    rig = proposal.rig
    rows = sightings(proposal, rig, ball, ball.stumps_s)
    if not _enough(rows):
        return {}
    gain = _answer(ball, rows, rig, 0.0, settings)
    order = np.argsort(rows.time_s + late_s, kind="stable")
    late = np.empty((len(rows), 3))
    late[order] = ball.states((rows.time_s + late_s)[order])[:, :3]
    shift = np.where((rows.view == 1)[:, None], rig.right.project(late) - rows.px, 0.0)
    return _shifted(ball, rig, rows, gain, shift)


def _shifted(ball: Flown, rig: Rig, rows: Rows, gain: Floats, shift_px: Floats) -> dict[str, float]:
    """What a shift (n, 2) of the sightings does to each quantity, to first order."""
    return _effect(ball, rig, gain @ np.einsum("nij,nj->ni", rows.whiten, shift_px).ravel())


def coverage(rig: Rig, ball: Flown) -> tuple[float, float, float]:
    """Shares of the flight, by time, that the left, the right and both cameras see."""
    place = ball.states(np.linspace(ball.release_s, ball.stumps_s, 200))[:, :3]
    left, right = (np.asarray(camera.sees(place)) for camera in rig.cameras)
    return float(left.mean()), float(right.mean()), float((left & right).mean())


def sights(rig: Rig, ball: Flown) -> list[Sight]:
    """The ball's size and blur in each picture at release, halfway to the bounce, the bounce and the stumps."""
    instants = (
        ("release", ball.release_s),
        ("halfway", ball.bounce_s / 2),
        ("bounce", ball.bounce_s - 1e-4),
        ("stumps", ball.stumps_s),
    )
    found = []
    for place, time_s in instants:
        state = ball.states(np.array([time_s]))
        for view, camera in enumerate(rig.cameras):
            _, slope = camera.project_with_slope(state[:, :3])
            seen = bool(camera.sees(state[:, :3])[0])
            size = float(size_px(camera, state[:, :3])[0]) if seen else np.nan
            blur = float(np.linalg.norm(slope[0] @ state[0, 3:]) * camera.exposure_s) if seen else np.nan
            found.append(Sight(place, view, size, blur))
    return found


def light_lux(proposal: Proposal) -> float:
    """Illuminance (lx) for a mid-grey picture: E = C N^2 / (t S), incident constant C = 250 (ISO 2720, from memory).

    >>> from types import SimpleNamespace
    >>> round(light_lux(SimpleNamespace(f_number=2.8, exposure_s=0.001, iso=800.0)))
    2450
    """
    return 250.0 * proposal.f_number**2 / (proposal.exposure_s * proposal.iso)
