"""Every check of a session: the films, the cameras' places against the reference pictures, and what the balls tell.

A check answers pass, doubtful or fail with a figure, its limit and what to do. The table CHECKS is all there is; to
add one is a function and a line.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from calibration.errors import InputError
from calibration.rig import VIEWS, Rig
from tracker.records import Check, FilmReport
from tracker.trust import knock
from tracker.trust.balls import BALL_CHECKS, Balls
from tracker.trust.films import blur_check, film_checks
from tracker.vision.video import Bytes

MOVE_DOUBTFUL_PX, MOVE_FAIL_PX = 0.3, 1.0
GROWTH_DOUBTFUL, GROWTH_FAIL = 0.0015, 0.005


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the checks look at: a session's clips with their balls and films, and where the rig file lies."""

    clips: Sequence[Balls]
    films: Sequence[tuple[FilmReport, FilmReport]]
    rig: Rig
    rig_path: Path


def check_session(evidence: Evidence) -> tuple[Check, ...]:
    """Every check, in the order of CHECKS."""
    return tuple(check for part in CHECKS.values() for check in part(evidence))


def films_part(evidence: Evidence) -> list[Check]:
    """Films, clip by clip; what is fine is said once."""
    found: dict[str, Check] = {}
    rank = {"pass": 0, "doubtful": 1, "fail": 2}
    for films in evidence.films:
        for view, film in zip(VIEWS, films, strict=True):
            for check in film_checks(view, film):
                if check.name not in found or rank[check.verdict] > rank[found[check.name].verdict]:
                    found[check.name] = check
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
    references = reference_pictures(evidence.rig, evidence.rig_path)
    if not references:
        words = "the rig keeps no pictures of the empty lane to compare with: give [lane_pictures] when calibrating"
        return [Check("cameras in place", "doubtful", np.nan, MOVE_DOUBTFUL_PX, "px", words)]
    moves = session_moves(evidence, references)
    checks = []
    for view, name in enumerate(VIEWS):
        if name in references:
            checks += _moved(name, view, moves.get(name), evidence.rig)
    return checks


def session_moves(evidence: Evidence, references: Mapping[str, Bytes]) -> dict[str, knock.Move]:
    """The largest move of each camera among the clips."""
    moves: dict[str, knock.Move] = {}
    for balls in evidence.clips:
        clip, cameras = balls.job.clip, evidence.rig.cameras
        for view, name in enumerate(VIEWS):
            if name not in references:
                continue
            now = knock.steady_picture((clip.left, clip.right)[view], (clip.left_fps, clip.right_fps)[view])
            move = knock.camera_move(references[name], now, cameras[view])
            if move is not None and (name not in moves or move.shift_px > moves[name].shift_px):
                moves[name] = move
    return moves


def reference_pictures(rig: Rig, rig_path: Path) -> dict[str, Bytes]:
    """The pictures of the empty lane that calibration kept, by view. Raises InputError where one is lost."""
    named = rig.notes.get("lane_pictures", {})
    found = {}
    for view, camera in zip(VIEWS, rig.cameras, strict=True):
        if view not in named:
            continue
        file = rig_path.parent / str(named[view])
        picture = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE)
        if picture is None:
            raise InputError(file, "the rig's reference picture cannot be read", "put it back, or calibrate again")
        if picture.shape[::-1] != camera.lens.image_size_px:
            raise InputError(file, "the rig's reference picture has another size than the rig", "calibrate again")
        found[view] = np.asarray(picture, np.uint8)
    return found


def _moved(name: str, view: int, move: knock.Move | None, rig: Rig) -> list[Check]:
    place, focus = f"{name} camera in place", f"{name} focus and zoom"
    if move is None:
        words = f"too little of the reference picture is found again in the {name} film: is it of this hall?"
        return [Check(place, "fail", np.nan, MOVE_DOUBTFUL_PX, "px", words)]
    turns = [move.turn_rad if view == v else np.zeros(3) for v in (0, 1)]
    lane = knock.lane_shift_mm(rig, turns)
    worst = max(lane, key=lambda at: float(np.linalg.norm(lane[at])))
    across, along, above = lane[worst]
    right, down = move.turn_rad[1], -move.turn_rad[0]
    back = f"turn it {'right' if right < 0 else 'left'} and {'down' if down < 0 else 'up'}"
    words = (
        f"the {name} camera has turned by {move.degrees:.2f} degrees (picture moved {move.shift_px:.1f} px); at the "
        f"{worst} that is {across:+.0f} mm across, {along:+.0f} mm along, {above:+.0f} mm up. Put it back: {back}; or "
        "`lanepair check SESSION --heal NEW_RIG.toml`, or calibrate again keeping the lenses"
    )
    roll_px = abs(float(move.turn_rad[2])) * rig.cameras[view].lens.image_size_px[0] / 4
    moved = max(move.shift_px, roll_px)
    growth = abs(move.growth) if abs(move.growth) > 3 * move.growth_sd else 0.0
    size_words = (
        f"the {name} picture grew by {100 * move.growth:+.2f} % since calibration: autofocus or zoom is on. Lock focus "
        "and calibrate the lens again"
    )
    return [
        _verdict(place, moved, MOVE_DOUBTFUL_PX, MOVE_FAIL_PX, "px", words),
        _verdict(focus, 100 * growth, 100 * GROWTH_DOUBTFUL, 100 * GROWTH_FAIL, "%", size_words),
    ]


def _verdict(name: str, value: float, doubtful: float, fail: float, unit: str, words: str) -> Check:
    verdict = "pass" if value < doubtful else "doubtful" if value < fail else "fail"
    return Check(name, verdict, value, doubtful, unit, "" if verdict == "pass" else words)


def balls_part(evidence: Evidence) -> list[Check]:
    """What the balls tell."""
    return [check(evidence.clips) for check in BALL_CHECKS]


def healed(evidence: Evidence) -> tuple[Rig, dict[str, knock.Move]]:
    """The rig with each camera turned as its reference picture says, doubt of the turn added to its covariance."""
    moves = session_moves(evidence, reference_pictures(evidence.rig, evidence.rig_path))
    return knock.healed_rig(evidence.rig, moves), moves


CHECKS: dict[str, Callable[[Evidence], list[Check]]] = {
    "films": films_part,
    "blur": blur_part,
    "knock": knock_part,
    "balls": balls_part,
}


def read_checks(out: Path) -> list[Check]:
    """The checks that a run wrote."""
    return [Check(**row) for row in json.loads((out / "check.json").read_text(encoding="utf-8"))]
