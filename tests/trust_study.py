"""How far calibration and checks may be trusted, by simulation: prints the tables kept in docs/trust.md.

    python -m tests.trust_study                               everything: an hour or more on one core
    python -m tests.trust_study --only knocks --sessions 10   a look
    python -m tests.trust_study --only calibrations clocks

At the level of sightings, corners and clicks, and of reference pictures drawn ray by ray (tests/scenery.py); no film is
rendered. Seeds from 7001 on are kept for this; nothing was built with them. Wherever a rig is needed it is one that
differs from the truth as a survey would leave it, and says so in its covariance.
"""

import argparse
import datetime as dt
import platform
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from calibration.rig import VIEWS, Rig
from tests.coverage_study import show
from tests.flown import make_track
from tests.scenery import Scenery, disturbed, draw, scenery, seen, turned_by_hand
from tests.sessions import Films, Seen, bowled, filmed, make_job, measured, with_lookouts
from tests.test_balls import outline_px
from tests.trust_calibrations import FIRST_SEED, Rows, calibration_rows, square_rows
from tests.trust_creases import foreign_rows, hall_pictures
from tracker.clip import FREE, Found, Views, fitted, rejoined
from tracker.clocks import offset_at
from tracker.flight.measures import assess
from tracker.records import Check, Clock, Floats, Track
from tracker.simulation.rigdoubt import doubted
from tracker.simulation.rigs import pair
from tracker.simulation.sightings import Seeing
from tracker.simulation.truth import Flown
from tracker.trust.balls import Balls
from tracker.trust.check import Evidence, creases_part, healed, moved_check, scale_part, time_part
from tracker.trust.knock import Move, camera_move
from tracker.trust.lookout import Look, Lookout
from tracker.vision.planes import Bytes

PAIRS = ("end_on", "side", "crossing")
KNOCK_DEG = 0.05
SEEING = Seeing(miss=0.05, outlier=0.02)
QUANTITIES = ("gate_speed_mps", "bounce_x_m", "bounce_y_m", "swing_m", "deviation_deg", "stumps_x_m", "stumps_z_m")


# --- knocks ---------------------------------------------------------------------------------------------------------


@cache
def hall(seed: int) -> tuple[str, Rig, Rig, tuple[Scenery, Scenery], int]:
    """A session's true rig, its calibrated rig, what its cameras look at, and which of them will be knocked."""
    rng = np.random.default_rng(seed)
    name = PAIRS[seed % len(PAIRS)]
    true = _pair(name)
    scenes = [scenery(rng, edges=int(rng.choice([30, 60, 90])), ahead=tuple(camera.R[2])) for camera in true.cameras]
    return name, true, doubted(true, rng), (scenes[0], scenes[1]), int(rng.integers(2))


_pair = cache(lambda name: pair(name, rows=720))


@cache
def looked(seed: int, knock_deg: float) -> tuple[Rig, tuple[Move | None, Move | None]]:
    """The true rig after a knock, and what the reference pictures tell of both cameras; light and people differ."""
    rng = np.random.default_rng([seed, int(1e4 * knock_deg)])
    _, true, stated, scenes, knocked = hall(seed)
    axis = rng.normal(size=3)
    hand = np.zeros((2, 3))
    hand[knocked] = knock_deg * axis / np.linalg.norm(axis)
    now = [turned_by_hand(camera, *by) for camera, by in zip(true.cameras, hand, strict=True)]
    moves = []
    for camera, before, after, scene in zip(stated.cameras, true.cameras, now, scenes, strict=True):
        reference = seen(draw(scene, before), rng)
        moves.append(camera_move(reference, disturbed(draw(scene, after), rng), camera))
    return replace(true, left=now[0], right=now[1]), (moves[0], moves[1])


def knock_rows(args: argparse.Namespace) -> Rows:
    """Knocks found and false alarms, by rig."""
    for name in PAIRS:
        found, accused, off = 0, 0, []
        seeds = [s for s in range(FIRST_SEED, FIRST_SEED + args.sessions) if hall(s)[0] == name]
        for seed in seeds:
            _, _, stated, _, knocked = hall(seed)
            still, moved = looked(seed, 0.0)[1], looked(seed, KNOCK_DEG)[1]
            alarms = [_alarm(move, stated, view) for view, move in enumerate(moved)]
            found += alarms[knocked]
            accused += sum(_alarm(move, stated, view) for view, move in enumerate(still)) + alarms[1 - knocked]
            off += [m.degrees for m in (*still, moved[1 - knocked]) if m is not None]
        largest = f"{max(off, default=np.nan):.4f}"
        yield name, f"{found} of {len(seeds)}", f"{accused} of {3 * len(seeds)}", largest


def _alarm(move: Move | None, rig: Rig, view: int) -> bool:
    return move is None or moved_check("place", VIEWS[view], move, rig).verdict != "pass"


def healed_rows(args: argparse.Namespace, knock_deg: float) -> Rows:
    """Errors of sessions as they were, knocked, and healed: rms by quantity."""
    errors = {way: {q: [] for q in QUANTITIES} for way in ("unmoved", "knocked", "healed")}
    unhealed = 0
    for seed in range(FIRST_SEED, FIRST_SEED + args.healed):
        _, true, stated, _, _ = hall(seed)
        moved, moves = looked(seed, knock_deg)
        balls = bowled(6, seed)
        for way, rig in (("unmoved", true), ("knocked", moved)):
            films = filmed(rig, balls, np.random.default_rng(seed), seeing=SEEING)
            evidence = measured(stated, *films)
            _add(errors[way], evidence, balls)
        if moves[hall(seed)[4]] is None or not any(_alarm(m, stated, v) for v, m in enumerate(moves)):
            unhealed += 1
            continue
        mended = healed(with_lookouts(evidence, *_lookouts(stated, moves))).rig
        _add(errors["healed"], measured(mended, *films), balls)
    for quantity in QUANTITIES:
        rms = [1e3 * float(np.sqrt(np.mean(np.square(errors[way][quantity])))) for way in errors]
        share = f"{rms[2] / rms[0]:.2f}"
        yield quantity, *(f"{value:.1f}" for value in rms), share, f"{unhealed} of {args.healed}"


def _lookouts(rig: Rig, moves: tuple[Move | None, Move | None]) -> list[Lookout]:
    return [Lookout(c, None, "", [Look(1, 0.0, move)]) for c, move in zip(rig.cameras, moves, strict=True)]


def _add(errors: dict[str, list[float]], evidence: Evidence, balls: tuple[Flown, ...]) -> None:
    """Every quantity's errors over a session's balls."""
    for clip in evidence.clips:
        for flight in clip.flights:
            own = min(balls, key=lambda ball: abs(ball.throw.release_s - flight.start_s))
            found = assess(flight, clip.job.session.rig).measures
            for quantity in QUANTITIES:
                if quantity in found and np.isfinite(own.truth[quantity]):
                    errors[quantity].append(found[quantity].value - own.truth[quantity])


# --- clocks ---------------------------------------------------------------------------------------------------------


def clock_rows(args: argparse.Namespace) -> Rows:
    """The offset by twelve balls: error and coverage, the sightings of a ball given; and by the whole chain."""
    for name in PAIRS:
        yield _clock_row(f"{name}, balls given", name, args.clocks // len(PAIRS), balls_given)
    for name in PAIRS if args.searched else ():
        yield _clock_row(f"{name}, searched for", name, args.searched // len(PAIRS), searched)


def _clock_row(label: str, name: str, sessions: int, way: Callable[[Rig, Seen, Films, int], Clock]) -> tuple[str, ...]:
    off, sd = [], []
    for seed in range(FIRST_SEED, FIRST_SEED + sessions):
        rng = np.random.default_rng([seed, PAIRS.index(name)])
        true = _pair(name)
        late_s = rng.uniform(-2e-3, 2e-3)
        visible, films = filmed(true, bowled(12, seed), rng, seeing=SEEING, right={"start_s": late_s})
        clock = way(doubted(true, rng), visible, films, seed)
        off.append(1e3 * (offset_at(clock, clock.told_s) - late_s))
        sd.append(1e3 * clock.sd_s)
    error, doubt = np.array(off), np.array(sd)
    covers = 100 * float(np.mean(np.abs(error) < 1.96 * doubt))
    spread = f"{covers:.1f} ± {100 * np.sqrt(0.95 * 0.05 / max(sessions, 1)):.1f}"
    rms = float(np.sqrt(np.mean(error**2)))
    return label, str(sessions), f"{rms:.4f}", f"{np.median(doubt):.4f}", spread, f"{np.abs(error).max():.3f}"


def balls_given(rig: Rig, visible: Seen, films: Films, seed: int) -> Clock:
    """The joint estimate once the search is within half a frame; which sightings are a ball is given."""
    job = make_job(rig, films, estimate_offset=True)
    views = Views(*visible, replace(FREE, source="balls"))
    given = [Found(_track(ball, visible), None, "") for ball in bowled(12, seed)]
    found = [fitted(job, one, FREE) for one in given]
    for _ in range(2):
        views, found = rejoined(job, views, found)
    return views.clock


def _track(ball: Flown, visible: Seen) -> Track:
    """The sightings of a ball from its release to the end of its free flight."""
    parts = []
    for view, s in enumerate(visible):
        rows = np.flatnonzero((s.time_s > ball.throw.release_s + 0.004) & (s.time_s < ball.end_s - 0.004))
        parts.append((np.full(len(rows), view), rows, s.time_s[rows], s.centre_px[rows], s.cov_px2[rows]))
    view, rows, time_s, px, cov = (np.concatenate(part) for part in zip(*parts, strict=True))
    order = np.argsort(time_s, kind="stable")
    return replace(make_track(view[order], time_s[order], px[order], cov[order]), row=rows[order])


def searched(rig: Rig, visible: Seen, films: Films, seed: int) -> Clock:
    """The whole chain with clocks unknown."""
    return measured(rig, visible, films, estimate_offset=True).clips[0].clock


# --- time base and scale --------------------------------------------------------------------------------------------


def slow_rows(args: argparse.Namespace) -> Rows:
    """Films stored eight times slowed, and as they are: what is said of gravity."""
    seeing = replace(SEEING, clutter_per_s=3.0, lone_per_frame=0.3)
    for name in PAIRS:
        named = wrongly = 0
        for seed in range(FIRST_SEED, FIRST_SEED + args.films):
            rng = np.random.default_rng([seed, PAIRS.index(name)])
            true = _pair(name)
            stated = doubted(true, rng)
            visible, films = filmed(true, bowled(6, seed), rng, fps=240.0, seeing=seeing)
            told = [_gravity(stated, _slowed(visible, films, times)) for times in (1.0, 8.0)]
            wrongly += told[0].verdict == "fail" or "slowed" in told[0].advice
            named += "this clip looks slowed 8 times: set time_scale = 0.125" in told[1].advice
        yield name, f"{named} of {args.films}", f"{wrongly} of {args.films}"


def _slowed(visible: Seen, films: Films, times: float) -> tuple[Seen, Films]:
    left, right = (replace(s, time_s=s.time_s * times) for s in visible)
    first, second = (replace(f, stamps_s=f.stamps_s * times) for f in films)
    return (left, right), (first, second)


def _gravity(rig: Rig, filmed_as: tuple[Seen, Films]) -> Check:
    visible, films = filmed_as
    job = make_job(rig, films)
    balls = Balls(job, [], Clock(0.0, 0.0))
    (check,) = time_part(Evidence([balls], [films], rig, job.session.rig_path, [visible]))
    return check


def scale_rows(args: argparse.Namespace) -> Rows:
    """Rigs 4 % too large in all directions, and as they are: what the balls' apparent size and the creases tell."""
    for name in ("end_on", "behind_striker", "side", "crossing"):
        named, wrongly, by_balls, by_creases, value = 0, 0, 0, 0, {"scale": list[float](), "creases": list[float]()}
        for seed in range(FIRST_SEED, FIRST_SEED + args.films):
            rng = np.random.default_rng([seed, 4])
            true = _pair(name)
            stated = doubted(true, rng)
            visible, films = filmed(true, bowled(12, seed), rng, seeing=SEEING)
            sized = _sized(true, bowled(12, seed), visible, rng)
            pictures = hall_pictures(true, seed)
            told = [_scale(measured(_enlarged(stated, by), sized, films), pictures) for by in (1.0, 1.04)]
            wrongly += any(_accused(check) for check in told[0].values())
            by_balls += _accused(told[1]["scale"])
            by_creases += _accused(told[1]["creases"])
            named += any(_accused(check) for check in told[1].values())
            for one, values in value.items():
                values.append(told[1][one].value)
        figures = [
            f"{np.nanmean(v):+.1f} ± {np.nanstd(v):.1f}" if np.isfinite(v).any() else "-" for v in value.values()
        ]
        counts = [f"{count} of {args.films}" for count in (by_balls, by_creases, named, wrongly)]
        yield name, counts[0], figures[0], counts[1], figures[1], counts[2], counts[3]


def _scale(evidence: Evidence, pictures: Sequence[Bytes]) -> dict[str, Check]:
    """The balls' and the creases' word."""
    both = [Lookout(c, picture) for c, picture in zip(evidence.rig.cameras, pictures, strict=True)]
    evidence = with_lookouts(evidence, *both)
    return {check.name: check for check in (*scale_part(evidence), *creases_part(evidence))}


def _mean(values: Floats) -> str:
    """Mean and standard deviation of what was told."""
    return f"{np.nanmean(values):+.1f} ± {np.nanstd(values):.1f}" if np.isfinite(values).any() else "cannot tell"


def _accused(check: Check) -> bool:
    return check.verdict != "pass" and "(a wrong scale" in check.advice


def _sized(true: Rig, balls: tuple[Flown, ...], visible: Seen, rng: np.random.Generator) -> Seen:
    """Sizes as the true lenses show a sphere's outline, with 5 % of noise."""
    out = []
    for camera, s in zip(true.cameras, visible, strict=True):
        size = s.size_px.copy()
        for ball in balls:
            rows = np.flatnonzero((s.time_s > ball.throw.release_s) & (s.time_s < ball.end_s))
            for row, at in zip(rows, ball.path.position_m(s.time_s[rows]), strict=True):
                size[row] = outline_px(camera, at, 0.036) * (1 + rng.normal(0, 0.05))
        out.append(replace(s, size_px=size))
    return out[0], out[1]


def _enlarged(rig: Rig, by: float) -> Rig:
    left, right = (replace(camera, translation_m=by * camera.translation_m) for camera in rig.cameras)
    return replace(rig, left=left, right=right)


# --- the command ----------------------------------------------------------------------------------------------------

HEALED = ("quantity (mm, mm/s, millidegrees)", "unmoved", "knocked", "healed", "healed over unmoved", "not healed")
TABLES: dict[str, tuple[tuple[tuple[str, ...], Callable[[argparse.Namespace], Rows]], ...]] = {
    "calibrations": (
        (
            (
                "rig",
                "seeds",
                "normalised error squared (3 expected)",
                "95 % band",
                "rms error over its limit",
                "halves' difference squared (3 expected)",
                "95 % band",
            ),
            calibration_rows,
        ),
        (("rig, squares 4 % too large", "named", "told, %"), square_rows),
    ),
    "knocks": (
        ((f"rig, knock of {KNOCK_DEG} degrees", "found", "false alarms", "largest false move, deg"), knock_rows),
    ),
    "healed": (
        (HEALED, lambda args: healed_rows(args, KNOCK_DEG)),
        ((HEALED[0] + ", knock of 0.3 degrees", *HEALED[1:]), lambda args: healed_rows(args, 0.3)),
    ),
    "clocks": (
        (
            (
                "rig, 12 balls",
                "sessions",
                "rms error, ms",
                "median stated sd, ms",
                "95 % interval covers, %",
                "largest, ms",
            ),
            clock_rows,
        ),
    ),
    "films": ((("rig", "slowed 8 times: named so", "as filmed: called wrong"), slow_rows),),
    "scale": (
        (
            (
                "rig, 4 % too large",
                "named by the balls",
                "told, %",
                "named by the creases",
                "told, %",
                "named by any check",
                "as it is: called wrong",
            ),
            scale_rows,
        ),
        (("what is painted; the rig is right", "called wrong", "cannot tell"), foreign_rows),
    ),
}


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="+", choices=TABLES, default=list(TABLES))
    for name, count in COUNTS.items():
        parser.add_argument(f"--{name}", type=int, default=count, help=f"(default: {count})")
    args = parser.parse_args()
    print(f"{dt.date.today()}, {platform.machine()} {platform.system()}, Python {platform.python_version()}")
    for part in args.only:
        for headings, rows in TABLES[part]:
            begun = time.monotonic()
            show(headings, rows(args))
            print(f"\n{part}: {time.monotonic() - begun:.0f} s", flush=True)


COUNTS = {"calibrations": 20, "squares": 5, "sessions": 100, "healed": 60, "clocks": 402, "searched": 30, "films": 20}


if __name__ == "__main__":
    main()
