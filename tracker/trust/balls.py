"""What the balls tell of the rig: how well rays meet, where the floor is, the clocks, the pictures' edges, the doubt.

Each looks at the fitted flights of a session together; a flight's own doubt is part of every verdict. The floor and
the creases see what the rays do not: on an end-on pair a yaw of some tenths of a degree leaves a residual of a pixel
or two, yet the ball seems to bounce under the floor.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from tracker.clip import Found, Job, Views, asked, fitted, tracked
from tracker.clocks import disagrees, drifts, ends_s, joined, middle_s, offset_at
from tracker.flight.measures import assess
from tracker.flight.milestones import path_states
from tracker.flight.physics import FLOOR
from tracker.joint import Arc, common_sd, make_arc
from tracker.records import Check, Clock, Flight, Floats, Sightings
from tracker.settings import FlightSettings

LOOSE_FLOOR_SD_M, TOLD_FLOOR_SD_M = 0.15, 0.05  # left to the balls; a flight that knows it no better tells nothing
FLOORS_M = (0.1, -0.1, 0.2, -0.2, 0.35, -0.35)  # where else the bounces are looked for
FLOOR_DOUBTFUL_MM, FLOOR_FAIL_MM = 15.0, 40.0
RESIDUAL_DOUBTFUL_PX, RESIDUAL_FAIL_PX = 0.8, 2.5
CLOCK_LIMIT_MS = 0.3
EDGE, EDGE_DOUBTFUL, EDGE_FAIL = 0.05, 15.0, 50.0  # margin, share of the picture; per cent of the sightings there
SPEED_SD_DOUBTFUL_MPS, SPEED_SD_FAIL_MPS = 0.3, 1.5
KMH_PER_MPS = 3.6
NARROW_DEG = 10.0  # lines of sight that meet at less place a ball badly along them (docs/trust.md)
MORE_SEEN = 1.05
LEAST_BALLS = 3  # fewer say nothing about the rig
SIGMAS = 3.0


@dataclass(frozen=True, eq=False)
class Balls:
    """A clip's deliveries as the checks see them."""

    job: Job
    found: Sequence[Found]
    clock: Clock

    @property
    def flights(self) -> list[Flight]:
        """Those that were fitted."""
        return [one.flight for one in self.found if one.flight is not None]

    @cached_property
    def timed(self) -> list[Flight]:
        """The same with the clocks' offset left to them."""
        return asked(self.job, self.found)


def judged(name: str, value: float, doubtful: float, fail: float, unit: str, words: str) -> Check:
    """A check whose figure should be small: doubtful from one limit on, failed from the other."""
    verdict = "pass" if value < doubtful else "doubtful" if value < fail else "fail"
    return Check(name, verdict, float(value), doubtful, unit, "" if verdict == "pass" else words)


def session_arcs(clips: Sequence[Balls]) -> tuple[list[Arc], Floats]:
    """Every measured flight of a session for a joint adjustment, and the prior sds of what they have in common."""
    arcs, settings = [], FlightSettings()
    for balls in clips:
        settings = balls.job.settings.flight
        for one in balls.found:
            if one.flight is not None:
                offset_sd_s = balls.clock.sd_at(middle_s(one.flight))
                arcs.append(make_arc(one.track, one.flight, settings, offset_sd_s))
    return arcs, common_sd(settings, max((balls.clock.sd_s for balls in clips), default=0.0))


def meeting_check(clips: Sequence[Balls]) -> Check:
    """How well the two views' rays meet: the flights' residuals."""
    own = [float(np.sqrt(np.mean(f.residual_px[f.kept] ** 2))) for balls in clips for f in balls.flights]
    if not own:
        return Check("rays meet", "doubtful", np.nan, RESIDUAL_DOUBTFUL_PX, "px", "no ball was measured to tell by")
    value = float(np.median(own))
    words = (
        f"the two cameras' rays miss each other by {value:.1f} px: look for a knocked camera, another lens setting, "
        "or a rig file of another day"
    )
    return judged("rays meet", value, RESIDUAL_DOUBTFUL_PX, RESIDUAL_FAIL_PX, "px", words)


def floor_check(clips: Sequence[Balls], above_m: float = 0.0) -> Check:
    """Where the balls bounce when the floor's height is left to them; `above_m`: by how much the clips were raised."""
    mean, sd, count = _floor(clips)
    mean += above_m
    if count < LEAST_BALLS:
        return Check("floor", "doubtful", np.nan, FLOOR_DOUBTFUL_MM, "mm", "too few bounces were measured to tell")
    value = 1000 * mean
    side = "above" if value > 0 else "under"
    words = (
        f"the balls bounce {abs(value):.0f} mm {side} the floor: a camera has turned, or the marks were measured "
        "wrongly; lengths and speeds are off. Calibrate again from the lane marks"
    )
    shown = abs(value) if abs(mean) > SIGMAS * sd else 0.0
    check = judged("floor", shown, FLOOR_DOUBTFUL_MM, FLOOR_FAIL_MM, "mm", words)
    return replace(check, value=value)


def far_floor_check(clips: Sequence[Balls], sightings: Sequence[tuple[Sightings, Sightings]]) -> Check:
    """The same with the balls followed anew above floors at other heights: so far off, a bounce looks like a hit.

    A flight that is taken for a hit ends there: a floor that is right lets more be seen of the balls than the rig's.
    """
    best, most, seen = floor_check(clips), 0, _kept(clips)
    for above_m in FLOORS_M:
        raised = []
        for balls, (left, right) in zip(clips, sightings, strict=True):
            job = _raised(balls.job, above_m)
            raised.append(replace(balls, job=job, found=tracked(job, Views(left, right, balls.clock))))
        count = _floor(raised)[2]
        if count >= LEAST_BALLS and count > most and _kept(raised) > MORE_SEEN * seen:
            best, most = floor_check(raised, above_m), count
    return best


def _floor(clips: Sequence[Balls]) -> tuple[float, float, int]:
    """Height of the bounces, its sd, how many tell it."""
    flights = [
        flight
        for flight in _again(clips, lambda s: replace(s, floor_sd_m=LOOSE_FLOOR_SD_M))
        if np.isfinite(flight.bounce_s) and np.sqrt(flight.cov[FLOOR, FLOOR]) < TOLD_FLOOR_SD_M
    ]
    return _mean(flights, FLOOR, least_sd=0.002)


def _kept(clips: Sequence[Balls]) -> int:
    """Sightings that the flights go through."""
    return sum(int(flight.kept.sum()) for balls in clips for flight in balls.flights)


def _raised(job: Job, above_m: float) -> Job:
    """The job with the lane's frame raised by so much: what lay there lies on the floor."""
    if above_m == 0.0:
        return job
    left, right = (replace(c, translation_m=c.translation_m + above_m * c.R[:, 2]) for c in job.session.rig.cameras)
    return replace(job, session=replace(job.session, rig=replace(job.session.rig, left=left, right=right)))


def clock_check(clips: Sequence[Balls]) -> Check:
    """The clocks by the balls against what the rig or the session states."""
    off, told = 0.0, 0
    for number, balls in enumerate(clips, start=1):
        stated = Clock(0.0, balls.clock.sd_s)
        found = joined(balls.timed, stated)
        if found is None:
            continue
        told += 1
        if disagrees(found, stated, balls.timed):
            at_s = max(ends_s(balls.timed), key=lambda end_s: abs(offset_at(found, end_s)))
            value, sd = 1e3 * offset_at(found, at_s), 1e3 * found.sd_at(at_s)
            words = (
                f"clip {number}: the cameras' clocks disagree by {value:+.2f} ms (one sd {sd:.2f}) from what is "
                "stated; run again with --estimate-offset"
            )
            return Check("clocks", "fail", value, CLOCK_LIMIT_MS, "ms", words)
        off = max(off, 1e3 * offset_at(found, found.told_s), key=abs)
    if not told:
        return Check("clocks", "doubtful", np.nan, CLOCK_LIMIT_MS, "ms", "no ball was measured to tell by")
    return Check("clocks", "pass", float(off), CLOCK_LIMIT_MS, "ms", _corrected(clips))


def _corrected(clips: Sequence[Balls]) -> str:
    """What the balls did to the clocks, in words; nothing where they were as stated."""
    for number, balls in enumerate(clips, start=1):
        clock = balls.clock
        if clock.source == "balls":
            moved_ms = 1e3 * offset_at(clock, clock.told_s)  # where the doubt stands
            return (
                f"clip {number}: the right film was moved by {moved_ms:+.2f} ms (at {clock.told_s:.0f} s, amid the "
                f"balls), as they have it; remaining doubt {1e3 * clock.sd_s:.2f} ms (one sd)"
            )
    return ""


def drift_check(clips: Sequence[Balls]) -> Check:
    """Whether one camera's clock runs faster than the other's; what it comes to over the clip, in ms."""
    worst, words = 0.0, ""
    for number, balls in enumerate(clips, start=1):
        clock, span_s = balls.clock, max((float(film.stamps_s[-1]) for film in balls.job.films), default=0.0)
        done = clock.source == "balls"
        found = clock if done else joined(balls.timed, Clock(0.0, clock.sd_s))
        ppm = found.drift_ppm if found is not None and drifts(found) else 0.0
        if abs(ppm) * span_s <= abs(worst):
            continue
        worst = ppm * span_s
        way = "slow" if ppm > 0 else "fast"  # what is added to a slow clock's times grows
        words = f"clip {number}: the right camera's clock runs {abs(ppm):.0f} ppm {way}; " + (
            "corrected over the clip" if done else "run again with --estimate-offset"
        )
        if not done and abs(worst) * 1e-3 > CLOCK_LIMIT_MS:
            return Check("clock drift", "doubtful", -worst * 1e-3, CLOCK_LIMIT_MS, "ms", words)
    return Check("clock drift", "pass", -worst * 1e-3, CLOCK_LIMIT_MS, "ms", words)


def coverage_check(clips: Sequence[Balls]) -> Check:
    """The share of the measured flights' sightings near the edge of a picture, where a lens is known worst."""
    edge, total = 0, 0
    for balls in clips:
        for one in balls.found:
            if one.flight is None:
                continue
            for view, camera in enumerate(balls.job.session.rig.cameras):
                px = one.track.centre_px[(one.track.view == view) & one.flight.kept]
                size = np.array(camera.lens.image_size_px)
                edge += int(((px < EDGE * size) | (px > (1 - EDGE) * size)).any(axis=1).sum())
                total += len(px)
    share = 100 * edge / total if total else 0.0
    words = f"{share:.0f} % of the sightings lie at the pictures' edges, where the lenses are known worst: aim anew"
    return judged("lens coverage", share, EDGE_DOUBTFUL, EDGE_FAIL, "%", words)


def doubt_check(clips: Sequence[Balls]) -> Check:
    """What the cameras' places, the sightings and the rig leave of doubt in a speed."""
    sds, angles = list[float](), list[float]()
    for balls in clips:
        rig = balls.job.session.rig
        for flight in balls.flights:
            speed = assess(flight, rig).measures.get("gate_speed_mps")
            sds.append(speed.sd if speed is not None else np.inf)
            place = path_states(flight, np.array([(flight.start_s + flight.end_s) / 2]))[0, :3]
            lines = [(place - c.centre_m) / np.linalg.norm(place - c.centre_m) for c in rig.cameras]
            angles.append(float(np.degrees(np.arccos(np.clip(lines[0] @ lines[1], -1, 1)))))
    if not sds:
        words = "no ball was measured to tell by"
        return Check("doubt of a speed", "doubtful", np.nan, SPEED_SD_DOUBTFUL_MPS, "m/s", words)
    sd = float(np.median(sds))
    if not np.isfinite(sd):
        words = "speeds cannot be had from where the cameras stand: see `lanepair plan` for better places"
        return Check("doubt of a speed", "fail", np.nan, SPEED_SD_DOUBTFUL_MPS, "m/s", words)
    apart = KMH_PER_MPS * 1.96 * np.sqrt(2) * sd
    angle = float(np.median(angles))
    narrow = min(angle, 180 - angle) < NARROW_DEG
    why = f"the cameras' lines of sight meet at {angle:.0f} degrees only" if narrow else "see the rig's own doubt"
    words = (
        f"a speed's doubt is {sd:.2f} m/s ({KMH_PER_MPS * sd:.1f} km/h; one sd): two balls {apart:.0f} km/h apart can "
        f"hardly be told apart; {why}, and `lanepair plan` for better places"
    )
    return judged("doubt of a speed", sd, SPEED_SD_DOUBTFUL_MPS, SPEED_SD_FAIL_MPS, "m/s", words)


def _again(clips: Sequence[Balls], change: Callable[[FlightSettings], FlightSettings]) -> list[Flight]:
    """Every flight fitted with other priors."""
    flights = []
    for balls in clips:
        settings = balls.job.settings
        job = replace(balls.job, settings=replace(settings, flight=change(settings.flight)))
        again = (fitted(job, one, balls.clock) for one in balls.found if one.flight is not None)
        flights += [one.flight for one in again if one.flight is not None]
    return flights


def _mean(flights: Sequence[Flight], i: int, least_sd: float) -> tuple[float, float, int]:
    """Weighted mean of a parameter, its sd (widened by the scatter, and by what the rig adds to all), how many."""
    if not flights:
        return np.nan, np.nan, 0
    value = np.array([f.params[i] for f in flights])
    var = np.array([f.cov[i, i] for f in flights]) + least_sd**2
    mean = float(np.sum(value / var) / np.sum(1 / var))
    scatter = float(np.sum((value - mean) ** 2 / var) / max(len(value) - 1, 1))
    rig_var = float(np.median([f.rig_cov[i, i] for f in flights]))
    return mean, float(np.sqrt(max(scatter, 1.0) / np.sum(1 / var) + rig_var)), len(value)


BALL_CHECKS: tuple[Callable[[Sequence[Balls]], Check], ...] = (
    meeting_check,
    floor_check,
    clock_check,
    drift_check,
    coverage_check,
    doubt_check,
)
