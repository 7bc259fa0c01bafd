"""Every check of a session: the films, the cameras' places against the reference pictures, and what the balls tell.

A check answers pass, doubtful or fail with a figure, its limit and what to do. The table CHECKS is all there is; to
add one is a function and a line.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from calibration.errors import LanepairError
from calibration.lane import STANDARD_GRAVITY_MPS2
from calibration.rig import VIEWS, Rig
from tracker import clocks
from tracker.clip import deliveries_of
from tracker.records import Check, FilmReport, Sightings
from tracker.trust import knock
from tracker.trust.balls import BALL_CHECKS, Balls, far_floor_check, judged, session_arcs
from tracker.trust.creases import creases_check, creases_scale
from tracker.trust.films import blur_check, film_checks
from tracker.trust.lookout import Lookout
from tracker.trust.pattern import agreement_checks
from tracker.trust.refine import LEAST_BALLS, refine
from tracker.trust.scale import excused, marks_check, size_check
from tracker.trust.timebase import TimeBase, falls, nearest_slowing, time_base
from tracker.vision.planes import Bytes

TURN_DOUBTFUL_DEG, TURN_FAIL_DEG = 0.02, 0.04  # 0.05 degrees move a bounce by 64 mm on a pair behind the bowler
GROWTH_DOUBTFUL, GROWTH_FAIL = 0.0015, 0.005
TURN_CHI2 = 18.5  # 3 degrees of freedom, exceeded by 1 in 3,000 (table); beside TURN_DOUBTFUL_DEG
SIGMAS = 4.0
FLIGHTS_WITHOUT_FLOOR = 4  # so many flights, and none told the floor's height: it may lie far off
TIME_DOUBTFUL, TIME_FAIL = 0.22, 0.40  # of the logarithm of the time scale: lift alone makes 0.15


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the checks look at.

    clips      a session's clips with their balls
    films      reports of both films of each
    rig        as calibrated, and where its file lies
    sightings  all of each clip, both views on one clock, as first measured
    lookouts   left and right, after the films were read
    """

    clips: Sequence[Balls]
    films: Sequence[tuple[FilmReport, FilmReport]]
    rig: Rig
    rig_path: Path
    sightings: Sequence[tuple[Sightings, Sightings]] = ()
    lookouts: tuple[Lookout, Lookout] | None = None


def check_session(evidence: Evidence) -> tuple[Check, ...]:
    """Every check, in the order of CHECKS."""
    return tuple(check for part in CHECKS.values() for check in part(evidence))


def films_part(evidence: Evidence) -> list[Check]:
    """Films, clip by clip; what is fine is said once."""
    found: dict[str, Check] = {}
    rank = {"pass": 0, "doubtful": 1, "fail": 2}
    for number, films in enumerate(evidence.films, start=1):
        for view, film in zip(VIEWS, films, strict=True):
            for check in film_checks(view, film):
                if check.name not in found or rank[check.verdict] > rank[found[check.name].verdict]:
                    clip = f"clip {number}: " if check.advice and len(evidence.films) > 1 else ""
                    found[check.name] = replace(check, advice=clip + check.advice)
    return list(found.values())


def blur_part(evidence: Evidence) -> list[Check]:
    """Blur of the balls that were measured."""
    found = []
    for view, name in enumerate(VIEWS):
        streak, size = [], []
        for balls in evidence.clips:
            for one in balls.found:
                if one.flight is not None:
                    mine = (one.track.view == view) & one.flight.kept
                    streak.append(np.linalg.norm(one.track.streak_px[mine], axis=1))
                    size.append(one.track.size_px[mine])
        if streak:
            found.append(blur_check(name, np.concatenate(streak), np.concatenate(size)))
    return found


def knock_part(evidence: Evidence) -> list[Check]:
    """Each camera against its reference picture."""
    if evidence.lookouts is None:
        return []
    checks = []
    for view, name in enumerate(VIEWS):
        checks += camera_checks(name, view, evidence)
    return checks


def reference_picture(rig: Rig, rig_path: Path, view: str) -> tuple[Bytes | None, str]:
    """The picture of the empty lane that calibration kept for a view; where there is none, why and what to do."""
    named = rig.notes.get("lane_pictures", {})
    if not isinstance(named, dict) or view not in named:
        return (
            None,
            f"the rig keeps no picture of the empty lane for the {view} camera: give [lane_pictures] to calibrate",
        )
    file = rig_path.parent / str(named[view])
    picture = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION) if file.is_file() else None
    if picture is None:
        return None, f"the rig's reference picture {file} is not there or cannot be read: put it back"
    size, wanted = picture.shape[::-1], rig.cameras[VIEWS.index(view)].lens.image_size_px
    if size != wanted:
        sizes = f"{size[0]} x {size[1]} pixels, the rig {wanted[0]} x {wanted[1]}"
        return None, f"the rig's reference picture {file} is {sizes}: calibrate again"
    return np.asarray(picture, np.uint8), ""


def make_lookouts(rig: Rig, rig_path: Path) -> tuple[Lookout, Lookout]:
    """One for each camera, with its reference picture where the rig keeps one."""
    left, right = (
        Lookout(camera, *reference_picture(rig, rig_path, view))
        for view, camera in zip(VIEWS, rig.cameras, strict=True)
    )
    return left, right


def camera_checks(name: str, view: int, evidence: Evidence) -> list[Check]:
    """The place and the focus of one camera, by its worst look."""
    assert evidence.lookouts is not None
    lookout, place = evidence.lookouts[view], f"{name} camera in place"
    checks = []
    if lookout.lacking:
        words = f"{lookout.lacking}; without it a knock since calibration is not seen"
        checks.append(Check(place, "doubtful", np.nan, TURN_DOUBTFUL_DEG, "deg", words))
        place = f"{name} camera still"
    if not lookout.looks:
        return checks
    last = lookout.looks[-1]
    if last.move is None:  # one look in between may have been blocked by people
        words = (
            f"clip {last.clip}: too little of the reference picture is found again in the {name} film at "
            f"{last.time_s:.0f} s: is it of this hall, and is the camera as it was?"
        )
        return [*checks, Check(place, "fail", np.nan, TURN_DOUBTFUL_DEG, "deg", words)]
    worst = max(lookout.looks, key=lambda look: look.move.degrees if look.move else 0.0)
    assert worst.move is not None
    when = f"clip {worst.clip}, {worst.time_s:.0f} s: "
    moved = moved_check(place, name, worst.move, evidence.rig, when)
    if moved.verdict != "pass" and moved_check(place, name, last.move, evidence.rig).verdict == "pass":
        words = (
            f"{when}the {name} picture stood {worst.move.degrees:.2f} degrees off ({worst.move.shift_px:.1f} px) and "
            "came back: switch the stabiliser off, make the stand firm, and do not trust what was bowled in between"
        )
        moved = replace(moved, advice=words)
    return [*checks, moved, _focus_check(name, worst.move)]


def moved_check(place: str, name: str, move: knock.Move, rig: Rig, when: str = "") -> Check:
    """Whether a move is one, how large, what it does on the lane, and how to undo it."""
    turns = [move.turn_rad if name == view else np.zeros(3) for view in VIEWS]
    lane = knock.lane_shift_mm(rig, turns)
    seen = {at: shift for at, shift in lane.items() if np.isfinite(shift).all()}
    words = f"{when}the {name} camera has turned by {move.degrees:.2f} degrees (picture moved {move.shift_px:.1f} px)"
    if seen:
        worst = max(seen, key=lambda at: float(np.linalg.norm(seen[at])))
        across, along, above = seen[worst]
        words += f"; at the {worst} that is {across:+.0f} mm across, {along:+.0f} mm along, {above:+.0f} mm up"
    words += (
        f". Put it back: {knock.way_back(move)}; or `lanepair check SESSION --heal NEW_RIG.toml`, or calibrate again "
        "keeping the lenses"
    )
    sure = float(((move.turn_rad / move.turn_sd) ** 2).sum()) > TURN_CHI2
    check = judged(place, move.degrees if sure else 0.0, TURN_DOUBTFUL_DEG, TURN_FAIL_DEG, "deg", words)
    return replace(check, value=move.degrees)


def _focus_check(name: str, move: knock.Move) -> Check:
    growth = 100 * move.growth
    words = (
        f"the {name} picture grew by {growth:+.2f} % since calibration: autofocus or zoom is on. Lock focus and "
        "calibrate the lens again"
    )
    shown = abs(growth) if abs(move.growth) > SIGMAS * move.growth_sd else 0.0
    check = judged(f"{name} focus and zoom", shown, 100 * GROWTH_DOUBTFUL, 100 * GROWTH_FAIL, "%", words)
    return replace(check, value=growth)


def balls_part(evidence: Evidence) -> list[Check]:
    """What the balls tell."""
    checks = [check(evidence.clips) for check in BALL_CHECKS] + agreement_checks(evidence.clips)
    flights = sum(len(balls.flights) for balls in evidence.clips)
    untold = [i for i, check in enumerate(checks) if check.name == "floor" and not np.isfinite(check.value)]
    if flights >= FLIGHTS_WITHOUT_FLOOR and evidence.sightings:
        for i in untold:
            checks[i] = far_floor_check(evidence.clips, evidence.sightings)
    return checks


def time_part(evidence: Evidence) -> list[Check]:
    """Gravity by every free flight, clip by clip; the worst is told."""
    checks = []
    for number, (balls, found) in enumerate(zip(evidence.clips, _time_bases(evidence), strict=True), start=1):
        checks.append(gravity_check(found, balls, f"clip {number}: " if len(evidence.clips) > 1 else ""))
    rank = {"pass": 0, "doubtful": 1, "fail": 2}
    told = [check for check in checks if np.isfinite(check.value)] or checks
    return [max(told, key=lambda check: rank[check.verdict])] if told else []


def _time_bases(evidence: Evidence) -> list[TimeBase | None]:
    """Each clip's time by its free flights."""
    return [
        time_base(falls(seen[0], seen[1], evidence.rig, balls.job.session.ball.radius_m))
        for balls, seen in zip(evidence.clips, evidence.sightings, strict=True)
    ]


def gravity_check(found: TimeBase | None, balls: Balls, clip: str) -> Check:
    """Whether a clip's time is true time."""
    limit = 100 * TIME_DOUBTFUL
    if found is None:
        return Check("gravity", "doubtful", np.nan, limit, "%", f"{clip}too few balls fly freely to tell time by")
    off, gravity = float(np.log(found.scale)), STANDARD_GRAVITY_MPS2 * found.scale**2
    stated = balls.job.clip.time_scale
    step_s = [float(np.median(np.diff(film.stamps_s))) for film in balls.job.films if len(film.stamps_s) > 1]
    words = f"{clip}gravity comes out as {gravity:.3g} m/s2, by {found.agree} falls: "
    if off < -TIME_FAIL:
        times = nearest_slowing(1 / found.scale, stated / max(step_s) if step_s else 30.0)
        words += f"this clip looks slowed {times:g} times: set {_setting(balls, 1 / times)}"
    else:
        way = "slow" if off < 0 else "fast"
        words += f"time runs {abs(100 * np.expm1(abs(off))):.0f} % too {way}; look at fps and time_scale"
    check = judged("gravity", 100 * abs(off), limit, 100 * TIME_FAIL, "%", words)
    return replace(check, value=100 * off)


def _setting(balls: Balls, scale: float) -> str:
    """What to write into session.toml so that time is `scale` times as long."""
    clip = balls.job.clip
    if clip.left_fps is not None and clip.right_fps is not None:
        return f"fps = {clip.left_fps / scale:g}"
    return f"time_scale = {clip.time_scale * scale:.4g}"


def scale_part(evidence: Evidence) -> list[Check]:
    """Whether distances are what they are said to be; only what balls accuse is held against the better witnesses."""
    sizes = size_check(evidence.clips, evidence.sightings)
    if sizes.verdict != "pass" and np.isfinite(sizes.value):
        times = [time for time in _time_bases(evidence) if time is not None]
        sizes = excused(sizes, creases_scale(evidence.rig, _lane_pictures(evidence)), times)
    return [sizes, *marks_check(evidence.rig)]


def creases_part(evidence: Evidence) -> list[Check]:
    """Whether the lane's creases lie where the rig says; in the pictures kept at calibration, else the session's."""
    kept = not any(lookout.lacking for lookout in evidence.lookouts or ())
    return creases_check(evidence.rig, _lane_pictures(evidence), kept)


def _lane_pictures(evidence: Evidence) -> list[Bytes | None]:
    """Each camera's picture of the lane."""
    return [lookout.reference for lookout in evidence.lookouts or ()]


@dataclass(frozen=True, eq=False)
class Healed:
    """A rig brought back to where its cameras are, the moves that were taken out, and how many balls had a say."""

    rig: Rig
    moves: dict[str, knock.Move]
    balls: int


def healed(evidence: Evidence) -> Healed:
    """The rig with each knocked camera turned as its last look says, then adjusted by the balls within its doubt."""
    moves = {}
    for view, lookout in zip(VIEWS, evidence.lookouts or (), strict=False):
        last = next((look.move for look in reversed(lookout.looks) if look.move is not None), None)
        if lookout.lacking or last is None:
            continue
        if moved_check("", view, last, evidence.rig).verdict != "pass":
            moves[view] = last
    if not moves:
        raise LanepairError("no camera is seen to have moved from its reference picture: there is nothing to heal")
    rig = knock.healed_rig(evidence.rig, moves)
    again = [_under(rig, balls, seen) for balls, seen in zip(evidence.clips, evidence.sightings, strict=True)]
    arcs, sds = session_arcs(again)
    if len(arcs) < LEAST_BALLS:
        return Healed(rig, moves, 0)
    refined = refine(arcs, rig, sds, again[0].job.settings.flight.step_s)
    return Healed(refined.rig if refined.allowed else rig, moves, refined.balls if refined.allowed else 0)


def _under(rig: Rig, balls: Balls, seen: tuple[Sightings, Sightings]) -> Balls:
    """A clip's balls measured anew under another rig: the knocked one refused sightings, and misled the clocks."""
    job = replace(balls.job, session=replace(balls.job.session, rig=rig))
    left, right = seen
    if balls.clock.source == "balls":
        right = clocks.moved_back(right, balls.clock)
    views, found, _ = deliveries_of(job, left, right)
    return Balls(job, found, views.clock)


CHECKS: dict[str, Callable[[Evidence], list[Check]]] = {
    "films": films_part,
    "blur": blur_part,
    "knock": knock_part,
    "balls": balls_part,
    "time": time_part,
    "scale": scale_part,
    "creases": creases_part,
}
