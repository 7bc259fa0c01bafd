"""What the balls tell of the rig: gravity, the floor, the clocks, how well the two views' rays meet.

Each looks at the fitted flights of a session together; a flight's own doubt is part of every verdict. The floor and
the creases see what the rays do not: on an end-on pair a yaw of some tenths of a degree leaves a residual of a pixel
or two, yet the ball seems to bounce under the floor.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.lane import STANDARD_GRAVITY_MPS2
from tracker.clip import Found, Job, asked, fitted
from tracker.clocks import disagrees, joined
from tracker.records import Check, Clock, Flight
from tracker.settings import FlightSettings

LOOSE_FLOOR_SD_M, LOOSE_LIFT_SD = 0.15, 1.0
FLOOR_DOUBTFUL_MM, FLOOR_FAIL_MM = 15.0, 40.0
RESIDUAL_DOUBTFUL_PX, RESIDUAL_FAIL_PX = 0.8, 2.5
GRAVITY_DOUBTFUL, GRAVITY_FAIL = 0.04, 0.12  # share of 9.81; lift of a spinning ball alone can make 0.05
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
    return _judged("rays meet", value, RESIDUAL_DOUBTFUL_PX, RESIDUAL_FAIL_PX, "px", words)


def floor_check(clips: Sequence[Balls]) -> Check:
    """Where the balls bounce when the floor's height is left to them."""
    flights = [f for f in _again(clips, lambda s: replace(s, floor_sd_m=LOOSE_FLOOR_SD_M)) if np.isfinite(f.bounce_s)]
    mean, sd, count = _mean(flights, "floor_m", least_sd=0.002)
    if count < LEAST_BALLS:
        return Check("floor", "doubtful", np.nan, FLOOR_DOUBTFUL_MM, "mm", "too few bounces were measured to tell")
    value = 1000 * mean
    side = "above" if value > 0 else "under"
    words = (
        f"the balls bounce {abs(value):.0f} mm {side} the floor: a camera has turned, or the marks were measured "
        "wrongly; lengths and speeds are off. Calibrate again from the lane marks"
    )
    shown = abs(value) if abs(mean) > SIGMAS * sd else 0.0
    check = _judged("floor", shown, FLOOR_DOUBTFUL_MM, FLOOR_FAIL_MM, "mm", words)
    return replace(check, value=value)


def gravity_check(clips: Sequence[Balls]) -> Check:
    """Gravity by the flights: their vertical force coefficient taken for it, balls averaged.

    A ball's lift and gravity act alike over one arc; over many balls lift averages to little, a wrong time base or a
    wrong scale does not.
    """
    flights = _again(clips, lambda s: replace(s, lift_sd=LOOSE_LIFT_SD))
    pull = []
    for flight in flights:
        lift, speed = flight.params[flight.names.index("lift")], np.linalg.norm(flight.params[3:6])
        forward = np.hypot(flight.params[3], flight.params[4]) / speed
        pull.append(STANDARD_GRAVITY_MPS2 - flight.model["k_per_m"] * speed**2 * lift * forward)
    if len(pull) < LEAST_BALLS:
        return Check("gravity", "doubtful", np.nan, 100 * GRAVITY_DOUBTFUL, "%", "too few balls were measured to tell")
    mean, sd = float(np.mean(pull)), float(np.std(pull, ddof=1) / np.sqrt(len(pull)))
    off = mean / STANDARD_GRAVITY_MPS2 - 1
    words = (
        f"gravity comes out as {mean:.2f} m/s2 instead of 9.81: distances are {100 * off:+.0f} % off, or times "
        f"{-50 * off:+.0f} %, or these balls carry that much spin. Check one known length, then fps and time_scale"
    )
    shown = abs(off) if abs(off) > SIGMAS * sd / STANDARD_GRAVITY_MPS2 else 0.0
    check = _judged("gravity", 100 * shown, 100 * GRAVITY_DOUBTFUL, 100 * GRAVITY_FAIL, "%", words)
    return replace(check, value=100 * off)


def clock_check(clips: Sequence[Balls]) -> Check:
    """The clocks by the balls against what the rig or the session states."""
    off, told = 0.0, 0
    for number, balls in enumerate(clips, start=1):
        stated = Clock(0.0, balls.clock.sd_s)
        found = joined(asked(balls.job, balls.found), stated)
        if found is None:
            continue
        told += 1
        if disagrees(found, stated):
            value = 1e3 * found.right_minus_left_s
            words = (
                f"clip {number}: the cameras' clocks disagree by {value:.2f} +- {1e3 * found.sd_s:.2f} ms from what is "
                "stated; run again with --estimate-offset"
            )
            return Check("clocks", "fail", value, 0.3, "ms", words)
        off = max(off, abs(1e3 * found.right_minus_left_s), key=abs)
    if not told:
        return Check("clocks", "doubtful", np.nan, 0.3, "ms", "no ball was measured to tell by")
    return Check("clocks", "pass", off, 0.3, "ms", "")


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
                edge += int(((px < 0.05 * size) | (px > 0.95 * size)).any(axis=1).sum())
                total += len(px)
    share = 100 * edge / total if total else 0.0
    words = f"{share:.0f} % of the sightings lie at the pictures' edges, where the lenses are known worst: aim anew"
    return _judged("lens coverage", share, 15.0, 50.0, "%", words)


def _again(clips: Sequence[Balls], change: Callable[[FlightSettings], FlightSettings]) -> list[Flight]:
    """Every flight fitted with other priors."""
    flights = []
    for balls in clips:
        settings = balls.job.settings
        job = replace(balls.job, settings=replace(settings, flight=change(settings.flight)))
        again = (fitted(job, one, balls.clock.sd_s) for one in balls.found if one.flight is not None)
        flights += [one.flight for one in again if one.flight is not None]
    return flights


def _mean(flights: Sequence[Flight], name: str, least_sd: float) -> tuple[float, float, int]:
    """Weighted mean of a parameter, its sd (widened by the scatter), how many."""
    if not flights:
        return np.nan, np.nan, 0
    index = [f.names.index(name) for f in flights]
    value = np.array([f.params[i] for f, i in zip(flights, index, strict=True)])
    var = np.array([f.cov[i, i] for f, i in zip(flights, index, strict=True)]) + least_sd**2
    mean = float(np.sum(value / var) / np.sum(1 / var))
    scatter = float(np.sum((value - mean) ** 2 / var) / max(len(value) - 1, 1))
    return mean, float(np.sqrt(max(scatter, 1.0) / np.sum(1 / var))), len(value)


def _judged(name: str, value: float, doubtful: float, fail: float, unit: str, words: str) -> Check:
    verdict = "pass" if value < doubtful else "doubtful" if value < fail else "fail"
    return Check(name, verdict, value, doubtful, unit, "" if verdict == "pass" else words)


BALL_CHECKS: tuple[Callable[[Sequence[Balls]], Check], ...] = (
    meeting_check,
    floor_check,
    gravity_check,
    clock_check,
    coverage_check,
)
